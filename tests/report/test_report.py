"""What reports say, drawn from simulated visits and from visits that the dialogue walked."""

from __future__ import annotations

import copy
import json
import re
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from assistant.report.commands import report
from assistant.report.page import html, memo_sounds, pdf
from assistant.report.spoken import LONGEST, spoken_seconds, spoken_summary
from assistant.report.story import tell
from assistant.visit.journal import read
from flows.faults import catalog
from tests.flows.technician import Furnace
from tests.lab.invented.visits import write_journal
from tests.visiting import visit_in

Events = list[dict[str, Any]]
VOID = {"meta", "link", "img", "br", "line", "path", "rect", "circle"}


class Tags(HTMLParser):
    """Collects tags with their attributes and the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def pdf_text(content: bytes, tmp_path: Path) -> str:
    """The PDF's text by another program (poppler)."""
    (tmp_path / "r.pdf").write_bytes(content)
    return subprocess.run(["pdftotext", "-layout", str(tmp_path / "r.pdf"), "-"], check=True, capture_output=True, text=True).stdout


def outcome_of(events: Events, step: str) -> str | None:
    return next((one["outcome"] for one in events if one["kind"] == "verdict" and one["step"] == step), None)


def first_heading(events: Events) -> str:
    """The first sentence of the page."""
    page = Tags(html(tell(events)))
    text = page.text.split("Report of a visit")[1].split("invented data, true of no real furnace")[1]
    found = re.search(r"\S.*\S", re.sub("[✓✕≈…]|^\\s*!", "", text, flags=re.M))
    assert found is not None
    return found.group()


FIRST = {
    "healthy": "Every check is good: no fault was found in the flame-sensing circuit.",
    "corroded": catalog.fault("burner_corroded").says,
    "swapped": catalog.fault("secondary_swapped").says,
    "ground mended": "An open ground wire was found and mended, and every check is good now.",
    "phase mended": "Swapped transformer wires on the low side was found and mended, and every check is good now.",
    "rod cleaned": "A coated rod was found, and the checks made again afterwards are good.",
    "supply skipped": "The visit was not finished, so there is no verdict on the whole circuit.",
    "never lit": "The burner does not light. This is no fault of the flame sensing.",
    "mended and stopped": "The visit was not finished, so there is no verdict on the whole circuit.",
}


def test_a_named_fault_is_the_first_sentence(real_visits: dict[str, Path]) -> None:
    for name, sentence in FIRST.items():
        assert first_heading(read(real_visits[name])[0]) == sentence, name


def test_a_danger_that_stands_comes_before_the_fault_and_nothing_is_called_good(
    real_visits: dict[str, Path], tmp_path: Path
) -> None:
    events, _ = read(real_visits["open ground"])
    danger = next(one["text"] for one in events if one["kind"] == "safety")
    assert danger.startswith("Danger. There is no ground") and "Turn off the breaker" in danger
    assert first_heading(events) == danger
    story = tell(events)
    assert story.headline.tone == "alarm"
    spoken = spoken_summary(story)
    assert spoken.startswith(danger)
    for text in (story.headline.then, spoken, events[-1]["summary"]):
        assert "good" not in text.replace("not good", "")
    printed = pdf_text(pdf(story), tmp_path)
    assert printed.index("Danger. There is no ground") < printed.index("Not done:") < printed.index("Readings")


def test_what_is_not_done_is_named(real_visits: dict[str, Path]) -> None:
    for name, titles in (("supply skipped", ("Supply voltage",)), ("never lit", ("Flame current", "Watch one cycle"))):
        story = tell(read(real_visits[name])[0])
        section = Tags(html(story)).text.split("What is not certain")[1].split("Readings")[0]
        assert set(titles) <= set(story.not_done)
        for title in titles:
            assert title in section and title in story.headline.then and title in spoken_summary(story)
        assert story.headline.tone == ("bad" if name == "never lit" else "open")


def test_a_mended_check_is_a_pair_and_its_first_reading_does_not_count_any_more(real_visits: dict[str, Path]) -> None:
    pairs = {
        "ground mended": [("Polarity", "71.0 V", "fail", "0.2 V", "pass")],
        "phase mended": [("Phasing", "142.6 V", "fail", "94.2 V", "pass")],
        "mended and stopped": [("Phasing", "142.6 V", "fail", "94.2 V", "pass")],
        "rod cleaned": [("Flame current", "0.60 µA", "fail", "2.70 µA", "pass")],
        "healthy": [],
    }
    for name, expected in pairs.items():
        story = tell(read(real_visits[name])[0])
        found = [(one.title, one.before.value, one.before.outcome, one.after.value, one.after.outcome) for one in story.pairs]
        assert found == expected, name
        assert all(one.before.before and not one.before.counts and one.after.counts for one in story.pairs)
        page = Tags(html(story)).text
        assert ("before the fix" in page) == bool(expected)
        assert ("stopped to mend" in page) == bool(expected)


