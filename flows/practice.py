"""A furnace with a hidden fault that answers "what does my meter show".

Every function takes a `PracticeFurnace` and gives back the next one with a
`Reply`; nothing is kept elsewhere. Dangerous moves are stopped before they
happen and counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from flows.circuit import probes as table
from flows.circuit import readings
from flows.circuit.furnace import Furnace
from flows.errors import CalculationError, FlowError
from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.faults.display import Specimen, as_measured, display, specimen
from flows.faults.draws import healthy, with_fault
from flows.faults.lessons import lessons
from flows.measure import Measured
from flows.profiles import Equipment, Meter

Power = Literal["on", "switch", "breaker"]
Function = Literal["ac_volts", "ohms", "dc_amps", "leads", "watch"]
DEAD_VOLTS = 2.0
"""V: below this it counts as dead (common practice, as in the equipment profiles)."""


@dataclass(frozen=True)
class Taken:
    """One reading taken. what: the probe's id where it is one, else "function a b". value: None for yes and no."""

    what: str
    value: Measured | None
    proves: bool | None = None


@dataclass(frozen=True)
class PracticeFurnace:
    """A furnace, its hidden fault, and what the trainee has done so far.

    hidden: fault id or pair; circuit: the furnace with it; meter: the trainee's own specimen.
    power: on, off at the switch, or off at the breaker. series: the meter sits in the rod wire.
    proven: the dead proofs made since the power went off. slips: in the order made.
    """

    equipment: Equipment
    hidden: str
    seed: int
    circuit: Furnace
    meter: Specimen
    power: Power = "on"
    lit: bool = False
    plugged: bool = True
    series: bool = False
    proven: frozenset[str] = frozenset()
    taken: tuple[Taken, ...] = ()
    slips: tuple[str, ...] = ()

    @property
    def dead(self) -> bool:
        """Off and proven dead from hot to neutral and from hot to ground."""
        return self.power != "on" and self.proven >= {"dead_hot_neutral", "dead_hot_ground"}


@dataclass(frozen=True)
class Reply:
    """What the furnace answers. text: to be spoken. taken: the reading, if one was made. slip: the mistake stopped, if any."""

    text: str
    taken: Taken | None = None
    slip: str | None = None


Answered = tuple[PracticeFurnace, Reply]


def start(equipment: Equipment, meter: Meter, seed: int, level: str = "easy", fault: str | None = None) -> PracticeFurnace:
    """A furnace whose fault is drawn by `level`, or is `fault` (id or pair) at that level's severity.

    The same seed gives the same furnace. Raises FlowError for an unknown level or fault.
    """
    levels = lessons().levels
    if level not in levels:
        raise FlowError(f"There is no level '{level}'.", f"Choose one of: {', '.join(levels)}.")
    rng = np.random.default_rng(seed)
    chosen = levels[level]
    hidden = fault or _draw(chosen.faults, rng)
    circuit = healthy(equipment, meter, rng, 1)
    for one in catalog.parts(hidden):
        circuit = with_fault(circuit, one, rng.uniform(*chosen.severity, 1), rng.uniform(*chosen.severity, 1))
    return PracticeFurnace(equipment, hidden, seed, circuit, specimen(meter, rng))


def _draw(which: str, rng: np.random.Generator) -> str:
    prior = catalog.shipped_prior()
    size = 2 if which == "pair" else 1
    names = [name for name in prior if len(catalog.parts(name)) == size and all(catalog.fault(one).practice for one in catalog.parts(name)) and (which != "easy" or catalog.fault(name).easy)]
    # Evenly rather than by the prior: a trainee should meet the rare ones too.
    return names[int(rng.integers(len(names)))]


def turn(p: PracticeFurnace, power: Power) -> Answered:
    """Turn the power on, off at the switch, or off at the breaker. The flame goes out with it."""
    line = {"on": "power_on", "switch": "power_off", "breaker": "breaker_off"}[power]
    proven = p.proven if power == p.power else frozenset()
    return replace(p, power=power, lit=p.lit and power == "on", proven=proven), Reply(lessons().lines[line])


def light(p: PracticeFurnace) -> Answered:
    """Start the burner."""
    lines = lessons().lines
    if p.power != "on":
        return p, Reply(lines["no_power"])
    return replace(p, lit=True), Reply(lines["lit"])


def plug(p: PracticeFurnace, plugged: bool) -> Answered:
    """Put the rod wire on the rod or take it off. A slip with the power on."""
    if p.power == "on" and plugged != p.plugged:
        return _stopped(p, "rod_wire_live")
    return replace(p, plugged=plugged, series=p.series and plugged), Reply(lessons().lines["done"])


def put_in_series(p: PracticeFurnace, series: bool) -> Answered:
    """Put the meter in the rod wire for current, or take it out. A slip with the power on."""
    if p.power == "on" and series != p.series:
        return _stopped(p, "series_live")
    return replace(p, series=series, plugged=p.plugged or series), Reply(lessons().lines["done"])


def ask(p: PracticeFurnace, probe: str, rng: np.random.Generator) -> Answered:
    """What the meter shows where the named probe touches, in the state the furnace is in. Raises CalculationError for an unknown probe."""
    one = table.probe(probe)
    return touch(p, one.function, one.points, rng)


