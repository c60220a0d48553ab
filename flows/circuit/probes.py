"""The table of readings: key, meter function, points, power state; and reading one of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import model_validator

from flows.circuit import readings
from flows.circuit.flame import rod_source
from flows.circuit.furnace import OPEN, Furnace, blocks
from flows.circuit.network import POINTS, live
from flows.circuit.nodal import ports
from flows.errors import CalculationError
from grammar.datafile import Strict, load_yaml

TOUCHED = ("plain", "both_plugs", "rod_alone", "wire_alone")
"""States in which a reading needs nothing but the two leads."""
LEAST_PLUG = 1e-3
"""Ω of a good contact, at the least."""
TABLE = Path(__file__).with_name("probes.yaml")

QUANTITY = {"ac_volts": "ac_volts", "ohms": "ohms", "leads": "ohms", "dc_amps": "dc_amps", "watch": None}


class CircuitProbe(Strict):
    """One reading. power "any": dead or live makes no difference. plugged: the rod wire is on the rod.

    as_if: what was done to the furnace before: see `prepared`.
    """

    function: Literal["ac_volts", "ohms", "dc_amps", "leads", "watch"]
    power: Literal["on", "off", "any"]
    points: tuple[str, str] | None = None
    lit: bool = False
    plugged: bool = True
    as_if: Literal[
        "plain", "cleaned", "wire_freed", "board_freed", "both_plugs", "rod_alone", "wire_alone", "coil_alone"
    ] = "plain"
    guided: bool = False

    @property
    def quantity(self) -> str | None:
        """The quantity key of the reading; None for a yes or no."""
        return QUANTITY[self.function]

    @model_validator(mode="after")
    def _sound(self) -> CircuitProbe:
        if (self.points is None) == (self.function in ("ac_volts", "ohms")):
            raise ValueError("'points' belong to ac_volts and ohms, and only to them")
        if self.points and (unknown := [point for point in self.points if point not in POINTS]):
            raise ValueError(f"there is no point '{unknown[0]}'")
        if self.function == "ohms" and self.power != "off":
            raise ValueError("resistance is measured with the power off")
        if self.lit and self.power != "on":
            raise ValueError("a flame needs the power on")
        return self


class ProbeTable(Strict):
    """Format 1 of probes.yaml."""

    format: Literal[1]
    probes: dict[str, CircuitProbe]


@lru_cache
def table() -> dict[str, CircuitProbe]:
    """Every probe by key, in file order. Raises DataFileError."""
    return load_yaml(TABLE, ProbeTable).probes


def probe(key: str) -> CircuitProbe:
    """The probe called `key`. Raises CalculationError when there is none."""
    try:
        return table()[key]
    except KeyError:
        raise CalculationError(f"There is no reading called '{key}'.", f"Choose from: {', '.join(table())}.") from None


def both_ends(one: CircuitProbe) -> tuple[str, str]:
    """The two points of a reading of volts or ohms."""
    assert one.points is not None  # a probe of volts or ohms without them is refused when the table is read
    return one.points


def read(furnace: Furnace, key: str) -> np.ndarray:
    """The reading `key` on each furnace: SI, of the furnace's shape; inf over limit; bool for board_proves_flame.

    Free of the meter's random error. Raises CalculationError for an unknown key.
    """
    one = probe(key)
    ready = prepared(furnace, one)
    match one.function:
        case "ac_volts":
            return readings.volts(ready, *both_ends(one), lit=one.lit, powered=one.power == "on", plugged=one.plugged)
        case "ohms":
            return readings.ohms(ready, *both_ends(one), plugged=one.plugged)
        case "leads":
            return readings.leads_together(ready)
        case "dc_amps":
            return readings.flame_current(ready)
        case "watch":
            return readings.board_proves_flame(ready)


def prepared(furnace: Furnace, one: CircuitProbe) -> Furnace:
    """The furnace as the probe finds it.

    cleaned: the rod cleaned, its plug pulled and pushed home. wire_freed: the rod wire off the board, read on the
    wire; board_freed: the same, read on the board. both_plugs: the leads across every plug of the rod wire.
    rod_alone: the rod out of its plug. wire_alone: the rod wire off the ignition coil, if there is one. coil_alone:
    both wires off the coil.
    """
    match one.as_if:
        case "cleaned":
            return replace(
                furnace,
                coating_ohms=furnace.coating_ohms * furnace.coat_stays,
                rod_plug_ohms=np.maximum(furnace.rod_plug_ohms * furnace.rod_plug_stays, LEAST_PLUG),
            )
        case "wire_freed":
            return replace(furnace, sense_ohms=OPEN)
        case "board_freed":
            return replace(furnace, chafe_ohms=OPEN)
        case "both_plugs":
            whole = furnace.connector_ohms * furnace.connector_rest + furnace.rod_plug_ohms * furnace.rod_plug_rest
            return replace(furnace, connector_ohms=whole, connector_rest=1.0)
        case "rod_alone":
            return replace(furnace, rod_plug_ohms=LEAST_PLUG)
        case "wire_alone":
            return replace(furnace, coil_ohms=0.0)
        case "coil_alone":
            return replace(furnace, wire_ohms=LEAST_PLUG, sense_ohms=OPEN, chafe_ohms=OPEN, connector_ohms=OPEN)
    return furnace


def read_many(furnace: Furnace, keys: Sequence[str]) -> dict[str, np.ndarray]:
    """`read` for every key at once: the same numbers, and each state of the furnace solved only once.

    Raises CalculationError for an unknown key.
    """
    chosen = {key: probe(key) for key in keys}
    parts = [_read_block(part, chosen) for part in blocks(furnace)]
    return {key: parts[0][key] if len(parts) == 1 else np.concatenate([one[key] for one in parts]) for key in chosen}


def _read_block(furnace: Furnace, chosen: dict[str, CircuitProbe]) -> dict[str, np.ndarray]:
    found: dict[str, np.ndarray] = {}
    states: dict[tuple[bool, bool], list[str]] = {}
    for key, one in chosen.items():
        if one.function == "ac_volts" and not one.lit and one.as_if == "plain":
            states.setdefault((one.power == "on", one.plugged), []).append(key)
    for (powered, plugged), keys in states.items():
        sources = ports(live(furnace, powered, plugged=plugged), [both_ends(chosen[key]) for key in keys])
        found |= {key: readings.shown_volts(furnace, source) for key, source in zip(keys, sources, strict=True)}
    if flames := [key for key, one in chosen.items() if one.function in ("dc_amps", "watch")]:
        source = rod_source(furnace)
        for key in flames:
            found[key] = (readings.shown_flame_current if chosen[key].function == "dc_amps" else readings.proves)(
                prepared(furnace, chosen[key]), source
            )
    for key in chosen:
        if key not in found:
            found[key] = read(furnace, key)
    return {key: np.broadcast_to(value, furnace.shape) for key, value in found.items()}
