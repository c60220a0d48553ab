"""What was cut short because the technician spoke was not said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.procedure.compile import Plan
from flows.procedure.session import Cut, Listen, Save, Say, Session
from flows.talk.cut import owed
from flows.talk.dialogue import advance, begin
from flows.talk.prompts import ask_again
from grammar.answers import Command, Heard
from grammar.parse import understand
from tests.visiting import typed_plan


@pytest.fixture(scope="module")
def plan() -> Plan:
    return typed_plan()


def at(plan: Plan, step: str, **more) -> Session:
    return replace(begin(plan)[0], step=step, spoken=frozenset({step}), **more)


def cautions(effects) -> list[str]:
    return [one.text for one in effects if isinstance(one, Say) and one.role == "caution"]


def listening(plan: Plan, session: Session) -> Listen:
    return next(one for one in ask_again(plan, session) if isinstance(one, Listen))


def test_a_caution_that_was_cut_short_is_said_in_full_again(plan):
    session, caution = at(plan, "supply"), plan.step("supply").caution
    again = Command("repeat", "say again")
    assert cautions(advance(plan, session, again)[1]) == [caution.short]
    session, effects = advance(plan, session, Cut(("supply/caution", "supply/say/0")))
    assert effects == [] and cautions(advance(plan, session, again)[1]) == [caution.full]


def test_a_caution_that_was_said_whole_stays_said(plan):
    session = advance(plan, at(plan, "supply"), Cut(("supply/say/0", "supply/say/1")))[0]
    assert cautions(advance(plan, session, Command("repeat", "say again"))[1]) == [plan.step("supply").caution.short]


def test_a_caution_cut_short_by_wait_or_by_gas_comes_in_full_afterwards(plan):
    for first, then in ((("pause",), "resume"), (("gas",), None)):
        session = advance(plan, at(plan, "supply"), Cut(("supply/caution",)))[0]
        session, _ = advance(plan, session, Command(first[0], first[0]))
        if then:
            session, effects = advance(plan, session, Command(then, then))
        else:
            for text in ("that was a false alarm", "the air is clear"):
                session, effects = advance(plan, session, understand(Heard(text), listening(plan, session).scope))
        assert plan.step("supply").caution.full in cautions(effects)


def test_proofs_and_whatever_moves_something_must_be_heard_to_the_end(plan):
    for name, step in plan.procedure.steps.items():
        if step.end:
            continue
        moves = any(one.sets.power or one.sets.things for one in step.answers.values())
        assert listening(plan, at(plan, name)).whole == (step.proves is not None or moves), name
    whole = ("power_off", "power_on_heat", "hot_neutral_dead", "meter_live", "jumper_on")
    assert all(listening(plan, at(plan, name)).whole for name in whole)
    assert not listening(plan, at(plan, "supply")).whole


def test_no_counts_at_once_only_where_it_refuses_something(plan):
    assert listening(plan, at(plan, "supply")).at_once == ()
    session = advance(
        plan, at(plan, "supply"), understand(Heard("122.9", engine="typed"), listening(plan, at(plan, "supply")).scope)
    )[0]
    assert session.mode == "confirm" and listening(plan, session).at_once == ("no",)


def test_a_warning_that_was_cut_short_comes_before_what_is_said_next():
    danger, verdict = Say("Danger.", "alarm", "polarity/danger"), Say("Good.", "verdict", "supply/pass")
    assert owed([verdict, danger], ["polarity/danger", "supply/pass"], []) == [danger]
    assert owed([verdict, danger], [], []) == []
    assert owed([danger], ["polarity/danger"], ["polarity/danger"]) == [], "it is said next anyway"


def test_nothing_is_written_or_said_for_a_cut_alone(plan):
    session = at(plan, "supply")
    for mode in ("ask", "paused", "memo", "alarm", "ended"):
        after, effects = advance(plan, replace(session, mode=mode), Cut(("supply/caution",)))
        assert effects == [] and after.mode == mode and not any(isinstance(one, Save) for one in effects)
