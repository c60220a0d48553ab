"""What the desk does unasked: follow journals, show their lines, and import what has ended."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool

from assistant.desk.context import Desk
from assistant.desk.live import Event
from assistant.desk.watch import Watch
from assistant.errors import JournalError
from assistant.privacy import Privacy, privacy
from assistant.records.errors import StoreError
from assistant.records.importing import import_journals
from assistant.records.queries import known_ids
from assistant.records.removing import retain
from assistant.visit.expire import expire
from assistant.visit.journal import FILE, read
from grammar.errors import DataFileError

PAUSE = 0.2
"""Seconds between two looks at the journals; a fifth of the second within which a line is to be seen."""
TIDY = 60.0
DAILY = 24 * 3600.0
MOST_REFUSED = 200
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
        place, _, why = problem.partition(": ")
        if len(desk.refused) < MOST_REFUSED:
            desk.refused[place] = why
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
    return sorted(path for path in places if path.parent.name not in held and path.is_file())


def _seen(watch: Watch) -> list[tuple[str, int, list[Event], float]]:
    return list(watch.look())


def _expired(folder: Path, settings: Privacy, now: datetime) -> list[str]:
    return list(expire(folder, settings, now))


async def follow(desk: Desk) -> None:
    """Look at the journals for ever."""
    _begin(desk, _keep_unknown(desk))
    tidied, retained = desk.live.clock(), float("-inf")
    while True:
        for source, watch in desk.watches.items():
            for name, place, events, age in await run_in_threadpool(_seen, watch):
                try:
                    await show(desk, f"{source}/{name}", watch.folder / name / FILE, place, events, age)
                except (JournalError, ValueError) as error:
                    # One journal must never end the live view of the others.
                    log.warning("%s", error)
                    desk.refused[name] = str(error)
            for name, why in watch.broken():
                if len(desk.refused) < MOST_REFUSED and name not in desk.refused:
                    log.warning("not followed: %s: %s", name, why)
                    desk.refused[name] = f"not followed: {why}"
        if desk.live.clock() - tidied > TIDY:
            desk.live.tidy()
            tidied = desk.live.clock()
        if desk.live.clock() - retained > DAILY:
            retained = desk.live.clock()
            _begin(desk, _retained(desk))
        await asyncio.sleep(PAUSE)


async def _retained(desk: Desk) -> None:
    """Forget what the settings no longer keep, once a day."""
    try:
        settings = privacy()
        now = datetime.fromtimestamp(desk.wall(), UTC)
        for folder in [
            *([desk.visits] if desk.visits else []),
            *(path for path in desk.received.folder.glob("*") if path.is_dir()),
        ]:
            for line in await run_in_threadpool(_expired, folder, settings, now):
                log.warning("%s", line)
        await run_in_threadpool(retain, desk.store, settings, desk.wall())
    except (DataFileError, StoreError) as error:
        log.error("%s", error.text)


@asynccontextmanager
async def lifespan(app: Starlette) -> AsyncIterator[None]:
    task = asyncio.create_task(follow(app.state.desk))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await asyncio.gather(*app.state.desk.keeping)
