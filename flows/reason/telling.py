"""What is worth telling of an assessment: which readings speak for it, who is the rival, what would change the answer.

It decides; `flows.reason.words` only words it. The thresholds stand in faults/settings.yaml.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.judge.measured import Measured
from flows.reason.knowledge import Knowledge, as_shown, chance_if_healthy

FAR = 1e9
"""Ω that stand for over limit when halfway to it is asked."""


@dataclass(frozen=True)
class Edge:
    """Halfway between two faults on a probe: value in SI; above: whether the rival lies above it."""

    rival: str
    value: float
    above: bool


@dataclass(frozen=True)
class Told:
    """All that a sentence may speak of.

    top: the fault spoken of, named or else the likeliest. rival: the likeliest one besides it. contested: the rival
    is near.
    begun: whether anything was read yet. too_soon: even the likeliest is too unlikely to be spoken of.
    odd: a reading that a healthy furnace seldom gives. speaks: readings that speak for the fault, strongest first.
    again: the reading that would have to be wrong. edge: where the next probe would turn the answer, None when nowhere.
    between: the rival that is worth telling as the reason for the next probe.
    """

    evidence: Mapping[str, Measured | bool | str]
    top: str
    likeliest: str
    rival: str
    named: str | None
    alike: tuple[str, ...]
    unproven: tuple[str, ...]
    next_probe: str | None
    tell_by: str | None
    begun: bool
    too_soon: bool
    contested: bool
    odd: str | None
    speaks: tuple[str, ...]
    again: str | None
    edge: Edge | None
    between: str | None
    language: str


def told(
    knowledge: Knowledge,
    evidence: Mapping[str, Measured | bool | str],
    ranked: tuple[tuple[str, float], ...],
    named: str | None,
    alike: tuple[str, ...],
    unproven: tuple[str, ...],
    probe: str | None,
    parts: Mapping[str, np.ndarray],
    expected: Mapping[str, float],
    language: str,
    tell_by: str | None,
) -> Told:
    """What to tell.

    parts: probe -> (H,) log likelihood of its reading under each fault.
    expected: likely fault -> SI value to be expected of the next probe.
    """
    settings, chances = catalog.settings(), dict(ranked)
    likeliest, chance = ranked[0]
    top = named or likeliest
    rival = next((name for name, _ in ranked if name != top and top not in catalog.parts(name)), HEALTHY)
    support = _support(knowledge, parts, top)
    strong = sorted((name for name in support if support[name] > settings.speaks), key=lambda name: -support[name])
    readings = [name for name in strong if name not in knowledge.components.looks]
    edge = _edge(knowledge, ranked, top, probe, expected)
    # A named fault may stand behind another in the ranking of single faults; the next probe is told for the likeliest.
    reason = edge if likeliest == top else _edge(knowledge, ranked, likeliest, probe, expected)
    return Told(
        evidence=evidence,
        top=top,
        likeliest=likeliest,
        rival=rival,
        named=named,
        alike=alike,
        unproven=unproven,
        next_probe=probe,
        tell_by=tell_by,
        begun=bool(parts),
        too_soon=chance < settings.too_soon,
        contested=rival != HEALTHY and chances[rival] > settings.contested * chances[top],
        odd=_odd(knowledge, evidence, parts),
        speaks=tuple(strong),
        again=readings[0] if readings else None,
        edge=edge,
        between=reason.rival if parts and reason and chances[reason.rival] > settings.between else None,
        language=language,
    )


def _odd(
    knowledge: Knowledge, evidence: Mapping[str, Measured | bool | str], parts: Mapping[str, np.ndarray]
) -> str | None:
    usual = catalog.settings().usual
    for name, one in evidence.items():
        if not isinstance(one, Measured) or name not in parts:
            continue
        if chance_if_healthy(knowledge, name, as_shown(name, one)) < usual:
            return name
    return None


def _support(knowledge: Knowledge, parts: Mapping[str, np.ndarray], top: str) -> dict[str, float]:
    """probe -> log of how much likelier its reading is under the fault than under all the others."""
    h = knowledge.hypotheses.index(top)
    others = knowledge.prior.copy()
    others[h] = 0.0
    others /= others.sum()
    return {
        name: float(each[h] - each.max() - np.log(others @ np.exp(each - each.max()))) for name, each in parts.items()
    }


def _edge(
    knowledge: Knowledge,
    ranked: tuple[tuple[str, float], ...],
    top: str,
    probe: str | None,
    expected: Mapping[str, float],
) -> Edge | None:
    """Halfway, on the stretched scale, to the likeliest rival whose reading of `probe` should stand clear of the
    top's."""
    settings = catalog.settings()
    if probe is None or probe in knowledge.components.looks or top not in expected:
        return None
    scale = catalog.probes()[probe].scale
    mine = math.asinh(expected[top] / scale)
    for name, chance in ranked:
        if name == top or top in catalog.parts(name) or name not in expected or chance < settings.rival:
            continue
        other = math.asinh(expected[name] / scale)
        if (math.isinf(mine) != math.isinf(other)) or abs(mine - other) > settings.apart:
            ours, theirs = (min(expected[one], FAR) for one in (top, name))
            value = math.sinh((math.asinh(ours / scale) + math.asinh(theirs / scale)) / 2) * scale
            return Edge(name, value, theirs > ours)
    return None
