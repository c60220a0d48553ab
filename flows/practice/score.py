"""How a trainee did on a practice furnace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from flows.circuit import probes as table
from flows.circuit.probes import read
from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.faults.display import as_measured, display
from flows.faults.lessons import lessons
from flows.practice.drawn import is_same
from flows.practice.furnace import PracticeFurnace
from flows.practice.proof import proofs
from flows.reason.assess import Assessment, Evidence, assess
from flows.reason.knowledge import Knowledge
from flows.reason.mixture import PROVES
from flows.reason.next import Place, moved_to

Mark = Literal["right", "partly", "alike", "wrong"]
MOST = 24
GUIDED = 10
"""The last place in the fixed order that is a guided step."""
DEAD_PROOF = sum(not one.live for one in proofs().steps)
"""Readings at the furnace that prove it dead; those on a live part outside it are not counted."""
BY_SUPPLY = frozenset({"supply_low", "supply_high"})
"""Faults that are what the supply reads, and nothing else: none at all while it is within its limits."""
WASTEFUL = 2.0
"""Readings over the fewest needed from which a better order is what to learn next (invented)."""


@dataclass(frozen=True)
class Score:
    """mark: right, partly (one of two faults), alike (a meter cannot tell it from the truth) or wrong.

    mild: the fault is so slight that every reading passes its limit, or a supply fault whose supply does, so that
    "no fault" is right as well.
    taken: readings made, those of the dead proof with them. fewest: readings the reasoner
    needs on the same furnace with the same meter, its own dead proofs with them. slips: each kind once. learn: what
    to learn next, most urgent first.
    text: the whole to be spoken.
    """

    truth: str
    mark: Mark
    taken: int
    fewest: int
    slips: tuple[str, ...]
    learn: tuple[str, ...]
    text: str
    mild: bool = False


def score(p: PracticeFurnace, answer: str, knowledge: Knowledge, rng: np.random.Generator) -> Score:
    """The score of `answer` (fault id or pair). rng: for the readings that the reasoner takes. Raises FlowError for
    an unknown fault."""
    for one in catalog.parts(answer):
        catalog.fault(one)
    fewest, last = greedy(p, knowledge, rng)
    slight = "mild" if passes(p) else "mild_supply" if p.hidden in BY_SUPPLY and supply_passes(p) else ""
    mild = p.hidden != HEALTHY and answer == HEALTHY and bool(slight)
    mark: Mark = "right" if mild else _mark(p.hidden, answer, last)
    taken = len(p.taken)
    slips = tuple(dict.fromkeys(p.slips))
    learn = _learn(p, mark, taken, fewest)
    lines = lessons().lines
    text = [
        lines[slight if mild else mark].format(truth=catalog.spoken_name(p.hidden)),
        lines["readings"].format(taken=taken, fewest=fewest),
        told_slips(slips),
    ]
    return Score(p.hidden, mark, taken, fewest, slips, learn, " ".join((*text, *learn[:1])), mild)


def told_slips(slips: tuple[str, ...]) -> str:
    """What is said of the mistakes that were stopped: how many kinds, and what was unsafe."""
    book = lessons()
    if not slips:
        return book.lines["no_slips"]
    unsafe = ", and ".join(book.slips[one].unsafe for one in slips)
    return book.lines["slip" if len(slips) == 1 else "slips"].format(count=len(slips), unsafe=unsafe)


def supply_passes(p: PracticeFurnace) -> bool:
    """Whether the supply, free of the meter's error, is within the family's limits."""
    limit = p.equipment.limits
    return limit["supply_low"].value <= float(read(p.circuit, "supply_hot_neutral")[0]) <= limit["supply_high"].value


def passes(p: PracticeFurnace) -> bool:
    """Whether every guided reading of the furnace, free of the meter's error, is within the family's limits."""
    found = {
        name: float(read(p.circuit, name)[0])
        for name, one in catalog.probes().items()
        if one.order is not None and one.order <= GUIDED
    }
    limit = {name: one.value for name, one in p.equipment.limits.items()}
    supply, low = found["supply_hot_neutral"], found["secondary_r_c"]
    due = supply / p.equipment.turns_ratio
    return (
        supply_passes(p)
        and abs(found["supply_hot_ground"] - supply) <= limit["line_to_ground_share"] * supply
        and found["supply_neutral_ground"] <= limit["neutral_to_ground"]
        and abs(low - due) <= limit["secondary_share"] * due
        and abs(found["line_to_r"] - (supply - low)) < abs(found["line_to_r"] - (supply + low))
        and limit["rod_low"] <= found["rod_to_ground"] <= limit["rod_high"]
        and found["leads_together"] <= limit["lead_zero_max"]
        and found["ground_path"] - found["leads_together"] <= limit["ground_path_look"]
        and found["flame_current"] >= limit["flame_sound"]
        and bool(found[PROVES])
    )


def greedy(p: PracticeFurnace, knowledge: Knowledge, rng: np.random.Generator) -> tuple[int, Assessment]:
    """Readings that the reasoner takes on this furnace until it asks for no more, dead proofs with them, and its last
    assessment.

    It takes only what a trainee can take here: nothing is looked at, and the rod is not cleaned.
    """
    can = {name for name, one in table.table().items() if one.as_if in table.TOUCHED and name in catalog.probes()}
    evidence: dict[str, Evidence] = {}
    place, proofs = Place(), 0
    said = assess(evidence, knowledge, can, at=place)
    while said.next_probe and len(evidence) < MOST:
        probe = said.next_probe
        place, off, _ = moved_to(place, catalog.probes()[probe])
        proofs += DEAD_PROOF * off
        value = read(p.circuit, probe)[0]
        quantity = catalog.probes()[probe].quantity
        evidence[probe] = (
            bool(value)
            if quantity == "yes_no"
            else as_measured(display(float(value), quantity, p.meter, rng), quantity, p.meter.meter)
        )
        said = assess(evidence, knowledge, can, at=place)
    return len(evidence) + proofs, said


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
