"""Cases of the second world, and the families that its sheets make."""

from __future__ import annotations

from collections.abc import Iterator

from flows.faults import catalog
from flows.judge.profiles import Equipment
from tests.lab.measure.reasoning_world import Case
from tests.outside.second_world import PROBES, furnaces
from tests.outside.second_world_mapping import family, shown

WATCHED = "flame_current_watched"
"""Not a reading of its own there: the low and high of the flame current."""


def draw_second(part: str, seed: int, n: int, trade: bool = True) -> Iterator[tuple[Equipment, Case]]:
    """n furnaces of a part of the second world, each with the family its sheet makes."""
    ours = [name for name, one in catalog.probes().items() if not one.proof and (name in PROBES or name == WATCHED)]
    for furnace in furnaces(part, n, seed, trade_effects=trade):
        readings = {name: furnace.readings[name] for name in PROBES}
        yield family(furnace.sheet), Case("+".join(furnace.truth), (), {name: shown(name, readings) for name in ours})
