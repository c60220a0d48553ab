"""Every display of every meter at every step: taken and judged, or refused in words because no meter shows it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

import pytest

from flows.errors import CalculationError
from flows.judge.measured import Measured, measured, measured_value
from flows.judge.profiles import equipment, meter, names
from flows.procedure.compile import Plan, load_plan
from flows.procedure.schema import Step
from flows.talk.dialogue import begin
from flows.talk.prompts import scope_for
from grammar.answers import Heard, Reading, Unclear
from grammar.parse import understand
from grammar.scope import Scope

PROCEDURES = ("flame_sensing", "control_circuit_24v", "igniter_check")
UNITS = {"ac_volts": "volts", "dc_volts": "volts", "dc_amps": "microamps", "ac_amps": "amps", "hertz": "hertz"}
SIZE = {"dc_amps": Decimal("1e-6")}


def digits(value: float, resolution: float, quantity: str, places: int = 0) -> str:
    """The display of `value` (SI) in words and digits; places: digits more (or fewer) than the range shows."""
    size, unit = SIZE.get(quantity, Decimal(1)), UNITS.get(quantity, "")
    if quantity == "ohms":
        big = 1e6 if resolution >= 1e3 else 1e3 if resolution >= 1 else 1.0
        size, unit = Decimal(big), {1e6: "megohms", 1e3: "kilohms", 1.0: "ohms"}[big]
    step = Decimal(repr(resolution)) / size
    shown = max(0, -int(step.normalize().as_tuple().exponent)) + places
    number = Decimal(repr(value)) / size
    return f"{number:.{max(0, shown)}f} {unit}"


def displays(top: float, resolution: float, quantity: str) -> Iterator[tuple[str, str]]:
    """(kind, text) of what a range can show."""
    middle = math.floor(top / resolution * 0.45 / 10) * 10 * resolution
    yield "zero", digits(0.0, resolution, quantity)
    yield "one count", digits(resolution, resolution, quantity)
    yield "top", digits(top, resolution, quantity)
    yield "trailing zero", digits(middle, resolution, quantity)
    yield "last digit", digits(middle + 7 * resolution, resolution, quantity)
    yield "rounded", digits(middle + 7 * resolution, resolution, quantity, -1)
    yield "whole", digits(math.floor(middle) if middle > 2 else middle, resolution, quantity, -9)
    yield "jumping", f"between {digits(middle, resolution, quantity)} and {digits(top, resolution, quantity)}"
    yield "jumping from zero", f"between {digits(0.0, resolution, quantity)} and {digits(top, resolution, quantity)}"


def others(plan: Plan, step: Step, kind: str) -> dict[str, Measured]:
    """Earlier readings that the step's calculation wants: sound ones, zeros, or all over limit."""
    sound = {"supply": 120.0, "hot_ground": 120.0, "secondary": 27.8, "leads": 0.2}
    asks = {one.ask.probe: one.ask for one in plan.procedure.steps.values() if one.ask}
    value = {"sound": lambda role: sound[role], "zero": lambda _: 0.0, "over": lambda _: math.inf}[kind]
    return {
        role: measured_value(value(role), asks[probe].quantity, plan.meter)
        for role, probe in (step.judge.probes if step.judge else {}).items()
    }


def judged(plan: Plan, step: Step, reading: Reading) -> int:
    """Judge a reading with every kind of past; the number of verdicts and refusals, each of them in words."""
    if step.judge is None:
        return 0
    limits = {role: plan.limits[key] for role, key in step.judge.limits.items()}
    done = 0
    for kind in ("sound", "zero", "over") if step.judge.probes else ("sound",):
        roles = {**others(plan, step, kind), "value": measured(reading, plan.meter)}
        try:
            verdict = plan.judge(step.judge.check, roles, limits, plan.facts)
            assert verdict.line in step.judge.say
            assert not math.isnan(verdict.low) and verdict.low <= verdict.high
            if step.proves and "live" not in step.proves:
                high = limits["high"].value
                assert verdict.outcome != "pass" or (not reading.over_limit and reading.high < high)
            if step.proves and "live" in step.proves:
                low = limits["low"].value
                assert verdict.outcome != "pass" or (not reading.over_limit and reading.low >= low)
        except CalculationError as error:
            assert error.problem.endswith(".") and error.remedy.endswith(".")
        done += 1
    return done


def scopes(plan: Plan) -> Iterator[tuple[Step, Scope]]:
    session, _ = begin(plan)
    for name, step in plan.procedure.steps.items():
        if step.ask:
            yield step, scope_for(plan, replace(session, step=name, mode="ask"))


@pytest.mark.parametrize("procedure", PROCEDURES)
@pytest.mark.parametrize("which", names("meters"))
def test_every_display_at_every_step_gives_an_answer(procedure: str, which: str) -> None:
    plan = load_plan(procedure, equipment("larkspur"), meter(which))
    taken = verdicts = refused = 0
    for step, scope in scopes(plan):
        quantity = step.ask.quantity  # type: ignore[union-attr]
        signed = quantity.startswith("dc_")
        ranges = plan.meter.function(quantity).display()
        for place, (top, resolution) in enumerate(ranges):
            for kind, text in displays(top, resolution, quantity):
                for said in (text, f"minus {text}") if "between" not in text else (text,):
                    answer = understand(Heard(said), scope)
                    zero = isinstance(answer, Reading) and answer.value == 0
                    if said.startswith("minus") and not signed and not zero:
                        assert isinstance(answer, Unclear) and answer.reason == "out_of_range", (said, kind)
                        refused += 1
                        continue
                    assert isinstance(answer, Reading), (step.title, kind, said, answer)
                    taken += 1
                    verdicts += judged(plan, step, answer)
            # One digit more than any range shows for that value is refused, and says so.
            value = (ranges[place - 1][0] if place else 0.0) + 11 * resolution
            answer = understand(Heard(digits(value, resolution, quantity, 1)), scope)
            assert isinstance(answer, Unclear) and answer.reason == "too_fine", (step.title, value, answer)
            refused += 1
        over = understand(Heard("over limit"), scope)
        assert isinstance(over, Reading) and over.over_limit
        taken += 1
        verdicts += judged(plan, step, over)
    print(f"{procedure} with {which}: {taken} displays taken, {verdicts} verdicts in words, {refused} refused in words")
    assert taken > 100 and verdicts > 100


@pytest.mark.parametrize("said", ["0.264", "27.92", "0.01", "4.999", "49.99"])
def test_a_reading_finer_than_the_step_foresees_is_taken_when_the_meter_shows_it(said: str) -> None:
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    asking = [scope for step, scope in scopes(plan) if step.ask and step.ask.quantity == "ac_volts"]
    assert len(asking) >= 10
    for scope in asking:
        answer = understand(Heard(said), scope)
        assert isinstance(answer, Reading) and answer.digits == said
        # A 5,000-count display shows 121.3, never 121.34.
        assert understand(Heard("121.34"), scope).reason == "too_fine"  # type: ignore[union-attr]


def test_a_hundredth_of_a_volt_at_the_live_proof_is_a_failed_proof() -> None:
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    step, scope = next((step, scope) for step, scope in scopes(plan) if step.proves == "meter_live")
    reading = understand(Heard("0.01"), scope)
    assert isinstance(reading, Reading) and step.judge
    roles = {"value": measured(reading, plan.meter)}
    verdict = plan.judge("band", roles, {"low": plan.limits["live_volts"]}, plan.facts)
    assert (verdict.outcome, verdict.finding) == ("fail", "low")
