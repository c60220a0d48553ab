"""Take a confirmed answer: keep it, judge it, reason over it, and go on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from flows.errors import CalculationError
from flows.faults import catalog
from flows.faults.sayings import sayings
from flows.judge.measured import Verdict, measured
from flows.procedure.compile import Pick, Plan, next_step, way_out
from flows.procedure.proving import live_proofs, proofs_after
from flows.procedure.route import first_step, power_needed
from flows.procedure.schema import Judge
from flows.procedure.session import Effect, End, Save, Say, Session, Taken, Tone
from flows.procedure.wording import fill, quantity_words
from flows.reason.assess import Assessment, Evidence
from flows.talk.order import all_pass, chosen, first_undone, last_check
from flows.talk.prompts import ask_again, listen, step_lines
from grammar.answers import Reading

Moved = tuple[Session, list[Effect]]


def enter(plan: Plan, session: Session, name: str, rest: tuple[str, ...] = ()) -> Moved:
    """Go to a step, by way of all that must be done first. rest: where to go after it, first first.

    A step whose needs do not hold is never spoken: the visit goes through the steps that bring them about.
    """
    if session.safety and plan.step(name).end:
        # A danger that was found on the way to an end leads to the end that is meant for it.
        name = way_out(plan, session)
    now = first_step(plan.routes, name, session)
    agenda = tuple(one for one in dict.fromkeys(rest if now == name else (name, *rest)) if one != now)
    step = plan.step(now)
    session = replace(
        session,
        step=now,
        agenda=agenda,
        mode="ask",
        pending=None,
        pending_answer=None,
        between=(),
        doubtful=None,
        misses=0,
        wrong=0,
        outcome=None,
        answer=None,
    )
    if step.end:
        return finish(plan, session, now)
    said: list[Effect] = step_lines(plan, session)
    session = replace(session, spoken=session.spoken | {now})
    return session, [*said, *listen(plan, session)]


def go_on(plan: Plan, session: Session) -> Moved:
    """To the step that is still to be reached, or to the one that the procedure's guards choose."""
    barred = stopping(plan, session)
    if session.agenda and not (barred and not session.leaving and _beyond(plan, barred, session.agenda[0])):
        return enter(plan, session, session.agenda[0], session.agenda[1:])
    if barred and not session.leaving:
        session = replace(
            session,
            step=barred,
            agenda=(),
            mode="offer",
            outcome="fail",
            pending=None,
            pending_answer=None,
            between=(),
            misses=0,
        )
        return session, ask_again(plan, session)
    # A test that was asked for leads nowhere of itself: the visit goes on with the first check that is still to be
    # done.
    target = next_step(plan, session) if plan.step(session.step).next else first_undone(plan, session)
    (first, *rest), pick = chosen(plan, session, target)
    waiting = _waiting_test(plan, session, target)
    if waiting is None:
        session, more = enter(plan, session, first, tuple(rest))
        return session, [*_told(first, pick), *more]
    return enter(plan, replace(session, tests=tuple(one for one in session.tests if one != waiting)), waiting)


def _told(step: str, pick: Pick | None) -> list[Effect]:
    """Why this step comes now, said and written down; nothing where the order is the file's own."""
    if pick is None:
        return []
    said: list[Effect] = [Say(pick.why, "info", "order")] if pick.why else []
    return [Save("order", {"step": step, "probe": pick.probe, "why": pick.why}), *said]


def stopping(plan: Plan, session: Session) -> str | None:
    """The step of a danger that stands and lets the visit go on only through a fix."""
    for name, finding in session.safety:
        judge = plan.step(name).judge
        if judge and judge.danger[finding].stops:
            return name
    return None


def _beyond(plan: Plan, barred: str, name: str) -> bool:
    """Whether a step takes a reading that belongs neither to the check that bars the way nor to a proof."""
    step = plan.step(name)
    return step.ask is not None and step.proves is None and name not in readings_of_check(plan, barred)


def readings_of_check(plan: Plan, name: str) -> list[str]:
    """The steps whose readings make up the check at step `name`, in their order; an earlier check's readings stand."""
    steps, here = plan.procedure.steps, plan.step(name)
    probes = set(here.judge.probes.values()) if here.judge else set()
    parts = [
        other
        for other, step in steps.items()
        if step.ask and step.ask.probe in probes and step.check == here.check and other != name
    ]
    return [*parts, name]


def _waiting_test(plan: Plan, session: Session, target: str) -> str | None:
    """A test that was asked for and that the power allows now; before the furnace is put back, any."""
    closing = plan.step(target).end is not None or plan.step(target).check == last_check(plan)
    return next(
        (
            one
            for one in session.tests
            if closing or session.power in power_needed(plan.routes, one, bool(session.safety))
        ),
        None,
    )


