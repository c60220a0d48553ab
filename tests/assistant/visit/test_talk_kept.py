"""How much is told: chosen by option, in the settings and by voice, kept for each technician and in the visit."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from assistant import settings, talk_kept
from assistant.cli import cli
from assistant.practice.phrases import answering_scope, probing_scope
from assistant.records.derive import derive, taken_back
from assistant.report.story import tell
from assistant.visit.buttons import ButtonEars, keys_of, shown
from assistant.visit.journal import read
from assistant.visit.plans import ready_plan
from assistant.visit.replay import standing
from flows.faults import catalog
from flows.procedure.session import Save
from flows.talk.prompts import scope_for
from grammar.answers import Choice, Heard
from grammar.parse import understand
from tests.flows.talking import AIR, START, Talk


@pytest.fixture(autouse=True)
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(settings.PLACE, str(tmp_path / "config" / "settings.yaml"))
    return tmp_path / "config" / "talk.yaml"


def run(visits: Path, *words: str, options: tuple[str, ...] = ()) -> Result:
    text = "".join(f"{one}\n" for one in words)
    return CliRunner().invoke(cli, ["run", "--typed", "--visits", str(visits), *options], input=text)


def newest(visits: Path) -> Path:
    return max(visits.iterdir(), key=lambda one: one.name)


USUAL = ("--talk", "usual")


def test_a_visit_asks_about_every_reading_unless_less_is_asked_for(tmp_path: Path) -> None:
    usual = run(tmp_path / "a", *START, "118.4", options=USUAL).output
    assert "read back  one one eight point four.\n" in usual and "The supply is good." in usual
    brief = run(tmp_path / "b", *START, "118.4", options=("--talk", "brief")).output
    assert "verdict  Good." in brief and "Furnace switch off and locked." in brief
    learner = run(tmp_path / "c", *START, "118.4").output
    assert "one one eight point four volts. Is that right?" in learner


def test_the_settings_hold_it(tmp_path: Path) -> None:
    assert CliRunner().invoke(cli, ["settings", "talk", "usual"]).exit_code == 0
    assert "Is that right?" not in run(tmp_path / "a", *START, "118.4").output
    assert "Is that right?" in run(tmp_path / "b", *START, "118.4", options=("--talk", "learner")).output
    assert CliRunner().invoke(cli, ["settings", "talk", "chatty"]).exit_code != 0


def test_what_was_asked_for_by_voice_stays_for_the_next_visit_of_that_technician(tmp_path: Path, file: Path) -> None:
    who = ("--technician", "M. Oduya")
    assert "I will keep it short." in run(tmp_path / "a", *AIR, "short", options=(*who, *USUAL)).output
    assert talk_kept.wanted("M. Oduya").level == "brief" and talk_kept.wanted("").level is None
    assert file.stat().st_mode & 0o777 == 0o600, "it holds a name"
    assert "Furnace switch off and locked." in run(tmp_path / "b", *START[:4], options=who).output
    assert "Furnace switch off and locked." not in run(tmp_path / "c", *START[:4]).output
    assert (
        "Furnace switch off and locked."
        not in run(tmp_path / "d", *START[:4], options=(*who, "--talk", "usual")).output
    )


def test_a_file_that_cannot_be_written_stops_no_visit(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(talk_kept, "write_whole", full)
    told: list[str] = []
    talk_kept.Remembers("A", "flame_sensing", told.append).saved(Save("talk", {"level": "brief"}))
    assert told == ["How much you want to be told is not kept for the next visit. no space left"]


def test_a_finished_procedure_is_remembered() -> None:
    watcher = talk_kept.Remembers("A", "flame_sensing", print)
    watcher.saved(Save("end", {"how": "stopped"}))
    assert talk_kept.wanted("A").finished == []
    watcher.saved(Save("end", {"how": "finished"}))
    watcher.saved(Save("talk", {"level": "brief"}))
    assert talk_kept.wanted("A").model_dump() == {"level": "brief", "finished": ["flame_sensing"]}


def test_a_resumed_visit_goes_on_at_its_level_and_with_what_was_taken_back(tmp_path: Path) -> None:
    run(tmp_path, *START, "118.4", "no", "119.1", "yes", "118.2", options=("--talk", "brief"))
    folder = newest(tmp_path)
    assert json.loads((folder / "plan.json").read_text())["talk"] == "brief"
    events = read(folder)[0]
    plan = ready_plan("flame_sensing", "larkspur", "dunlin", typed=True, order="adaptive", level="brief")
    session = standing(plan, events).session
    assert session.level == "brief" and [one.reading.value for one in session.taken] == [119.1, 118.2]
    assert session.unasked == "polarity_hot"
    again = CliRunner().invoke(cli, ["run", "--typed", "--visits", str(tmp_path), "--resume"], input="0.2\nstop\n")
    assert "zero point two.\n" in again.output and "Good." in again.output


def test_a_level_that_was_changed_behind_its_back_is_refused(tmp_path: Path) -> None:
    run(tmp_path, *AIR, options=USUAL)
    file = newest(tmp_path) / "plan.json"
    file.write_text(file.read_text().replace('"talk": "usual"', '"talk": "learner"'))
    done = CliRunner().invoke(cli, ["run", "--typed", "--visits", str(tmp_path), "--resume"])
    assert "how much is told was changed" in str(done.exception) + done.output


def test_a_reading_that_was_taken_back_counts_for_nothing_in_records_and_report(tmp_path: Path) -> None:
    run(
        tmp_path,
        *START,
        "118.4",
        "no",
        "119.1",
        "yes",
        "stop",
        "i opened the switch",
        "everything is shut down",
        options=USUAL,
    )
    events = read(newest(tmp_path))[0]
    values = [(place, one["value"]) for place, one in enumerate(events) if one["kind"] == "reading"]
    assert [value for _, value in values] == [118.4, 119.1], "the record has both"
    gone = taken_back(events)
    assert values[0][0] in gone and values[1][0] not in gone
    row = derive(events)
    assert [one["counts"] for one in row.readings] == [False, True] and row.visit["retaken"] == 1
    assert [one.stands for one in tell(events).readings] == [False, True]


# The keyboard.


def test_a_gas_alarm_is_called_off_by_no_key_but_by_whole_words() -> None:
    plan = ready_plan("flame_sensing", "larkspur", "dunlin", "es", typed=True)
    talk = Talk(plan).say("el aire está limpio", "listo", "huele a gas")
    for phrase in ("fue una falsa alarma", "el aire está limpio"):
        assert talk.session.mode == "alarm" and keys_of(talk.scope) == {}
        assert f"con todas las letras: {phrase}" in shown(talk.scope, {})
        for key in ("1", "s", "n", "", "a"):
            final = ButtonEars(io.StringIO(f"{key}\n")).hear(talk.scope)
            assert final is not None and not isinstance(understand(final.heard, talk.scope), Choice)
        talk.say(phrase)
    assert talk.session.mode == "ask"


def test_a_late_no_has_its_key_and_earlier_readings_take_none() -> None:
    plan = ready_plan("flame_sensing", "larkspur", "dunlin", "es", typed=True, level="usual")
    talk = Talk(plan)
    while talk.session.step != "supply":
        talk.say(next(iter(keys_of(talk.scope).values())))
    talk.say("118,4")
    assert talk.session.unasked == "supply"
    assert set(keys_of(talk.scope)) == {"a", "s", "n"}
    assert talk.say(keys_of(talk.scope)["n"]).at == "supply/ask"


# Practice.


def test_a_fault_is_named_at_once() -> None:
    faults = tuple(catalog.faults().faults)
    assert understand(Heard("coated rod", engine="vosk"), answering_scope(faults, False)).id == "answer:rod_coated"
    assert understand(Heard("my answer is coated rod"), answering_scope(faults, True)).id == "answer:rod_coated"
    assert understand(Heard("coated rod"), probing_scope(faults, True)).id == "answer:rod_coated"


def test_practice_tells_all_of_it_unless_asked_otherwise(tmp_path: Path) -> None:
    def practise(*options: str) -> str:
        given = ["practice", "--typed", "--fault", "healthy", "--seed", "1", "--record", str(tmp_path), *options]
        return CliRunner().invoke(cli, given, input="".join(f"{one}\n" for one in (*START, "118.4"))).output

    assert "Is that right?" in practise()
    assert "Good." in practise("--talk", "brief") and "Is that right?" not in practise("--talk", "brief")


def test_every_word_of_every_scope_with_a_reading_to_take_back_is_asked_of_the_recogniser() -> None:
    from assistant.visit.plans import words_of
    from grammar.emit import vocabulary

    plan = ready_plan("flame_sensing", "larkspur", "dunlin", level="usual")
    taken = Talk(plan).say(*START, "118.4", "118.2", "0.2", "24.2").session
    assert vocabulary(scope_for(plan, taken)) <= words_of(plan)
