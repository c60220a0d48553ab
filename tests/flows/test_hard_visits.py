"""Hard customers: each visit ends as a master technician would end it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan, on_keyboard
from flows.procedure.session import End
from flows.reason.assess import assess
from tests.flows.hard_visits import VISITS
from tests.flows.talking import Talk


@pytest.fixture(scope="module")
def plan(known):
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    return replace(on_keyboard(plan), assess=lambda evidence: assess(evidence, known))


@pytest.mark.parametrize("visit", VISITS, ids=lambda one: one.name)
def test_a_hard_visit_ends_as_a_master_would_end_it(plan, visit):
    talk = Talk(plan).say(*visit.words)
    assert isinstance(talk.effects[-1], End), f"{talk.at}, {talk.spoken}"
    end, said = talk.end, " ".join(talk.all_spoken)
    assert end["how"] == visit.how and end["left_set"] == []
    assert end["fault"] == visit.fault
    assert tuple(finding for _, finding in end["safety"]) == visit.safety
    assert bool(end["missing"]) == visit.missing
    for part in visit.says:
        assert part in said
    for part in visit.never:
        assert part not in said
    if visit.safety:
        assert (end["power"] == "dead" and "anger" in talk.spoken[0]) or "Take care" in talk.spoken[0]


def test_both_readings_stand_where_something_was_mended(plan):
    visit = next(one for one in VISITS if one.name == "coated rod, cleaned")
    talk = Talk(plan).say(*visit.words)
    kept = [(one["value"], one["counts_as"]) for one in talk.all_saved("reading") if one["probe"] == "flame_current"]
    assert kept == [(pytest.approx(0.6e-6), "flame_current"), (pytest.approx(2.7e-6), "flame_current_after_cleaning")]
    assert not any(one["probe"] == "flame_current" for one in talk.all_saved("retaken"))
