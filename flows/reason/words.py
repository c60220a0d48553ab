"""The sentences about an assessment; the words themselves are in faults/words.yaml and its translations."""

from __future__ import annotations

import math

from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.faults.sayings import Sayings, sayings
from flows.judge.measured import Measured
from flows.reason.mixture import PROVES
from flows.reason.safety import compulsory
from flows.reason.telling import Told


def sentence(told: Told) -> str:
    """Which readings speak for the likeliest fault and what would change the answer, to be spoken."""
    words, top = sayings(told.language), told.top
    if not told.begun:
        return (
            words.line("nothing", probe=words.probe(told.next_probe)) if told.next_probe else words.line("nothing_left")
        )
    if told.named == HEALTHY:
        if told.odd:
            return words.line("healthy_odd", probe=words.probe(told.odd))
        return " ".join((words.line("healthy"), words.line("change_none")))
    if told.alike:
        look = next((found for name in told.alike if (found := words.look(name))), words.line("tell_swap"))
        if told.tell_by:
            look = words.line("tell_probe", probe=words.probe(told.tell_by))
        faults = words.joined([words.fault(name) for name in told.alike], "or")
        return words.line("alike", faults=faults, look=look).strip()
    if told.unproven:
        probes = words.joined([words.probe(one) for one in told.unproven[:2]])
        return words.line("unproven", fault=words.fault(top), probes=probes)
    speaks = _speaks(told, words)
    if told.named:
        key = "named_pair" if len(catalog.parts(top)) > 1 else "named"
        return _after(words.line(key, fault=words.fault(top), speaks=speaks), _change(told, words))
    if told.too_soon:
        return words.line("soon")
    if top == HEALTHY:
        return _after(words.line("likely_healthy"), _change(told, words))
    key = "open" if told.contested else "likely"
    said = words.line(key, fault=words.fault(top), rival=words.fault(told.rival), speaks=speaks)
    return _after(said, _change(told, words))


def why_next(told: Told) -> str:
    """Why the next probe, or why none, to be spoken."""
    words, probe = sayings(told.language), told.next_probe
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
    if not catalog.probes()[probe].numeric:
        return words.line("why_look", probe=words.probe(probe))
    if told.between:
        top, rival = told.likeliest, told.between
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


def _after(said: str, change: str) -> str:
    return " ".join((said.strip(), change)).strip()


def _speaks(told: Told, words: Sayings) -> str:
    said = [_shown(told, name, words) for name in told.speaks[:2]]
    if not said:
        return ""
    text = words.line("speaks_one", a=said[0]) if len(said) == 1 else words.line("speaks_two", a=said[0], b=said[1])
    return text[0].upper() + text[1:]


def _shown(told: Told, probe: str, words: Sayings) -> str:
    one = told.evidence.get(probe, "never_lit")
    if not isinstance(one, Measured):
        answers = list(catalog.probes()[probe].answers)
        return words.line(answers[0 if one else 1] if isinstance(one, bool) else one)
    value = math.inf if one.over_limit else one.value
    return words.line("at", probe=words.probe(probe), value=spoken_value(value, one.quantity, words))


def _change(told: Told, words: Sayings) -> str:
    """What would change the answer: a value of the next probe, or only a wrong reading."""
    if told.next_probe and told.edge:
        value = spoken_value(told.edge.value, catalog.probes()[told.next_probe].quantity, words)
        key = "change_above" if told.edge.above else "change_below"
        return words.line(key, probe=words.probe(told.next_probe), value=value, rival=words.fault(told.edge.rival))
    if told.next_probe:
        return ""
    again = words.line("change_again", probe=words.probe(told.again)) if told.again else ""
    return _after(words.line("change_none"), again)
