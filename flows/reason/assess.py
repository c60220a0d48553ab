"""From readings to ranked faults, the next best probe and one spoken sentence.

`assess` is a pure function of the evidence and of `Knowledge`, which
`reason_build.build_knowledge` makes once for an equipment family and a meter
(`reason_store.knowledge` keeps it on disk).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.catalog import HEALTHY, Probe
from flows.faults.sayings import sayings
from flows.judge.measured import Measured
from flows.reason import telling
from flows.reason.knowledge import Knowledge, as_shown
from flows.reason.meter_error import meter_error
from flows.reason.mixture import PROVES, Shown, Weighed, log_evidence, posterior, weigh
from flows.reason.naming import CURRENT, as_said, named_and_unproven, present_in, repair
from flows.reason.next import Place, Sight, Wiring, choose, cost, gains, left_after
from flows.reason.safety import compulsory, findings
from flows.reason.words import sentence, why_next

Evidence = Measured | bool | str
"""Measured for a display; yes or no for whether the board keeps the gas on and whether the current jumps or moves;
"never_lit" for a flame current that could not be read; one of the probe's answers in probes.yaml for anything that is
looked at."""
__all__ = ["Assessment", "Evidence", "Place", "assess", "next_probe", "repair"]
MOST_KEPT = 260
RIVALS = 3
YES_OR_NO = ("board_proves_flame", "flame_current_wiggled", "flame_current_watched")
NEVER_LIT = "never_lit"
SPARKS = "spark_and_sense"


@dataclass(frozen=True)
class Assessment:
    """What the readings so far say.

    ranked: every fault and pair with its probability as it is said, likeliest first, summing to 1.
    next_probe: the probe to take next, None when enough is known or nothing
    more would tell. next_why: one spoken sentence why.
    sentence: one or two short spoken sentences: which readings speak for the
    likeliest fault and what would change the answer.
    ruled_out: single faults now very unlikely, each with the probe that did most to rule it out.
    cannot_tell: faults that read the same under every probe still allowed (empty or two and more).
    named: the fault or pair that is sure enough to act on, else None;
    never the board before all that feeds it is proven. unproven: the probes that stand between.
    safety: faults that the readings themselves show by the plain limits, never outvoted by ranking.
    compulsory: probes still to come before any other, whatever they are expected to tell.
    advice: what to do about the fault that is named, to be spoken; "" where none is.
    tell_by: with cannot_tell, a probe out of reach that would tell, or None when only a look or a good part would.
    """

    ranked: tuple[tuple[str, float], ...]
    next_probe: str | None
    next_why: str
    sentence: str
    ruled_out: tuple[tuple[str, str], ...]
    cannot_tell: tuple[str, ...]
    named: str | None = None
    unproven: tuple[str, ...] = ()
    safety: tuple[str, ...] = ()
    compulsory: tuple[str, ...] = ()
    tell_by: str | None = None
    advice: str = ""


def next_probe(
    evidence: Mapping[str, Evidence],
    knowledge: Knowledge,
    power: Literal["on", "dead"] = "on",
    wiring: Wiring = "plugged",
    reachable: Set[str] | None = None,
    language: str = "en",
) -> tuple[str | None, str]:
    """The probe to take next and one spoken sentence why, as the furnace stands now; None when nothing more is needed.

    power: "on" or "dead" (off and proven). wiring: the rod wire on the rod, off it, or with the meter in series.
    reachable: the probes that can be taken at all, every one by default. Putting the power off counts as cost.
    """
    said = assess(evidence, knowledge, reachable, language, Place(power, wiring))
    return said.next_probe, said.next_why


def assess(
    evidence: Mapping[str, Evidence],
    knowledge: Knowledge,
    allowed: Set[str] | None = None,
    language: str = "en",
    at: Place | None = None,
) -> Assessment:
    """The assessment of the evidence: probe id -> Evidence.

    allowed: the probes that may still be taken, all by default. language: of the
    sentences. at: how the furnace stands, so that putting the power off counts as a
    cost of the next probe; None leaves that out. Safety proofs in the evidence are
    passed over. Raises FlowError for a probe or a kind of answer not known here.
    """
    settings = catalog.settings()
    readings, seen = _split(evidence, knowledge.equipment.rod)
    weighed = weigh(knowledge.components, readings, seen, settings.odd)
    of_component, of_fault = posterior(knowledge.components, knowledge.prior, weighed)
    order = np.argsort(-of_fault, kind="stable")
    ranked = tuple((knowledge.hypotheses[h], float(of_fault[h])) for h in order)
    left = _open(evidence, allowed, knowledge.equipment.rod)
    sight = _likely(knowledge, of_component, readings, seen)
    named, unproven = named_and_unproven(knowledge, ranked, evidence, readings)
    alike = () if named or unproven else _alike(knowledge, ranked, sight, left)
    first = tuple(name for name in compulsory() if name in left)
    probe = first[0] if first else None if named or alike else _best(sight, left, unproven, at)
    tell_by = _tells(knowledge, alike, sight, _open(evidence, None, knowledge.equipment.rod))
    parts = _parts(knowledge, weighed)
    expected = _predict(knowledge, sight, probe)
    told = telling.told(
        knowledge, dict(evidence), ranked, named, alike, unproven, probe, parts, expected, language, tell_by
    )
    return Assessment(
        ranked=as_said(ranked),
        next_probe=probe,
        next_why=why_next(told),
        sentence=sentence(told),
        ruled_out=_ruled_out(knowledge, of_fault, parts),
        cannot_tell=alike,
        named=named,
        unproven=unproven,
        safety=findings(evidence, knowledge.equipment),
        compulsory=first,
        tell_by=tell_by,
        advice=sayings(language).advice(named) if named and named != HEALTHY else "",
    )


def _best(sight: Sight, left: Mapping[str, Probe], unproven: tuple[str, ...], at: Place | None) -> str | None:
    """The probe to take next: the cheapest of those that must be proven, else the one that tells most for its time."""
    settings = catalog.settings()
    costs = partial(cost, place=at, off_seconds=settings.off_seconds, on_seconds=settings.on_seconds)
    due = [name for name in left if name in unproven]
    if due:
        return due[0] if at is None else min(due, key=lambda name: costs(left[name]))
    found = choose(
        gains(sight, left, costs), catalog.probes(), settings.least_bits, settings.same, partial(left_after, sight), at
    )
    return found.probe if found else None


def _split(evidence: Mapping[str, Evidence], rod: str) -> tuple[dict[str, Shown], dict[str, int]]:
    """The readings, and of what was looked at the place of the answer in probes.yaml."""
    known = {name: one for name, one in catalog.probes().items() if catalog.fits(one, rod)}
    readings: dict[str, Shown] = {}
    seen: dict[str, int] = {}
    for name, one in evidence.items():
        if name not in known:
            raise FlowError(f"There is no probe called '{name}'.", f"Choose one of: {', '.join(known)}.")
        if known[name].proof:
            continue
        if one == NEVER_LIT and name.startswith(CURRENT):
            # No flame, no current to read: the same as a burner that never lit.
            seen[PROVES] = list(known[PROVES].answers).index(NEVER_LIT)
            continue
        if known[name].numeric:
            if not isinstance(one, Measured):
                raise FlowError(f"The answer to '{name}' is of the wrong kind.", "Give a reading for a measured probe.")
            readings[name] = as_shown(name, one)
            continue
        answers = list(known[name].answers)
        # Yes is the first answer, no the second.
        said = answers[0 if one else 1] if isinstance(one, bool) and name in YES_OR_NO else one
        if said not in answers:
            raise FlowError(f"The answer to '{name}' is of the wrong kind.", f"Give one of: {', '.join(answers)}.")
        seen[name] = answers.index(said)
    return readings, seen


def _open(evidence: Mapping[str, Evidence], allowed: Set[str] | None, rod: str) -> dict[str, Probe]:
    """The probes that may be taken now: not taken, not spoilt by one that was, and with those taken that must come
    before.

    Where the rod sparks as well, nothing is asked for that puts the meter in its wire: the maker's instructions say
    when.
    """
    known = catalog.probes()
    spoilt = {other for name in evidence for other in known[name].undoes}
    if NEVER_LIT in evidence.values():
        spoilt |= {name for name, one in known.items() if one.flame or name == PROVES}
    return {
        name: one
        for name, one in known.items()
        if not one.proof
        and catalog.fits(one, rod)
        and not (rod == SPARKS and one.wiring == "series")
        and name not in evidence
        and name not in spoilt
        and set(one.after) <= evidence.keys()
        and (allowed is None or name in allowed)
    }


def _likely(knowledge: Knowledge, of_component: np.ndarray, readings: dict[str, Shown], seen: dict[str, int]) -> Sight:
    """The few components that still matter, with their weights and full moments."""
    order = np.argsort(-of_component, kind="stable")[:MOST_KEPT]
    kept = order[: int(np.searchsorted(np.cumsum(of_component[order]), catalog.settings().keep)) + 1]
    close = knowledge.components.take(kept)
    moments = weigh(close, readings, seen, catalog.settings().odd, keep_all=True)
    return Sight(
        close,
        of_component[kept] / of_component[kept].sum(),
        moments,
        partial(meter_error, knowledge.meter),
        catalog.settings().odd,
    )


def _alike(
    knowledge: Knowledge, ranked: tuple[tuple[str, float], ...], sight: Sight, left: Mapping[str, Probe]
) -> tuple[str, ...]:
    """The likeliest fault with its live rivals, when no open probe tells them apart; else empty."""
    settings = catalog.settings()
    top, chance = ranked[0]
    rivals = [name for name, p in ranked[1 : 1 + RIVALS] if p >= (1 - settings.sure) * chance]
    if not rivals or chance + sum(p for name, p in ranked if name in rivals) < settings.sure:
        return ()
    same = [top, *(rival for rival in rivals if not _told_by(knowledge, (top, rival), sight, left))]
    return tuple(same) if len(same) == 1 + len(rivals) else ()


def _told_by(knowledge: Knowledge, two: Sequence[str], sight: Sight, left: Mapping[str, Probe]) -> list[str]:
    """The probes of `left` that tell two faults apart, the best first."""
    ids = [knowledge.hypotheses.index(name) for name in two]
    rows = np.flatnonzero(np.isin(sight.components.hypothesis, ids))
    # Both get half the weight, so that a rare rival is tested as hard as a common one.
    share = sight.weight[rows].copy()
    for one in ids:
        mine = sight.components.hypothesis[rows] == one
        share[mine] /= max(share[mine].sum(), 1e-300) * 2
    moments = replace(sight.weighed, mean=sight.weighed.mean[rows], variance=sight.weighed.variance[rows])
    told = gains(replace(sight, components=sight.components.take(rows), weight=share, weighed=moments), left)
    return [one.probe for one in sorted(told, key=lambda one: -one.bits) if one.bits >= catalog.settings().alike_bits]


def _tells(knowledge: Knowledge, alike: tuple[str, ...], sight: Sight, anywhere: Mapping[str, Probe]) -> str | None:
    """A probe, in reach or not, that would tell the first two of faults that read alike; None when there is none."""
    return next(iter(_told_by(knowledge, alike[:2], sight, anywhere)), None) if alike else None


def _parts(knowledge: Knowledge, weighed: Weighed) -> dict[str, np.ndarray]:
    """probe -> (H,) log likelihood of its reading under each fault, given the readings before it."""
    faults = len(knowledge.hypotheses)
    log_weight = np.log(knowledge.components.share)
    found = {}
    for name, each in weighed.each.items():
        weight = np.exp(log_weight - log_weight.max())
        found[name] = log_evidence(knowledge.components, weight, each, faults)
        log_weight = log_weight + each
    return found


def _ruled_out(
    knowledge: Knowledge, of_fault: np.ndarray, parts: Mapping[str, np.ndarray]
) -> tuple[tuple[str, str], ...]:
    """Single faults now below the limit, likeliest beforehand first, each with the reading that told most against
    it."""
    if not parts:
        return ()
    present = present_in(zip(knowledge.hypotheses, of_fault, strict=True))
    usual = {probe: float(of_fault @ np.where(of_fault > 0, each, 0.0)) for probe, each in parts.items()}
    found = []
    for h in np.argsort(-knowledge.prior, kind="stable"):
        name = knowledge.hypotheses[h]
        if len(catalog.parts(name)) > 1 or present.get(name, 0.0) >= catalog.settings().out:
            continue
        against = {probe: float(each[h]) - usual[probe] for probe, each in parts.items()}
        probe = min(against, key=lambda one: against[one])
        if against[probe] < -catalog.settings().against:
            found.append((name, probe))
    return tuple(found)


def _predict(knowledge: Knowledge, sight: Sight, probe: str | None) -> dict[str, float]:
    """Fault -> the value (SI, inf for over the limit) that `probe` will most likely show; likely faults only."""
    parts = sight.components
    if probe not in parts.probes:
        return {}
    k = parts.probes.index(probe)
    middle = sight.weighed.mean[:, sight.weighed.axes.index(k)]
    found = {}
    for h in np.unique(parts.hypothesis):
        mine = np.where(parts.hypothesis == h, sight.weight, 0.0)
        mine = mine / max(mine.sum(), 1e-300)
        value = max(float(np.sinh(mine @ middle) * parts.scale[k]), 0.0)
        found[knowledge.hypotheses[h]] = float("inf") if mine @ parts.over[:, k] > 0.5 else value
    return found
