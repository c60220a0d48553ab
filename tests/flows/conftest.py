"""Shared by the tests of flows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from assistant import knowledge_store as reason_store
from flows.faults import catalog
from flows.faults.display import as_measured
from flows.judge.profiles import meter
from flows.reason.assess import Evidence
from flows.reason.knowledge import Knowledge

# A healthy visit on the larkspur family, in that family's invented figures.
SOUND: dict[str, float] = {
    "supply_hot_neutral": 119.6,
    "supply_hot_ground": 119.7,
    "supply_neutral_ground": 0.14,
    "secondary_r_c": 24.4,
    "line_to_r": 95.2,
    "rod_to_ground": 88.0,
    "leads_together": 0.2,
    "ground_path": 0.85,
    "flame_current": 2.7e-6,
}


@pytest.fixture(scope="session")
def known(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    """Knowledge of larkspur with dunlin, built once for the session."""
    folder: Path = tmp_path_factory.mktemp("knowledge")
    return reason_store.knowledge("larkspur", "dunlin", folder=folder)


@pytest.fixture(scope="session")
def evidence() -> Callable[..., dict[str, Evidence]]:
    """evidence(proves=None, without=(), only=None, **readings in SI): a sound visit with those readings put in its
    place."""

    def make(
        proves: bool | None = None,
        without: tuple[str, ...] = (),
        only: tuple[str, ...] | None = None,
        **readings: float,
    ) -> dict[str, Evidence]:
        values = {**SOUND, **readings}
        kept = [name for name in values if name not in without and (only is None or name in only)]
        found: dict[str, Evidence] = {
            name: as_measured(values[name], catalog.probes()[name].quantity, meter("dunlin")) for name in kept
        }
        if proves is not None:
            found["board_proves_flame"] = proves
        return found

    return make
