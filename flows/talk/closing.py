"""The end of a visit: what endangers first, the verdict of the whole, and what is missing last."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from flows.faults import catalog
from flows.faults.sayings import sayings
from flows.procedure.compile import Plan
from flows.procedure.session import Effect, End, Moved, Save, Say, Session
from flows.procedure.wording import fill, quantity_words
from flows.reason.assess import Assessment
from flows.talk.believed import advice_on, assessment, fault_seen, mended
from flows.talk.levels import telling
from flows.talk.order import all_pass


def missing_steps(plan: Plan, session: Session) -> list[str]:
    """Steps of numbered checks that the ordinary way goes through and that were not done."""
    steps = plan.procedure.steps
    return [
        name
        for name, step in steps.items()
        if step.check and not step.extra and not step.end and (step.next or step.proves) and name not in session.done
    ]


def finish(plan: Plan, session: Session, name: str) -> Moved:
    """Close the visit: what endangers first, the verdict of the whole, and what is missing last."""
    step, lines, last = plan.step(name), plan.lines, assessment(plan, session)
    missing = missing_steps(plan, session)
    whole = step.end == "finished" and not missing and not session.safety
    named = last.named if last is not None and last.named != catalog.HEALTHY else None
    seen = fault_seen(session) if named is None else None
    fault = named or seen
    closing: list[Effect] = [
        Say(danger_text(plan, one), "alarm", f"{one[0]}/danger/{one[1]}") for one in session.safety
    ]
    closing += _whole_verdict(plan, session, last, whole)
    advice: list[Effect] = [] if fault and mended(session, fault) else advice_on(last)
    if seen:
        advice = [Say(sayings(plan.language).advice(seen), "verdict", "advice")]
    closing += advice
    if whole or step.end == "stopped":
        closing += [Say(text, "info", f"{name}/say/{number}") for number, text in enumerate(step.say)]
    if session.skipped:
        closing.append(Say(lines.line("some_skipped", list=titles(plan, session.skipped)), "info", "some_skipped"))
    if missing:
        closing.append(Say(lines.line("not_done", list=titles(plan, missing)), "info", "not_done"))
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
    if whole and session.smooth and session.level != "brief" and all_pass(plan, session):
        closing.append(Say(plan.lines.line("offer_shorter"), "info", "offer_shorter"))
    return replace(session, mode="ended"), [*closing, Save("end", ending), End(how)]


def _whole_verdict(plan: Plan, session: Session, last: Assessment | None, whole: bool) -> list[Effect]:
    """What all readings together say. Nothing is called good while a check is missing or a danger stands."""
    if last is not None:
        if last.named in (None, catalog.HEALTHY) and whole and all_pass(plan, session):
            # Nothing was found: that is the verdict, not which test could still be made.
            text = plan.lines.line("all_sound_short" if telling(session).short_pass else "all_sound")
            return [Say(text, "verdict", "all_sound")]
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


def titles(plan: Plan, names: Iterable[str]) -> str:
    """The titles of steps, each once."""
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
