"""A healthy furnace of a family, and the spread between healthy furnaces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator
from scipy.optimize import brentq

from flows.circuit.conductor import resistance
from flows.circuit.furnace import OPEN, Furnace
from flows.circuit.readings import flame_current, volts
from flows.errors import CalculationError, FlowError
from flows.judge.profiles import Equipment, Meter, meter
from flows.origin import Origin
from grammar.datafile import Strict, load_yaml

SPREADS = Path(__file__).with_name("spread.yaml")


def nominal(equipment: Equipment, with_meter: Meter | None = None) -> Furnace:
    """A healthy furnace whose secondary, rod and flame readings are the profile's, at its nominal supply.

    with_meter: its input and burden ohms are used (default: the profile dunlin).
    Raises FlowError if the profile has no `circuit` section, CalculationError if
    its flame current cannot be had from its rod voltage.
    """
    return _nominal(equipment.model_dump_json(), (with_meter or meter("dunlin")).model_dump_json())


@lru_cache
def _nominal(equipment_json: str, meter_json: str) -> Furnace:
    equipment = Equipment.model_validate_json(equipment_json)
    parts = equipment.circuit
    if parts is None:
        raise FlowError(
            f"The equipment profile '{equipment.id}' has no 'circuit' section.",
            f"Copy the section from another profile into equipment/{equipment.id}.yaml and put in its figures.",
        )
    shown_by = Meter.model_validate_json(meter_json)
    supply_wire = resistance(parts.supply_gauge, parts.supply_metres)
    plain = Furnace(
        supply_volts=equipment.supply_nominal,
        source_ohms=0.05,
        hot_ohms=supply_wire,
        neutral_ohms=supply_wire,
        ground_ohms=supply_wire,
        bond_ohms=0.01,
        swapped=0.0,
        bootleg_ohms=OPEN,
        pipe_ohms=OPEN,
        load_ohms=parts.standby_load_ohms,
        lit_load_ohms=parts.blower_load_ohms,
        frequency=float(equipment.supply.hertz),
        turns=equipment.turns_ratio * parts.secondary_load_ohms / (parts.secondary_load_ohms + parts.winding_ohms),
        winding_ohms=parts.winding_ohms,
        primary_ohms=parts.primary_ohms,
        orientation=1.0,
        secondary_load_ohms=parts.secondary_load_ohms,
        common_ground_ohms=0.1,
        common_at_cabinet=0.0,
        rod_share=0.9,
        rod_from_secondary=0.0,
        rod_source_ohms=parts.rod_source_ohms,
        rod_capacitor=parts.rod_capacitor,
        sense_ohms=parts.sense_ohms,
        sense_threshold=equipment.limit("flame_minimum").value,
        sense_broken=0.0,
        board_chassis_ohms=0.2,
        filter_hot_farads=1.0e-9,
        filter_neutral_farads=1.0e-9,
        stray_primary_farads=200e-12,
        stray_chassis_farads=400e-12,
        wire_ohms=resistance(parts.rod_wire_gauge, parts.rod_wire_metres),
        coil_ohms=parts.coil_ohms,
        connector_ohms=0.05,
        connector_rest=1.0,
        chafe_ohms=OPEN,
        rod_ohms=0.05,
        rod_plug_ohms=0.05,
        rod_plug_rest=1.0,
        rod_plug_stays=1.0,
        coating_ohms=1.0,
        coat_to_tips=0.05,
        coat_stays=0.03,
        insulator_ohms=2e9,
        insulator_rest=1.0,
        forward_ohms=10e6,
        reverse_ohms=10e6 * parts.flame_ratio,
        burner_chassis_ohms=0.25,
        chassis_bond_ohms=0.05,
        input_ohms=shown_by.function("ac_volts").input_ohms or 10e6,
        burden_ohms=shown_by.function("dc_amps").ranges[0].burden,
        lead_ohms=0.2,
        lead_open=0.0,
        fuse_blown=0.0,
        wrong_function=0.0,
        ohms_top=shown_by.function("ohms").ranges[-1].top,
    )
    return _to_flame_current(
        _to_rod_volts(plain, equipment.limit("rod_nominal").value), parts.flame_current, parts.flame_ratio
    )


def _to_rod_volts(furnace: Furnace, wanted: float) -> Furnace:
    """rod_share such that the unplugged rod wire shows `wanted` volts.

    The reading is linear in the share but for the volts between neutral and ground, so three secant steps settle it.
    """
    low, high = 0.5, 1.5
    for _ in range(6):
        v_low, v_high = (
            float(volts(replace(furnace, rod_share=share), "rod_wire_end", "burner", plugged=False))
            for share in (low, high)
        )
        if v_low == v_high:
            break
        low, high = high, low + (wanted - v_low) * (high - low) / (v_high - v_low)
    return replace(furnace, rod_share=high)


def _to_flame_current(furnace: Furnace, wanted: float, ratio: float) -> Furnace:
    """Forward and reverse flame ohms such that the meter in series shows `wanted` amperes."""

    def missing(log_ohms: float) -> float:
        forward = float(np.exp(log_ohms))
        return float(flame_current(replace(furnace, forward_ohms=forward, reverse_ohms=forward * ratio))) / wanted - 1

    low, high = np.log(1e5), np.log(1e9)
    # Less flame resistance gives more direct current, down to where the reverse half leaks as well.
    grid = np.linspace(high, low, 60)
    above = next((i for i, x in enumerate(grid) if missing(x) > 0), None)
    if above is None or above == 0:
        raise CalculationError(
            f"A flame current of {wanted * 1e6:.2f} microamps cannot be had from this rod voltage.",
            "Lower 'flame_current' or the rod source resistance in the profile.",
        )
    forward = float(np.exp(brentq(missing, grid[above], grid[above - 1])))
    return replace(furnace, forward_ohms=forward, reverse_ohms=forward * ratio)


class Spread(Strict):
    """Between healthy furnaces: relative standard deviation, log-normal for what cannot go below zero by much."""

    kind: Literal["normal", "lognormal"]
    relative: Annotated[float, Field(gt=0, le=4)]
    origin: Origin
    source: str


class SpreadTable(Strict):
    """Format 1 of spread.yaml: parameter of Furnace -> Spread."""

    format: Literal[1]
    spreads: dict[str, Spread]

    @model_validator(mode="after")
    def _known(self) -> SpreadTable:
        known = {one.name for one in fields(Furnace)}
        if unknown := sorted(set(self.spreads) - known):
            raise ValueError(f"'{unknown[0]}' is no parameter of the furnace")
        return self


@lru_cache
def spreads() -> dict[str, Spread]:
    """The table that ships. Raises DataFileError."""
    return load_yaml(SPREADS, SpreadTable).spreads


def spread(furnace: Furnace, rng: np.random.Generator, n: int, table: Mapping[str, Spread] | None = None) -> Furnace:
    """n furnaces around `furnace`: each parameter in spread.yaml drawn about its value, shape (n,).

    A parameter at OPEN stays a break; a flag is left alone. The furnace may be
    one or n of them. table: in place of spread.yaml. flame_reverse follows forward through their ratio's own spread.
    """
    drawn = {}
    for name, one in (table or spreads()).items():
        z = rng.standard_normal(n)
        factor = (
            np.exp(one.relative * z - one.relative**2 / 2)
            if one.kind == "lognormal"
            else np.maximum(1 + one.relative * z, 0.05)
        )
        value = getattr(furnace, name)
        drawn[name] = np.where(np.asarray(value) >= OPEN, value, value * factor)
    # Flame shape moves both directions together; reverse has its own spread besides.
    drawn["reverse_ohms"] = drawn["reverse_ohms"] * drawn["forward_ohms"] / furnace.forward_ohms
    return replace(furnace, **drawn)