def test_the_dead_proof_is_printed_once(real_visits: dict[str, Path], tmp_path: Path) -> None:
    for name, times in (("healthy", 1), ("ground mended", 2)):
        events, _ = read(real_visits[name])
        story = tell(events)
        assert [one.held for one in story.proofs] == [True] * times
        assert all([cell[0] for cell in one.cells] == ["118.4 V", "0.0 V", "0.0 V", "0.0 V", "118.3 V"] for one in story.proofs)
        text = Tags(html(story)).text
        assert text.count("Hot to neutral dead") == 1 and text.count("Proof that the power was off") == 1
        assert pdf_text(pdf(story), tmp_path).count("proven off") >= times


def test_a_proof_that_fails_is_printed_as_one_that_failed(tmp_path: Path) -> None:
    furnace = Furnace({"hot_neutral_dead": ["117.9", "0.00"]})
    story = tell(visit_in(tmp_path / "v", furnace))
    assert [one.held for one in story.proofs] == [False, True]
    assert story.proofs[0].cells == (("118.4 V", "pass"), ("117.9 V", "fail"), None, None, None)
    assert [one.finding for one in story.put_right] == ["high"]
    assert story.pairs == () and story.headline.tone == "good"
    assert "A danger was found at “Hot to neutral dead” and no longer stands." in Tags(html(story)).text


def test_what_was_moved_is_told_and_whether_it_was_put_back(real_visits: dict[str, Path]) -> None:
    events, _ = read(real_visits["healthy"])
    assert tell(events).moved_words == "Moved: thermostat, red jack, covers, rod wire, door switch, leads, jumper. All was left as found."
    cut = next(place for place, one in enumerate(events) if one["kind"] == "jumper") + 1
    story = tell(events[:cut])
    assert "Out of place at the end: red jack: microamps; covers: removed; rod wire: pulled; door switch: held; leads: clipped; jumper: r to w." in story.moved_words
    assert any("jumper: r to w. It must come off." in one for one in story.warnings)


def test_a_gas_alarm_that_was_false_is_not_told_as_an_end(tmp_path: Path) -> None:
    story = tell(visit_in(tmp_path / "v", Furnace(says={"flame_current": "i smell gas"})))
    assert [one for one in story.warnings if "Gas" in one] == ["Gas was smelled at the step “flame current”. It was called a false alarm, and the air clear."]


def test_every_confirmed_reading_of_a_real_visit_stands_in_it(real_visits: dict[str, Path]) -> None:
    for folder in real_visits.values():
        events, _ = read(folder)
        page = html(tell(events))
        taken = [one for one in events if one["kind"] == "reading"]
        proving = [one for one in taken if one["power"] == "said_off"]
        table = page.split('<table class="proof">')[1].split("</table>")[0] if proving else ""
        assert page.count('<div class="reading') == len(taken) - len(proving) > 1
        assert table.count(" V</td>") == len(proving)
        judged = [one for one in events if one["kind"] == "verdict" and one["power"] not in ("said_off", "dead")]
        assert page.count('class="bar"') >= len(judged)
        for one in taken:
            if one["quantity"] == "ac_volts":
                assert f"{one['value']:.1f} V" in page


def test_every_ruled_out_fault_stands_with_its_reading(real_visits: dict[str, Path]) -> None:
    events, _ = read(real_visits["corroded"])
    last = next(one for one in reversed(events) if one["kind"] == "assessment")
    found = {fault: one.probe for one in tell(events).ruled_out for fault in one.faults}
    assert found == {fault: probe for fault, probe in last["ruled_out"] if fault != "healthy"}
    assert len(found) > 10


def test_too_close_to_call_is_said_and_never_called_good(find: Callable) -> None:
    sound = find(
        lambda one: (
            outcome_of(one, "ground_path") == "pass"
            and one[-1]["how"] == "finished"
            and not one[-1]["fault"]
            and all(event.get("outcome", "pass") == "pass" for event in one)
        )
    )
    # The same visit with one verdict too close to call; such visits are rare among good furnaces.
    close = {"outcome": "close", "finding": "", "text": "It is too close to call."}
    events = [
        {**one, **close} if one["kind"] == "verdict" and one.get("step") == "ground_path" else one for one in sound
    ]
    story = tell(events)
    assert story.headline.sentence == "No fault is proven, and ground path is too close to call."
    assert story.headline.tone == "doubt"
    page = html(story)
    assert "Ground path: too close to call." in page
    assert "too close to call" in spoken_summary(story)


