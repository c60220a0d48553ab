"""Every state and every answer of every shipped procedure."""

from __future__ import annotations

import pytest

from flows.compile import load_plan, make_plan
from flows.profiles import equipment, meter
from flows.safety import walk
from flows.schema import PROCEDURES, Answer, Go, Procedure, Sets, load_procedure, procedure_path
from grammar.errors import DataFileError

SHIPPED = sorted(path.stem for path in PROCEDURES.glob("*.yaml") if path.stem.count(".") == 0)


@pytest.fixture(scope="module", params=SHIPPED)
def walked(request):
    return walk(load_plan(request.param, equipment("larkspur"), meter("dunlin")))


def test_no_rule_is_broken_anywhere(walked, capsys):
    with capsys.disabled():
        print(f"\n  walked {walked.states} states, {walked.moves} answers")
    assert walked.breaches == ()


def test_every_step_can_be_reached_and_every_state_can_end(walked):
    assert walked.steps_never == ()
    assert walked.stuck == ()
    assert walked.states > 100 and walked.moves > 20 * walked.states


def changed(**steps):
    """The shipped procedure with some steps replaced."""
    procedure = load_procedure("flame_sensing")
    return make_plan(procedure.model_copy(update={"steps": {**procedure.steps, **steps}}), equipment("larkspur"), meter("dunlin"))


def step(name: str):
    return load_procedure("flame_sensing").steps[name]


def rules(plan) -> str:
    return " | ".join(one.rule for one in walk(plan, first_breach=True).breaches)


# The walk must find what it is there for: each of these breaks one rule on purpose.


def test_the_walk_finds_a_jumper_that_is_left_on():
    careless = step("take_jumper_off").model_copy(update={"answers": {"removed": Answer(phrases=["jumper is in my hand"])}})
    assert "the visit ends with 'jumper' still set" in rules(changed(take_jumper_off=careless))


def test_the_walk_finds_a_way_round_the_proof_that_power_is_dead():
    short = step("power_off").model_copy(update={"next": [Go(go="lead_zero")]})
    found = walk(changed(power_off=short))
    # The step is refused at run time and never spoken, so there is no breach; but nobody gets out that way.
    assert found.breaches == ()
    assert any(state.startswith("power_off") for state in found.stuck)


def test_the_compiler_refuses_that_way_before_anything_runs(tmp_path):
    text = procedure_path("flame_sensing").read_text()
    bad = tmp_path / "bad.yaml"
    bad.write_text(text.replace("    next: [{go: meter_live}]", "    next: [{go: lead_zero}]"))
    with pytest.raises(DataFileError, match=r"bad.yaml, line \d+: 'lead_zero' needs power 'dead', but after 'power_off' it can be said off"):
        load_plan(str(bad), equipment("larkspur"), meter("dunlin"))


def test_the_walk_finds_ohms_asked_for_on_a_live_furnace():
    bold = step("lead_zero").model_copy(update={"power": "any"})
    bypass = step("rod_voltage").model_copy(update={"next": [Go(go="lead_zero")]})
    assert "ohms are asked for while power is on" in rules(changed(lead_zero=bold, rod_voltage=bypass))


def test_the_walk_finds_an_endless_loop():
    loop = step("welcome").model_copy(update={"next": [Go(go="welcome")]})
    procedure = load_procedure("flame_sensing")
    endless = procedure.model_copy(update={"steps": {**procedure.steps, "welcome": loop}, "leave": [Go(go="welcome")]})
    found = walk(make_plan(endless, equipment("larkspur"), meter("dunlin")))
    assert found.stuck and "get_ready" in found.steps_never


def test_the_walk_finds_a_step_without_its_caution_first():
    from flows import safety
    from flows.session import Say, Session

    plan = changed()
    said = [Say("Set the dial.", "step", "supply/say/0"), Say("Live test.", "caution", "supply/caution")]
    broken = list(safety._broken(plan, Session("supply"), None, Session("supply"), said))
    assert "'supply' is spoken without its caution first" in broken


def test_an_answer_that_changes_power_must_be_asked_twice():
    with pytest.raises(ValueError, match="ask it twice"):
        Answer(phrases=["power is off"], sets=Sets(power="said_off"))


def test_a_resistance_step_that_does_not_need_dead_power_is_refused():
    data = load_procedure("flame_sensing").model_dump()
    data["steps"]["lead_zero"]["power"] = "any"
    with pytest.raises(ValueError, match="asks for ohms needs 'power: dead'"):
        Procedure.model_validate(data)
