"""Take a confirmed answer: keep it, judge it, reason over it, and go on."""

from __future__ import annotations

from dataclasses import replace

from flows.errors import CalculationError
from flows.judge.measured import Verdict, measured
from flows.procedure.compile import Plan
from flows.procedure.proving import live_proofs, proofs_after
from flows.procedure.schema import Judge
from flows.procedure.session import Effect, Moved, Save, Say, Session, Taken, Tone
from flows.procedure.wording import digit_words, fill
from flows.talk.believed import advice_on, assessed, assessment, newly_named
from flows.talk.levels import telling
from flows.talk.moving import enter, go_on
from flows.talk.prompts import ask_again, listen
from grammar.answers import Reading
from grammar.numbers import digits_spoken


def take_reading(plan: Plan, session: Session, reading: Reading, how: str) -> Moved:
    """Keep a confirmed reading, then judge it."""
    step = plan.step(session.step)
    assert step.ask is not None  # only a step that asks comes here
    value = measured(reading, plan.meter)
    counts_as = dict(session.mended).get(step.ask.probe, step.ask.probe)
    taken = Taken(session.step, step.ask.probe, reading, value, counts_as)
    effects: list[Effect] = []
    if session.step in session.fixing:
        session = replace(session, fixing=tuple(one for one in session.fixing if one != session.step))
    elif session.reading_of(step.ask.probe) is not None and step.proves is None:
        effects.append(Save("retaken", {"step": session.step, "probe": step.ask.probe}))
    effects.append(Save("reading", _reading_line(step.title, taken, how, session.power)))
    if how == "joined":
        effects.append(Say(taken_as(plan, session.step, reading), "readback", "taken_as"))
    trail = (*session.trail, session.step) if session.step not in session.trail else session.trail
    session = replace(
        session,
        taken=(*session.taken, taken),
        trail=trail,
        done=session.done | {session.step},
        pending=None,
        between=(),
        misses=0,
        unasked=session.step if how == "joined" else "",
        recalled="" if session.recalled == session.step else session.recalled,
    )
    session = replace(session, skipped=tuple(one for one in session.skipped if one != session.step))
    if step.judge is None:
        return _settled(plan, session, None, effects)
    return _judged(plan, session, step.judge, effects)


def taken_as(plan: Plan, name: str, reading: Reading) -> str:
    """The reading digit by digit, as it is taken; with its unit where that is not the one that was asked for."""
    ask = plan.step(name).ask
    if ask and reading.unit == ask.unit:
        return plan.lines.line("taken_as", digits=digits_spoken(reading.digits, plan.language))
    return plan.lines.line("taken_as", digits=digit_words(reading.digits, reading.unit, plan.language))


def _judged(plan: Plan, session: Session, judge: Judge, effects: list[Effect]) -> Moved:
    roles = {"value": session.taken[-1].measured}
    for role, probe in judge.probes.items():
        got = session.reading_of(probe)
        if got is None:
            title = next(step.title for step in plan.procedure.steps.values() if step.ask and step.ask.probe == probe)
            return _unjudged(plan, session, judge, effects, plan.lines.line("missing", title=title))
        roles[role] = got
    limits = {role: plan.limits[key] for role, key in judge.limits.items()}
    try:
        verdict = plan.judge(judge.check, roles, limits, plan.facts)
    except CalculationError as error:
        return _unjudged(plan, session, judge, effects, error.text)
    text = fill(judge.say[verdict.line], dict(verdict.numbers), session.taken[-1].measured.quantity, plan.language)
    short = telling(session).short_pass and session.unasked == session.step
    effects += [
        Save("verdict", _verdict_line(session, verdict, text)),
        Tone("passed" if verdict.outcome == "pass" else "look_again"),
        Say(plan.lines.line("good") if short else text, "verdict", f"{session.step}/{verdict.line}"),
    ]
    if verdict.outcome != "pass":
        session = replace(session, smooth=False)
    session = replace(
        session, verdicts=(*(one for one in session.verdicts if one[0] != session.step), (session.step, verdict))
    )
    session, more = _danger(plan, session, judge, verdict)
    return _settled(plan, session, verdict, [*effects, *more])


