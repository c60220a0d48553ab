"""Whose work and which furnace: given, typed and read back, kept in the visit and, what is one's own, in the
settings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from assistant import settings as kept
from assistant.cli import cli
from assistant.commands import details as asking
from assistant.visit.ask_details import Typed, characters, words
from assistant.visit.details import NAMES, Details, details_of, writable
from assistant.visit.journal import read
from assistant.visit.journal_kinds import fault_in
from grammar.language import languages

YES, NONE = "y\n", "\n"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(kept.PLACE, str(tmp_path / "settings.yaml"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def run(home: Path, *more: str, typed: str) -> Result:
    words_ = ["run", "--typed", "--visits", str(home / "visits"), *more]
    return CliRunner().invoke(cli, words_, input=typed, standalone_mode=False)


def lines(home: Path) -> list[dict[str, Any]]:
    (folder,) = (home / "visits").iterdir()
    return read(folder)[0]


def test_a_number_stands_only_once_it_was_agreed_to(home: Path) -> None:
    answers = [YES, "MX80-12O\n", "n\n", "MX80-120\n", YES, "SN 4471l\n", YES, NONE, NONE, "Elm Row Heating\n"]
    done = run(home, "--details", typed="".join([*answers, "L-2207\n", YES, "stop\n"]))
    assert "I have: M, X, 8, zero, dash, one, 2, letter O. Is that right? y or n." in done.output
    assert "I have: M, X, 8, zero, dash, one, 2, zero." in done.output
    first, second, *_ = lines(home)
    assert (first["kind"], second["kind"]) == ("visit", "details")
    assert {name: second[name] for name in NAMES if name in second} == {
        "furnace_model": "MX80-120",
        "furnace_serial": "SN 4471l",
        "company": "Elm Row Heating",
        "licence": "L-2207",
    }
    assert second["read_back"] == ["furnace_model", "furnace_serial", "licence"]
    assert kept.settings().all_set == {"company": "Elm Row Heating", "licence": "L-2207"}


def test_what_was_never_agreed_to_is_not_kept(home: Path) -> None:
    run(
        home, "--details", typed="".join([YES, "MX80\n", "n\n", NONE, "X1\n", "perhaps\n", NONE, *[NONE] * 4, "stop\n"])
    )
    assert all(one["kind"] != "details" for one in lines(home))
    assert kept.settings().all_set == {}


def test_it_is_left_out_with_one_key(home: Path) -> None:
    done = run(home, "--details", typed="\nstop\n")
    assert done.output.count("or Enter for none") == 0
    assert [one["kind"] for one in lines(home)][:2] == ["visit", "said"]


def test_options_and_settings_are_read_back_and_not_asked(home: Path) -> None:
    kept.set_one("company", "Elm Row Heating")
    kept.set_one("licence", "L-2207")
    given = ["--furnace-model", "MX80", "--furnace-serial", "0O1l", "--control-model", "C24", "--control-serial", "9"]
    done = run(home, "--details", *given, typed="stop\n")
    assert "warranty claim" not in done.output and "Your company" not in done.output
    assert "furnace, serial number: zero, letter O, one, small letter L." in done.output
    told = details_of(lines(home))
    assert told.given["furnace_serial"] == "0O1l" and told.given["licence"] == "L-2207" and told.read_back == ()


@pytest.mark.parametrize(
    ("there", "more", "asks"), [(True, [], True), (False, [], False), (True, ["--no-details"], False)]
)
def test_only_who_types_at_a_terminal_is_asked(
    home: Path, monkeypatch: pytest.MonkeyPatch, there: bool, more: list[str], asks: bool
) -> None:
    monkeypatch.setattr(asking, "at_a_terminal", lambda: there)
    assert ("warranty claim" in run(home, *more, typed="\nstop\n").output) == asks


def test_who_talks_is_not_kept_waiting_at_the_keyboard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "at_a_terminal", lambda: True)
    assert asking.asked(Details(), None, False, "en") == (Details(), "")


@pytest.mark.parametrize(
    ("language", "typed", "text"),
    [("en", "I smell gas\n", "i smell gas"), ("en", "gas\n", "i smell gas"), ("es", "huele a gas\n", "huele a gas")],
)
@pytest.mark.parametrize("before", [[], [True], [True, "MX80\n"]])
def test_gas_is_heard_while_it_is_asked(
    home: Path,
    language: str,
    typed: str,
    text: str,
    before: list,
) -> None:
    yes = "y\n" if language == "en" else "s\n"
    answers = [yes if one is True else one for one in before]
    done = run(home, "--details", "--language", language, typed="".join([*answers, typed]))
    found = lines(home)
    assert [one["kind"] for one in found if one["kind"] in ("details", "alarm")] == ["alarm"]
    assert next(one for one in found if one["kind"] == "heard")["text"] == text
    assert found[-1]["how"] == "gas"
    assert "ALARM" in done.output


def test_a_resumed_visit_keeps_them_and_takes_what_is_new(home: Path) -> None:
    run(home, "--furnace-serial", "4471", "--company", "Elm Row Heating", typed="the air is clear\n")
    run(home, "--resume", "--company", "Elm Row Heating", typed="")
    run(home, "--resume", "--furnace-serial", "4472", "--control-model", "C24", typed="i am ready\nstop\n")
    found = lines(home)
    assert [one["kind"] for one in found].count("details") == 2
    assert dict(details_of(found).given) == {
        "furnace_serial": "4472",
        "control_model": "C24",
        "company": "Elm Row Heating",
    }
    assert [one["kind"] for one in found].count("resumed") == 2


@pytest.mark.parametrize("bad", ["x" * 81, "a\nb", "a\x1b[2J", "a\u202eb"])
def test_what_cannot_be_written_down_is_refused(home: Path, bad: str) -> None:
    assert writable(bad) is None
    assert "at most 80 characters" in str(run(home, "--furnace-model", bad, typed="stop\n").exception)
    shown: list[str] = []
    lines_ = iter([YES, f"{bad}\n" if "\n" not in bad else "x" * 90 + "\n", NONE])

    class Keyboard:
        def readline(self) -> str:
            return next(lines_, "")

    assert Typed(Keyboard(), shown.append, "en").ask(Details()) == Details()
    assert "That cannot be written down. It must be one line of at most 80 characters." in shown


def test_the_last_word_on_each_counts() -> None:
    told = details_of(
        [
            {"kind": "visit", "company": "not here"},
            {"kind": "details", "company": "A", "furnace_serial": "1", "read_back": ["furnace_serial"]},
            {"kind": "details", "furnace_serial": "2", "read_back": None},
        ]
    )
    assert dict(told.given) == {"furnace_serial": "2", "company": "A"} and told.read_back == ()


def test_every_language_asks_for_each_and_tells_likes_apart() -> None:
    assert set(words().said) == set(languages())
    for key, said in words().said.items():
        assert set(said.ask) == set(said.names) == set(NAMES)
        told = [characters("furnace_serial", one, key) for one in "0Oo1Iil"]
        assert len(set(told)) == 7 and all(len(one) > 2 for one in told)
        assert "{yes}" in said.offer and "{characters}" in said.back


@pytest.mark.parametrize(
    "line", [{"company": 7}, {"furnace_serial": ["x"]}, {"read_back": "all"}, {"licence": "x" * 201}]
)
def test_details_of_another_kind_are_no_line_of_a_journal(line: dict[str, Any]) -> None:
    assert "is of the wrong kind" in fault_in("details", line)
