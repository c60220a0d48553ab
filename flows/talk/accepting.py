"""A reading that needs no question of its own, and how it is taken back.

At all levels but the learner's a reading that was heard well, lies where one is expected and passes plainly is read
back in one breath with its verdict. Until the next reading is confirmed it can be taken back ("no", "change that").
Whatever is near a limit, fails, proves something, was heard in doubt, belongs to a test that looks for a fault, or is
taken anew, is asked about first, as ever; so is every reading until the one that was taken back is there again.

Reading back without asking is quicker, and leaves it to the listener to begin the correcting, which is harder than to
answer a question (E. Krahmer, M. Swerts, M. Theune, M. Weegels, "Error detection in spoken human-machine interaction",
International Journal of Speech Technology 4 (1), 2001, 19-29, compare both ways of verifying; what they found on the
implicit one is told from memory). So it is done only where a mistake that is missed changes no verdict.
"""

from __future__ import annotations

from dataclasses import replace

from flows.procedure.compile import Plan
from flows.procedure.session import Effect, Moved, Save, Say, Session, Tone
from flows.talk.foresee import lies_where_expected
from flows.talk.levels import telling
from flows.talk.misses import read_back
from flows.talk.moving import enter, reachable
from flows.talk.order import comes_of_itself
from flows.talk.prompts import ask_again, listen
from flows.talk.taking import take_reading
from grammar.answers import Reading


def accepted(plan: Plan, session: Session, reading: Reading) -> Moved | None:
    """The reading taken without a question of its own; None where it must be asked about first."""
    if not _may_be(plan, session, reading):
        return None
    after, effects = take_reading(plan, session, reading, "joined")
    return (after, effects) if _plainly_good(plan, session, after) else None


def _may_be(plan: Plan, session: Session, reading: Reading) -> bool:
    step = plan.step(session.step)
    if step.ask is None or step.extra or step.proves or (step.judge and step.judge.must_pass):
        return False
    heard_well = (
        session.mode == "ask"
        and not (session.misses or session.wrong or session.doubtful or session.between)
        and reading.sounds_like is None
        and not reading.over_limit
        and reading.low == reading.high
    )
    first = session.step not in session.fixing and session.reading_of(step.ask.probe) is None
    quiet = not (session.leaving or session.safety or session.recalled)
    return telling(session).joined and heard_well and first and quiet and _foreseen(plan, session, reading)


def _foreseen(plan: Plan, session: Session, reading: Reading) -> bool:
    return (plan.foreseen or (lambda now, one: lies_where_expected(plan, now, one)))(session, reading)


def _plainly_good(plan: Plan, before: Session, after: Session) -> bool:
    """Whether nothing followed from the reading but that the visit goes on."""
    verdict = dict(after.verdicts).get(before.step)
    judged = plan.step(before.step).judge is None or (
        verdict is not None and verdict.outcome == "pass" and verdict.line == "pass"
    )
    return (
        judged
        and after.mode == "ask"
        and before.step in after.done
        and after.step != before.step
        and (after.power, after.things, after.safety) == (before.power, before.things, before.safety)
        and after.named == before.named
    )


def take_back(plan: Plan, session: Session, correction: Reading | None = None) -> Moved:
    """Undo the reading that was taken without a question: it counts for nothing, and it is asked for again.

    correction: what was said in its place; it is asked about before it is taken. On the way out nothing is measured
    any more, and where what was put back since then bars the way it cannot be: then the check is left out, and the
    end says so.
    """
    name, last = session.unasked, session.taken[-1]
    effects: list[Effect] = [Save("retaken", {"step": name, "probe": last.probe})]
    session = replace(
        session,
        taken=session.taken[:-1],
        verdicts=tuple(one for one in session.verdicts if one[0] != name),
        done=session.done - {name},
        trail=tuple(one for one in session.trail if one != name),
        unasked="",
        recalled=name,
        smooth=False,
    )
    effects.append(Tone("heard"))
    if session.leaving or not reachable(plan, session, name):
        if not session.leaving:
            session = replace(session, skipped=tuple(dict.fromkeys((*session.skipped, name))), recalled="")
            effects.append(Save("skipped", {"step": name, "why": "taken back"}))
        left = plan.lines.line("taken_back_left", title=plan.step(name).title)
        return session, [*effects, Say(left, "info", "taken_back_left"), *ask_again(plan, session)]
    effects.append(Say(plan.lines.line("taken_back", title=plan.step(name).title), "info", "taken_back"))
    # A test that the visit was at is come back to, and what was to be taken again; a check that is still open finds
    # its own place.
    rest = session.agenda or ((session.step,) if plan.step(session.step).extra else ())
    to_keep = session.done | {*session.fixing}
    rest = tuple(one for one in rest if one != name and (one in to_keep or not comes_of_itself(plan.step(one))))
    asked = plan.step(session.step).ask
    session, more = enter(plan, session, name, rest)
    if session.step == name:
        session = replace(session, wrong=1)
        again = plan.step(name).ask
        if correction is not None and asked and again and (asked.quantity, asked.unit) == (again.quantity, again.unit):
            session, more = read_back(plan, session, correction)
    return session, [*effects, *more]


def answered_late(plan: Plan, session: Session, said_yes: bool, correction: Reading | None) -> Moved:
    """A yes or no to a reading that was not asked about: a yes changes nothing, a no takes it back."""
    if said_yes:
        return session, [Tone("heard"), *listen(plan, session)]
    return take_back(plan, session, correction)