def _unjudged(plan: Plan, session: Session, judge: Judge, effects: list[Effect], why: str) -> Moved:
    """A reading that nothing follows from: its check is not done, whatever was found there before, and it is asked
    what to do."""
    here = session.step
    verdicts = tuple(one for one in session.verdicts if one[0] != here)
    session = replace(session, done=session.done - {here}, verdicts=verdicts, outcome=None, answer=None)
    effects = [*effects, Say(why, "verdict", "missing")]
    if judge.must_pass:
        return _settled(plan, session, None, effects)
    told, _ = assessed(plan, session)
    if session.leaving:
        session, more = go_on(plan, session)
        return session, [*effects, *told, *more]
    session = replace(session, mode="offer")
    return session, [*effects, *told, Tone("look_again"), *ask_again(plan, session)]


def _danger(plan: Plan, session: Session, judge: Judge, verdict: Verdict) -> Moved:
    """Say and keep a finding that puts a person at risk; a pass at the same step takes it back.

    Power found where none should be stands until it is proven dead as a whole.
    """
    proving = plan.step(session.step).proves is not None
    before = dict(session.safety).get(session.step)
    others = tuple(
        one for one in session.safety if one[0] != session.step and not (proving and plan.step(one[0]).proves)
    )
    danger = judge.danger.get(verdict.finding) if verdict.outcome == "fail" else None
    if danger:
        session = replace(session, safety=tuple(sorted((*others, (session.step, verdict.finding)))))
        line = {"step": session.step, "finding": verdict.finding, "text": danger.say, "stands": True}
        return session, [Save("safety", line), Say(danger.say, "alarm", f"{session.step}/danger/{verdict.finding}")]
    if before and verdict.outcome == "pass" and not proving:
        return replace(session, safety=others), [_taken_back(session.step, before)]
    return session, []


def _taken_back(step: str, finding: str) -> Save:
    return Save("safety", {"step": step, "finding": finding, "text": "", "stands": False})


def _settled(plan: Plan, session: Session, verdict: Verdict | None, effects: list[Effect]) -> Moved:
    step = plan.step(session.step)
    session = replace(session, outcome=verdict.outcome if verdict else None, answer=None)
    session, more = _prove(plan, session)
    effects += more
    if step.judge and step.judge.must_pass and session.outcome != "pass":
        target, *rest = session.agenda or (step.judge.otherwise or session.step,)
        session, more = enter(plan, session, target, tuple(rest))
        return session, [*effects, *more]
    if verdict and verdict.outcome == "close" and verdict.more_digits:
        session = replace(session, mode="ask", outcome=None)
        return session, [*effects, Say(plan.lines.line("last_digit"), "question", "last_digit"), *listen(plan, session)]
    told, speak = assessed(plan, session)
    effects += told
    session, news = newly_named(plan, session)
    # What to do is said when a fault is first named, and once more with the verdict at the end.
    speak += advice_on(assessment(plan, session)) if news else []
    if news and not session.leaving:
        session = replace(session, mode="offer", outcome="fail")
        return session, [*effects, *speak, *ask_again(plan, session)]
    if verdict and verdict.outcome != "pass" and not session.leaving:
        session = replace(session, mode="offer")
        return session, [*effects, *(speak if verdict.outcome == "fail" else []), *ask_again(plan, session)]
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def _prove(plan: Plan, session: Session) -> Moved:
    """Collect a proof. Proofs count only in their order, on power said to be off; one failure voids them all."""
    proof, order = plan.step(session.step).proves, plan.procedure.dead_proof
    if proof is None:
        return session, []
    if session.outcome != "pass":
        # A failed dead test means that the power is there, whatever was said.
        live = session.power == "said_off" and session.outcome == "fail" and proof not in live_proofs(plan.procedure)
        session = replace(session, proofs=frozenset(), power="on" if live else _not_dead(session.power))
        return session, [Save("power", {"state": session.power, "by": session.step})]
    stand = proofs_after(order, session.proofs, proof, session.outcome, session.power)
    session = replace(session, proofs=stand, power=_not_dead(session.power))
    if set(order) <= session.proofs:
        gone = [one for one in session.safety if plan.step(one[0]).proves]
        session = replace(session, power="dead", safety=tuple(one for one in session.safety if one not in gone))
        return session, [Save("power", {"state": "dead", "by": session.step}), *(_taken_back(*one) for one in gone)]
    return session, []


