"""What happens next: a pure function of where the visit stands and what was answered.

`begin` and `advance` give the next `Session` and the effects to perform in
their order. Nothing here knows a clock, a file, a device or a thread, so every
state and answer can be walked, and a visit can be replayed from its journal.
"""

from __future__ import annotations

from dataclasses import replace

from flows.procedure.compile import Plan, beginning
from flows.procedure.route import power_needed
from flows.procedure.session import Cut, Effect, Input, Memo, Moved, Resumed, Save, Say, Session, Tone
from flows.procedure.spoken.glossary import glossary
from flows.procedure.spoken.teaching import told
from flows.procedure.spoken.words import written
from flows.talk.accepting import accepted, answered_late
from flows.talk.commands import COMMANDS, said_for, tell_again
from flows.talk.cut import unsaid
from flows.talk.doubts import gas, in_alarm, resumed
from flows.talk.early import refused_once_more
from flows.talk.misses import missed, not_open, read_back, unclear
from flows.talk.moving import and_then, enter, go_on, readings_of_check, skip, to_take_again
from flows.talk.prompts import SAID_FOR, ask_again, listen, offers, test_offered
from flows.talk.taking import settle_answer, take_reading
from grammar.answers import Answer, Choice, Command, Reading, Unclear


def begin(plan: Plan) -> Moved:
    """The first step of a visit. Power is taken as on until it is proven dead."""
    session, effects = enter(plan, beginning(plan), plan.procedure.start)
    if plan.equipment.rod != "sense":
        effects = [Say(plan.lines.line("one_rod"), "alarm", "one_rod"), *effects]
    return _told(plan, session, effects)


def advance(plan: Plan, session: Session, given: Input) -> Moved:
    """The next session and what to do, for any answer in any state."""
    if isinstance(given, Cut):
        return unsaid(session, given), []
    return _told(plan, *_answered(plan, session, given))


def _told(plan: Plan, session: Session, effects: list[Effect]) -> Moved:
    """What was told of answers is remembered, and who types is told to type."""
    asked = (one for one in effects if isinstance(one, Say) and one.role in ("step", "question"))
    new = frozenset().union(*(told(one.text, plan.language) for one in asked)) - session.taught
    if new:
        session = replace(session, taught=session.taught | new)
    if plan.typed:
        book = glossary(plan.language)
        effects = [replace(one, text=written(one.text, book)) if isinstance(one, Say) else one for one in effects]
    return session, effects


def _answered(plan: Plan, session: Session, given: Answer | Resumed) -> Moved:
    if isinstance(given, Command) and given.id == "gas":
        return gas(plan, session)
    if session.mode == "ended":
        return session, []
    if session.mode == "alarm":
        return in_alarm(plan, session, given)
    if isinstance(given, Resumed):
        return resumed(plan, session)
    if session.mode == "memo":
        return _in_memo(plan, session, given)
    if isinstance(given, Command):
        return COMMANDS.get(given.id, not_open)(plan, session)
    if session.mode == "paused":
        return missed(plan, session, Unclear("not_open", given.text))
    if isinstance(given, Unclear):
        return unclear(plan, session, given)
    if isinstance(given, Reading):
        return _heard_reading(plan, session, given)
    return _heard_choice(plan, session, given)


def _in_memo(plan: Plan, session: Session, given: Input) -> Moved:
    if not (isinstance(given, Command) and given.id == "end_note"):
        return session, listen(plan, session)
    session = replace(session, mode=session.back_to, back_to="ask")
    return session, [Memo("end"), Say(plan.lines.line("memo_end"), "info", "memo_end"), *ask_again(plan, session)]


def _heard_reading(plan: Plan, session: Session, reading: Reading) -> Moved:
    if plan.step(session.step).ask is None or session.mode in ("again", "offer"):
        return missed(plan, session, Unclear("not_open", reading.text))
    if session.mode == "digits" and session.pending is not None:
        candidates = {session.pending.value: session.pending}
        matches = reading.value in candidates or (
            session.pending.sounds_like is not None
            and abs(reading.value - session.pending.sounds_like) <= reading.step / 2
        )
        if matches:
            return take_reading(plan, session, reading, "digits")
    return accepted(plan, session, reading) or read_back(plan, session, reading)


