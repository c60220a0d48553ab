"""Checks that cannot be judged or made are left open: asked for again, and named as missing at the end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.errors import CalculationError
from flows.judge.measured import measured
from flows.judge.profiles import equipment, meter
from flows.judge.verdict import CALCULATIONS, facts_of, judge
from flows.procedure.compile import check_file, load_plan
from flows.procedure.schema import PROCEDURES
from flows.talk.closing import missing_steps
from grammar.answers import Reading
from tests.flows.talking import CLOSE_UP, DEAD, LAST, LIVE, OFF, ON, PATH, START, WARM, WHOLE, Talk


@pytest.fixture(scope="module")
def plan():
    return replace(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin")), typed=True)


NO_SUPPLY = (*START, "0.0", "yes", "next check please", "0.0", "yes", "0.0", "yes")


def test_a_polarity_that_nothing_follows_from_is_asked_again_and_not_done(plan):
    talk = Talk(plan).say(*NO_SUPPLY)
    assert talk.at == "polarity_neutral/offer" and talk.spoken[0].startswith("There was no supply when it was read")
    assert "polarity_neutral" not in talk.session.done and "polarity_neutral" in missing_steps(plan, talk.session)
    assert {one.id for one in talk.scope.options} == {"carry_on", "take_again"}
    again = talk.say("once more please")
    assert again.at == "polarity_hot/ask"


def test_a_check_left_unjudged_is_named_at_the_end(plan):
    talk = Talk(plan).say(*NO_SUPPLY, "next check please", "stop", *OFF, *CLOSE_UP, *WARM, *ON)
    assert "polarity_neutral" in talk.end["missing"] and "Polarity" in talk.end["missing_titles"]
    assert "Polarity" in talk.spoken[-1]


def test_once_more_takes_the_reading_that_was_missing_too(plan):
    talk = Talk(plan).say(*START, "skip this check", "118.2", "yes", "0.2", "yes")
    assert talk.at == "polarity_neutral/offer"
    talk.say("once more please")
    assert talk.at == "supply/ask"
    talk.say("118.4", "yes", "118.2", "yes", "0.2", "yes")
    assert dict(talk.session.verdicts)["polarity_neutral"].outcome == "pass" and "polarity_neutral" in talk.session.done
    assert talk.at == "secondary/ask" and talk.session.skipped == ()


def test_an_earlier_verdict_does_not_stand_for_a_reading_that_could_not_be_judged(plan):
    talk = Talk(plan).say(*START, *LIVE[:6])
    assert dict(talk.session.verdicts)["polarity_neutral"].outcome == "pass"

    def broken(check, roles, limits, facts):
        raise CalculationError("Nothing follows from that.", "Take it again.")

    talk.plan = replace(plan, judge=broken)
    talk.say("change that", "0.2", "yes")
    assert "polarity_neutral" not in dict(talk.session.verdicts) and "polarity_neutral" not in talk.session.done
    assert talk.at == "polarity_neutral/offer"


def test_a_division_by_nothing_is_said_and_does_not_break_the_visit(plan, monkeypatch):
    calculation = CALCULATIONS["polarity"]
    monkeypatch.setitem(CALCULATIONS, "polarity", replace(calculation, run=lambda *_: 1 / 0))
    zero = measured(Reading(0.0, 0.0, 0.0, 0.1, "ac_volts", "volt", True, False, "", "0"), plan.meter)
    limits = {name: plan.limits[key] for name, key in plan.step("polarity_neutral").judge.limits.items()}
    with pytest.raises(CalculationError, match="nothing to divide by"):
        judge("polarity", dict.fromkeys(calculation.roles, zero), limits, facts_of(plan.equipment))
    talk = Talk(plan).say(*START, *LIVE[:6])
    assert talk.at == "polarity_neutral/offer" and "polarity_neutral" not in talk.session.done


def test_a_danger_found_on_the_way_back_is_not_passed_by_what_was_still_to_come(plan):
    """The supply is taken again for the secondary and turns out to be another one: nobody goes on to the secondary."""
    talk = Talk(plan).say(
        *START, "skip this check", *LIVE[2:6], "next check please", "24.2", "yes", "once more please", "231", "yes"
    )
    assert talk.session.safety == (("supply", "wrong_nominal"),) and talk.at == "supply/offer"
    talk.say("pause", "continue", "skip this check")
    assert talk.at == "supply/offer" and {one.id for one in talk.scope.options} == {"take_again", "fix_now"}


SKIP = "skip this check"


def test_a_meter_without_a_microamp_range_leaves_the_flame_current_out(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *PATH)
    assert talk.at == "meter_microamps/ask"
    assert "If your meter has no such range, take no other one. Type: skip this check." in talk.spoken
    talk.say(SKIP)
    left = ["clip_in", "jumper_on", "flame_seen", "flame_current", "board_proof"]
    assert [one["step"] for one in talk.saved("skipped")] == left
    assert talk.session.where("red_jack") == "volts" and talk.session.agenda[-1] == "watch_cycle"
    talk.say(*CLOSE_UP, *ON, *LAST)
    assert talk.end["how"] == "stopped" and talk.end["missing"] == left and talk.end["left_set"] == []
    assert talk.spoken[-1].startswith("Not all is proven.")


def test_in_spanish_it_is_left_out_by_its_own_words():
    spanish = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"), "es")
    assert spanish.step("meter_microamps").say[-1].endswith(f"Di: {spanish.lines.option('skip').phrases[0]}.")


@pytest.mark.parametrize("name", ["flame_sensing", "control_circuit_24v", "igniter_check"])
def test_no_visit_may_end_with_the_thermostat_turned_down(name, tmp_path):
    text = (PROCEDURES / f"{name}.yaml").read_text(encoding="utf-8")
    line = next(one for one in text.splitlines() if one.startswith("  as_found:"))
    assert "thermostat: found" in line
    path = tmp_path / f"{name}.yaml"
    path.write_text(text.replace(line, line.replace("thermostat: found", "thermostat: [found, low]")), encoding="utf-8")
    _, problems = check_file(path, equipment("larkspur"))
    assert any("the visit could end with 'thermostat' at low" in one.text for one in problems)
    forgotten = text[: text.index("  thermostat_set:\n")] + text[text.index("  mend:\n    title") :]
    path.write_text(forgotten, encoding="utf-8")
    _, problems = check_file(path, equipment("larkspur"))
    assert any("needs 'thermostat' at found, but no step brings it there" in one.text for one in problems)


def test_the_thermostat_is_the_last_thing_to_be_put_back(plan):
    talk = Talk(plan).say(*WHOLE)
    moved = [(one["thing"], one["to"]) for one in talk.all_saved("moved")]
    assert moved[0] == ("thermostat", "low") and moved[-1] == ("thermostat", "found")
    assert "Set the thermostat as you found it." in talk.all_spoken
    stopped = Talk(plan).say(*START, "stop", *OFF, *CLOSE_UP)
    assert stopped.at == "thermostat_set/ask" and stopped.session.where("covers") == "fitted"
