"""How much is said at each level, and that no more readings stand wrong where less is asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assistant.visit.plans import ready_plan
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from tests.lab.measure.talk import accepted_wrong, plain, wrongly


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))


def words(plan: Plan) -> int:
    return sum(len(text.split()) for text in plain(plan).sentences)


def test_each_level_tells_less_than_the_one_above(plan):
    levels = [replace(plan, level=level) for level in ("learner", "usual", "brief")]
    said = [words(one) for one in (*levels, replace(levels[2], knows=True))]
    assert said == sorted(said, reverse=True) and said[1] < 0.9 * said[0] and said[3] < 0.75 * said[0]
    answers = [len(plain(one).answers) for one in levels]
    assert answers == [68, 59, 59]


def test_in_brief_the_verdict_of_the_whole_is_short_and_claims_no_more():
    usual = replace(ready_plan("flame_sensing", "larkspur", "dunlin"), level="usual")
    long, short = (plain(one).sentences for one in (usual, replace(usual, level="brief")))
    assert any("do not rule out a fault that comes and goes" in one for one in long)
    assert "Every check is good. A fault that comes and goes is not ruled out." in short


def test_in_brief_a_visit_says_less_than_two_thirds_and_the_same_full_cautions(plan):
    known = replace(plan, level="brief", knows=True)
    assert words(known) < 0.66 * words(plan)
    told = plain(known).sentences
    missing = {
        name
        for name, step in plan.procedure.steps.items()
        if step.caution and step.caution.kind is None and not step.extra and step.caution.full not in told
    }
    # The way to these leads only through a board end that was pulled.
    assert missing <= {"wire_end_off"}


def test_no_more_readings_stand_wrong_where_less_is_asked(plan):
    """Three readings of ten heard wrong, nine of ten wrong read-backs found. What is drawn parts where the courses do,
    so the counts may differ by the luck of two readings."""
    learner, usual, brief = (
        accepted_wrong(replace(plan, level=level), 10, 0.3, 0.9, 0.9, seed=3) for level in ("learner", "usual", "brief")
    )
    assert learner.wrong > 0 and max(usual.wrong, brief.wrong) <= learner.wrong + 2
    assert max(usual.misled, brief.misled) <= learner.misled
    assert (learner.unended, usual.unended, brief.unended) == (0, 0, 0)


def test_who_finds_nothing_is_told_wrong(plan):
    assert accepted_wrong(replace(plan, level="usual"), 3, 1.0, 0.0, 0.0, seed=1).wrong > 10


def test_a_reading_heard_wrong_is_another_one():
    rng = np.random.default_rng(0)
    assert all(float(wrongly("118.4", rng)) != 118.4 for _ in range(200))
