"""Take a confirmed answer: keep it, judge it, reason over it, and go on."""

from __future__ import annotations

from dataclasses import replace

from flows.compile import Plan, may_enter, next_step
from flows.errors import CalculationError
from flows.faults import catalog
from flows.measure import Verdict, measured
from flows.prompts import ask_again, listen, step_lines
from flows.reason import Assessment, Evidence
from flows.schema import Judge
from flows.session import Effect, End, Save, Say, Session, Taken, Tone
from flows.wording import fill, quantity_words
from grammar.answers import Reading

Moved = tuple[Session, list[Effect]]


def enter(plan: Plan, session: Session, name: str) -> Moved:
    """Go to a step. A step that the power forbids is never spoken: the visit goes to prove the power dead instead."""
    said: list[Effect] = []
    if not may_enter(plan, name, session):
        session = replace(session, power="said_off" if session.power != "on" else "on", proofs=frozenset())
        said.append(Say(plan.lines.line("reprove"), "info", "reprove"))
        name = plan.procedure.reprove or plan.procedure.start
    step = plan.step(name)
    session = replace(session, step=name, mode="ask", pending=None, pending_answer=None, between=(), doubtful=None, misses=0, wrong=0, outcome=None, answer=None)
    if step.end:
        said += [Say(text, "info", f"{name}/say/{number}") for number, text in enumerate(step.say)]
        return finish(plan, session, step.end, said)
    said += step_lines(plan, session)
    session = replace(session, spoken=session.spoken | {name})
    return session, [*said, *listen(plan, session)]


def go_on(plan: Plan, session: Session) -> Moved:
    """To the step that the procedure's guards choose."""
    return enter(plan, session, next_step(plan, session))


def take_reading(plan: Plan, session: Session, reading: Reading, how: str) -> Moved:
    """Keep a confirmed reading, then judge it."""
    step = plan.step(session.step)
    assert step.ask is not None  # only a step that asks comes here
    value = measured(reading, plan.meter)
    taken = Taken(session.step, step.ask.probe, reading, value)
    effects: list[Effect] = []
    if session.reading_of(step.ask.probe) is not None and step.proves is None:
        effects.append(Save("retaken", {"step": session.step, "probe": step.ask.probe}))
    effects.append(Save("reading", _reading_line(step.title, taken, how, session.power)))
    trail = (*session.trail, session.step) if session.step not in session.trail else session.trail
    session = replace(session, taken=(*session.taken, taken), trail=trail, pending=None, between=(), misses=0)
    session = replace(session, skipped=tuple(one for one in session.skipped if one != session.step))
    if step.judge is None:
        return _settled(plan, session, None, effects)
    return _judged(plan, session, step.judge, effects)


def _judged(plan: Plan, session: Session, judge: Judge, effects: list[Effect]) -> Moved:
    roles = {"value": session.taken[-1].measured}
    for role, probe in judge.probes.items():
        got = session.reading_of(probe)
        if got is None:
            title = next(step.title for step in plan.procedure.steps.values() if step.ask and step.ask.probe == probe)
            return _settled(plan, session, None, [*effects, Say(plan.lines.line("missing", title=title), "verdict", "missing")])
        roles[role] = got
    limits = {role: plan.limits[key] for role, key in judge.limits.items()}
    try:
        verdict = plan.judge(judge.check, roles, limits, plan.facts)
    except CalculationError as error:
        return _settled(plan, session, None, [*effects, Say(error.text, "verdict", "missing")])
    text = fill(judge.say[verdict.line], dict(verdict.numbers), session.taken[-1].measured.quantity, plan.language)
    effects += [
        Save("verdict", _verdict_line(session, verdict, text)),
        Tone("passed" if verdict.outcome == "pass" else "look_again"),
        Say(text, "verdict", f"{session.step}/{verdict.line}"),
    ]
    session = replace(session, verdicts=(*(one for one in session.verdicts if one[0] != session.step), (session.step, verdict)))
    return _settled(plan, session, verdict, effects)


def _settled(plan: Plan, session: Session, verdict: Verdict | None, effects: list[Effect]) -> Moved:
    step = plan.step(session.step)
    session = replace(session, outcome=verdict.outcome if verdict else None, answer=None)
    session, more = _prove(plan, session)
    effects += more
    if step.judge and step.judge.must_pass and session.outcome != "pass":
        session, more = enter(plan, session, step.judge.otherwise or session.step)
        return session, [*effects, *more]
    told, speak = _assess(plan, session)
    effects += told
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
        live = session.power == "said_off" and session.outcome == "fail" and proof not in (order[0], order[-1])
        session = replace(session, proofs=frozenset(), power="on" if live else _not_dead(session.power))
        return session, [Save("power", {"state": session.power, "by": session.step})]
    before = order[: order.index(proof)]
    if session.power == "on" or not set(before) <= session.proofs:
        return replace(session, proofs=frozenset(), power=_not_dead(session.power)), []
    session = replace(session, proofs=frozenset({*before, proof}), power=_not_dead(session.power))
    if set(order) <= session.proofs:
        session = replace(session, power="dead")
        return session, [Save("power", {"state": "dead", "by": session.step})]
    return session, []