def missing_steps(plan: Plan, session: Session) -> list[str]:
    """Steps of numbered checks that the ordinary way goes through and that were not done."""
    steps = plan.procedure.steps
    return [
        name
        for name, step in steps.items()
        if step.check and not step.extra and not step.end and (step.next or step.proves) and name not in session.done
    ]


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
    trail = (*session.trail, session.step) if session.step not in session.trail else session.trail
    session = replace(
        session,
        taken=(*session.taken, taken),
        trail=trail,
        done=session.done | {session.step},
        pending=None,
        between=(),
        misses=0,
    )
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
            return _unjudged(plan, session, judge, effects, plan.lines.line("missing", title=title))
        roles[role] = got
    limits = {role: plan.limits[key] for role, key in judge.limits.items()}
    try:
        verdict = plan.judge(judge.check, roles, limits, plan.facts)
    except CalculationError as error:
        return _unjudged(plan, session, judge, effects, error.text)
    text = fill(judge.say[verdict.line], dict(verdict.numbers), session.taken[-1].measured.quantity, plan.language)
    effects += [
        Save("verdict", _verdict_line(session, verdict, text)),
        Tone("passed" if verdict.outcome == "pass" else "look_again"),
        Say(text, "verdict", f"{session.step}/{verdict.line}"),
    ]
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
    told, _ = _assess(plan, session)
    if session.leaving:
        session, more = go_on(plan, session)
        return session, [*effects, *told, *more]
    session = replace(session, mode="offer")
    return session, [*effects, *told, Tone("look_again"), *ask_again(plan, session)]


def to_take_again(plan: Plan, session: Session, name: str) -> list[str]:
    """The steps to go through when the check at step `name` is taken again: its readings, and first those it lacks
    from other checks."""
    own, judge = readings_of_check(plan, name), plan.step(name).judge
    lacking = {probe for probe in judge.probes.values() if session.reading_of(probe) is None} if judge else set()
    return [
        one for one, step in plan.procedure.steps.items() if step.ask and step.ask.probe in lacking and one not in own
    ] + own


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
    told, speak = _assess(plan, session)
    effects += told
    session, news = _news(plan, session)
    # What to do is said when a fault is first named, and once more with the verdict at the end.
    speak += _advice(plan, session) if news else []
    if news and not session.leaving:
        session = replace(session, mode="offer", outcome="fail")
        return session, [*effects, *speak, *ask_again(plan, session)]
    if verdict and verdict.outcome != "pass" and not session.leaving:
        session = replace(session, mode="offer")
        return session, [*effects, *(speak if verdict.outcome == "fail" else []), *ask_again(plan, session)]
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def _news(plan: Plan, session: Session) -> tuple[Session, bool]:
    """Whether the reasoning names a fault that it has not named before in this visit."""
    found = assessment(plan, session)
    named = found.named if found else None
    if found is None or named is None or named == catalog.HEALTHY or named in session.named or found.compulsory:
        return session, False
    session = replace(session, named=(*session.named, named))
    # What a reading after the mending names is what was mended.
    return session, session.taken[-1].counts_as == session.taken[-1].probe


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
        told, speak = _assess(plan, session)
        found = assessment(plan, session)
        advice = _advice(plan, session) if found and found.named not in session.named else []
        effects += [*told, *([*speak, *advice] if answer.outcome == "fail" else [])]
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def skip(plan: Plan, session: Session) -> Moved:
    """Leave a check out, on the record. Where something cannot be moved, all checks that need it moved are left out."""
    left = _barred(plan, session) if plan.step(session.step).answers else [session.step]
    effects: list[Effect] = [Save("skipped", {"step": name, "why": "asked for"}) for name in left]
    effects.append(Say(plan.lines.line("skipped"), "info", "skipped"))
    skipped = tuple(dict.fromkeys((*session.skipped, *left)))
    agenda = () if plan.step(session.step).answers else session.agenda
    session = replace(session, skipped=skipped, agenda=agenda, outcome=None, answer=None)
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def _barred(plan: Plan, session: Session) -> list[str]:
    """The checks still open that need something where only the answers of this step bring it."""
    steps, moves = plan.procedure.steps, [one.sets.things for one in plan.step(session.step).answers.values()]
    wanted = [
        (thing, place)
        for one in moves
        for thing, place in one.items()
        if plan.routes.bringers[thing, place] == (session.step,)
    ]
    return [
        name
        for name, step in steps.items()
        if step.check and step.next and not step.extra and name not in session.done
        and any(plan.routes.at[name].get(thing) == frozenset({place}) for thing, place in wanted)
    ]  # fmt: skip


def evidence_of(session: Session) -> dict[str, Evidence]:
    """All that was confirmed and that the fault reasoning knows, by probe."""
    known = catalog.probes()
    taken: dict[str, Evidence] = {}
    for one in session.taken:
        taken[one.counts_as if one.counts_as in known else one.probe] = one.measured
    return {name: value for name, value in {**taken, **dict(session.evidence)}.items() if name in known}


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
        "advice": found.advice,
    }
    return [Save("assessment", line)], [Say(found.sentence, "verdict", "assessment")]


