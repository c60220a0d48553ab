"""Furnaces with hidden faults for the reasoning bench, and the diagnosticians that are compared on them."""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flows.circuit import insides
from flows.circuit.furnace import Furnace
from flows.circuit.probes import read_many
from flows.faults import catalog
from flows.faults.display import Specimen, as_measured, display, specimen
from flows.faults.draws import answer_chances, around, healthy, with_fault
from flows.judge.profiles import Equipment, Meter
from flows.reason.assess import Evidence, assess
from flows.reason.knowledge import Knowledge
from flows.reason.next import Place, moved_to

PROVES = "board_proves_flame"
MOST = 24
GUIDED = 10
"""The last place in the fixed order that is a guided step."""


@dataclass(frozen=True)
class Case:
    """One furnace: its true fault (or pair) and what each probe would display once (SI), or what is seen."""

    truth: str
    severity: tuple[float, ...]
    shown: Mapping[str, float | bool | str]


@dataclass(frozen=True)
class Outcome:
    """How one diagnostician did on one case.

    ranked: at least the first three, likeliest first. named: its verdict, or None.
    chance: the probability it gave its first. taken: the probes, in order.
    alike: faults it said a meter cannot tell apart. millis: wall and processor time of each assessment.
    """

    truth: str
    ranked: tuple[tuple[str, float], ...]
    named: str | None
    taken: tuple[str, ...]
    alike: tuple[str, ...] = ()
    millis: tuple[tuple[float, float], ...] = ()

    @property
    def seconds(self) -> float:
        """Time of the readings as the data say, risk left out."""
        return sum(catalog.probes()[one].seconds for one in self.taken)


SLIP = 0.01
"""Share of readings that slip when trade effects are asked for (invented)."""
RODS = frozenset(name for name, one in catalog.faults().faults.items() if one.family == "rod")
DESIGNS = (
    (1.0e5, 100e-9, 1.0e6),
    (2.2e5, 47e-9, 2.2e6),
    (4.7e5, 10e-9, 4.7e6),
    (1.0e6, 4.7e-9, 10e6),
    (2.2e6, 22e-9, 22e6),
    (3.3e6, 2.2e-9, 5.6e6),
)
"""Boards that the reasoner was not built on: source Ω, blocking F, sense Ω, each a catalogue value of the parts trade
(invented)."""
RATIOS = (4.0, 7.0, 15.0, 30.0)
"""Flames: reverse over forward resistance (invented)."""


def draw(equipment: Equipment, meter: Meter, seed: int, n: int, other: bool = False, trade: bool = False) -> list[Case]:
    """n cases, their faults by the shipped prior over ALL pairs, severities even.

    other: boards and flames of DESIGNS and RATIOS in place of the family's own, showing the same printed figures.
    trade: every face of a fault, and readings that slip.
    """
    rng = np.random.default_rng(seed)
    prior = catalog.shipped_prior()
    names = list(prior)
    truths = [names[i] for i in rng.choice(len(names), size=n, p=np.array([prior[name] for name in names]))]
    groups: dict[tuple[str, tuple[int, ...]], list[int]] = defaultdict(list)
    for i, name in enumerate(truths):
        groups[name, tuple(_face(one, trade, rng) for one in catalog.parts(name))].append(i)
    boards = _boards(equipment, meter, rng) if other else None
    cases: list[Case | None] = [None] * n
    for (name, faces), where in groups.items():
        m = len(where)
        furnace = (
            healthy(equipment, meter, rng, m)
            if boards is None
            else around(boards, rng.integers(boards.shape[0], size=m), rng)
        )
        levels = []
        for one, face in zip(catalog.parts(name), faces, strict=True):
            level = rng.random(m)
            furnace = with_fault(furnace, one, level, rng.random(m), face)
            levels.append(level)
        true = read_many(
            furnace, [p for p, one in catalog.probes().items() if not one.proof and one.quantity != "seen"]
        )
        shows = tuple(catalog.fault(one).faces[face] for one, face in zip(catalog.parts(name), faces, strict=True))
        for k, i in enumerate(where):
            mine = specimen(meter, rng)
            shown = {
                p: _shown(p, float(values[k]), mine, rng, SLIP if trade else 0.0)
                for p, values in true.items()
                if catalog.probes()[p].numeric
            }
            shown |= {p: _looked(p, shows, rng, other) for p, one in catalog.probes().items() if not one.numeric}
            if shown[PROVES] != "never_lit":
                shown[PROVES] = "stays" if true[PROVES][k] else "goes"
            cases[i] = Case(name, tuple(float(level[k]) for level in levels), shown)
    return [case for case in cases if case is not None]


