"""The report as page, PDF and command: all in itself, nothing hostile, nothing that falls over."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from assistant.report.commands import report
from assistant.report.page import html, memo_sounds, pdf
from assistant.report.story import tell
from assistant.visit.journal import read
from tests.lab.invented.visits import write_journal
from tests.report.pages import Tags, outcome_of, pdf_text

HOSTILE = '<script>alert("x")</script><img src=x onerror=alert(1)>'


def test_hostile_names_and_memos_are_only_text(find: Callable) -> None:
    events = copy.deepcopy(find(lambda one: any(event["kind"] == "memo" for event in one)))
    for key in (
        "technician",
        "site",
        "equipment_name",
        "meter_name",
        "procedure_title",
        "visit",
        "program",
        "equipment",
        "meter",
    ):
        events[0][key] = HOSTILE
    for one in events:
        for key in ("text", "check_title", "summary", "why", "step", "fault", "probe", "sentence"):
            if key in one:
                one[key] = HOSTILE
    page = html(tell(events))
    tags = Tags(page)
    assert {tag for tag, _ in tags.tags}.isdisjoint({"script", "iframe", "object", "embed", "form"})
    assert not [name for _, attrs in tags.tags for name in attrs if name.startswith("on")]
    assert all((attrs.get("src") or "data:").startswith("data:") for tag, attrs in tags.tags if tag in ("img", "audio"))
    assert HOSTILE in tags.text


def test_the_page_carries_everything_in_itself(find: Callable) -> None:
    page = html(tell(find(lambda one: one[-1]["fault"] == "rod_coated")))
    outside = re.findall(r"(?:src|href)\s*=\s*[\"'](?!data:)[^\"']*|url\((?!data:)[^)]*\)|@import", page)
    assert outside == []


def test_memos_are_in_the_page_and_attached_to_the_pdf(find: Callable, tmp_path: Path) -> None:
    events = copy.deepcopy(find(lambda one: any(event["kind"] == "memo" for event in one)))
    memo = next(one for one in events if one["kind"] == "memo")
    memo["file"] = "audio/memo-01.flac"
    (tmp_path / "audio").mkdir()
    soundfile.write(tmp_path / memo["file"], np.zeros(1600, np.int16), 16_000)
    story = tell(events)
    sounds = memo_sounds(story, tmp_path)
    assert set(sounds) == {memo["file"]}
    page = html(story, sounds)
    assert '<audio controls preload="none" src="data:audio/flac;base64,' in page
    assert memo["text"] in Tags(page).text
    assert b"/EmbeddedFile" in pdf(story, sounds)


@pytest.mark.parametrize("name", ["../secret.flac", "/etc/passwd", "audio/../../secret.flac"])
def test_a_memo_name_cannot_lead_out_of_the_folder(find: Callable, tmp_path: Path, name: str) -> None:
    (tmp_path / "secret.flac").write_bytes(b"secret")
    (tmp_path / "visit").mkdir()
    events = copy.deepcopy(find(lambda one: any(event["kind"] == "memo" for event in one)))
    next(one for one in events if one["kind"] == "memo")["file"] = name
    assert memo_sounds(tell(events), tmp_path / "visit") == {}


def test_words_of_a_memo_are_those_the_grammar_heard() -> None:
    base = {"v": 1, "at": "2026-03-02T09:00:00+00:00"}
    said = {**base, "kind": "said", "line": "memo_start", "text": "I am recording.", "role": "info"}
    heard = [
        {**base, "kind": "heard", "scope": "supply/memo", "text": text, "answer": {"type": kind, "id": ident}}
        for text, kind, ident in (
            ("say again", "command", "repeat"),
            ("", "unclear", ""),
            ("end note", "command", "end_note"),
        )
    ]
    events = [
        {**base, "kind": "visit", "visit": "v"},
        said,
        *heard,
        {**base, "kind": "memo", "file": None, "seconds": 3.0, "step": "supply"},
    ]
    assert [(one.text, one.file) for one in tell(events).memos] == [("say again", None)]


def test_a_pdf_has_the_same_verdict_and_readings(real_visits: dict[str, Path], tmp_path: Path) -> None:
    events, _ = read(real_visits["corroded"])
    text = pdf_text(pdf(tell(events)), tmp_path)
    assert "Rust on the burner blocks the way from the flame" in text
    volts = [one["value"] for one in events if one["kind"] == "reading" and one["quantity"] == "ac_volts"]
    assert volts and all(f"{value:.1f} V" in text for value in volts)


def test_a_journal_with_odd_lines_still_makes_a_report(find: Callable) -> None:
    """Unknown kinds and keys are kept, not refused; broken values are passed over."""
    events = copy.deepcopy(find(lambda one: one[-1]["fault"] == "rod_coated"))
    events.insert(5, {"v": 1, "kind": "weather", "at": "no time"})
    reading = next(one for one in events if one["kind"] == "reading" and one["step"] == "rod_voltage")
    reading |= {
        "value": "over limit",
        "over_limit": True,
        "measured": {"value": "over limit", "u": 0.0, "low": 600.0, "high": "over limit"},
    }
    verdict = next(one for one in events if one["kind"] == "verdict" and one["step"] == "rod_voltage")
    verdict |= {"value": "over limit", "low": 600.0, "high": "over limit", "check": "some new calculation"}
    page = html(tell(events))
    assert "<b>over limit</b>" in page
    assert "nan" not in page.split("</style>")[1].lower().replace("quinancy", "")


@pytest.fixture
def made(tmp_path: Path, find: Callable) -> Callable[..., Result]:
    before = find(lambda one: outcome_of(one, "rod_voltage") == "fail")
    after = copy.deepcopy(
        find(
            lambda one: (
                one[-1]["fault"] is None and one[-1]["how"] == "finished" and outcome_of(one, "rod_voltage") == "pass"
            )
        )
    )
    after[0] |= {key: before[0][key] for key in ("site", "equipment", "equipment_name")} | {
        "visit": "after",
        "at": before[0]["at"].replace("T", "T")[:8] + "28T23:59:59+00:00",
    }
    before[0]["visit"] = "before"
    write_journal(tmp_path / "visits", before)
    write_journal(tmp_path / "visits", after)
    return lambda *words: CliRunner().invoke(report, [*words, "--visits", str(tmp_path / "visits")])


def test_the_command_writes_both_and_finds_the_visit_before(made: Callable[..., Result], tmp_path: Path) -> None:
    result = made("after", "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    assert [Path(line).name for line in result.output.splitlines()] == ["report-after.html", "report-after.pdf"]
    gap_days = 28 - int(json.loads((tmp_path / "visits/before/journal.jsonl").read_text().splitlines()[0])["at"][8:10])
    page = (tmp_path / "out" / "report-after.html").read_text()
    assert ("Before and after" in page) == (gap_days <= 14)
    assert (
        "Before and after"
        in (
            made("after", "--before", "before", "--format", "html", "--out", str(tmp_path)),
            (tmp_path / "report-after.html").read_text(),
        )[1]
    )
    assert (
        "Before and after"
        not in (
            made("after", "--before", "none", "--format", "html", "--out", str(tmp_path)),
            (tmp_path / "report-after.html").read_text(),
        )[1]
    )
    assert (tmp_path / "out" / "report-after.pdf").read_bytes().startswith(b"%PDF")


def test_the_command_speaks_and_refuses_plainly(made: Callable[..., Result]) -> None:
    assert made("after", "--spoken").output.startswith("Every check is good")
    refused = made("nothing")
    assert refused.exit_code == 1
    assert "no visit 'nothing'" in str(refused.exception)


def test_a_report_says_whether_its_record_is_what_was_written(real_visits: dict[str, Path]) -> None:
    events, _ = read(next(iter(real_visits.values())))
    page = Tags(html(tell(events))).text
    assert "Every line is as it was written" in page and events[-1]["chain"][:16] in page
    place = next(at for at, one in enumerate(events) if one["kind"] == "reading")
    changed = [*events[:place], {**events[place], "value": 1.0}, *events[place + 1 :]]
    page = Tags(html(tell(changed))).text
    assert "The record was changed after it was written." in page and f"line {place + 1} was changed" in page
    old = [{key: value for key, value in one.items() if key != "chain"} | {"v": 1} for one in events]
    assert "written before lines were chained" in Tags(html(tell(old))).text


def test_a_reading_without_its_value_still_makes_a_report(find: Callable) -> None:
    """Found by the fuzz: the three voltages of the phasing picture, one of them without a number."""
    events = copy.deepcopy(find(lambda events: outcome_of(events, "phasing") is not None))
    assert tell(events).phasor is not None
    taken = [one for one in events if one["kind"] == "reading"]
    for one in taken:
        del one["value"]
    assert len(taken) >= 3 and tell(events).phasor is None
    assert "Readings" in html(tell(events))


@pytest.mark.parametrize(("seconds", "said"), [(20, "under a minute"), (61, ", 1 minute<"), (150, ", 2 minutes<")])
def test_how_long_a_visit_took_is_said_in_good_english(find: Callable, seconds: int, said: str) -> None:
    events = copy.deepcopy(find(lambda one: one[-1]["kind"] == "end"))
    began = datetime.fromisoformat(events[0]["at"])
    for one in events[1:]:
        one["at"] = (began + timedelta(seconds=seconds)).isoformat()
    assert said in html(tell(events)).replace("\n", "")


GIVEN = {
    "kind": "details",
    "company": "Elm Row Heating",
    "licence": "L-2207",
    "furnace_model": "MX80-120",
    "furnace_serial": "SN 4471",
    "control_serial": HOSTILE[:80],
    "read_back": ["furnace_model", "furnace_serial"],
}


def test_whose_work_and_which_furnace_stand_in_page_and_pdf_with_a_line_to_sign(find: Callable, tmp_path: Path) -> None:
    events = copy.deepcopy(find(lambda one: one[-1]["fault"] == "rod_coated"))
    events.insert(1, {**GIVEN, "v": 2, "seq": 2, "at": events[0]["at"]})
    story = tell(events)
    for text in (Tags(html(story)).text, pdf_text(pdf(story), tmp_path)):
        for title, given in (
            ("Company", "Elm Row Heating"),
            ("Licence number", "L-2207"),
            ("serial number", "SN 4471"),
        ):
            assert title in text and text.count(given) == 1
        assert "MX80-120 typed and read back" in " ".join(text.split())
        assert "Signature" in text and "were not given" not in text
    assert "<script>" not in html(story)


def test_a_report_without_them_says_so(find: Callable) -> None:
    text = Tags(html(tell(find(lambda one: one[-1]["fault"] == "rod_coated")))).text
    assert "Model and serial numbers, company and licence were not given." in text and "Signature" in text


def test_a_first_line_that_says_little_is_enough_for_a_page(real_visits: dict[str, Path]) -> None:
    events, _ = read(real_visits["healthy"])
    bare = {key: value for key, value in events[0].items() if key in ("v", "seq", "at", "kind", "visit")}
    text = Tags(html(tell([bare, *events[1:]]))).text
    assert text.count("not named") == 5 and "None" not in text and "version" not in text.split("Readings")[0]


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "yesterday", ""])
def test_a_time_that_no_calendar_holds_is_printed_as_it_is(real_visits: dict[str, Path], at: str) -> None:
    events, _ = read(real_visits["healthy"])
    text = Tags(html(tell([{**one, "at": at} for one in events]))).text
    assert "Proof that the power was off" in text