def _heard_choice(plan: Plan, session: Session, choice: Choice) -> Moved:
    if session.mode == "ask" and choice.id.startswith(SAID_FOR):
        return said_for(plan, session, choice.id.removeprefix(SAID_FOR))
    if session.unasked and session.mode == "ask" and choice.id in ("yes", "no"):
        return answered_late(plan, session, choice.id == "yes", choice.correction)
    if session.mode == "confirm":
        return _confirmed(plan, session, choice)
    if session.mode == "again":
        if choice.id == session.pending_answer:
            return settle_answer(plan, session, choice.id, choice.text, "again")
        return tell_again(plan, session)
    if session.mode == "offer":
        return _offered(plan, session, choice)
    step = plan.step(session.step)
    if choice.id == "skip" and step.may_skip and session.mode in ("ask", "digits", "which"):
        return skip(plan, replace(session, mode="ask", pending=None, between=()))
    if choice.id not in step.answers or session.mode != "ask":
        return missed(plan, session, Unclear("not_open", choice.text))
    answer = step.answers[choice.id]
    if answer.again:
        session = replace(session, mode="again", pending_answer=choice.id, misses=0)
        return session, [Tone("heard"), *ask_again(plan, session)]
    if answer.evidence or answer.outcome == "fail":
        session = replace(session, mode="confirm", pending=None, pending_answer=choice.id, misses=0)
        return session, [Tone("heard"), *ask_again(plan, session)]
    return settle_answer(plan, session, choice.id, choice.text, "once")


def _offered(plan: Plan, session: Session, choice: Choice) -> Moved:
    """What the technician wants after a check that did not pass; only what was offered is done."""
    if choice.id not in offers(plan, session):
        return missed(plan, session, Unclear("not_open", choice.text))
    here, judge = session.step, plan.step(session.step).judge
    if choice.id == "take_again":
        first, *more_of_it = to_take_again(plan, session, here)
        return enter(plan, session, first, and_then(session, first, *more_of_it))
    first, *more_of_it = readings_of_check(plan, here)
    if choice.id == "fix_now":
        verdict = dict(session.verdicts).get(here)
        finding = verdict.finding if verdict else ""
        fix = (judge.fix.get(finding) if judge else None) or plan.procedure.fix
        effects: list[Effect] = [Save("fix", {"step": here, "finding": finding})]
        again = (first, *more_of_it)
        rest = (first, *and_then(session, first, *more_of_it))
        session = replace(session, fixing=tuple(dict.fromkeys((*session.fixing, *again))))
        session, more = enter(plan, session, fix or first, rest)
        return session, [*effects, Say(plan.lines.line("fix_now"), "info", "fix_now"), *more]
    if choice.id == "take_test":
        test = test_offered(plan, session) or here
        if session.power in power_needed(plan.routes, test, bool(session.safety)):
            return enter(plan, session, test, session.agenda)
        session = replace(session, tests=(*session.tests, test))
        session, more = go_on(plan, replace(session, mode="ask"))
        return session, [Say(plan.lines.line("test_later"), "info", "test_later"), *more]
    return go_on(plan, replace(session, mode="ask"))


def _confirmed(plan: Plan, session: Session, choice: Choice) -> Moved:
    if choice.id == "yes" and session.pending is not None:
        return take_reading(plan, session, session.pending, "yes")
    if choice.id == "yes" and session.pending_answer is not None:
        return settle_answer(plan, session, session.pending_answer, choice.text, "yes")
    if choice.id == "no" and choice.correction is not None and session.pending is not None:
        session, helps = refused_once_more(plan, session)
        session, effects = read_back(plan, session, choice.correction)
        return session, [*helps, *effects]
    if choice.id == "no":
        return tell_again(plan, session)
    return missed(plan, session, Unclear("not_open", choice.text))
