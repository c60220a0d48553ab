"""The table of readings: key, meter function, points, power state; and reading one of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from flows.circuit import readings
from flows.circuit.flame import rod_source
from flows.circuit.furnace import OPEN, Furnace, blocks
from flows.circuit.network import POINTS, live
from flows.circuit.nodal import ports
from flows.errors import CalculationError
from grammar.datafile import Strict, load_yaml

TABLE = Path(__file__).with_name("probes.yaml")

QUANTITY = {"ac_volts": "ac_volts", "ohms": "ohms", "leads": "ohms", "dc_amps": "dc_amps", "watch": None}


class Probe(Strict):
    """One reading. power "any": dead or live makes no difference. plugged: the rod wire is on the rod. cleaned: after cleaning the rod. freed: the rod wire is off the board."""

    function: Literal["ac_volts", "ohms", "dc_amps", "leads", "watch"]
    power: Literal["on", "off", "any"]
    points: tuple[str, str] | None = None
    lit: bool = False
    plugged: bool = True
    cleaned: bool = False
    freed: bool = False
    guided: bool = False

    @property
    def quantity(self) -> str | None:
        """The quantity key of the reading; None for a yes or no."""
        return QUANTITY[self.function]

    @model_validator(mode="after")
    def _sound(self) -> Probe:
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
    probes: dict[str, Probe]


@lru_cache
def table() -> dict[str, Probe]:
    """Every probe by key, in file order. Raises DataFileError."""
    return load_yaml(TABLE, ProbeTable).probes


def probe(key: str) -> Probe:
    """The probe called `key`. Raises CalculationError when there is none."""
    try:
        return table()[key]
    except KeyError:
        raise CalculationError(f"There is no reading called '{key}'.", f"Choose from: {', '.join(table())}.") from None


def read(furnace: Furnace, key: str) -> NDArray:
    """The reading `key` on each furnace: SI, of the furnace's shape; inf over limit; bool for board_proves_flame.

    Free of the meter's random error. Raises CalculationError for an unknown key.
    """
    one = probe(key)
    match one.function:
        case "ac_volts" | "ohms" if one.freed:
            return read_with(freed(furnace, one.function == "ohms"), one)
        case "ac_volts":
            return readings.volts(furnace, *one.points, lit=one.lit, powered=one.power == "on", plugged=one.plugged)
        case "ohms":
            return readings.ohms(furnace, *one.points, plugged=one.plugged)
        case "leads":
            return readings.leads_together(furnace)
        case "dc_amps":
            return readings.flame_current(cleaned(furnace) if one.cleaned else furnace)
        case "watch":
            return readings.board_proves_flame(furnace)


def read_with(furnace: Furnace, one: Probe) -> NDArray:
    """Volts or ohms of a probe on the furnace as it is given."""
    if one.function == "ohms":
        return readings.ohms(furnace, *one.points, plugged=one.plugged)
    return readings.volts(furnace, *one.points, lit=one.lit, powered=one.power == "on", plugged=one.plugged)


def freed(furnace: Furnace, wire: bool) -> Furnace:
    """The furnace with the rod wire pulled off the board, as the wire (True) or the board's terminal sees it."""
    return replace(furnace, sense_ohms=OPEN) if wire else replace(furnace, chafe_ohms=OPEN)


def cleaned(furnace: Furnace) -> Furnace:
    """The furnace with its rod cleaned: of the coat, coat_stays is left."""
    return replace(furnace, coating_ohms=furnace.coating_ohms * furnace.coat_stays)


def read_many(furnace: Furnace, keys: Sequence[str]) -> dict[str, NDArray]:
    """`read` for every key at once: the same numbers, and each state of the furnace solved only once.

    Raises CalculationError for an unknown key.
    """
    chosen = {key: probe(key) for key in keys}
    parts = [_read_block(part, chosen) for part in blocks(furnace)]
    return {key: parts[0][key] if len(parts) == 1 else np.concatenate([one[key] for one in parts]) for key in chosen}


def _read_block(furnace: Furnace, chosen: dict[str, Probe]) -> dict[str, NDArray]:
    found: dict[str, NDArray] = {}
    states: dict[tuple[bool, bool], list[str]] = {}
    for key, one in chosen.items():
        if one.function == "ac_volts" and not one.lit and not one.freed:
            states.setdefault((one.power == "on", one.plugged), []).append(key)
    for (powered, plugged), keys in states.items():
        sources = ports(live(furnace, powered, plugged=plugged), [chosen[key].points for key in keys])
        found |= {key: readings.shown_volts(furnace, source) for key, source in zip(keys, sources, strict=True)}
    if flames := [key for key, one in chosen.items() if one.function in ("dc_amps", "watch")]:
        source = rod_source(furnace)
        for key in flames:
            if chosen[key].cleaned:
                found[key] = readings.shown_flame_current(cleaned(furnace), source)
                continue
            found[key] = (readings.shown_flame_current if chosen[key].function == "dc_amps" else readings.proves)(furnace, source)
    for key in chosen:
        if key not in found:
            found[key] = read(furnace, key)
    return {key: np.broadcast_to(value, furnace.shape) for key, value in found.items()}