def touch(p: PracticeFurnace, function: Function, points: tuple[str, str] | None, rng: np.random.Generator) -> Answered:
    """What the meter shows with the dial on `function` and the leads on `points`, in the state the furnace is in.

    points: None for dc_amps, leads and watch. rng: for the display's own error.
    Raises CalculationError for an unknown point.
    """
    lines = lessons().lines
    if function == "watch":
        return _watch(p)
    if function == "dc_amps":
        if not p.series:
            return _stopped(p, "series_live") if p.power == "on" else (p, Reply(lines["not_series"]))
        if not p.lit:
            return p, Reply(lines["not_lit"])
        return _read(p, "dc_amps", None, float(readings.flame_current(p.circuit)[0]), rng)
    if function == "leads":
        return _read(p, "leads", None, float(readings.leads_together(p.circuit)[0]), rng)
    if points is None:
        raise CalculationError(f"The function '{function}' needs two points.", "Name where each lead goes.")
    a, b = points
    if function == "ohms":
        slip = _ohms_slip(p, a, b)
        return _stopped(p, slip) if slip else _read(p, "ohms", points, float(readings.ohms(p.circuit, a, b, plugged=p.plugged)[0]), rng)
    return _read(p, "ac_volts", points, _volts(p, a, b), rng)


def _volts(p: PracticeFurnace, a: str, b: str) -> float:
    source = replace(p.circuit, supply_volts=np.zeros(1)) if p.power == "breaker" else p.circuit
    return float(readings.volts(source, a, b, lit=p.lit, powered=p.power != "switch", plugged=p.plugged)[0])


def _ohms_slip(p: PracticeFurnace, a: str, b: str) -> str | None:
    points = lessons().points
    if p.power == "on":
        return "ohms_live_part" if any(points[one].live for one in (a, b) if one in points) else "ohms_power_on"
    if max(_volts(p, one, "earth") for one in ("hot", "neutral")) > DEAD_VOLTS:
        return "still_live"
    return None if p.dead else "not_proven"


def _watch(p: PracticeFurnace) -> Answered:
    lines = lessons().lines
    if not p.lit:
        return p, Reply(lines["not_lit"])
    # A meter left in the rod wire with a broken lead or a blown fuse breaks the wire.
    broken = p.series and bool(p.circuit.fuse_blown > 0.5 or p.circuit.lead_open > 0.5)
    proves = bool(readings.board_proves_flame(p.circuit)[0]) and p.plugged and not broken
    taken = Taken("board_proves_flame", None, proves)
    return replace(p, taken=(*p.taken, taken), lit=proves), Reply(lines["stays" if proves else "goes"], taken)


def _read(p: PracticeFurnace, function: Function, points: tuple[str, str] | None, value: float, rng: np.random.Generator) -> Answered:
    lines = lessons().lines
    quantity = "ohms" if function == "leads" else function
    shown = display(value, quantity, p.meter, rng)
    reading = as_measured(shown, quantity, p.meter.meter)
    name = named_probe(p, function, points)
    taken = Taken(name, reading)
    proven = p.proven | {name} if name.startswith("dead_") and shown < DEAD_VOLTS else p.proven
    text = lines["over"] if reading.over_limit else lines["shows"].format(value=as_displayed(shown, quantity, p.meter.meter))
    return replace(p, taken=(*p.taken, taken), proven=proven), Reply(text, taken)


def as_displayed(shown: float, quantity: str, meter: Meter) -> str:
    """The display in words (SI in, finite): every digit of the range, and the unit."""
    resolution = meter.function(quantity).range_for(shown).resolution
    value, step, unit = shown, resolution, "volts"
    if quantity == "dc_amps":
        value, step, unit = shown * 1e6, resolution * 1e6, "microamps"
    elif quantity == "ohms":
        size = 1e6 if resolution >= 1e3 else 1e3 if resolution >= 1 and shown > 600 else 1.0
        value, step, unit = shown / size, resolution / size, {1e6: "megohms", 1e3: "kilohms", 1.0: "ohms"}[size]
    decimals = max(0, round(-math.log10(step)))
    return lessons().lines[unit].format(n=f"{value:.{decimals}f}")


def named_probe(p: PracticeFurnace, function: Function, points: tuple[str, str] | None) -> str:
    """The id of the probe that touches these points in this state, or "function a b" when it has no name."""
    state = "on" if p.power == "on" else "off"
    for name, one in table.table().items():
        same = (one.points is None and points is None) or (one.points and points and set(one.points) == set(points))
        if one.as_if not in table.TOUCHED:
            # The practice furnace's wire stays on the board, and its rod is not cleaned.
            continue
        if one.function == function and same and one.power in ("any", state) and (points is None or (one.lit == p.lit and (function == "ohms" or one.plugged == p.plugged))):
            return name
    return " ".join((function, *(points or ())))


def _stopped(p: PracticeFurnace, slip: str) -> Answered:
    return replace(p, slips=(*p.slips, slip)), Reply(lessons().slips[slip].says, slip=slip)


def is_same(a: str, b: str) -> bool:
    """Whether two fault ids are the same fault or the same pair in either order."""
    return set(catalog.parts(a)) == set(catalog.parts(b))


def choices(level: str) -> list[str]:
    """The faults that may be answered at a level."""
    which = lessons().levels[level].faults
    singles = [name for name, one in catalog.faults().faults.items() if one.practice and (which != "easy" or one.easy)]
    return singles if which != "pair" else [name for name in singles if name != HEALTHY]