def _not_dead(power: str) -> str:
    return "said_off" if power == "dead" else power


def settle_answer(plan: Plan, session: Session, name: str, text: str, how: str) -> Moved:
    """Take a confirmed answer in words and what it changes."""
    answer = plan.step(session.step).answers[name]
    effects: list[Effect] = [Save("choice", {"step": session.step, "choice": name, "text": text, "confirmed": how, "power": session.power})]
    flags = set(session.flags)
    for flag, wanted in answer.sets.flags.items():
        (flags.add if wanted else flags.discard)(flag)
        if flag == "jumper":
            effects.append(Save("jumper", {"on": wanted, "step": session.step}))
    session = replace(session, flags=frozenset(flags), answer=name, outcome=answer.outcome, pending_answer=None, misses=0)
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
        told, speak = _assess(plan, session)
        effects += [*told, *(speak if answer.outcome == "fail" else [])]
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def skip(plan: Plan, session: Session) -> Moved:
    """Leave a check out, on the record."""
    effects: list[Effect] = [Save("skipped", {"step": session.step, "why": "asked for"}), Say(plan.lines.line("skipped"), "info", "skipped")]
    session = replace(session, skipped=(*session.skipped, session.step), outcome=None, answer=None)
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def evidence_of(session: Session) -> dict[str, Evidence]:
    """All that was confirmed and that the fault reasoning knows, by probe."""
    known = catalog.probes()
    return {name: value for name, value in {**session.readings(), **dict(session.evidence)}.items() if name in known}


def assessment(plan: Plan, session: Session) -> Assessment | None:
    """What all readings together say, or None where there is nothing to reason over."""
    evidence = evidence_of(session)
    return plan.assess(evidence) if plan.assess and evidence else None


def _assess(plan: Plan, session: Session) -> tuple[list[Effect], list[Effect]]:
    found = assessment(plan, session)
    if found is None:
        return [], []
    line = {
        "ranked": [[name, share] for name, share in found.ranked[:5]],
        "next_probe": found.next_probe,
        "sentence": found.sentence,
        "ruled_out": [list(one) for one in found.ruled_out],
        "named": found.named,
        "cannot_tell": list(found.cannot_tell),
        "unproven": list(found.unproven),
    }
    return [Save("assessment", line)], [Say(found.sentence, "verdict", "assessment")]


def finish(plan: Plan, session: Session, how: str, said: list[Effect]) -> Moved:
    """Close the visit: the verdict of the whole, what was skipped, and the last line of the record."""
    lines, last = plan.lines, assessment(plan, session)
    bad = [name for name, verdict in session.verdicts if verdict.outcome != "pass"]
    closing: list[Effect] = []
    fault = None
    if last is not None and last.named not in (None, catalog.HEALTHY):
        fault = last.named
    if last is not None:
        closing.append(Say(last.sentence, "verdict", "assessment"))
        if last.next_probe and last.next_why:
            closing.append(Say(last.next_why, "verdict", "next_best"))
    elif not bad and session.verdicts:
        closing.append(Say(lines.line("all_good"), "verdict", "all_good"))
    elif bad:
        closing += [Say(_verdict_text(plan, session, name), "verdict", f"{name}/summary") for name in bad]
    if session.skipped:
        titles = ", ".join(plan.step(name).title for name in session.skipped)
        closing.append(Say(lines.line("some_skipped", list=titles), "info", "some_skipped"))
    left = sorted(session.flags & set(plan.procedure.clear_at_end))
    summary = " ".join(one.text for one in closing if isinstance(one, Say))
    ending: list[Effect] = [Save("end", {"how": how, "fault": fault, "summary": summary, "left_set": left}), End(how)]
    return replace(session, mode="ended"), [*closing, *said, *ending]


def _verdict_text(plan: Plan, session: Session, name: str) -> str:
    step, verdict = plan.step(name), dict(session.verdicts)[name]
    if step.judge is None or step.ask is None:
        return ""
    return fill(step.judge.say[verdict.line], dict(verdict.numbers), step.ask.quantity, plan.language)


def so_far(plan: Plan, session: Session) -> str:
    """All readings in one sentence."""
    latest = {one.probe: one for one in session.taken}
    if not latest:
        return plan.lines.line("nothing_yet")
    told = "; ".join(f"{plan.step(one.step).title}, {quantity_words(one.measured.value, one.measured.quantity, plan.language)}" for one in latest.values())
    return plan.lines.line("so_far", list=told)


def _reading_line(title: str, taken: Taken, how: str, power: str) -> dict[str, object]:
    reading = taken.reading
    return {
        "step": taken.step,
        "check_title": title,
        "probe": taken.probe,
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
        "measured": {"value": taken.measured.value, "u": taken.measured.u, "low": taken.measured.low, "high": taken.measured.high},
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