def test_what_was_skipped_is_said(find: Callable) -> None:
    events = find(lambda one: any(event["kind"] == "skipped" for event in one) and one[-1]["missing"] == ["ground_path"] and not one[-1]["safety"])
    page = html(tell(events))
    assert "Ground path: skipped" in page
    assert "Not done: Ground path.</b> Nothing is known about it." in page
    old = [*events[:-1], {key: value for key, value in events[-1].items() if not key.startswith("missing")} | {"how": "finished", "fault": None}]
    assert tell(old).headline.tone != "good" and "Not done: Ground path" in html(tell(old))
    events = old
    made_up = [*events[:-1], *(one for one in find(lambda other: outcome_of(other, "ground_path") == "pass") if one.get("step") == "ground_path"), events[-1]]
    assert "skipped" not in html(tell(made_up)).split("Cautions")[0].split("</style>")[1]


def test_an_unfinished_visit_gives_no_verdict(find: Callable) -> None:
    events = find(lambda one: one[-1]["how"] == "stopped" and not one[-1]["safety"] and not one[-1]["fault"])
    assert tell(events).headline.sentence == "The visit was not finished, so there is no verdict on the whole circuit."
    assert tell(events[:-1]).headline.sentence == tell(events).headline.sentence
    assert tell(events[:1]).headline.then == "No reading was taken."


def test_gas_comes_before_everything(find: Callable) -> None:
    events = find(lambda one: one[-1]["fault"] == "rod_coated")
    alarm = {**events[-1], "kind": "alarm", "what": "gas", "step": "rod_voltage"}
    story = tell([*events[:-1], alarm, {**events[-1], "how": "gas", "fault": None}])
    assert story.headline.tone == "alarm"
    assert story.headline.sentence.startswith("Gas was smelled")


def test_before_and_after_within_a_visit(find: Callable) -> None:
    events = find(lambda one: outcome_of(one, "rod_voltage") == "fail" and any(event["kind"] == "fix" and event["step"] == "rod_voltage" for event in one) and not any(event["kind"] == "retaken" for event in one))
    story = tell(events)
    rod = [one for one in events if one["kind"] == "reading" and one["step"] == "rod_voltage"]
    pair = next(one for one in story.pairs if one.title == "Rod voltage")
    assert (pair.before.value, pair.after.value) == tuple(f"{one['value']:.1f} V" for one in rod)
    assert (pair.before.outcome, pair.after.outcome) == ("fail", "pass")
    assert f"Rod voltage: {pair.before.value} before, not good; {pair.after.value} after, good." in html(story)


def test_before_and_after_between_two_visits(real_visits: dict[str, Path]) -> None:
    bad, good = read(real_visits["corroded"])[0], read(real_visits["healthy"])[0]
    story = tell(good, earlier=bad)
    found = {one.before.probe: (one.before.value, one.before.outcome, one.after.value, one.after.outcome) for one in story.pairs}
    assert found["ground_path"] == ("5.80 Ω", "fail", "0.70 Ω", "pass")
    assert found.keys() == {one.probe for one in tell(bad).readings if one.counts and one.outcome in ("fail", "close")}
    assert tell(bad, earlier=good).pairs == ()


def test_a_misheard_reading_that_was_changed_is_not_a_repair(find: Callable) -> None:
    events = copy.deepcopy(find(lambda one: one[-1]["fault"] is None and outcome_of(one, "supply") == "pass" and not any(event["kind"] == "retaken" for event in one)))
    place = next(at for at, one in enumerate(events) if one["kind"] == "verdict" and one["step"] == "supply")
    again = [copy.deepcopy(one) for one in events[place - 1 : place + 1]]
    withdrawn = {**events[place], "kind": "retaken", "step": "supply", "probe": "supply_hot_neutral"}
    story = tell([*events[: place + 1], withdrawn, *again, *events[place + 1 :]])
    assert story.pairs == ()
    assert [one.stands for one in story.readings if one.step == "supply"] == [False, True]


def test_spoken_summary_is_under_half_a_minute_for_every_visit(find: Callable, real_visits: dict[str, Path]) -> None:
    made: list[Events] = []
    find(lambda one: made.append(one) or len(made) >= 300)
    for events in [*made, *(read(folder)[0] for folder in real_visits.values())]:
        story = tell(events)
        text = spoken_summary(story)
        assert text.startswith(story.headline.sentence)
        assert spoken_seconds(text) <= LONGEST < 30


