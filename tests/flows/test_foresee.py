"""What the display may show follows from what was read before."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.judge.measured import measured
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.session import Session, Taken
from flows.talk.dialogue import begin
from flows.talk.foresee import expected_here
from grammar.answers import Heard, Reading
from grammar.parse import understand
from grammar.scope import Asked, Scope


@pytest.fixture(scope="module")
def plan():
    return load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))


def with_readings(plan, step: str, **volts: str) -> Session:
    session, _ = begin(plan)
    taken = []
    for probe, text in volts.items():
        reading = understand(Heard(text), Scope("x", Asked("ac_volts", "volt", 0, 600, 1)))
        assert isinstance(reading, Reading)
        taken.append(Taken(probe, probe, reading, measured(reading, plan.meter)))
    return replace(session, step=step, taken=tuple(taken))


def values(plan, session) -> list[float]:
    return [round(one.value, 6) for one in expected_here(plan, session)]


def test_phasing_is_expected_at_difference_and_sum_of_what_was_read(plan):
    """Two voltages of one frequency, in phase or opposed: they subtract or add (any circuits text, from memory)."""
    session = with_readings(plan, "phasing", supply_hot_neutral="118.4", secondary_r_c="27.1")
    assert {91.3, 145.5} <= set(values(plan, session))


def test_without_its_readings_only_what_the_procedure_says(plan):
    bare = values(plan, with_readings(plan, "phasing"))
    half = values(plan, with_readings(plan, "phasing", supply_hot_neutral="118.4"))
    assert bare == half and len(bare) < len(
        values(plan, with_readings(plan, "phasing", supply_hot_neutral="118.4", secondary_r_c="27.1"))
    )


def test_the_live_proof_is_expected_at_the_supply(plan):
    step = next(name for name, one in plan.procedure.steps.items() if one.ask and one.ask.probe == "known_live_before")
    assert 118.4 in values(plan, with_readings(plan, step, supply_hot_neutral="118.4"))


def test_an_over_limit_reading_foretells_nothing(plan):
    session = with_readings(plan, "phasing", supply_hot_neutral="over limit", secondary_r_c="27.1")
    assert values(plan, session) == values(plan, with_readings(plan, "phasing"))


def test_a_step_without_a_reading_expects_none(plan):
    step = next(name for name, one in plan.procedure.steps.items() if not one.ask)
    assert expected_here(plan, with_readings(plan, step)) == ()
