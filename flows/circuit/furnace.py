"""The numbers of one furnace's electrical path, or of many furnaces at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from flows.errors import CalculationError

Value = float | np.ndarray

OPEN = 1e10
"""Ω of a break: ten gigaohms, so that a floating point still has one voltage."""


@dataclass(frozen=True)
class Furnace:
    """Every parameter is a float or an array of shape (n,): n furnaces at once.

    V, A, Ω, F, Hz; AC volts are rms. Flags are 0.0 or 1.0. OPEN stands for a break.
    Where each part sits is drawn in flows.circuit.network.
    """

    # service and branch circuit
    supply_volts: Value
    """V at the panel, no load."""
    source_ohms: Value
    hot_ohms: Value
    """Hot conductor, panel to furnace."""
    neutral_ohms: Value
    ground_ohms: Value
    """Equipment ground conductor, panel to furnace; OPEN: no ground."""
    bond_ohms: Value
    """Neutral to ground at the panel; OPEN: no bond."""
    swapped: Value
    """1: hot and neutral are exchanged before the furnace switch."""
    bootleg_ohms: Value
    """Ground tied to the neutral terminal at the outlet; OPEN when healthy."""
    pipe_ohms: Value
    """Chassis to earth through a gas pipe or a duct; OPEN: nothing but the ground wire."""
    load_ohms: Value
    """What the furnace itself draws from hot to neutral, no flame (board, inducer)."""
    lit_load_ohms: Value
    """What it draws besides while lit (blower)."""
    frequency: Value

    # transformer
    turns: Value
    """Primary turns over secondary turns."""
    winding_ohms: Value
    """Both windings' resistance seen from the secondary: what makes the volts sag."""
    primary_ohms: Value
    """Primary winding, as an ohmmeter shows it."""
    orientation: Value
    """+1: R is in phase with the incoming hot; −1: secondary leads exchanged."""
    secondary_load_ohms: Value
    common_ground_ohms: Value
    """C to the board's ground or to the cabinet; OPEN: C floats."""
    common_at_cabinet: Value
    """1: C has its own wire to the cabinet and the board senses against C; 0: both go by the board's ground."""

    # board
    rod_share: Value
    """Rod supply volts, unloaded, over hot-to-neutral volts, however they are made."""
    rod_from_secondary: Value
    """1: the rod supply is stepped up from R and C and stands on the board's ground; 0: it is taken from hot and
    neutral."""
    rod_source_ohms: Value
    rod_capacitor: Value
    """F, in series with the rod supply: no direct current passes."""
    sense_ohms: Value
    """Board's rod terminal to board ground: the way back for the direct current."""
    sense_threshold: Value
    """A of direct current from which the board takes the flame as proven."""
    sense_broken: Value
    """1: the board does not see the current that flows."""
    board_chassis_ohms: Value
    """Board ground terminal to chassis; OPEN: ground wire off."""

    # strays: what holds a floating point somewhere
    filter_hot_farads: Value
    """Noise filter and windings, hot to chassis."""
    filter_neutral_farads: Value
    stray_primary_farads: Value
    """C to the neutral terminal, through the transformer."""
    stray_chassis_farads: Value
    """C to chassis."""

    # harness and rod
    wire_ohms: Value
    """Rod wire, whole length; half before and half after the connector."""
    coil_ohms: Value
    """Winding of the ignition transformer between the board's rod terminal and the rod wire; 0 where there is none."""
    connector_ohms: Value
    """With the burner alight."""
    connector_rest: Value
    """Share of connector_ohms that is there before it has warmed up; 1: all of it."""
    chafe_ohms: Value
    """Rod wire, rod side of the connector, to chassis; OPEN when sound."""
    rod_ohms: Value
    """The rod's own metal, from its blade to its tip; OPEN: rod broken."""
    rod_plug_ohms: Value
    """Rod wire end to the rod's blade, with the burner alight."""
    rod_plug_rest: Value
    """Share of rod_plug_ohms that is there before it has warmed up; 1: all of it."""
    rod_plug_stays: Value
    """Share of rod_plug_ohms that is left when it was pulled and pushed home again."""
    coating_ohms: Value
    """Rod metal to the surface that touches the flame."""
    coat_to_tips: Value
    """Share of coating_ohms that an ohmmeter's tips meet: tips pierce a coat."""
    coat_stays: Value
    """Share of coating_ohms that is still there after cleaning."""
    insulator_ohms: Value
    """Rod metal to burner through the insulator, burner alight; near 0: rod shorted."""
    insulator_rest: Value
    """insulator_ohms cold over hot; 1: the same. A crack can close when it is cold."""

    # flame and ground path
    forward_ohms: Value
    """Flame, rod positive: the easy way."""
    reverse_ohms: Value
    burner_chassis_ohms: Value
    chassis_bond_ohms: Value
    """Equipment ground wire's end to chassis metal."""

    # meter
    input_ohms: Value
    burden_ohms: Value
    """In series on the microamp range."""
    lead_ohms: Value
    """Both leads together."""
    lead_open: Value
    fuse_blown: Value
    """The fuse of the microamp jack."""
    wrong_function: Value
    """1: DC volts dialled where AC volts or ohms are asked, AC microamps where DC are asked."""
    ohms_top: Value
    """Ω above which the meter shows over limit."""

    def __post_init__(self) -> None:
        """Raises CalculationError for a resistance that is not above zero (leads, burden and coil may be zero)."""
        for one in fields(self):
            if (
                one.name.endswith("_ohms")
                and one.name not in ("lead_ohms", "burden_ohms", "coil_ohms")
                and not np.min(getattr(self, one.name)) > 0
            ):
                raise CalculationError(
                    f"'{one.name}' of a furnace must be above 0 ohms.",
                    "For a short put a thousandth of an ohm, for a break OPEN.",
                )

    @property
    def shape(self) -> tuple[int, ...]:
        """() for one furnace, (n,) for n."""
        return np.broadcast_shapes(*(np.shape(getattr(self, one.name)) for one in fields(self)))


BLOCK = 2048
"""Furnaces at a time, so that the work stays in the processor's cache."""


def in_blocks(what: Callable[[Furnace], np.ndarray], furnace: Furnace, size: int = BLOCK) -> np.ndarray:
    """`what` of the furnaces, a block at a time; of the furnace's shape."""
    parts = [np.broadcast_to(what(part), part.shape) for part in blocks(furnace, size)]
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def blocks(furnace: Furnace, size: int = BLOCK) -> Iterator[Furnace]:
    """The furnaces in runs of at most `size`; one furnace as it is."""
    shape = furnace.shape
    if not shape or shape[0] <= size:
        yield furnace
        return
    arrays = {one.name: value for one in fields(furnace) if np.shape(value := getattr(furnace, one.name)) == shape}
    for start in range(0, shape[0], size):
        yield replace(furnace, **{name: value[start : start + size] for name, value in arrays.items()})
