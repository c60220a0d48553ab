"""`twohands procedure new | check | preview | say`, as a person calls them."""

from __future__ import annotations

import csv
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from assistant.authoring.picture import draw, guard
from assistant.authoring.recording import record
from assistant.authoring.ways import on_the_way
from assistant.cli import main
from assistant.hearing.audio.rate import SAMPLE_RATE
from flows.judge.measured import Verdict
from flows.judge.profiles import equipment, meter
from flows.judge.verdict import CALCULATIONS
from flows.procedure.compile import load_plan, machine_of
from flows.procedure.schema import PROCEDURES, When, load_procedure
from flows.talk.dialogue import advance, begin
from grammar.answers import Choice, Reading

SHIPPED = sorted(path.stem for path in PROCEDURES.glob("*.yaml") if "." not in path.stem)
SVG = "{http://www.w3.org/2000/svg}"


def call(*words: str) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["procedure", *words])
    return ended.value.code


def test_new_then_check(tmp_path, capsys):
    assert call("new", "my_own", "--into", str(tmp_path)) == 0
    assert (tmp_path / "my_own.yaml").read_text(encoding="utf-8").count("id: my_own") == 1
    assert call("check", str(tmp_path / "my_own.yaml"), "--quick", "--no-voice") == 0
    assert "No problems found" in capsys.readouterr().out


def test_new_never_overwrites_and_refuses_a_bad_name(tmp_path, capsys):
    call("new", "my_own", "--into", str(tmp_path))
    (tmp_path / "my_own.yaml").write_text("mine", encoding="utf-8")
    assert call("new", "my_own", "--into", str(tmp_path)) == 1
    assert (tmp_path / "my_own.yaml").read_text(encoding="utf-8") == "mine"
    assert call("new", "My own", "--into", str(tmp_path)) == 1
    assert "Begin with a small letter" in capsys.readouterr().err


def test_check_ends_with_1_when_there_is_a_problem(changed, capsys):
    path = changed("next: [{go: outlet}]", "next: [{go: outlett}]")
    assert call("check", str(path), "--quick", "--no-voice") == 1
    assert "1 problem found." in capsys.readouterr().out


def test_a_procedure_that_is_not_there_is_named_with_those_that_are(capsys):
    assert call("check", "nowhere.yaml") == 1
    assert "flame_sensing" in capsys.readouterr().err


@pytest.mark.parametrize("name", SHIPPED)
def test_the_picture_has_every_step_and_every_way_of_the_machine(name, tmp_path):
    """Read back out of the SVG that Graphviz drew, against the machine that a visit runs on and a visit that goes
    well."""
    procedure = load_procedure(name)
    draw(procedure, tmp_path / "p.svg")
    groups = [
        one for one in ET.parse(tmp_path / "p.svg").getroot().iter(f"{SVG}g") if one.get("class") in ("node", "edge")
    ]
    titles = {
        kind: {one.findtext(f"{SVG}title") for one in groups if one.get("class") == kind} for kind in ("node", "edge")
    }
    drawn = {tuple(title.split("->")) for title in titles["edge"]}
    ways = {
        (move.source, move.dest)
        for event in machine_of(procedure).events.values()
        for moves in event.transitions.values()
        for move in moves
    }
    failed = {
        (key, step.judge.otherwise) for key, step in procedure.steps.items() if step.judge and step.judge.otherwise
    }
    assert titles["node"] == {*procedure.steps, "from every step"}
    way = on_the_way(procedure)
    assert drawn == ways | failed | way
    gone = walked_well(name)
    assert gone <= way | ways and len(gone) > 15
    written = " ".join(text.text or "" for one in groups for text in one.iter(f"{SVG}text"))
    for step in procedure.steps.values():
        assert all(word in written for word in step.title.split())