def _advice(plan: Plan, session: Session) -> list[Effect]:
    """What to do about the fault that all readings name."""
    found = assessment(plan, session)
    return [Say(found.advice, "verdict", "advice")] if found and found.advice else []


def _seen(session: Session) -> str | None:
    """The fault that an answer names because it was seen, where every check that was made is good: a burner that
    never lights."""
    if session.safety or any(verdict.outcome != "pass" for _, verdict in session.verdicts):
        return None
    return next((one for _, one in session.evidence if isinstance(one, str) and one in catalog.faults().faults), None)


def _mended(session: Session, fault: str) -> bool:
    """Whether the fault shows by what a mending on the way changed, and the check is good now: then nothing is left
    to do about it."""
    good = {name for name, verdict in session.verdicts if verdict.outcome == "pass"}
    changed = {one.counts_as for one in session.taken if one.counts_as not in ("", one.probe) and one.step in good}
    known = catalog.faults().faults
    return all(name in known and changed & set(known[name].looked) for name in catalog.parts(fault))


def finish(plan: Plan, session: Session, name: str) -> Moved:
    """Close the visit: what endangers first, the verdict of the whole, and what is missing last."""
    step, lines, last = plan.step(name), plan.lines, assessment(plan, session)
    missing = missing_steps(plan, session)
    whole = step.end == "finished" and not missing and not session.safety
    named = last.named if last is not None and last.named != catalog.HEALTHY else None
    seen = _seen(session) if named is None else None
    fault = named or seen
    closing: list[Effect] = [
        Say(danger_text(plan, one), "alarm", f"{one[0]}/danger/{one[1]}") for one in session.safety
    ]
    closing += _whole_verdict(plan, session, last, whole)
    advice: list[Effect] = [] if fault and _mended(session, fault) else _advice(plan, session)
    if seen:
        advice = [Say(sayings(plan.language).advice(seen), "verdict", "advice")]
    closing += advice
    if whole or step.end == "stopped":
        closing += [Say(text, "info", f"{name}/say/{number}") for number, text in enumerate(step.say)]
    if session.skipped:
        closing.append(Say(lines.line("some_skipped", list=_titles(plan, session.skipped)), "info", "some_skipped"))
    if missing:
        closing.append(Say(lines.line("not_done", list=_titles(plan, missing)), "info", "not_done"))
    how = "finished" if step.end == "finished" and not missing else "stopped"
    kinds = plan.routes.kinds
    left = sorted(thing for thing, place in session.things if place not in kinds[thing].as_found)
    ending = {
        "how": how,
        "fault": fault,
        "advice": " ".join(one.text for one in advice if isinstance(one, Say)),
        "summary": " ".join(one.text for one in closing if isinstance(one, Say)),
        "left_set": left,
        "missing": missing,
        "missing_titles": [plan.step(name).title for name in missing],
        "safety": [list(one) for one in session.safety],
        "power": session.power,
    }
    return replace(session, mode="ended"), [*closing, Save("end", ending), End(how)]


def _whole_verdict(plan: Plan, session: Session, last: Assessment | None, whole: bool) -> list[Effect]:
    """What all readings together say. Nothing is called good while a check is missing or a danger stands."""
    if last is not None:
        if last.named in (None, catalog.HEALTHY) and whole and all_pass(plan, session):
            # Nothing was found: that is the verdict, not which test could still be made.
            return [Say(plan.lines.line("all_sound"), "verdict", "all_sound")]
        if last.named == catalog.HEALTHY and not whole:
            return []
        said: list[Effect] = [Say(last.sentence, "verdict", "assessment")]
        # With a danger standing nobody is sent on to another test.
        return said + (
            [Say(last.next_why, "verdict", "next_best")]
            if last.next_probe and last.next_why and not session.safety
            else []
        )
    bad = [name for name, verdict in session.verdicts if verdict.outcome != "pass"]
    if bad:
        return [Say(_verdict_text(plan, session, name), "verdict", f"{name}/summary") for name in bad]
    return [Say(plan.lines.line("all_good"), "verdict", "all_good")] if whole and session.verdicts else []


def danger_text(plan: Plan, finding: tuple[str, str]) -> str:
    """The words of a safety finding that stands."""
    judge = plan.step(finding[0]).judge
    return judge.danger[finding[1]].say if judge else ""


def _titles(plan: Plan, names: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(plan.step(name).title for name in names))


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
    told = "; ".join(
        f"{plan.step(one.step).title}, {quantity_words(one.measured.value, one.measured.quantity, plan.language)}"
        for one in latest.values()
    )
    return plan.lines.line("so_far", list=told)


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