def _face(fault: str, trade: bool, rng: np.random.Generator) -> int:
    faces = catalog.fault(fault).faces
    return int(rng.choice(len(faces), p=[one.share for one in faces])) if trade else 0


def _boards(equipment: Equipment, meter: Meter, rng: np.random.Generator) -> Furnace:
    parts = np.array([(*design, ratio) for design in DESIGNS for ratio in RATIOS]).T
    drawn = insides.draw(equipment, rng, parts.shape[1])
    return insides.furnaces(
        equipment,
        meter,
        replace(drawn, rod_source_ohms=parts[0], rod_capacitor=parts[1], sense_ohms=parts[2], flame_ratio=parts[3]),
    )


def _shown(probe: str, true: float, mine: Specimen, rng: np.random.Generator, slip: float) -> float:
    quantity = catalog.probes()[probe].quantity
    if rng.random() >= slip:
        return display(true, quantity, mine, rng)
    kind = rng.integers(4)
    if kind < 2:
        return display(true * (10.0, 0.1)[kind], quantity, mine, rng)
    # Swapped leads turn a current over; a wrong dial shows next to nothing.
    return display(-true if kind == 2 and quantity == "dc_amps" else 0.0, quantity, mine, rng)


def _looked(probe: str, shows: tuple[catalog.Variant, ...], rng: np.random.Generator, hazy: bool) -> str:
    """hazy: an eye that is wrong more often than the reasoner believes."""
    chance = answer_chances(shows, probe)
    names = list(chance)
    if hazy and probe != PROVES and rng.random() < 0.1:
        return names[int(rng.integers(len(names)))]
    return names[int(rng.choice(len(names), p=np.array(list(chance.values()))))]


def evidence_of(probe: str, shown: float | bool | str, meter: Meter) -> Evidence:
    """One displayed value, or an answer, as evidence."""
    return shown if isinstance(shown, (bool, str)) else as_measured(shown, catalog.probes()[probe].quantity, meter)


def reasoner(knowledge: Knowledge) -> Callable[[Case], Outcome]:
    """Takes the probe that the reasoner asks for until it asks for none, in the power state it left the furnace in."""
    start = assess({}, knowledge, at=Place())

    def diagnose(case: Case) -> Outcome:
        evidence: dict[str, Evidence] = {}
        said, millis, place = start, [], Place()
        while said.next_probe and len(evidence) < MOST:
            probe = said.next_probe
            place = moved_to(place, catalog.probes()[probe])[0]
            evidence[probe] = evidence_of(probe, case.shown[probe], knowledge.meter)
            if said.compulsory[1:]:
                # The next is compulsory whatever was read: nothing is asked of the reasoner yet.
                said = replace(said, next_probe=said.compulsory[1], compulsory=said.compulsory[1:])
                continue
            began = _clocks()
            said = assess(evidence, knowledge, case.shown.keys(), at=place)
            millis.append(_since(began))
        return Outcome(case.truth, said.ranked[:3], said.named, tuple(evidence), said.cannot_tell, tuple(millis))

    return diagnose


def _clocks() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _since(began: tuple[float, float]) -> tuple[float, float]:
    wall, processor = _clocks()
    return 1e3 * (wall - began[0]), 1e3 * (processor - began[1])


def reasoner_in_fixed_order(knowledge: Knowledge) -> Callable[[Case], Outcome]:
    """The same posterior on the readings of the fixed order, stopping when a fault is named once the guided steps are
    done."""
    order = fixed_order()
    flames = {name for name, one in catalog.probes().items() if one.flame or name == PROVES}

    def diagnose(case: Case) -> Outcome:
        evidence: dict[str, Evidence] = {}
        millis = []
        for probe in order:
            if probe in flames and "never_lit" in evidence.values():
                continue
            evidence[probe] = evidence_of(probe, case.shown[probe], knowledge.meter)
            if catalog.probes()[probe].order < GUIDED:
                # The guided steps are gone through as they stand; the reasoner speaks at the verdict.
                continue
            began = _clocks()
            said = assess(evidence, knowledge, allowed=frozenset(order) & case.shown.keys())
            millis.append(_since(began))
            if said.named and not said.compulsory:
                break
        return Outcome(case.truth, said.ranked[:3], said.named, tuple(evidence), said.cannot_tell, tuple(millis))

    return diagnose


def cycles(taken: Sequence[str]) -> int:
    """How often the power goes off for readings in that order: for dead ones, and to touch the rod wire."""
    place, found = Place(), 0
    for probe in taken:
        place, off, _ = moved_to(place, catalog.probes()[probe])
        found += off
    return found


