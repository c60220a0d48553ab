"""A visit by the command line in the adaptive order: kept, cut off anywhere, gone on with; and the order of the
file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from assistant.records.lines import told
from assistant.visit.folders import latest
from assistant.visit.journal import read
from assistant.visit.kept_plan import FILE as PLAN
from assistant.visit.kept_plan import kept
from assistant.visit.plans import Order, kept_plan, order_of, ready_plan
from assistant.visit.replay import standing
from flows.procedure.compile import Plan
from flows.procedure.session import Resumed, Session
from flows.talk.dialogue import advance
from tests.assistant.visit.test_resuming import lines, run
from tests.flows.talking import Talk
from tests.flows.technician import Furnace, Technician, go_on, visited

POOR_PATH = Furnace(
    {"ground_path": ["7.4"], "burner_metal": ["6.9"], "flame_current": ["0.7"]}, answers={"board_proof": "drops"}
)


def words(order: Order) -> tuple[str, ...]:
    """What a technician says to a furnace with a poor path home."""
    return visited(ready_plan("flame_sensing", "larkspur", "dunlin", typed=True, order=order), POOR_PATH)[1]


def rest(plan: Plan, session: Session) -> tuple[str, ...]:
    """What the technician says from there on, after a break."""
    talk = Talk(plan)
    talk.session, talk.effects = advance(plan, session, Resumed())
    return tuple(go_on(talk, Technician(plan, POOR_PATH)))


def folder_of(visits: Path) -> Path:
    (folder,) = [one for one in visits.iterdir() if one.is_dir()]
    return folder


def readings(folder: Path) -> list[str]:
    return [one["step"] for one in read(folder)[0] if one["kind"] == "reading"]


def test_run_lets_the_reasoning_choose_and_keeps_that_it_did(tmp_path: Path) -> None:
    run(tmp_path, typed=lines(*words("adaptive")))
    folder = folder_of(tmp_path)
    events, _ = read(folder)
    assert events[-1]["kind"] == "end" and events[-1]["fault"] == "burner_corroded"
    (put,) = [one for one in events if one["kind"] == "order"]
    assert put["step"] == "burner_metal" and put["why"]
    read_at = readings(folder)
    assert read_at[read_at.index("ground_path") + 1] == "burner_metal"
    assert json.loads((folder / PLAN).read_text(encoding="utf-8"))["order"] == "adaptive" == events[0]["kept"]["order"]


def test_the_record_tells_what_was_put_forward_and_why(tmp_path: Path) -> None:
    run(tmp_path, typed=lines(*words("adaptive")))
    said = [line for line in told(read(folder_of(tmp_path))[0]) if "forward" in line]
    assert len(said) == 1 and "burner_metal: Test burner to the chassis next." in said[0]


def test_in_order_keeps_the_order_of_the_file(tmp_path: Path) -> None:
    run(tmp_path, "--in-order", typed=lines(*words("file")))
    folder = folder_of(tmp_path)
    events, _ = read(folder)
    assert events[-1]["kind"] == "end" and not any(one["kind"] == "order" for one in events)
    assert "burner_metal" not in readings(folder)
    assert json.loads((folder / PLAN).read_text(encoding="utf-8"))["order"] == "file" == events[0]["kept"]["order"]


@pytest.mark.parametrize("order", ["adaptive", "file"])
def test_cut_off_it_goes_on_in_the_order_it_was_begun_in(tmp_path: Path, order: Order) -> None:
    said = words(order)
    option = ["--in-order"] if order == "file" else []
    # Just after the path home was read as poor: what comes next is the order's own.
    cut = said.index("7.4") + 2
    run(tmp_path, *option, typed=lines(*said[:cut]))
    folder = latest(tmp_path)
    assert folder is not None
    events, _ = read(folder)
    was = kept(folder, events[0])
    assert was is not None and was.order == order
    plan = kept_plan(was.procedure, was.equipment, was.meter, order=was.order)
    assert order_of(plan) == order
    run(tmp_path, "--resume", typed=lines(*rest(plan, standing(plan, events).session)))
    events, _ = read(folder)
    assert events[-1]["kind"] == "end" and standing(plan, events).unsaved == ()
    assert [one["step"] for one in events if one["kind"] == "order"] == (
        ["burner_metal"] if order == "adaptive" else []
    )
    assert ("burner_metal" in readings(folder)) == (order == "adaptive")


def test_walked_again_at_every_answer_it_stands_where_it_stood(tmp_path: Path) -> None:
    run(tmp_path, typed=lines(*words("adaptive")))
    events, _ = read(folder_of(tmp_path))
    plan = ready_plan("flame_sensing", "larkspur", "dunlin", order="adaptive")
    heard = [at for at, one in enumerate(events) if one["kind"] == "heard"]
    scopes = [events[at]["scope"] for at in heard]
    for at, scope in zip(heard, scopes, strict=True):
        where = standing(plan, events[:at]).session
        assert f"{where.step}/{where.mode}" == scope


def test_a_visit_from_before_the_order_was_kept_goes_on_in_the_files(tmp_path: Path) -> None:
    run(tmp_path, "--in-order", typed=lines(*words("file")[:30]))
    folder = folder_of(tmp_path)
    plan, opening = folder / PLAN, read(folder)[0][0]
    data = json.loads(plan.read_text(encoding="utf-8"))
    del data["order"]
    plan.write_text(json.dumps(data), encoding="utf-8")
    old = {**opening, "kept": {name: one for name, one in opening["kept"].items() if name != "order"}}
    was = kept(folder, old)
    assert was is not None and was.order == "file"


def test_an_order_that_was_changed_is_refused(tmp_path: Path) -> None:
    run(tmp_path, typed=lines(*words("adaptive")[:30]))
    plan = folder_of(tmp_path) / PLAN
    plan.write_text(
        plan.read_text(encoding="utf-8").replace('"order": "adaptive"', '"order": "file"'), encoding="utf-8"
    )
    assert "The order of the checks" in run(tmp_path, "--resume")
