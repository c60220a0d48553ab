"""Furnaces with hidden faults for the reasoning bench, and the diagnosticians that are compared on them."""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flows.circuit.nominal import spread
from flows.circuit.probes import read
from flows.faults import catalog
from flows.faults.display import as_measured, display, specimen
from flows.faults.draws import healthy, with_fault
from flows.profiles import Equipment, Meter
from flows.reason import Assessment, Evidence, assess
from flows.reason_knowledge import Knowledge

PROVES = "board_proves_flame"
MOST = 24


@dataclass(frozen=True)
class Case:
    """One furnace: its true fault (or pair) and what each probe would display once (SI; bool for the flame)."""

    truth: str
    severity: tuple[float, ...]
    shown: Mapping[str, float | bool]


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


def draw(equipment: Equipment, meter: Meter, seed: int, n: int, wide: bool = False, odd: float = 0.0) -> list[Case]:
    """n cases, their faults by the shipped prior over ALL pairs, severities even.

    wide: healthy furnaces spread √2 wider than the reasoner was told. odd: share
    of readings replaced by those of some other, random furnace (misread, misheard).
    """
    rng = np.random.default_rng(seed)
    prior = catalog.shipped_prior()
    names = list(prior)
    truths = [names[i] for i in rng.choice(len(names), size=n, p=np.array([prior[name] for name in names]))]
    groups: dict[str, list[int]] = defaultdict(list)
    for i, name in enumerate(truths):
        groups[name].append(i)
    cases: list[Case | None] = [None] * n
    for name, where in groups.items():
        m = len(where)
        furnace = healthy(equipment, meter, rng, m)
        if wide:
            furnace = spread(furnace, rng, m)
        levels = []
        for one in catalog.parts(name):
            level = rng.random(m)
            furnace = with_fault(furnace, one, level, rng.random(m))
            levels.append(level)
        true = {p: np.broadcast_to(read(furnace, p), (m,)) for p, one in catalog.probes().items() if not one.proof}
        for k, i in enumerate(where):
            mine = specimen(meter, rng)
            shown: dict[str, float | bool] = {}
            for p, values in true.items():
                quantity = catalog.probes()[p].quantity
                shown[p] = bool(values[k]) if quantity == "yes_no" else display(float(values[k]), quantity, mine, rng)
            cases[i] = Case(name, tuple(float(level[k]) for level in levels), shown)
    found = [case for case in cases if case is not None]
    if odd:
        found = [_with_odd(case, found, rng, odd) for case in found]
    return found


def _with_odd(case: Case, others: Sequence[Case], rng: np.random.Generator, odd: float) -> Case:
    shown = {p: others[int(rng.integers(len(others)))].shown[p] if rng.random() < odd else one for p, one in case.shown.items()}
    return Case(case.truth, case.severity, shown)


def evidence_of(probe: str, shown: float | bool, meter: Meter) -> Evidence:
    """One displayed value as evidence."""
    return shown if isinstance(shown, bool) else as_measured(shown, catalog.probes()[probe].quantity, meter)


def reasoner(knowledge: Knowledge, start: Assessment) -> Callable[[Case], Outcome]:
    """Takes the probe that the reasoner asks for until it asks for none. start: its assessment of no evidence."""

    def diagnose(case: Case) -> Outcome:
        evidence: dict[str, Evidence] = {}
        said, millis = start, []
        while said.next_probe and len(evidence) < MOST:
            probe = said.next_probe
            evidence[probe] = evidence_of(probe, case.shown[probe], knowledge.meter)
            began = _clocks()
            said = assess(evidence, knowledge)
            millis.append(_since(began))
        return Outcome(case.truth, said.ranked[:3], said.named, tuple(evidence), said.cannot_tell, tuple(millis))

    return diagnose


def _clocks() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _since(began: tuple[float, float]) -> tuple[float, float]:
    wall, processor = _clocks()
    return 1e3 * (wall - began[0]), 1e3 * (processor - began[1])