def test_the_voice_needs_less_than_half_a_minute(find: Callable, tmp_path: Path) -> None:
    """The longest of 300 summaries, spoken by eSpeak NG at 150 words a minute."""
    made: list[Events] = []
    find(lambda one: made.append(one) or len(made) >= 300)
    longest = max((spoken_summary(tell(events)) for events in made), key=spoken_seconds)
    subprocess.run(["espeak-ng", "-s", "150", "-w", str(tmp_path / "said.wav"), longest], check=True)
    sound, rate = soundfile.read(tmp_path / "said.wav")
    assert 5 < len(sound) / rate < 30


def test_phasing_picture_says_the_angle_of_the_three_voltages(real_visits: dict[str, Path]) -> None:
    """By the law of cosines on the readings themselves."""
    for name, words in (("healthy", "in phase"), ("swapped", "out of phase")):
        events, _ = read(real_visits[name])
        value = {one["probe"]: one["value"] for one in events if one["kind"] == "reading"}
        line, low, across = (value[probe] for probe in ("supply_hot_neutral", "secondary_r_c", "line_to_r"))
        angle = np.degrees(np.arccos(np.clip((line**2 + low**2 - across**2) / (2 * line * low), -1, 1)))
        assert f"is {angle:.0f} degrees, {words}." in html(tell(events))


HOSTILE = '<script>alert("x")</script><img src=x onerror=alert(1)>'


def test_hostile_names_and_memos_are_only_text(find: Callable) -> None:
    events = copy.deepcopy(find(lambda one: any(event["kind"] == "memo" for event in one)))
    for key in ("technician", "site", "equipment_name", "meter_name", "procedure_title", "visit", "program", "equipment", "meter"):
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
    heard = [{**base, "kind": "heard", "scope": "supply/memo", "text": text, "answer": {"type": kind, "id": ident}} for text, kind, ident in (("say again", "command", "repeat"), ("", "unclear", ""), ("end note", "command", "end_note"))]
    events = [{**base, "kind": "visit", "visit": "v"}, said, *heard, {**base, "kind": "memo", "file": None, "seconds": 3.0, "step": "supply"}]
    assert [(one.text, one.file) for one in tell(events).memos] == [("say again", None)]


def test_a_pdf_has_the_same_verdict_and_readings(real_visits: dict[str, Path], tmp_path: Path) -> None:
    events, _ = read(real_visits["corroded"])
    text = pdf_text(pdf(tell(events)), tmp_path)
    assert "Rust on the burner blocks the way from the flame" in text
    for one in events:
        if one["kind"] == "reading" and one["quantity"] == "ac_volts":
            assert f"{one['value']:.1f} V" in text


def test_a_journal_with_odd_lines_still_makes_a_report(find: Callable) -> None:
    """Unknown kinds and keys are kept, not refused; broken values are passed over."""
    events = copy.deepcopy(find(lambda one: one[-1]["fault"] == "rod_coated"))
    events.insert(5, {"v": 1, "kind": "weather", "at": "no time"})
    reading = next(one for one in events if one["kind"] == "reading" and one["step"] == "rod_voltage")
    reading |= {"value": "over limit", "over_limit": True, "measured": {"value": "over limit", "u": 0.0, "low": 600.0, "high": "over limit"}}
    verdict = next(one for one in events if one["kind"] == "verdict" and one["step"] == "rod_voltage")
    verdict |= {"value": "over limit", "low": 600.0, "high": "over limit", "check": "some new calculation"}
    page = html(tell(events))
    assert "<b>over limit</b>" in page
    assert "nan" not in page.split("</style>")[1].lower().replace("quinancy", "")


@pytest.fixture
def made(tmp_path: Path, find: Callable) -> Callable[..., Result]:
    before = find(lambda one: outcome_of(one, "rod_voltage") == "fail")
    after = copy.deepcopy(find(lambda one: one[-1]["fault"] is None and one[-1]["how"] == "finished" and outcome_of(one, "rod_voltage") == "pass"))
    after[0] |= {key: before[0][key] for key in ("site", "equipment", "equipment_name")} | {"visit": "after", "at": before[0]["at"].replace("T", "T")[:8] + "28T23:59:59+00:00"}
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
    assert "Before and after" in (made("after", "--before", "before", "--format", "html", "--out", str(tmp_path)), (tmp_path / "report-after.html").read_text())[1]
    assert "Before and after" not in (made("after", "--before", "none", "--format", "html", "--out", str(tmp_path)), (tmp_path / "report-after.html").read_text())[1]
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
    events = copy.deepcopy(find(lambda events: outcome_of(events, "phasing") or True))
    for one in events:
        if one["kind"] == "reading":
            del one["value"]
    assert tell(events).phasor is None
    assert "Readings" in html(tell(events))
