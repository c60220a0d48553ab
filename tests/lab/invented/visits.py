"""Simulated visits, seeded: the journal lines that a visit would have left.

    for events in invented_visits(1000, seed=7): ...

They are for demonstration and for measuring the store and the page. They are
not made by the dialogue, and say so by `invented`.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.lab.invented.steps import visit_events
from tests.lab.invented.world import World

BEGIN = datetime(2021, 1, 4, 7, 30, tzinfo=UTC)
YEARS = 5


def invented_visits(
    count: int, seed: int, begin: datetime = BEGIN, days: float = 365.0 * YEARS, sites: int | None = None
) -> Iterator[list[dict[str, Any]]]:
    """`count` visits in order of time over `days` from `begin`, each a list of journal lines.

    sites: how many furnaces there are; a twelfth of the visits by default.
    """
    world = World.from_seed(seed, sites or max(8, count // 12), days)
    for number in range(count):
        day = days * number / max(1, count) + world.chance.random() * days / max(1, count)
        furnace, person = world.call(day)
        own = random.Random(f"{seed}/{number}")
        start = (begin + timedelta(days=day)).replace(microsecond=own.randrange(1_000_000))
        name = f"{start:%Y%m%d-%H%M%S}-{own.randrange(16**6):06x}"
        yield visit_events(name, start, furnace, person, day, own)


def write_journal(folder: Path, events: list[dict[str, Any]]) -> Path:
    """Write one visit as `folder`/<visit id>/journal.jsonl and return that path."""
    path = folder / events[0]["visit"] / "journal.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        "".join(json.dumps(one, ensure_ascii=False, separators=(",", ":")) + "\n" for one in events), encoding="utf-8"
    )
    return path
