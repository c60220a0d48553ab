"""What was not understood, not heard, or heard in doubt, and how it is asked again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from flows.procedure.compile import Plan
from flows.procedure.session import Effect, Mode, Moved, Say, Session, Tone
from flows.procedure.wording import quantity_words, unit_words
from flows.talk.early import what_helps
from flows.talk.prompts import SAID_FOR, ask_again, listen, scope_for
from grammar.answers import Reading, Unclear, meaning


def read_back(plan: Plan, session: Session, reading: Reading) -> Moved:
    """Teens and tens are asked digit by digit; everything else is read back as a question."""
    mode: Mode = "digits" if reading.sounds_like is not None else "confirm"
    session = replace(
        session, mode=mode, pending=reading, pending_answer=None, between=(), doubtful=None, weak=(), misses=0
    )
    return session, [Tone("heard"), *ask_again(plan, session)]


def unclear(plan: Plan, session: Session, given: Unclear) -> Moved:
    """What was not heard or heard in doubt, asked again; with what helps where a visit begins so."""
    session, helps = what_helps(plan, session, given)
    session, effects = _asked_again(plan, session, given)
    return session, [*helps, *effects]


def _asked_again(plan: Plan, session: Session, given: Unclear) -> Moved:
    """Asked with both readings, read back where it was heard twice, else asked again."""
    asking = plan.step(session.step).ask
    if given.reason == "doubtful" and given.reading is not None and asking and _may_be_read_back(session):
        if heard_before(given.reading, (session.doubtful, *session.between)):
            # heard twice in doubt it is worth a read-back, which is a check of its own
            return read_back(plan, session, given.reading)
        session = replace(session, doubtful=given.reading)
    if given.reason == "doubtful" and given.weak is not None and asking and _may_be_read_back(session):
        often = (*session.weak, given.weak)[-REMEMBERED:]
        if sum(meaning(one) == meaning(given.weak) for one in often) >= OFTEN:
            # heard so often it is worth a read-back too, however little each time was
            return read_back(plan, session, given.weak)
        session = replace(session, weak=often)
    if given.between and session.mode in ("ask", "digits", "which", "confirm") and asking and session.misses < 2:
        session = replace(
            session, mode="which", between=given.between[:2], pending=None, misses=_next_rung(plan, session)
        )
        return session, [Tone("heard"), *ask_again(plan, session)]
    if given.reading is not None and asking and session.mode not in ("offer", "again"):
        return _refused_reading(plan, session, given)
    return missed(plan, session, given)


def heard_before(reading: Reading, doubted: Iterable[Reading | None]) -> bool:
    """Whether what is in doubt now was in doubt before."""
    return any(one is not None and meaning(one) == meaning(reading) for one in doubted)


def _may_be_read_back(session: Session) -> bool:
    """Not where one digit by digit would be taken without a read-back of its own."""
    return session.mode in ("ask", "which", "confirm") or (session.mode == "digits" and session.pending is None)


def _refused_reading(plan: Plan, session: Session, given: Unclear) -> Moved:
    """Heard, but it cannot be: say why and ask again."""
    reading, step, lines = given.reading, plan.step(session.step), plan.lines
    assert reading is not None and step.ask is not None
    if given.reason == "wrong_unit":
        said = unit_words(reading.unit, plan.language)
        why = lines.line("wrong_unit", said=said, asked=unit_words(step.ask.unit, plan.language))
    elif given.reason in ("out_of_range", "too_fine"):
        why = lines.line(given.reason, spoken=quantity_words(reading.value, reading.quantity, plan.language))
    else:
        return missed(plan, session, given)
    session = replace(session, mode="ask", pending=None, between=(), misses=_next_rung(plan, session))
    return session, [Tone("look_again"), Say(why, "question", given.reason), *listen(plan, session)]


def missed(plan: Plan, session: Session, given: Unclear) -> Moved:
    """Ask again, each time in another way; an unconfirmed reading is never kept on a miss in the dark."""
    ladder = plan.lines.ladder_for(given.reason == "nothing", plan.typed)
    rung = ladder[session.misses % len(ladder)]
    if plan.typed and given.reason == "nothing":
        rung = "miss_again"
    step = plan.step(session.step)
    session = replace(session, misses=_next_rung(plan, session), smooth=False)
    effects: list[Effect] = [Tone("look_again")] if given.reason != "nothing" else []
    if rung == "miss_fit":
        return session, [
            *effects,
            Say(plan.lines.line(rung, wanted=_wanted(plan, session)), "question", rung),
            *listen(plan, session),
        ]
    if rung == "miss_digits" and session.mode == "digits" and session.pending is None:
        # Whose single digits were not heard is not kept at them.
        session = replace(session, mode="ask", between=())
        return session, [*effects, Say(plan.lines.line("miss_whole"), "question", "miss_whole"), *listen(plan, session)]
    if rung == "miss_digits":
        if session.mode in ("ask", "digits", "which") and step.ask is not None:
            session = replace(session, mode="digits", pending=None, between=())
            return session, [*effects, Say(plan.lines.line(rung), "question", rung), *listen(plan, session)]
        phrases = _phrases_open(plan, session)
        return session, [
            *effects,
            Say(plan.lines.line("miss_answer", phrases=phrases), "question", "miss_answer"),
            *listen(plan, session),
        ]
    return session, [*effects, Say(plan.lines.line(rung), "question", rung), *listen(plan, session)]


def _next_rung(plan: Plan, session: Session) -> int:
    return (session.misses + 1) % RUNGS


def _wanted(plan: Plan, session: Session) -> str:
    """What would fit here, in words: the reading, or the phrases that are open."""
    scope = scope_for(plan, session)
    if scope.asked and session.mode in ("ask", "digits", "which"):
        return plan.lines.line("want_reading", unit=unit_words(scope.asked.unit, plan.language))
    return (
        plan.lines.line("want_phrase", phrases=_phrases_open(plan, session))
        if scope.options
        else plan.lines.line("want_command")
    )


def _phrases_open(plan: Plan, session: Session) -> str:
    """The answers that are open, without the questions for each earlier reading, which are many."""
    options = scope_for(plan, session).options
    return "; ".join(option.phrases[0] for option in options if not option.id.startswith(SAID_FOR))


def not_open(plan: Plan, session: Session) -> Moved:
    """A command that is not open here."""
    return missed(plan, session, Unclear("not_open", ""))


OFTEN, REMEMBERED = 3, 8
"""Times that a weak reading must be heard among the last ones at a step to be read back. Noise seldom makes the same
number three times of eight, and a read-back is a check of its own; without it one whose every number is heard weakly is
asked for ever."""
RUNGS = 4
"""So many ways of asking again follow each other before the first comes back."""
