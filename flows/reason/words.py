"""What the reasoner says of an assessment; the words themselves are in faults/words.yaml and its translations."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.faults.sayings import Sayings, sayings
from flows.judge.measured import Measured
from flows.reason.knowledge import Knowledge, as_shown, chance_if_healthy
from flows.reason.mixture import PROVES
from flows.reason.safety import compulsory

SPEAKS = 0.7
"""A reading is named when it makes the fault at least e^0.7, that is twice, as likely."""

TOO_SOON = 0.35
"""Below this probability even the likeliest fault is not spoken of."""

FAR = 1e9
"""Ω that stand for over limit when halfway to it is asked."""


@dataclass(frozen=True)
class Told:
    """All that a sentence may speak of.

    parts: probe -> (H,) log likelihood of its reading under each fault.
    expected: likely fault -> SI value to be expected of the next probe.
    """

    knowledge: Knowledge
    evidence: Mapping[str, Measured | bool | str]
    ranked: tuple[tuple[str, float], ...]
    named: str | None
    alike: tuple[str, ...]
    unproven: tuple[str, ...]
    next_probe: str | None
    parts: Mapping[str, np.ndarray]
    expected: Mapping[str, float]
    language: str = "en"
    tell_by: str | None = None

    @property
    def words(self) -> Sayings:
        return sayings(self.language)


def sentence(told: Told) -> str:
    """Which readings speak for the likeliest fault and what would change the answer, to be spoken."""
    words = told.words
    if not told.parts:
        return (
            words.line("nothing", probe=words.probe(told.next_probe)) if told.next_probe else words.line("nothing_left")
        )
    top = told.named or told.ranked[0][0]
    if told.named == HEALTHY:
        return _healthy(told)
    if told.alike:
        look = next((found for name in told.alike if (found := words.look(name))), words.line("tell_swap"))
        if told.tell_by:
            look = words.line("tell_probe", probe=words.probe(told.tell_by))
        return words.line(
            "alike", faults=words.joined([words.fault(name) for name in told.alike], "or"), look=look
        ).strip()
    if told.unproven:
        return words.line(
            "unproven", fault=words.fault(top), probes=words.joined([words.probe(one) for one in told.unproven[:2]])
        )
    rival = next((name for name, _ in told.ranked if name != top and top not in catalog.parts(name)), HEALTHY)
    speaks = _speaks(told, top)
    if told.named:
        key = "named_pair" if len(catalog.parts(top)) > 1 else "named"
        return " ".join((words.line(key, fault=words.fault(top), speaks=speaks).strip(), _change(told, top))).strip()
    if told.ranked[0][1] < TOO_SOON:
        return words.line("soon")
    if top == HEALTHY:
        return " ".join((words.line("likely_healthy"), _change(told, top))).strip()
    key = "open" if rival != HEALTHY and dict(told.ranked)[rival] > 0.25 * dict(told.ranked)[top] else "likely"
    return " ".join(
        (words.line(key, fault=words.fault(top), rival=words.fault(rival), speaks=speaks).strip(), _change(told, top))
    ).strip()


def why_next(told: Told) -> str:
    """Why the next probe, or why none, to be spoken."""
    words, probe = told.words, told.next_probe
    if probe is None:
        if told.named:
            return words.line("why_done")
        if told.unproven:
            return words.line("why_again", probes=words.joined([words.probe(one) for one in told.unproven[:2]]))
        return words.line("why_no_more")
    if probe in told.unproven:
        return words.line("why_prove", probe=words.probe(probe))
    if probe in compulsory():
        return words.line("why_first", probe=words.probe(probe))
    if probe == PROVES:
        return words.line("why_watch")
    if probe in told.knowledge.components.looks:
        return words.line("why_look", probe=words.probe(probe))
    top = told.ranked[0][0]
    rival = _separated(told, top, probe)
    if told.parts and rival and dict(told.ranked)[rival] > 0.1:
        if HEALTHY in (top, rival):
            return words.line("why_if", probe=words.probe(probe), fault=words.fault(rival if top == HEALTHY else top))
        return words.line("why_between", probe=words.probe(probe), fault=words.fault(top), rival=words.fault(rival))
    return words.line("why_best" if catalog.probes()[probe].live else "why_dead", probe=words.probe(probe))


def spoken_value(value: float, quantity: str, words: Sayings) -> str:
    """A value (SI) to be spoken, with its unit: three figures at most, "over limit" for infinity."""
    if math.isinf(value):
        return words.line("over")
    if quantity == "dc_amps":
        return _said("microamps", value * 1e6, words)
    if quantity == "ac_volts":
        return _said("volts", value, words)
    if value >= 1e6:
        return _said("megohms", value / 1e6, words)
    return _said("kilohms", value / 1e3, words) if value >= 1e3 else _said("ohms", value, words)


def _said(unit: str, value: float, words: Sayings) -> str:
    size = abs(value)
    n = f"{value:.0f}" if size >= 20 else f"{round(value, 1):g}"
    return words.line(unit if n != "1" else f"one_{unit}", n=n)


def _healthy(told: Told) -> str:
    words, usual = told.words, catalog.settings().usual
    for name, one in told.evidence.items():
        if (
            name in told.parts
            and isinstance(one, Measured)
            and chance_if_healthy(told.knowledge, name, as_shown(name, one)) < usual
        ):
            return words.line("healthy_odd", probe=words.probe(name))
    return " ".join((words.line("healthy"), words.line("change_none")))


def _speaks(told: Told, top: str) -> str:
    words = told.words
    ids = told.knowledge.hypotheses
    support = _support(told, ids.index(top))
    best = sorted((name for name in support if support[name] > SPEAKS), key=lambda name: -support[name])[:2]
    said = [_shown(told, name) for name in best]
    if not said:
        return ""
    text = words.line("speaks_one", a=said[0]) if len(said) == 1 else words.line("speaks_two", a=said[0], b=said[1])
    return text[0].upper() + text[1:]


def _shown(told: Told, probe: str) -> str:
    words, one = told.words, told.evidence.get(probe, "never_lit")
    if not isinstance(one, Measured):
        answers = list(catalog.probes()[probe].answers)
        return words.line(answers[0 if one else 1] if isinstance(one, bool) else one)
    value = math.inf if one.over_limit else one.value
    return words.line("at", probe=words.probe(probe), value=spoken_value(value, one.quantity, words))


def _change(told: Told, top: str) -> str:
    """What would change the answer: a value of the next probe, or only a wrong reading."""
    words, probe = told.words, told.next_probe
    if probe:
        rival = _separated(told, top, probe)
        if rival:
            edge, key = _edge(told, top, rival, probe)
            value = spoken_value(edge, catalog.probes()[probe].quantity, words)
            return words.line(key, probe=words.probe(probe), value=value, rival=words.fault(rival))
        return ""
    again = _key_reading(told, top)
    return " ".join(
        (words.line("change_none"), words.line("change_again", probe=words.probe(again)) if again else "")
    ).strip()


def _key_reading(told: Told, top: str) -> str | None:
    ids = told.knowledge.hypotheses
    support = {
        name: one for name, one in _support(told, ids.index(top)).items() if name not in told.knowledge.components.looks
    }
    return max(support, key=lambda name: support[name]) if support and max(support.values()) > SPEAKS else None


def _support(told: Told, h: int) -> dict[str, float]:
    """probe -> log of how much likelier its reading is under fault h than under all the others."""
    others = told.knowledge.prior.copy()
    others[h] = 0.0
    others /= others.sum()
    return {
        name: float(each[h] - each.max() - np.log(others @ np.exp(each - each.max())))
        for name, each in told.parts.items()
    }


def _edge(told: Told, top: str, rival: str, probe: str) -> tuple[float, str]:
    """The value (SI) halfway between two faults on the stretched scale, and the line to say it with."""
    scale = catalog.probes()[probe].scale
    mine, other = (min(told.expected[name], FAR) for name in (top, rival))
    edge = math.sinh((math.asinh(mine / scale) + math.asinh(other / scale)) / 2) * scale
    return edge, "change_above" if other > mine else "change_below"


def _separated(told: Told, top: str, probe: str) -> str | None:
    """The likeliest rival whose reading of `probe` should stand clear of the top fault's."""
    if probe in told.knowledge.components.looks or top not in told.expected:
        return None
    scale = catalog.probes()[probe].scale
    mine = math.asinh(told.expected[top] / scale)
    for name, chance in told.ranked:
        if name == top or top in catalog.parts(name) or name not in told.expected or chance < 0.005:
            continue
        other = math.asinh(told.expected[name] / scale)
        if (math.isinf(mine) != math.isinf(other)) or abs(mine - other) > 0.25:
            return name
    return None
