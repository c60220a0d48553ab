"""The table of readings: key, meter function, points, power state; and reading one of them."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Literal

from numpy.typing import NDArray
from pydantic import model_validator

from flows.circuit import readings
from flows.circuit.furnace import Furnace
from flows.circuit.network import POINTS
from flows.errors import CalculationError
from grammar.datafile import Strict, load_yaml

TABLE = Path(__file__).with_name("probes.yaml")

QUANTITY = {"ac_volts": "ac_volts", "ohms": "ohms", "leads": "ohms", "dc_amps": "dc_amps", "watch": None}


class Probe(Strict):
    """One reading. power "any": dead or live makes no difference. plugged: the rod wire is on the rod."""

    function: Literal["ac_volts", "ohms", "dc_amps", "leads", "watch"]
    power: Literal["on", "off", "any"]
    points: tuple[str, str] | None = None
    lit: bool = False
    plugged: bool = True
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
        case "ac_volts":
            return readings.volts(furnace, *one.points, lit=one.lit, powered=one.power == "on", plugged=one.plugged)
        case "ohms":
            return readings.ohms(furnace, *one.points, plugged=one.plugged)
        case "leads":
            return readings.leads_together(furnace)
        case "dc_amps":
            return readings.flame_current(furnace)
        case "watch":
            return readings.board_proves_flame(furnace)
