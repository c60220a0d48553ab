"""A furnace with a hidden fault that answers "what does my meter show".

Every function takes a `PracticeFurnace` and gives back the next one with a
`Reply`; nothing is kept elsewhere. Dangerous moves are stopped before they
happen and counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from flows.circuit import probes as table
from flows.circuit import readings
from flows.circuit.furnace import Furnace
from flows.errors import CalculationError
from flows.faults.display import Specimen, as_measured, display
from flows.faults.lessons import lessons
from flows.judge.measured import Measured
from flows.judge.profiles import Equipment
from flows.practice.display import as_displayed
from flows.practice.proof import live_probe, proofs, proven, tried

__all__ = [
    "FurnaceReading",
    "PracticeFurnace",
    "Reply",
    "as_displayed",
    "ask",
    "clean",
    "light",
    "named_probe",
    "plug",
    "put_in_series",
    "set_jack",
    "touch",
    "turn",
]
Power = Literal["on", "switch", "breaker"]
Function = Literal["ac_volts", "outlet", "ohms", "dc_amps", "leads", "watch"]
Jack = Literal["volts", "microamps"]
PROVES, CLEANED = "board_proves_flame", "flame_current_after_cleaning"


@dataclass(frozen=True)
class FurnaceReading:
    """One reading taken. what: the probe's id where it is one, else "function a b". value: None for yes and no."""

    what: str
    value: Measured | None
    proves: bool | None = None


@dataclass(frozen=True)
class PracticeFurnace:
    """A furnace, its hidden fault, and what the trainee has done so far.

    hidden: fault id or pair; circuit: the furnace with it; meter: the trainee's own specimen.
    power: on, off at the switch, or off at the breaker. plugged: the rod wire is on the rod itself.
    series: the meter is clipped between wire and rod. jack: where the red lead sits.
    lights: whether the burner lights at all. cleaned: the rod was cleaned. proofs: the dead proofs that stand since
    the power went off.
    slips: in the order made.
    """

    equipment: Equipment
    hidden: str
    seed: int
    circuit: Furnace
    meter: Specimen
    power: Power = "on"
    lights: bool = True
    cleaned: bool = False
    lit: bool = False
    plugged: bool = True
    series: bool = False
    jack: Jack = "volts"
    proofs: frozenset[str] = frozenset()
    taken: tuple[FurnaceReading, ...] = ()
    slips: tuple[str, ...] = ()

    @property
    def dead(self) -> bool:
        """Off and proven dead as a visit proves it."""
        return self.power != "on" and proven(self.proofs)

    @property
    def wired(self) -> bool:
        """Whether the rod hangs on its wire, straight or through the meter."""
        return self.plugged or self.series

    @property
    def now(self) -> Furnace:
        """The circuit as it is for the flame, the rod cleaned where it was."""
        return table.prepared(self.circuit, table.probe(CLEANED)) if self.cleaned else self.circuit


@dataclass(frozen=True)
class Reply:
    """What the furnace answers.

    text: to be spoken. taken: the reading, if one was made. slip: the mistake stopped, if any.
    proof: why a reading does not count for the dead proof, "" where it does or has nothing to do with it.
    """

    text: str
    taken: FurnaceReading | None = None
    slip: str | None = None
    proof: str = ""


Answered = tuple[PracticeFurnace, Reply]


def turn(p: PracticeFurnace, power: Power) -> Answered:
    """Turn the power on, off at the switch, or off at the breaker. The flame goes out with it."""
    line = {"on": "power_on", "switch": "power_off", "breaker": "breaker_off"}[power]
    stand = p.proofs if power == p.power else frozenset()
    return replace(p, power=power, lit=p.lit and power == "on", proofs=stand), Reply(lessons().lines[line])


def light(p: PracticeFurnace) -> Answered:
    """Start the burner."""
    lines = lessons().lines
    if p.power != "on":
        return p, Reply(lines["no_power"])
    if not p.lights:
        return p, Reply(lines["no_light"])
    return replace(p, lit=True), Reply(lines["lit"])


def plug(p: PracticeFurnace, plugged: bool) -> Answered:
    """Put the rod wire on the rod or take it off. A slip with the power on."""
    if p.power == "on" and plugged != p.plugged:
        return _stopped(p, "rod_wire_live")
    if plugged and p.series:
        return p, Reply(lessons().lines["in_series"])
    return replace(p, plugged=plugged), Reply(lessons().lines["done"])


def put_in_series(p: PracticeFurnace, series: bool) -> Answered:
    """Clip the meter between rod wire and rod, its red lead in the microamp jack, or take both clips off.

    Off the clips the wire hangs free, and the red lead stays in its jack. A slip with the power on.
    """
    if p.power == "on" and series != p.series:
        return _stopped(p, "series_live")
    if series == p.series:
        return p, Reply(lessons().lines["done"])
    jack: Jack = "microamps" if series else p.jack
    return replace(p, series=series, plugged=False, jack=jack), Reply(
        lessons().lines["clipped" if series else "unclipped"]
    )


def set_jack(p: PracticeFurnace, jack: Jack) -> Answered:
    """Move the red lead to another jack; not while the meter is clipped in."""
    if p.series and jack != p.jack:
        return p, Reply(lessons().lines["in_series"])
    return replace(p, jack=jack), Reply(lessons().lines["done"])


def ask(p: PracticeFurnace, probe: str, rng: np.random.Generator) -> Answered:
    """What the meter shows where the named probe touches, in the state the furnace is in. Raises CalculationError for
    an unknown probe."""
    proof = proofs().of(probe)
    if proof and proof.live:
        return touch(p, "outlet", None, rng)
    one = table.probe(probe)
    there = p if one.as_if in table.TOUCHED else replace(p, circuit=table.prepared(p.circuit, one))
    after, reply = touch(there, one.function, one.points, rng)
    return replace(after, circuit=p.circuit), reply


