"""Furnaces with faults: healthy ones drawn, then changed as the data say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np

from flows.circuit.furnace import Furnace
from flows.circuit.insides import spread_of_a_visit
from flows.circuit.nominal import nominal, spread
from flows.faults import catalog
from flows.faults.catalog import Change
from flows.judge.profiles import Equipment, Meter


def healthy(equipment: Equipment, meter: Meter, rng: np.random.Generator, n: int) -> Furnace:
    """n healthy furnaces of the family with the insides its file gives, measured with `meter`; parameters of shape
    (n,)."""
    return spread(nominal(equipment, meter), rng, n)


def around(boards: Furnace, rows: np.ndarray, rng: np.random.Generator) -> Furnace:
    """Healthy furnaces (n,), each around the board at its row (n,) of `boards`."""
    chosen = {one.name: value[rows] for one in fields(Furnace) if np.shape(value := getattr(boards, one.name))}
    return spread(replace(boards, **chosen), rng, len(rows), spread_of_a_visit())


def with_fault(furnace: Furnace, fault: str, severity: np.ndarray, own: np.ndarray, face: int = 0) -> Furnace:
    """The furnaces with a single fault.

    severity: (n,) from 0, mild, to 1, grave. own: (n,) the same for the effects
    that have a severity of their own. face: which of the fault's faces, the plain
    one by default. Raises FlowError for an unknown fault.
    """
    return changed(furnace, catalog.fault(fault).faces[face].circuit, severity, own)


def changed(furnace: Furnace, circuit: Mapping[str, Change], severity: np.ndarray, own: np.ndarray) -> Furnace:
    """The furnaces after the changes, as in `with_fault`."""
    moves: dict[str, Any] = {
        name: moved(getattr(furnace, name), one, own if one.own else severity) for name, one in circuit.items()
    }
    return replace(furnace, **moves)


def moved(value: np.ndarray | float, change: Change, severity: np.ndarray) -> np.ndarray:
    """`value` (SI) after the change at `severity` (n,): shape (n,)."""
    low, high = change.ends
    amount = low * (high / low) ** severity if change.log else low + (high - low) * severity
    if change.set is not None:
        return amount
    return value * amount if change.times else value + amount


def answer_chances(faces: tuple[catalog.Variant, ...], probe: str) -> dict[str, float]:
    """Answer -> its chance on `probe`, a probe that is looked at, for the faces of faults that stand together.

    Of two faults that both speak, each has its say in half of the cases.
    """
    speak = [one.shows[probe] for one in faces if probe in one.shows]
    usual = catalog.probes()[probe].answers
    return {name: sum(one[name] for one in speak) / len(speak) if speak else chance for name, chance in usual.items()}
