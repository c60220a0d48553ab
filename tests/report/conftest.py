"""Visits for reports: simulated ones by what happened in them, and real ones walked by the dialogue."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests import visiting
from tests.flows.technician import Furnace
from tests.lab.invented.visits import invented_visits
from tests.visiting import visit_in

Events = list[dict[str, Any]]


@pytest.fixture(scope="session")
def find() -> Callable[[Callable[[Events], bool]], Events]:
    """The first simulated visit that is wanted."""
    made: list[Events] = list(invented_visits(300, seed=4))

    def first(wanted: Callable[[Events], bool]) -> Events:
        return next(one for one in made if wanted(one))

    return first


@pytest.fixture(scope="session")
def real_visits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Visits walked by the real dialogue, reasoner and journal, by what is wrong with the furnace."""
    folder = tmp_path_factory.mktemp("visits")
    for name, furnace in FURNACES.items():
        visit_in(folder / name, furnace, site=f"{name} lane", technician="Ada Quill")
    return {name: folder / name for name in FURNACES}


FURNACES = {
    "healthy": Furnace(),
    "corroded": visiting.CORRODED,
    "swapped": visiting.SWAPPED,
    "open ground": visiting.OPEN_GROUND,
    "ground mended": visiting.GROUND_MENDED,
    "phase mended": visiting.PHASE_MENDED,
    "mended and stopped": visiting.MENDED_AND_STOPPED,
    "rod cleaned": visiting.ROD_CLEANED,
    "supply skipped": visiting.SKIPPED,
    "never lit": visiting.NEVER_LIT,
}