def reasoner_in_fixed_order(knowledge: Knowledge) -> Callable[[Case], Outcome]:
    """The same posterior on the readings of the fixed order, stopping when a fault is named."""
    order = fixed_order()

    def diagnose(case: Case) -> Outcome:
        evidence: dict[str, Evidence] = {}
        millis = []
        for probe in order:
            evidence[probe] = evidence_of(probe, case.shown[probe], knowledge.meter)
            began = _clocks()
            said = assess(evidence, knowledge, allowed=frozenset(order))
            millis.append(_since(began))
            if said.named:
                break
        return Outcome(case.truth, said.ranked[:3], said.named, tuple(evidence), said.cannot_tell, tuple(millis))

    return diagnose


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
                return Outcome(case.truth, tuple((name, 1.0 if k == 0 else 0.0) for k, name in enumerate(found)), found[0], tuple(taken))
        return Outcome(case.truth, (("healthy", 1.0),), "healthy", tuple(taken))

    return diagnose


def _first_fault(probe: str, shown: Mapping[str, float | bool], equipment: Equipment) -> tuple[str, ...]:
    """The faults that a plain limit points to, usual one first; empty when the reading is within its limit."""
    limit = {name: one.value for name, one in equipment.limits.items()}
    value = shown[probe]
    supply = float(shown["supply_hot_neutral"])
    match probe:
        case "supply_hot_neutral":
            if value < 5:
                return "meter_lead_open", "meter_wrong_function", "supply_low"
            return ("supply_low", "hot_high_resistance") if value < limit["supply_low"] else ("supply_high",) if value > limit["supply_high"] else ()
        case "supply_hot_ground":
            if abs(value - supply) <= limit["line_to_ground_share"] * supply:
                return ()
            return ("polarity_reversed", "ground_open") if value < 0.1 * supply else ("ground_open", "neutral_not_bonded", "polarity_reversed")
        case "supply_neutral_ground":
            if value <= limit["neutral_to_ground"]:
                return ()
            return ("polarity_reversed", "ground_open") if value > 0.8 * supply else ("neutral_high_resistance", "neutral_not_bonded")
        case "secondary_r_c":
            due = supply / equipment.turns_ratio
            if abs(value - due) <= limit["secondary_share"] * due:
                return ()
            return ("transformer_wrong_tap", "transformer_weak") if value < 0.7 * due else ("transformer_weak", "secondary_overloaded")
        case "line_to_r":
            low = float(shown["secondary_r_c"])
            in_phase, out_of_phase = abs(value - (supply - low)), abs(value - (supply + low))
            if min(in_phase, out_of_phase) > 0.1 * supply:
                return "common_ungrounded", "secondary_swapped"
            return ("secondary_swapped",) if out_of_phase < in_phase else ()
        case "rod_to_ground":
            return ("connector_resistance", "rod_wire_open", "board_rod_supply_low") if value < limit["rod_low"] else ()
        case "leads_together":
            return ("meter_lead_open", "meter_lead_poor") if value == math.inf else ("meter_lead_poor",) if value > limit["lead_zero_max"] else ()
        case "ground_path":
            path = value - float(shown["leads_together"])
            return ("burner_corroded", "burner_loose", "board_ground_loose") if path > limit["ground_path_look"] else ()
        case "flame_current":
            return ("rod_coated", "flame_thin", "rod_misplaced") if value < limit["flame_sound"] else ()
        case _:
            return () if value else ("board_not_sensing",)


def rule_of_thumb(case: Case) -> Outcome:
    """No flame proven: replace the rod; still none: replace the board. A flame that is proven: nothing."""
    if case.shown[PROVES]:
        return Outcome(case.truth, (("healthy", 1.0),), "healthy", (PROVES,))
    # A new rod mends the faults of the rod and of nothing else.
    mended = all(catalog.fault(one).family == "rod" for one in catalog.parts(case.truth))
    named = "rod_coated" if mended else "board_not_sensing"
    return Outcome(case.truth, (("rod_coated", 0.5), ("board_not_sensing", 0.5)), named, (PROVES,) if mended else (PROVES, PROVES))


def is_board(fault: str | None) -> bool:
    """Whether a verdict condemns the board."""
    return fault is not None and any(catalog.fault(one).family == "board" for one in catalog.parts(fault))