def walked_well(name: str) -> set[tuple[str, str]]:
    """(from, to) of a whole visit in which every answer is the first one and every reading passes."""
    plan = replace(load_plan(name, equipment("larkspur"), meter("dunlin")), judge=passes)
    session, gone = begin(plan)[0], set()
    while session.mode != "ended":
        step, before = plan.step(session.step), session.step
        if session.mode == "ask" and step.ask:
            session = replace(
                session,
                mode="confirm",
                pending=Reading(1.0, 1.0, 1.0, 0.1, step.ask.quantity, step.ask.unit, True, False, "", "1"),
            )
        name = "yes" if session.mode == "confirm" else session.pending_answer or next(iter(step.answers))
        session = advance(plan, session, Choice(name, ""))[0]
        gone |= {(before, session.step)} if session.step != before else set()
    return gone


def passes(check, roles, limits, facts) -> Verdict:
    value = roles["value"].value
    return Verdict(
        check,
        "pass",
        "",
        value,
        value,
        value,
        "",
        (),
        "pass",
        tuple((name, 1.0) for name in CALCULATIONS[check].numbers),
    )


def test_preview_writes_a_png(template, tmp_path):
    assert call("preview", str(template), "--out", str(tmp_path / "p.png")) == 0
    assert (tmp_path / "p.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_picture_of_an_unknown_kind_is_refused(template, tmp_path, capsys):
    assert call("preview", str(template), "--out", str(tmp_path / "p.doc")) == 1
    assert ".png, .svg, .pdf" in capsys.readouterr().err


def test_a_missing_package_or_program_is_said_plainly(template, tmp_path, capsys, monkeypatch):
    with monkeypatch.context() as without:
        without.setitem(sys.modules, "graphviz", None)
        assert call("preview", str(template), "--out", str(tmp_path / "p.svg")) == 1
    assert "pip install 'twohands[author]'" in capsys.readouterr().err
    monkeypatch.setenv("PATH", str(tmp_path))
    assert call("preview", str(template), "--out", str(tmp_path / "p.svg")) == 1
    assert "sudo apt install graphviz" in capsys.readouterr().err


def test_a_guard_in_a_few_words():
    assert guard(When(things={"jumper": "r_to_w"}, leaving=False), None) == "jumper r to w, not leaving"
    assert guard(When(danger=True), None) == "a danger stands"
    assert guard(When(power=["said_off", "dead"]), None) == "power said to be off or proven dead"


@pytest.mark.parametrize(("name", "language"), [("igniter_check", "en"), ("igniter_check", "es")])
def test_every_line_is_spoken_into_a_file_and_listed(name, language, tmp_path):
    class Beep:
        name = "beep"

        def render(self, text, rate="normal"):
            return np.full(160 * len(text.split()), 1000, np.int16)

        def close(self):
            pass

    plan = load_plan(name, equipment("larkspur"), meter("dunlin"), language)
    count, seconds = record(plan, Beep(), tmp_path, "wav")
    rows = list(csv.DictReader((tmp_path / "lines.csv").open(encoding="utf-8")))
    assert len(rows) == count == len(list(tmp_path.glob("*.wav")))
    spoken = {row["text"] for row in rows}
    for step in plan.procedure.steps.values():
        assert set(step.say) <= spoken and (not step.caution or {step.caution.full, step.caution.short} <= spoken)
    assert not any("{" in row["text"] for row in rows)
    lengths = [soundfile.info(tmp_path / row["file"]).duration for row in rows]
    assert [float(row["seconds"]) for row in rows] == pytest.approx(lengths, abs=0.005)
    assert seconds == pytest.approx(sum(lengths))


def test_say_by_the_real_voice(template, tmp_path, capsys):
    assert call("say", str(template), "--into", str(tmp_path / "said")) == 0
    files = sorted((tmp_path / "said").glob("*.flac"))
    assert f"{len(files)} lines" in capsys.readouterr().out
    sound, rate = soundfile.read(files[0])
    assert rate == SAMPLE_RATE and np.abs(sound).max() > 0.1 and len(sound) > rate
