"""What the desk does unasked: follow journals, show their lines, and import what has ended."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool

from assistant.desk.context import Desk
from assistant.desk.live import Event
from assistant.errors import JournalError
from assistant.journal import FILE, read
from assistant.records.errors import StoreError
from assistant.records.importing import import_journals
from assistant.records.queries import known_ids

PAUSE = 0.2
"""Seconds between two looks at the journals; a fifth of the second within which a line is to be seen."""
TIDY = 60.0
log = logging.getLogger("twohands.desk")


async def show(desk: Desk, key: str, path: Path, place: int, events: list[Event], age: float = 0.0) -> None:
    """Put lines in sight, and import the visit when it has ended."""
    there = desk.live.visits.get(key)
    if place > (len(there.events) if there else 0):
        place, events = 0, (await run_in_threadpool(read, path))[0]
    was_ended = there is not None and there.ended
    desk.live.add(key, place, events, age)
    if desk.live.visits[key].ended and not was_ended:
        _begin(desk, keep(desk, [path]))


async def keep(desk: Desk, paths: list[Path]) -> None:
    """Import journals; trouble is logged, and the journals stay where they are."""
    try:
        done = await run_in_threadpool(import_journals, desk.store, paths)
    except StoreError as error:
        log.error("%s", error.text)
        return
    for problem in done.problems:
        log.warning("not imported: %s", problem)
    for visit in done.conflicts:
        log.warning("visit %s came in two versions; both are kept", visit)


def _begin(desk: Desk, work: Coroutine[Any, Any, None]) -> None:
    """Start work beside the rest; the desk waits for it before it closes."""
    task = asyncio.create_task(work)
    desk.keeping.add(task)
    task.add_done_callback(desk.keeping.discard)


async def _keep_unknown(desk: Desk) -> None:
    await keep(desk, await run_in_threadpool(unknown, desk))


def unknown(desk: Desk) -> list[Path]:
    """Journals on disk whose visit the store does not hold."""
    places = [*(desk.visits.glob(f"*/{FILE}") if desk.visits else ()), *desk.received.folder.glob(f"*/*/{FILE}")]
    held = known_ids(desk.store)
    return sorted(path for path in places if path.parent.name not in held)


async def follow(desk: Desk) -> None:
    """Look at the journals for ever."""
    _begin(desk, _keep_unknown(desk))
    tidied = desk.live.clock()
    while True:
        for source, watch in desk.watches.items():
            for name, place, events, age in await run_in_threadpool(lambda watch=watch: list(watch.look())):
                try:
                    await show(desk, f"{source}/{name}", watch.folder / name / FILE, place, events, age)
                except JournalError as error:
                    log.warning("%s", error.text)
        if desk.live.clock() - tidied > TIDY:
            desk.live.tidy()
            tidied = desk.live.clock()
        await asyncio.sleep(PAUSE)


@asynccontextmanager
async def lifespan(app: Starlette) -> AsyncIterator[None]:
    task = asyncio.create_task(follow(app.state.desk))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await asyncio.gather(*app.state.desk.keeping)
