"""The longest files first, so that no worker sits over one of them at the end while the others are done; and nobody's
own settings are read."""

from __future__ import annotations

import os

import pytest

os.environ["TWOHANDS_SETTINGS"] = os.devnull + "/settings.yaml"

LONGEST = (
    "assistant/test_demo.py",
    "flows/test_safety_walk.py",
    "assistant/test_replay.py",
    "assistant/test_live_visit.py",
    "assistant/test_own_voice.py",
    "assistant/test_live.py",
    "flows/test_order.py",
    "assistant/test_visit.py",
    "assistant/test_resuming.py",
    "assistant/test_practice_by_voice.py",
    "test_style.py",
    "desk/test_api.py",
    "desk/test_pages.py",
    "flows/test_spoken_check.py",
)
"""Files of half a minute and more, as they were measured; `pytest --durations=60` tells when that changes."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The same tests in another order; within a file it stays."""
    places = {name: place for place, name in enumerate(LONGEST)}
    items.sort(
        key=lambda item: next((places[one] for one in LONGEST if item.path.as_posix().endswith(one)), len(LONGEST))
    )
