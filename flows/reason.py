"""From readings to ranked faults, the next best probe and one spoken sentence.

`assess` is a pure function of the evidence and of `Knowledge`, which
`reason_build.build_knowledge` makes once for an equipment family and a meter
(`reason_store.knowledge` keeps it on disk).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from flows import reason_words
from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.catalog import HEALTHY, Probe
from flows.measure import Measured
from flows.reason_errors import meter_error
from flows.reason_knowledge import Knowledge, as_shown, chance_if_healthy
from flows.reason_mixture import Shown, Weighed, log_evidence, posterior, weigh
from flows.reason_next import Gain, Sight, choose, gains, left_after

Evidence = Measured | bool
MOST_KEPT = 420
RIVALS = 3
PROVES = "board_proves_flame"
AGAINST = -1.0
"""A reading rules a fault out when it is less than e^-1 as likely under it as under what is now believed."""


@dataclass(frozen=True)
class Assessment:
    """What the readings so far say.

    ranked: every fault and pair with its probability, likeliest first, summing to 1.
    next_probe: the probe to take next, None when enough is known or nothing
    more would tell. next_why: one spoken sentence why.
    sentence: one or two short spoken sentences: which readings speak for the
    likeliest fault and what would change the answer.
    ruled_out: single faults now very unlikely, each with the probe that did most to rule it out.
    cannot_tell: faults that read the same under every probe still allowed (empty or two and more).
    confident: the answer is sure enough to act on. named: that fault or pair, else None;
    never the board before all that feeds it is proven. unproven: the probes that stand between.
    """

    ranked: tuple[tuple[str, float], ...]
    next_probe: str | None
    next_why: str
    sentence: str
    ruled_out: tuple[tuple[str, str], ...]
    cannot_tell: tuple[str, ...]
    confident: bool
    named: str | None = None
    unproven: tuple[str, ...] = ()


def assess(evidence: Mapping[str, Evidence], knowledge: Knowledge, allowed: Set[str] | None = None, language: str = "en") -> Assessment:
    """The assessment of the evidence: probe id -> Measured, or bool for board_proves_flame.

    allowed: the probes that may still be taken, all by default. language: of the
    sentences. Safety proofs in the evidence are passed over. Raises FlowError for
    a probe or a kind of answer not known here.
    """
    settings = catalog.settings()
    readings, proves = _split(evidence)
    weighed = weigh(knowledge.components, readings, proves, settings.odd)
    of_component, of_fault = posterior(knowledge.components, knowledge.prior, weighed)
    order = np.argsort(-of_fault, kind="stable")
    ranked = tuple((knowledge.hypotheses[h], float(of_fault[h])) for h in order)
    left = _open(evidence, allowed)
    sight = _likely(knowledge, of_component, readings, proves)
    named, unproven = _name(knowledge, ranked, readings)
    alike = () if named or unproven else _alike(knowledge, ranked, sight, left)
    best = None if named or alike else _best(sight, left, unproven)
    probe = best.probe if best else None
    parts = _parts(knowledge, weighed)
    expected = _predict(knowledge, sight, probe)
    told = reason_words.Told(knowledge, dict(evidence), ranked, named, alike, unproven, probe, parts, expected, language)
    return Assessment(
        ranked=ranked,
        next_probe=probe,
        next_why=reason_words.why_next(told),
        sentence=reason_words.sentence(told),
        ruled_out=_ruled_out(knowledge, of_fault, parts),
        cannot_tell=alike,
        confident=named is not None,
        named=named,
        unproven=unproven,
    )


def _best(sight: Sight, left: Mapping[str, Probe], unproven: tuple[str, ...]) -> Gain | None:
    """The probe to take next: the first of those that must be proven, else the one that tells most for its time."""
    settings = catalog.settings()
    due = next((name for name in left if name in unproven), None)
    if due:
        return gains(sight, {due: left[due]})[0]
    return choose(gains(sight, left), catalog.probes(), settings.least_bits, settings.same, partial(left_after, sight))


def expected_gains(evidence: Mapping[str, Evidence], knowledge: Knowledge, allowed: Set[str] | None = None) -> list[Gain]:
    """The expected information of every probe still open, most bits first."""
    readings, proves = _split(evidence)
    weighed = weigh(knowledge.components, readings, proves, catalog.settings().odd)
    of_component, _ = posterior(knowledge.components, knowledge.prior, weighed)
    found = gains(_likely(knowledge, of_component, readings, proves), _open(evidence, allowed))
    return sorted(found, key=lambda one: -one.bits)


def _split(evidence: Mapping[str, Evidence]) -> tuple[dict[str, Shown], bool | None]:
    known = catalog.probes()
    readings: dict[str, Shown] = {}
    proves = None
    for name, one in evidence.items():
        if name not in known:
            raise FlowError(f"There is no probe called '{name}'.", f"Choose one of: {', '.join(known)}.")
        if known[name].proof:
            continue
        if isinstance(one, bool) != (known[name].quantity == "yes_no"):
            raise FlowError(f"The answer to '{name}' is of the wrong kind.", "Give a reading for a measured probe and yes or no for the flame.")
        if isinstance(one, bool):
            proves = one
        else:
            readings[name] = as_shown(name, one)
    return readings, proves


def _open(evidence: Mapping[str, Evidence], allowed: Set[str] | None) -> dict[str, Probe]:
    return {name: p for name, p in catalog.probes().items() if not p.proof and name not in evidence and (allowed is None or name in allowed)}


def _likely(knowledge: Knowledge, of_component: np.ndarray, readings: dict[str, Shown], proves: bool | None) -> Sight:
    """The few components that still matter, with their weights and full moments."""
    order = np.argsort(-of_component, kind="stable")[:MOST_KEPT]
    kept = order[: int(np.searchsorted(np.cumsum(of_component[order]), catalog.settings().keep)) + 1]
    close = knowledge.components.take(kept)
    moments = weigh(close, readings, proves, catalog.settings().odd, keep_all=True)
    return Sight(close, of_component[kept] / of_component[kept].sum(), moments, partial(meter_error, knowledge.meter), catalog.settings().odd)


def _name(knowledge: Knowledge, ranked: tuple[tuple[str, float], ...], readings: Mapping[str, Shown]) -> tuple[str | None, tuple[str, ...]]:
    """The fault that may be named, and the probes that stand between a likely board and its name."""
    settings = catalog.settings()
    top, chance = ranked[0]
    # Faults that are mended the same way need not be told apart before acting.
    same_repair = sum(p for name, p in ranked if repair(name) == repair(top))
    candidates = [top] if max(chance, same_repair) >= settings.sure else []
    present = _present(ranked)
    candidates += [one for one in catalog.parts(top) if one != HEALTHY and present[one] >= settings.present]
    blocked: tuple[str, ...] = ()
    for name in candidates:
        missing = tuple(dict.fromkeys(probe for one in catalog.parts(name) for probe in _not_proven(knowledge, one, readings)))
        if not missing:
            return name, ()
        blocked = blocked or missing
    return None, blocked


@lru_cache(maxsize=4096)
def repair(name: str) -> tuple[str, ...]:
    """What would be done about a fault or pair; equal for faults that are mended the same way."""
    return tuple(sorted({catalog.fault(one).next for one in catalog.parts(name)}))


def _not_proven(knowledge: Knowledge, fault: str, readings: Mapping[str, Shown]) -> list[str]:
    """Of the probes that must read as on a healthy furnace first, those not taken or not so."""
    usual = catalog.settings().usual
    return [probe for probe in catalog.fault(fault).needs if probe not in readings or chance_if_healthy(knowledge, probe, readings[probe]) < usual]


def _alike(knowledge: Knowledge, ranked: tuple[tuple[str, float], ...], sight: Sight, left: Mapping[str, Probe]) -> tuple[str, ...]:
    """The likeliest fault with its live rivals, when no open probe tells them apart; else empty."""
    settings = catalog.settings()
    top, chance = ranked[0]
    rivals = [name for name, p in ranked[1 : 1 + RIVALS] if p >= (1 - settings.sure) * chance]
    if not rivals or chance + sum(p for name, p in ranked if name in rivals) < settings.sure:
        return ()
    same = [top]
    for rival in rivals:
        ids = [knowledge.hypotheses.index(name) for name in (top, rival)]
        rows = np.flatnonzero(np.isin(sight.components.hypothesis, ids))
        # Both get half the weight, so that a rare rival is tested as hard as a common one.
        share = sight.weight[rows].copy()
        for one in ids:
            mine = sight.components.hypothesis[rows] == one
            share[mine] /= max(share[mine].sum(), 1e-300) * 2
        moments = replace(sight.weighed, mean=sight.weighed.mean[rows], cov=sight.weighed.cov[rows])
        told = gains(replace(sight, components=sight.components.take(rows), weight=share, weighed=moments), left)
        if all(one.bits < settings.alike_bits for one in told):
            same.append(rival)
    return tuple(same) if len(same) == 1 + len(rivals) else ()


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


def _ruled_out(knowledge: Knowledge, of_fault: np.ndarray, parts: Mapping[str, np.ndarray]) -> tuple[tuple[str, str], ...]:
    """Single faults now below the limit, likeliest beforehand first, each with the reading that told most against it."""
    if not parts:
        return ()
    present = _present(zip(knowledge.hypotheses, of_fault, strict=True))
    usual = {probe: float(of_fault @ np.where(of_fault > 0, each, 0.0)) for probe, each in parts.items()}
    found = []
    for h in np.argsort(-knowledge.prior, kind="stable"):
        name = knowledge.hypotheses[h]
        if len(catalog.parts(name)) > 1 or present[name] >= catalog.settings().out:
            continue
        against = {probe: float(each[h]) - usual[probe] for probe, each in parts.items()}
        probe = min(against, key=lambda one: against[one])
        if against[probe] < AGAINST:
            found.append((name, probe))
    return tuple(found)


def _present(ranked: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Single fault -> the chance that it stands, alone or in a pair."""
    found: dict[str, float] = {}
    for name, chance in ranked:
        for one in catalog.parts(name):
            found[one] = found.get(one, 0.0) + float(chance)
    return found


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