def fixed_order() -> list[str]:
    """The probes of the guided visit in their order."""
    placed = {name: one.order for name, one in catalog.probes().items() if one.order is not None}
    return sorted(placed, key=lambda name: placed[name])


def thresholds(equipment: Equipment) -> Callable[[Case], Outcome]:
    """The plain fixed order: the first reading outside its limit names its usual fault; nothing is weighed."""

    def diagnose(case: Case) -> Outcome:
        taken: list[str] = []
        for probe in fixed_order():
            taken.append(probe)
            found = _first_fault(probe, case.shown, equipment)
            if found:
                return Outcome(
                    case.truth,
                    tuple((name, 1.0 if k == 0 else 0.0) for k, name in enumerate(found)),
                    found[0],
                    tuple(taken),
                )
        return Outcome(case.truth, (("healthy", 1.0),), "healthy", tuple(taken))

    return diagnose


def _first_fault(probe: str, shown: Mapping[str, float | bool | str], equipment: Equipment) -> tuple[str, ...]:
    """The faults that a plain limit points to, usual one first; empty when the reading is within its limit."""
    limit = {name: one.value for name, one in equipment.limits.items()}
    value = shown[probe]
    if value == "never_lit":
        return ("never_lit",)
    supply = float(shown["supply_hot_neutral"])
    match probe:
        case "supply_hot_neutral":
            if value < 5:
                return "meter_lead_open", "meter_wrong_function", "supply_low"
            return (
                ("supply_low", "hot_high_resistance")
                if value < limit["supply_low"]
                else ("supply_high",)
                if value > limit["supply_high"]
                else ()
            )
        case "supply_hot_ground":
            if abs(value - supply) <= limit["line_to_ground_share"] * supply:
                return ()
            return (
                ("polarity_reversed", "ground_open")
                if value < 0.1 * supply
                else ("ground_open", "neutral_not_bonded", "polarity_reversed")
            )
        case "supply_neutral_ground":
            if value <= limit["neutral_to_ground"]:
                return ()
            return (
                ("polarity_reversed", "ground_open")
                if value > 0.8 * supply
                else ("neutral_high_resistance", "neutral_not_bonded")
            )
        case "secondary_r_c":
            due = supply / equipment.turns_ratio
            if abs(value - due) <= limit["secondary_share"] * due:
                return ()
            return (
                ("transformer_wrong_tap", "transformer_weak")
                if value < 0.7 * due
                else ("transformer_weak", "secondary_overloaded")
            )
        case "line_to_r":
            low = float(shown["secondary_r_c"])
            in_phase, out_of_phase = abs(value - (supply - low)), abs(value - (supply + low))
            if min(in_phase, out_of_phase) > 0.1 * supply:
                return "common_ungrounded", "secondary_swapped"
            return ("secondary_swapped",) if out_of_phase < in_phase else ()
        case "rod_to_ground":
            return ("connector_resistance", "rod_wire_open", "board_rod_supply_low") if value < limit["rod_low"] else ()
        case "leads_together":
            return (
                ("meter_lead_open", "meter_lead_poor")
                if value == math.inf
                else ("meter_lead_poor",)
                if value > limit["lead_zero_max"]
                else ()
            )
        case "ground_path":
            path = value - float(shown["leads_together"])
            return ("burner_corroded", "burner_loose", "board_ground_loose") if path > limit["ground_path_look"] else ()
        case "flame_current":
            return ("rod_coated", "flame_thin", "rod_misplaced") if value < limit["flame_sound"] else ()
        case _:
            return () if value == "stays" else ("board_not_sensing",)


def rule_of_thumb(case: Case, rods: frozenset[str] = RODS) -> Outcome:
    """No flame proven: replace the rod; still none: replace the board. A flame that is proven: nothing."""
    if case.shown[PROVES] == "stays":
        return Outcome(case.truth, (("healthy", 1.0),), "healthy", (PROVES,))
    # A new rod mends the faults of the rod and of nothing else. rods: their truth ids.
    mended = set(case.truth.split("+")) <= rods
    named = "rod_coated" if mended else "board_not_sensing"
    return Outcome(
        case.truth, (("rod_coated", 0.5), ("board_not_sensing", 0.5)), named, (PROVES,) if mended else (PROVES, PROVES)
    )


def is_board(fault: str | None) -> bool:
    """Whether a verdict condemns the board."""
    return fault is not None and any(catalog.fault(one).family == "board" for one in catalog.parts(fault))
