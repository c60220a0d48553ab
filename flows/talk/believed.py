"""What all readings of a visit say together, and how that is told."""

from __future__ import annotations

from dataclasses import replace

from flows.faults import catalog
from flows.procedure.compile import Plan
from flows.procedure.session import Effect, Save, Say, Session
from flows.reason.assess import Assessment, Evidence


def newly_named(plan: Plan, session: Session) -> tuple[Session, bool]:
    """Whether the reasoning names a fault that it has not named before in this visit."""
    found = assessment(plan, session)
    named = found.named if found else None
    if found is None or named is None or named == catalog.HEALTHY or named in session.named or found.compulsory:
        return session, False
    session = replace(session, named=(*session.named, named))
    # What a reading after the mending names is what was mended.
    return session, session.taken[-1].counts_as == session.taken[-1].probe


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


def assessed(plan: Plan, session: Session) -> tuple[list[Effect], list[Effect]]:
    """What is kept of an assessment, and what is said of it; both empty where there is nothing to reason over."""
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


def advice_on(found: Assessment | None) -> list[Effect]:
    """What to do about the fault that all readings name."""
    return [Say(found.advice, "verdict", "advice")] if found and found.advice else []


def fault_seen(session: Session) -> str | None:
    """The fault that an answer names because it was seen, where every check that was made is good: a burner that
    never lights."""
    if session.safety or any(verdict.outcome != "pass" for _, verdict in session.verdicts):
        return None
    return next((one for _, one in session.evidence if isinstance(one, str) and one in catalog.faults().faults), None)


def mended(session: Session, fault: str) -> bool:
    """Whether the fault shows by what a mending on the way changed, and the check is good now: then nothing is left
    to do about it."""
    good = {name for name, verdict in session.verdicts if verdict.outcome == "pass"}
    changed = {one.counts_as for one in session.taken if one.counts_as not in ("", one.probe) and one.step in good}
    known = catalog.faults().faults
    return all(name in known and changed & set(known[name].looked) for name in catalog.parts(fault))
