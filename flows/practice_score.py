"""How a trainee did on a practice furnace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from flows.circuit.probes import read
from flows.faults import catalog
from flows.faults.display import as_measured, display
from flows.faults.lessons import lessons
from flows.practice import PracticeFurnace, is_same
from flows.reason import Assessment, Evidence, assess
from flows.reason_knowledge import Knowledge

Mark = Literal["right", "partly", "alike", "wrong"]
MOST = 24
WASTEFUL = 2.0
"""Readings over the fewest needed from which a better order is what to learn next (invented)."""


@dataclass(frozen=True)
class Score:
    """mark: right, partly (one of two faults), alike (a meter cannot tell it from the truth) or wrong.

    taken: readings made, dead proofs left out. fewest: readings the reasoner
    needs on the same furnace with the same meter. learn: what to learn next, most urgent first.
    text: the whole to be spoken.
    """

    truth: str
    mark: Mark
    taken: int
    fewest: int
    slips: tuple[str, ...]
    learn: tuple[str, ...]
    text: str


def score(p: PracticeFurnace, answer: str, knowledge: Knowledge, rng: np.random.Generator) -> Score:
    """The score of `answer` (fault id or pair). rng: for the readings that the reasoner takes. Raises FlowError for an unknown fault."""
    for one in catalog.parts(answer):
        catalog.fault(one)
    fewest, last = greedy(p, knowledge, rng)
    mark = _mark(p.hidden, answer, last)
    taken = sum(1 for one in p.taken if not one.what.startswith("dead_"))
    learn = _learn(p, mark, taken, fewest)
    lines = lessons().lines
    text = [lines[mark].format(truth=catalog.spoken_name(p.hidden)), lines["readings"].format(taken=taken, fewest=fewest)]
    text.append(lines["no_slips"] if not p.slips else lines["slip"] if len(p.slips) == 1 else lines["slips"].format(count=len(p.slips)))
    return Score(p.hidden, mark, taken, fewest, p.slips, learn, " ".join((*text, *learn[:1])))


def greedy(p: PracticeFurnace, knowledge: Knowledge, rng: np.random.Generator) -> tuple[int, Assessment]:
    """Readings that the reasoner takes on this furnace until it asks for no more, and its last assessment."""
    evidence: dict[str, Evidence] = {}
    said = assess(evidence, knowledge)
    while said.next_probe and len(evidence) < MOST:
        probe = said.next_probe
        value = read(p.circuit, probe)[0]
        quantity = catalog.probes()[probe].quantity
        evidence[probe] = bool(value) if quantity == "yes_no" else as_measured(display(float(value), quantity, p.meter, rng), quantity, p.meter.meter)
        said = assess(evidence, knowledge)
    return len(evidence), said


def _mark(truth: str, answer: str, last: Assessment) -> Mark:
    if is_same(truth, answer):
        return "right"
    if any(is_same(truth, one) for one in last.cannot_tell) and any(is_same(answer, one) for one in last.cannot_tell):
        return "alike"
    return "partly" if set(catalog.parts(truth)) & set(catalog.parts(answer)) else "wrong"


def _learn(p: PracticeFurnace, mark: Mark, taken: int, fewest: int) -> tuple[str, ...]:
    book = lessons()
    found = [book.slips[one].learn for one in dict.fromkeys(p.slips)]
    if mark in ("wrong", "partly"):
        found += [catalog.fault(one).learn for one in catalog.parts(p.hidden) if catalog.fault(one).learn]
    if taken > WASTEFUL * max(fewest, 1):
        found.append(book.lines["learn_order"])
    return tuple(dict.fromkeys(found))
