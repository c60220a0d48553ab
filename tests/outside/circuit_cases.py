"""Furnaces to hold against ngspice: linear ones, and lit ones whose flame is a diode path."""

from __future__ import annotations

from dataclasses import replace

from flows.circuit import OPEN, Furnace, nominal
from flows.judge.profiles import equipment

NAME = {
    "board_rod_terminal": "terminal",
    "rod_wire_end": "end",
    "board_ground": "board",
    "connector_out": "cout",
    "connector_in": "cin",
    "rod_blade": "blade",
}


def furnace(family: str = "larkspur", **changes: float) -> Furnace:
    return replace(nominal(equipment(family)), **changes)


LINEAR = {
    "healthy": furnace(),
    "low supply": furnace(supply_volts=98.0),
    "hot and neutral swapped": furnace(swapped=1.0),
    "no equipment ground": furnace(ground_ohms=OPEN),
    "no bond at the panel": furnace(bond_ohms=OPEN),
    "bootleg ground": furnace(ground_ohms=OPEN, bootleg_ohms=0.1),
    "bootleg ground, swapped": furnace(ground_ohms=OPEN, bootleg_ohms=0.1, swapped=1.0),
    "secondary exchanged": furnace(orientation=-1.0),
    "common floating": furnace(common_ground_ohms=OPEN),
    "poor neutral": furnace(neutral_ohms=12.0),
    "weak transformer": furnace(winding_ohms=25.0),
    "connector of 5 MΩ": furnace(connector_ohms=5e6),
    "open ground, cabinet bonded by a pipe": furnace(ground_ohms=OPEN, pipe_ohms=8.0),
    "plug of 5 MΩ, good while cold": furnace(connector_ohms=5e6, connector_rest=1e-7),
    "crack of 300 kΩ, closed while cold": furnace(insulator_ohms=3e5, insulator_rest=2e3),
    "C on the cabinet, board ground off": furnace(common_at_cabinet=1.0, board_chassis_ohms=OPEN),
    "C on the cabinet, rod supply from the low side": furnace(common_at_cabinet=1.0, rod_from_secondary=1.0),
    "plug at the rod of 5 MΩ": furnace(rod_plug_ohms=5e6),
    "rod supply from the low side": furnace(rod_from_secondary=1.0),
    "rod supply from the low side, secondary exchanged, C floating": furnace(
        rod_from_secondary=1.0, orientation=-1.0, common_ground_ohms=OPEN
    ),
    "insulator of 300 kΩ": furnace(insulator_ohms=3e5),
    "rod shorted": furnace(insulator_ohms=0.5),
    "wire chafed": furnace(chafe_ohms=4e5),
    "board ground off": furnace(board_chassis_ohms=OPEN),
    "burner corroded": furnace(burner_chassis_ohms=2e6),
    "foxglove": furnace("foxglove"),
    "yarrow": furnace("yarrow"),
}

PAIRS = (
    ("hot", "neutral", True),
    ("hot", "ground", True),
    ("neutral", "ground", True),
    ("r", "common", True),
    ("hot", "r", True),
    ("rod_wire_end", "burner", False),
    ("rod_wire_end", "burner", True),
    ("chassis", "earth", True),
)

FLAMES = {
    "healthy": furnace(),
    "foxglove": furnace("foxglove"),
    "yarrow": furnace("yarrow"),
    "rod supply from the low side": furnace(rod_from_secondary=1.0),
    "C on the cabinet, board ground off": furnace(common_at_cabinet=1.0, board_chassis_ohms=OPEN),
    "plug at the rod of 4 MΩ": furnace(rod_plug_ohms=4e6),
    "rod coated, 15 MΩ": furnace(coating_ohms=15e6),
    "crack of 5 MΩ, closed while cold": furnace(insulator_ohms=5e6, insulator_rest=1e3),
    "plug of 4 MΩ, good while cold": furnace(connector_ohms=4e6, connector_rest=1e-7),
    "connector of 4 MΩ": furnace(connector_ohms=4e6),
    "insulator of 5 MΩ": furnace(insulator_ohms=5e6),
    "wire chafed, 2 MΩ": furnace(chafe_ohms=2e6),
    "burner corroded, 6 MΩ": furnace(burner_chassis_ohms=6e6),
    "no equipment ground": furnace(ground_ohms=OPEN),
    "hot and neutral swapped": furnace(swapped=1.0),
    "thin flame": furnace(forward_ohms=35e6, reverse_ohms=400e6),
    "strong flame, little rectifying": furnace(forward_ohms=1.5e6, reverse_ohms=4e6),
    "small capacitor": furnace(rod_capacitor=2.2e-9),
}
