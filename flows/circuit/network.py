"""The path from the service panel to the flame as branches between named points.

      panel              furnace box                board
   source─hot──(swap)──switch── hot ──┬─────────┬── rod supply: share·(hot − neutral) + neutral
     │                               load   transformer     │ rod_source_ohms + rod_capacitor
   neutral bus ─(swap)─────── neutral ┴─────────┴─┐  r      │
     │  └ reference                      winding_ohms │     board_rod_terminal ─ sense_ohms ─ board_ground
   bond_ohms (to earth)                         common ┘    │ wire/2
     │                                          │          connector_in
     │                          common_ground_ohms          │ connector_ohms
   earth─ground_ohms─ ground ┬─ chassis ─pipe_ohms─ earth
                             │                   │          connector_out ─ chafe_ohms ─ chassis
              bootleg_ohms ──┘ │ └─ board_chassis_ohms ─ board_ground  │ wire/2
            (to neutral)     │ burner_chassis_ohms          rod_wire_end
                             │ burner ─ insulator_ohms ─ rod ─ rod_ohms ┘
                             │ burner ─ flame ─ rod_blade ─ coating_ohms ─ rod
   pipe_ohms: chassis─earth; filters: hot─chassis, neutral─chassis; strays: common─neutral, common─chassis

The furnace switch has one pole, in the wire that arrives as hot: with hot and
neutral exchanged it opens the neutral and leaves the furnace live.
"""

from __future__ import annotations

import numpy as np

from flows.circuit.furnace import OPEN, Furnace, Value
from flows.circuit.nodal import Branch, Network, between
from flows.errors import CalculationError

POINTS = (
    "hot", "neutral", "ground", "earth", "chassis", "burner", "board_ground", "r", "common",
    "board_rod_terminal", "connector_in", "connector_out", "rod_wire_end", "rod", "rod_blade",
)  # fmt: skip
"""Where a test lead can be put. earth: the panel's ground bus, or a pipe bonded to it."""

WINDING_SHARE = 0.5
"""Share of winding_ohms that is the secondary's own copper (the rest is the primary's, seen through the turns)."""


LEAST_COAT = 1e-3
"""Ω between the rod and a tip pressed on it, at the least."""


def check_points(*points: str) -> None:
    """Raises CalculationError for a name that is no point of the furnace, or for one named twice."""
    for point in points:
        if point not in POINTS:
            raise CalculationError(f"There is no test point '{point}'.", f"Choose from: {', '.join(POINTS)}.")
    if len(set(points)) != len(points):
        raise CalculationError(f"Both leads are on '{points[0]}'.", "Name two different points.")


def live(
    furnace: Furnace, powered: bool = True, lit: bool = False, plugged: bool = True, rod_loaded: bool = True
) -> Network:
    """The network at line frequency, flame left out.

    powered: the furnace switch is on. lit: the blower draws as well.
    plugged: the rod wire is on the rod. rod_loaded: False takes everything but
    the supply off the board's rod terminal.
    """
    f = furnace
    omega = 2j * np.pi * f.frequency
    load = 1 / f.load_ohms + (1 / f.lit_load_ohms if lit else 0.0)
    step = f.orientation / f.turns
    feed, pushed = _service(f, powered)
    branches = [
        *feed,
        between("load", "hot", "neutral", load),
        Branch("transformer", {"hot": step, "neutral": -step, "r": -1.0, "common": 1.0}, 1 / f.winding_ohms),
        between("secondary load", "r", "common", 1 / f.secondary_load_ohms),
        between("filter hot", "hot", "chassis", omega * f.filter_hot_farads),
        between("filter neutral", "neutral", "chassis", omega * f.filter_neutral_farads),
        between("stray primary", "common", "neutral", omega * f.stray_primary_farads),
        between("stray chassis", "common", "chassis", omega * f.stray_chassis_farads),
        rod_supply(f),
        *ground_path(f),
    ]
    if rod_loaded:
        branches.extend(rod_wire(f, plugged, lit))
    return Network(tuple(branches), pushed)


def rod_supply(f: Furnace) -> Branch:
    """The board's rod supply, behind its resistance and blocking capacitor.

    Either a share of hot to neutral on top of neutral, or R to C stepped up, on top of the board's ground.
    """
    omega = 2j * np.pi * f.frequency
    second = np.asarray(f.rod_from_secondary)
    if not np.any(second):
        # Plain numbers where they will do: the matrix then has fewer places.
        weights = {"hot": f.rod_share, "neutral": 1 - f.rod_share, "board_rod_terminal": -1.0}
    else:
        step = second * f.rod_share * f.turns
        weights = {
            "hot": (1 - second) * f.rod_share,
            "neutral": (1 - second) * (1 - f.rod_share),
            "r": step,
            "common": second * f.common_at_cabinet - step,
            "board_ground": second * (1 - f.common_at_cabinet),
            "board_rod_terminal": -1.0,
        }
    return Branch("rod supply", weights, 1 / (f.rod_source_ohms + 1 / (omega * f.rod_capacitor)))


