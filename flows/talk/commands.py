"""What a technician may say at any time: say again, go back, change that, pause, stop and the rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from flows.procedure.compile import Plan, may_enter, way_out
from flows.procedure.session import Effect, Memo, Moved, Pace, Save, Say, Session
from flows.talk.accepting import take_back
from flows.talk.closing import missing_steps, so_far
from flows.talk.doubts import distrust
from flows.talk.early import refused_once_more
from flows.talk.levels import moved, telling
from flows.talk.misses import not_open
from flows.talk.moving import enter, readings_of_check, stopping
from flows.talk.prompts import ask_again, listen, spoken_reading
from grammar.numbers import say_digits_after


def tell_again(plan: Plan, session: Session) -> Moved:
    """After a wrong read-back; the second one at a step is asked for digit by digit."""
    session, helps = refused_once_more(plan, session)
    session = replace(
        session,
        mode="ask",
        pending_answer=None,
        between=(),
        misses=0,
        wrong=min(2, session.wrong + 1),
        smooth=False,
    )
    again = Say(plan.lines.line("tell_again"), "question", "tell_again")
    if plan.step(session.step).answers:
        return session, [*helps, again, *ask_again(plan, session)]
    if session.wrong == 2:
        session = replace(session, mode="digits")
        return session, [*helps, *ask_again(plan, session)]
    return session, [*helps, again, *listen(plan, session)]


def _repeat(plan: Plan, session: Session) -> Moved:
    return session, ask_again(plan, session)


def _slower(plan: Plan, session: Session) -> Moved:
    session = replace(session, rate=-1)
    return session, [Pace(-1), Say(plan.lines.line("slower"), "info", "slower"), *ask_again(plan, session)]


def _why(plan: Plan, session: Session) -> Moved:
    text = plan.step(session.step).why or plan.lines.line("no_why")
    return session, [Say(text, "why", f"{session.step}/why"), *listen(plan, session)]


def _leads(plan: Plan, session: Session) -> Moved:
    text = plan.step(session.step).leads or plan.lines.line("no_leads")
    return session, [Say(text, "step", f"{session.step}/leads"), *listen(plan, session)]


def _retake(plan: Plan, session: Session, name: str, trail: tuple[str, ...]) -> Moved:
    """Take a reading again; the visit goes on from there, or on to what it was on its way to."""
    return enter(plan, replace(session, trail=trail), name, session.agenda)


def _on_an_errand(plan: Plan, session: Session, name: str) -> bool:
    """Whether a reading may not be gone back to: on the way to a step that must be reached first, or past a danger
    that stops."""
    danger = stopping(plan, session)
    past = danger is not None and name not in readings_of_check(plan, danger)
    return (past or bool(session.agenda)) and not plan.step(name).proves


def _back(plan: Plan, session: Session) -> Moved:
    # Only readings are walked back into, never an answer that changed power or a flag.
    trail = [name for name in session.trail if name != session.step and plan.step(name).ask]
    while trail and not may_enter(plan, trail[-1], session):
        trail.pop()
    if session.mode in ("confirm", "digits", "which", "again"):
        return tell_again(plan, session)
    if not trail or session.leaving or _on_an_errand(plan, session, trail[-1]):
        return session, [Say(plan.lines.line("back_refused"), "info", "back_refused"), *listen(plan, session)]
    session, more = _retake(plan, session, trail[-1], tuple(trail[:-1]))
    return session, [Say(plan.lines.line("back", title=plan.step(session.step).title), "info", "back"), *more]


def _change(plan: Plan, session: Session) -> Moved:
    if session.mode in ("confirm", "digits", "which", "again"):
        return tell_again(plan, session)
    if session.unasked and session.mode == "ask":
        return take_back(plan, session)
    if session.mode == "offer":
        return enter(plan, session, session.step, session.agenda)
    last = session.taken[-1].step if session.taken else None
    if (
        last is None
        or session.leaving
        or _on_an_errand(plan, session, last)
        or not may_enter(plan, last, session)
        or (session.trail and session.trail[-1] != last)
    ):
        return session, [Say(plan.lines.line("change_refused"), "info", "change_refused"), *listen(plan, session)]
    title = plan.step(last).title
    session, more = _retake(plan, session, last, session.trail)
    return session, [Say(plan.lines.line("change", title=title), "info", "change"), *more]


def _level(plan: Plan, session: Session, by: int) -> Moved:
    """Tell less (1) or more (-1) from now on."""
    level = moved(session.level, by)
    session = replace(session, level=level)
    effects: list[Effect] = [Save("talk", {"level": level, "step": session.step})]
    effects.append(Say(plan.lines.line(f"level_{level}"), "info", f"level_{level}"))
    return session, [*effects, *(ask_again(plan, session) if by < 0 else listen(plan, session))]


def _shorter(plan: Plan, session: Session) -> Moved:
    return _level(plan, session, 1)


def _fuller(plan: Plan, session: Session) -> Moved:
    return _level(plan, session, -1)


def _progress(plan: Plan, session: Session) -> Moved:
    """How many numbered checks are done and left, and about how many minutes of talk those are."""
    checks = {step.check for step in plan.procedure.steps.values() if step.check and not step.extra}
    left = {plan.step(name).check for name in missing_steps(plan, session) if name not in session.skipped}
    minutes = max(1, round(len(left) * telling(session).minutes))
    numbers = {"done": len(checks) - len(left), "left": len(left), "minutes": minutes}
    told = {name: say_digits_after(str(number), plan.language) for name, number in numbers.items()}
    return session, [Say(plan.lines.line("progress", **told), "info", "progress"), *listen(plan, session)]


def _readings(plan: Plan, session: Session) -> Moved:
    return session, [Say(so_far(plan, session), "info", "so_far"), *listen(plan, session)]


def said_for(plan: Plan, session: Session, name: str) -> Moved:
    """The reading that was given at a step, the latest one."""
    taken = next((one for one in reversed(session.taken) if one.step == name), None)
    if taken is None:
        return not_open(plan, session)
    reading = spoken_reading(plan, taken.reading)
    text = plan.lines.line("said_for", title=plan.step(name).title, reading=reading)
    return session, [Say(text, "info", "said_for"), *listen(plan, session)]


def _note(plan: Plan, session: Session) -> Moved:
    back_to = session.mode if session.mode != "paused" else "ask"
    session = replace(session, mode="memo", back_to=back_to)
    return session, [Say(plan.lines.line("memo_start"), "info", "memo_start"), Memo("start"), *listen(plan, session)]


def _pause(plan: Plan, session: Session) -> Moved:
    session = replace(session, mode="paused", pending=None, pending_answer=None, between=(), misses=0, outcome=None)
    return session, ask_again(plan, session)


def _continue(plan: Plan, session: Session) -> Moved:
    if session.mode != "paused":
        return not_open(plan, session)
    session, more = distrust(plan, session)
    return session, [Say(plan.lines.line("back_again"), "info", "back_again"), *more]


def _help(plan: Plan, session: Session) -> Moved:
    return session, [Say(plan.lines.line("help"), "info", "help"), *listen(plan, session)]


def _stop(plan: Plan, session: Session) -> Moved:
    if session.leaving:
        session = replace(session, mode="ask", pending=None, pending_answer=None, between=())
        return session, [Say(plan.lines.line("stop_way_out"), "info", "stop_way_out"), *ask_again(plan, session)]
    session = replace(session, leaving=True, mode="ask", tests=(), pending=None, pending_answer=None, between=())
    session, more = enter(plan, session, way_out(plan, session))
    return session, [Say(plan.lines.line("stop"), "info", "stop"), *more]


COMMANDS: dict[str, Callable[[Plan, Session], Moved]] = {
    "repeat": _repeat,
    "slower": _slower,
    "why": _why,
    "leads": _leads,
    "back": _back,
    "change": _change,
    "readings": _readings,
    "shorter": _shorter,
    "fuller": _fuller,
    "progress": _progress,
    "note": _note,
    "pause": _pause,
    "resume": _continue,
    "help": _help,
    "stop": _stop,
}
