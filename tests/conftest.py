"""The longest files first, so that no worker sits over one of them at the end while the others are done; and nobody's
own settings are read."""

from __future__ import annotations

import os

import pytest

os.environ["TWOHANDS_SETTINGS"] = os.devnull + "/settings.yaml"

LONGEST = (
    "flows/test_safety_walk.py",
    "assistant/visit/test_live_visit.py",
    "assistant/visit/test_demo.py",
    "assistant/hearing/engines/test_gas_is_heard.py",
    "assistant/visit/test_lost_devices.py",
    "assistant/hearing/adapt/test_own_voice.py",
    "authoring/test_authoring_check.py",
    "flows/test_order.py",
    "assistant/visit/test_interrupting_live.py",
    "assistant/hearing/audio/test_live.py",
    "flows/test_spoken_check.py",
    "assistant/visit/test_visit.py",
    "assistant/visit/test_resuming.py",
    "assistant/visit/test_replay.py",
    "assistant/visit/test_adaptive_visit.py",
    "desk/test_pages.py",
    "assistant/practice/test_practice_by_voice.py",
    "test_style.py",
    "desk/test_api.py",
)
"""Files of a quarter of a minute and more, as they were measured; `pytest --durations=60` tells when that changes."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The same tests in another order; within a file it stays."""
    places = {name: place for place, name in enumerate(LONGEST)}
    items.sort(
        key=lambda item: next((places[one] for one in LONGEST if item.path.as_posix().endswith(one)), len(LONGEST))
    )