def _not_dead(power: str) -> str:
    return "said_off" if power == "dead" else power


def settle_answer(plan: Plan, session: Session, name: str, text: str, how: str) -> Moved:
    """Take a confirmed answer in words and what it changes."""
    answer = plan.step(session.step).answers[name]
    effects: list[Effect] = [
        Save("choice", {"step": session.step, "choice": name, "text": text, "confirmed": how, "power": session.power})
    ]
    for thing, place in answer.sets.things.items():
        effects.append(Save("moved", {"thing": thing, "to": place, "step": session.step}))
        if thing == "jumper":
            effects.append(Save("jumper", {"on": place != "none", "step": session.step}))
    things = tuple((thing, answer.sets.things.get(thing, place)) for thing, place in session.things)
    mended = tuple({**dict(session.mended), **answer.mended}.items())
    done = session.done | {session.step}
    session = replace(
        session,
        things=things,
        mended=mended,
        done=done,
        answer=name,
        outcome=answer.outcome,
        pending_answer=None,
        misses=0,
    )
    if answer.sets.power is not None:
        session = replace(session, power=answer.sets.power, proofs=frozenset())
        effects.append(Save("power", {"state": session.power, "by": session.step}))
    if answer.evidence:
        kept = {**dict(session.evidence), **answer.evidence}
        session = replace(session, evidence=tuple(sorted(kept.items())))
    trail = (*session.trail, session.step) if session.step not in session.trail else session.trail
    session = replace(session, trail=trail)
    effects.append(Tone("heard"))
    if answer.say:
        effects.append(Say(answer.say, "verdict", f"{session.step}/{name}"))
    if answer.evidence:
        told, speak = assessed(plan, session)
        found = assessment(plan, session)
        advice = advice_on(found) if found and found.named not in session.named else []
        effects += [*told, *([*speak, *advice] if answer.outcome == "fail" else [])]
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def _reading_line(title: str, taken: Taken, how: str, power: str) -> dict[str, object]:
    reading = taken.reading
    return {
        "step": taken.step,
        "check_title": title,
        "probe": taken.probe,
        "counts_as": taken.counts_as,
        "quantity": reading.quantity,
        "value": reading.value,
        "low": reading.low,
        "high": reading.high,
        "step_size": reading.step,
        "unit": reading.unit,
        "digits": reading.digits,
        "over_limit": reading.over_limit,
        "text": reading.text,
        "confirmed": {"how": how, "text": reading.text},
        "measured": {
            "value": taken.measured.value,
            "u": taken.measured.u,
            "low": taken.measured.low,
            "high": taken.measured.high,
        },
        "power": power,
    }


def _verdict_line(session: Session, verdict: Verdict, text: str) -> dict[str, object]:
    return {
        "step": session.step,
        "check": verdict.check,
        "outcome": verdict.outcome,
        "finding": verdict.finding,
        "value": verdict.value,
        "low": verdict.low,
        "high": verdict.high,
        "unit": verdict.unit,
        "limits": [{"name": name, **limit.model_dump()} for name, limit in verdict.limits],
        "text": text,
        "numbers": dict(verdict.numbers),
        "power": session.power,
    }
