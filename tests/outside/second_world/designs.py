"""The boards of the second furnace world and their family sheets.

Whoever builds or tunes the product may use the sheets of the tuning half and nothing else here. The test half is for
the last
judgement: nobody looks at its file or its figures before the product stands. `SPLIT` says which is which and is never
changed.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

import yaml

from tests.outside.second_world.plant import Plant

SPLIT = {
    "tune": ("series-capacitor", "low-volt-rod", "step-up-integrator", "isolated-return"),
    "test": ("divided-line", "doubled-secondary", "strong-winding", "stepped-line"),
}
_HERE = Path(__file__).parent
_BOARD_FIELDS = {field.name for field in fields(Plant)}


@dataclass(frozen=True)
class Sheet:
    """What the maker prints, and all that may be told of a board.

    `rod_volts`: alternating volts at the rod end of the wire, wire off the rod, to bare burner metal, no call for
    heat, 10 MΩ meter; good within `rod_volts * (1 ± rod_tolerance)`. `healthy`, `minimum`: flame current in amperes.
    `supply_volts`,
    `secondary_volts`: nominal; the secondary without call for heat. `turns`: primary turns over secondary turns.
    """

    family: str
    rod_volts: float
    rod_tolerance: float
    healthy: tuple[float, float]
    minimum: float
    supply_volts: float
    secondary_volts: float
    turns: float


@dataclass(frozen=True)
class Design:
    """A board: its own values over the plain furnace's, and its sheet. `combined_rod`: share with one rod for spark
    and sense."""

    id: str
    says: str
    origin: str
    board: dict
    combined_rod: float
    sheet: Sheet


def designs(part: str) -> tuple[Design, ...]:
    """The designs of "tune" or "test". Raises ValueError for anything else, or when a file does not fit `SPLIT`."""
    if part not in SPLIT:
        raise ValueError(f"part is {part!r}; write 'tune' or 'test'")
    rows = yaml.safe_load((_HERE / f"designs_{part}.yaml").read_text(encoding="utf-8"))["designs"]
    found = tuple(_design(row) for row in rows)
    if tuple(design.id for design in found) != SPLIT[part]:
        raise ValueError(f"designs_{part}.yaml does not hold the designs of SPLIT[{part!r}]; put them back")
    return found


def _design(row: dict) -> Design:
    board = dict(row["board"], flame_forward=row["flame_forward"])
    unknown = set(board) - _BOARD_FIELDS
    if unknown:
        raise ValueError(f"design {row['id']}: no such value of a furnace: {sorted(unknown)}")
    printed = row["sheet"]
    # a supply transformer is wound a little high for its own losses; see `population`
    board["ratio"] = printed["secondary_volts"] / printed["supply_volts"] * 1.01
    sheet = Sheet(
        family=row["id"],
        rod_volts=float(printed["rod_volts"]),
        rod_tolerance=printed["rod_tolerance"],
        healthy=(printed["healthy"][0] * 1e-6, printed["healthy"][1] * 1e-6),
        minimum=printed["minimum"] * 1e-6,
        supply_volts=float(printed["supply_volts"]),
        secondary_volts=float(printed["secondary_volts"]),
        turns=round(printed["supply_volts"] / printed["secondary_volts"], 2),
    )
    return Design(row["id"], row["says"], row["origin"], board, row["combined_rod"], sheet)