def dead(furnace: Furnace, plugged: bool = True) -> Network:
    """The network for direct current with the switch off: capacitors block, sources are still."""
    f = furnace
    feed, _ = _service(f, powered=False)
    secondary = 1 / (WINDING_SHARE * f.winding_ohms) + 1 / f.secondary_load_ohms
    branches = [
        *feed,
        between("load", "hot", "neutral", 1 / f.load_ohms + 1 / f.primary_ohms),
        between("secondary", "r", "common", secondary),
        *ground_path(f),
        *rod_wire(f, plugged),
    ]
    return Network(tuple(branches), {})


def _service(f: Furnace, powered: bool) -> tuple[list[Branch], dict[str, np.ndarray]]:
    switch = 0.0 if powered else OPEN
    swapped = np.asarray(f.swapped) > 0.5
    via_hot = 1 / (f.source_ohms + f.hot_ohms + np.where(swapped, 0.0, switch))
    via_neutral = 1 / (f.neutral_ohms + np.where(swapped, switch, 0.0))
    amps = f.supply_volts * via_hot
    feed = [
        between("feed hot", "hot", "", np.where(swapped, via_neutral, via_hot)),
        between("feed neutral", "neutral", "", np.where(swapped, via_hot, via_neutral)),
        between("bond", "earth", "", 1 / f.bond_ohms),
        between("equipment ground", "ground", "earth", 1 / f.ground_ohms),
        between("bootleg", "ground", "neutral", 1 / f.bootleg_ohms),
        between("pipe", "chassis", "earth", 1 / f.pipe_ohms),
    ]
    return feed, {"hot": np.where(swapped, 0.0, amps), "neutral": np.where(swapped, amps, 0.0)}


def ground_path(f: Furnace) -> list[Branch]:
    """What ties ground wire, burner, board ground and common to the chassis."""
    return [
        between("chassis bond", "ground", "chassis", 1 / f.chassis_bond_ohms),
        between("burner seat", "burner", "chassis", 1 / f.burner_chassis_ohms),
        between("board ground wire", "board_ground", "chassis", 1 / f.board_chassis_ohms),
        Branch("common ground", _tie(f, "common"), 1 / f.common_ground_ohms),
    ]


def _tie(f: Furnace, node: str) -> dict[str, Value]:
    """Weights of a branch from `node` to the board's ground, or to the cabinet where C has its own wire there."""
    if not np.any(f.common_at_cabinet):
        return {node: 1.0, "board_ground": -1.0}
    return {node: 1.0, "board_ground": f.common_at_cabinet - 1.0, "chassis": -1.0 * np.asarray(f.common_at_cabinet)}


def _sense(f: Furnace) -> dict[str, Value]:
    if not np.any(f.common_at_cabinet):
        return {"board_rod_terminal": 1.0, "board_ground": -1.0}
    return {
        "board_rod_terminal": 1.0,
        "board_ground": f.common_at_cabinet - 1.0,
        "common": -1.0 * np.asarray(f.common_at_cabinet),
    }


def rod_wire(f: Furnace, plugged: bool = True, lit: bool = False) -> list[Branch]:
    """From the board's rod terminal to the rod's surface, with the sense resistor and the leaks.

    lit: plug and insulator are warm.
    """
    half = 2 / f.wire_ohms
    plug = f.connector_ohms if lit else f.connector_ohms * f.connector_rest
    rod = (f.rod_ohms + f.rod_plug_ohms * (1.0 if lit else f.rod_plug_rest)) if plugged else OPEN
    insulator = f.insulator_ohms if lit else f.insulator_ohms * f.insulator_rest
    coat = f.coating_ohms if lit else np.maximum(f.coating_ohms * f.coat_to_tips, LEAST_COAT)
    return [
        Branch("sense", _sense(f), 1 / f.sense_ohms),
        between(
            "coil, and wire, board half", "board_rod_terminal", "connector_in", 1 / (f.coil_ohms + f.wire_ohms / 2)
        ),
        between("connector", "connector_in", "connector_out", 1 / plug),
        between("chafe", "connector_out", "chassis", 1 / f.chafe_ohms),
        between("wire, rod half", "connector_out", "rod_wire_end", half),
        between("rod metal", "rod_wire_end", "rod", 1 / rod),
        between("coating", "rod", "rod_blade", 1 / coat),
        between("insulator", "rod", "burner", 1 / insulator),
    ]