def clean(p: PracticeFurnace) -> Answered:
    """Clean the rod and push its plug home. A slip with the power on."""
    if p.power == "on":
        return _stopped(p, "rod_wire_live")
    return replace(p, cleaned=True), Reply(lessons().lines["done"])


def touch(p: PracticeFurnace, function: Function, points: tuple[str, str] | None, rng: np.random.Generator) -> Answered:
    """What the meter shows with the dial on `function` and the leads on `points`, in the state the furnace is in.

    points: None for outlet (a part known to be live outside the furnace), dc_amps, leads and watch. rng: for the
    display's own error.
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
        return _read(p, "dc_amps", None, float(readings.flame_current(p.now)[0]), rng)
    if function in ("ac_volts", "outlet") and p.jack == "microamps":
        return _stopped(p, "microamp_jack")
    if p.series or p.jack == "microamps":
        return p, Reply(lines["in_series" if p.series else "wrong_jack"])
    if function == "outlet":
        return _read(p, "outlet", None, _outlet_volts(p), rng)
    if function == "leads":
        return _read(p, "leads", None, float(readings.leads_together(p.circuit)[0]), rng)
    if points is None:
        raise CalculationError(f"The function '{function}' needs two points.", "Name where each lead goes.")
    a, b = points
    if function == "ohms":
        slip = _ohms_slip(p, a, b)
        return (
            _stopped(p, slip)
            if slip
            else _read(p, "ohms", points, float(readings.ohms(p.circuit, a, b, plugged=p.wired)[0]), rng)
        )
    return _read(p, "ac_volts", points, _volts(p, a, b), rng)


def _volts(p: PracticeFurnace, a: str, b: str) -> float:
    source = replace(p.circuit, supply_volts=np.zeros(1)) if p.power == "breaker" else p.circuit
    return float(readings.volts(source, a, b, lit=p.lit, powered=p.power != "switch", plugged=p.wired)[0])


def _outlet_volts(p: PracticeFurnace) -> float:
    """An outlet that works, on the same supply and not through the furnace's breaker, read with the trainee's own
    leads."""
    return float(readings.shown_volts(p.circuit, (np.asarray(p.circuit.supply_volts), np.zeros(1)))[0])


def _ohms_slip(p: PracticeFurnace, a: str, b: str) -> str | None:
    points = lessons().points
    if p.power == "on":
        return "ohms_live_part" if any(points[one].live for one in (a, b) if one in points) else "ohms_power_on"
    if max(_volts(p, one, "earth") for one in ("hot", "neutral")) > p.equipment.limits["dead_volts"].value:
        return "still_live"
    return None if p.dead else "not_proven"


def _watch(p: PracticeFurnace) -> Answered:
    lines = lessons().lines
    if not p.lit:
        return p, Reply(lines["not_lit"])
    # A meter left in the rod wire with a broken lead or a blown fuse breaks the wire.
    broken = p.series and bool(p.circuit.fuse_blown > 0.5 or p.circuit.lead_open > 0.5)
    proves = bool(readings.board_proves_flame(p.now)[0]) and p.wired and not broken
    taken = FurnaceReading(PROVES, None, proves)
    return replace(p, taken=(*p.taken, taken), lit=proves), Reply(lines["stays" if proves else "goes"], taken)


def _read(
    p: PracticeFurnace, function: Function, points: tuple[str, str] | None, value: float, rng: np.random.Generator
) -> Answered:
    lines = lessons().lines
    quantity = {"leads": "ohms", "outlet": "ac_volts"}.get(function, function)
    shown = display(value, quantity, p.meter, rng)
    reading = as_measured(shown, quantity, p.meter.meter)
    # Only on the rod's own side does it matter whether the wire is on the rod.
    aside = points is not None and not set(points) & set(readings.ROD_SIDE)
    name = (
        live_probe(p.proofs)
        if function == "outlet"
        else named_probe(replace(p, plugged=True) if aside else p, function, points)
    )
    taken = FurnaceReading(name, reading)
    after = tried(p.equipment, p.proofs, name, reading, p.power != "on", lines["proof_order"])
    # An outlet is no reading of this furnace.
    kept = p.taken if function == "outlet" else (*p.taken, taken)
    text = (
        lines["over"]
        if reading.over_limit
        else lines["shows"].format(value=as_displayed(shown, quantity, p.meter.meter))
    )
    return replace(p, taken=kept, proofs=after.stand), Reply(text, taken, proof=after.said)


def named_probe(p: PracticeFurnace, function: Function, points: tuple[str, str] | None) -> str:
    """The id of the probe that touches these points in this state, or "function a b" when it has no name."""
    state = "on" if p.power == "on" else "off"
    for name, one in table.table().items():
        same = (one.points is None and points is None) or (one.points and points and set(one.points) == set(points))
        if one.as_if not in table.TOUCHED:
            # The practice furnace's wire stays on the board, and its rod is not cleaned.
            continue
        if (
            one.function == function
            and same
            and one.power in ("any", state)
            and (points is None or (one.lit == p.lit and (function == "ohms" or one.plugged == p.plugged)))
        ):
            return name
    return " ".join((function, *(points or ())))


def _stopped(p: PracticeFurnace, slip: str) -> Answered:
    return replace(p, slips=(*p.slips, slip)), Reply(lessons().slips[slip].says, slip=slip)
