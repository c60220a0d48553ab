"""What is asked of a full store, and what it costs: filling it, lists, one visit, rates, the commands as a person
types them. Wall times, processor time and memory."""

from __future__ import annotations

import itertools
import random
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import update

from assistant.records.importing import Journal, import_events
from assistant.records.queries import Wanted, counted, listed, resolve, visit_copies
from assistant.records.store import Store, open_store
from assistant.records.tables import visits
from tests.lab.invented.visits import invented_visits

MEASURED = """
import os, resource, subprocess, sys, time
begun = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(time.perf_counter() - begun, used.ru_utime + used.ru_stime, used.ru_maxrss / 1000, done.returncode)
"""
"""Runs a command out of a small process: a child is charged with the memory of the process that it was forked from."""
POOL = 2000
PIECES = 10
"""Pieces that filling is told in: what grows worse than the number of visits shows as a falling rate."""


def percentile(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, round(share * (len(values) - 1)))]


def peak_megabytes() -> float:
    """The most memory that this process has held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


def many_visits(number: int) -> Iterator[list[dict[str, Any]]]:
    """`number` visits, of which only `POOL` are made anew: the others are these at other places, some hours later.
    Making one takes longer than importing it."""
    pool = list(invented_visits(min(POOL, number), seed=1))
    for count in range(number):
        turn, events = count // len(pool), pool[count % len(pool)]
        if not turn:
            yield events
            continue
        later = timedelta(hours=1.3 * turn)
        moved = [{**one, "at": (datetime.fromisoformat(one["at"]) + later).isoformat()} for one in events]
        moved[0] |= {"visit": f"{events[0]['visit']}-{turn}", "site": f"{events[0]['site']}, {turn}"}
        yield moved


def fill(url: str, number: int) -> None:
    """Bring the store to `number` visits, and tell the rate of each piece; making the visits is not counted."""
    with open_store(url) as store:
        have, making, worked = counted(store), 0.0, 0.0
        made = itertools.islice(many_visits(number), have, None)

        def passed(count: int) -> Iterator[Journal]:
            nonlocal making, worked
            for _ in range(count):
                begun, before = time.perf_counter(), time.process_time()
                events = next(made)
                making, worked = making + time.perf_counter() - begun, worked + time.process_time() - before
                yield Journal(events, False, "simulated", passed=True)

        for piece in range(PIECES):
            until = have + (number - have) * (piece + 1) // PIECES
            count, making, worked = until - counted(store), 0.0, 0.0
            if count <= 0:
                continue
            wall, processor = time.perf_counter(), time.process_time()
            import_events(store, passed(count))
            wall, processor = time.perf_counter() - wall - making, time.process_time() - processor - worked
            print(
                f"filled to {until:7}: {count / wall:5.0f} visits/s ({count / processor:.0f} a second of processor"
                f" time), memory at most {peak_megabytes():.0f} MB",
                flush=True,
            )
        with store.reading() as connection:
            if store.sqlite:
                pages, size = (
                    connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("page_count", "page_size")
                )
                whole = pages * size
            else:
                whole = connection.exec_driver_sql("SELECT pg_database_size(current_database())").scalar()
        print(f"store: {counted(store)} visits, {whole / 1e6:.0f} MB, {whole / counted(store) / 1000:.1f} kB a visit")


def questions(url: str, rounds: int) -> None:
    """The questions behind the commands and pages, one after another on an open store."""
    chance = random.Random(6)
    with open_store(url) as store:
        rows = listed(store, limit=5000)
        people, places = sorted({row["technician"] for row in rows}), sorted({row["site"] for row in rows})

        def page(wanted: Wanted, after: tuple[int, str] | None = None) -> None:
            listed(store, wanted, 50, after)
            counted(store, wanted)

        def deep() -> None:
            row = chance.choice(rows)
            page(Wanted(), (row["started_at"], row["id"]))

        asked: dict[str, Callable[[], Any]] = {
            "list, newest": lambda: page(Wanted()),
            "list, a later page": deep,
            "list, one technician": lambda: page(Wanted(technician=chance.choice(people))),
            "list, one place": lambda: page(Wanted(site=chance.choice(places))),
            "list, one fault": lambda: page(Wanted(fault="rod_coated")),
            "list, words": lambda: page(Wanted(text=chance.choice(["ferry", "no such words", "ada"]))),
            "one visit": lambda: visit_copies(store, resolve(store, chance.choice(rows)["id"])),
        }
        for name, ask in asked.items():
            _told(name, ask, rounds)


def _told(name: str, ask: Callable[[], Any], rounds: int) -> None:
    times, processor = [], time.process_time()
    for _ in range(rounds):
        begun = time.perf_counter()
        ask()
        times.append(1000 * (time.perf_counter() - begun))
    processor = 1000 * (time.process_time() - processor) / rounds
    print(
        f"{name:24} p50 {percentile(times, 0.5):6.1f} ms   p95 {percentile(times, 0.95):6.1f} ms   most"
        f" {max(times):6.1f} ms   processor {processor:5.1f} ms",
        flush=True,
    )


def commands(url: str, folder: Path, own: bool, whole: bool) -> None:
    """Commands in a process of their own. own: the store is thrown away, so that its visits may count as real ones,
    which rates are learnt from. whole: verify all visits too, which takes some milliseconds for each."""
    with open_store(url) as store:
        name = str(listed(store, limit=1)[0]["id"])
        if own:
            _make_real(store)
    for words in (
        ["list"],
        ["list", "--text", "ferry"],
        ["show", name],
        ["rates"],
        ["export", str(folder / "visits.csv")],
        ["verify", name],
        *([["verify"]] if whole else []),
    ):
        line = [sys.executable, "-c", MEASURED, sys.executable, "-m", "assistant", "records", "--store", url, *words]
        told = subprocess.run(line, capture_output=True, text=True, check=True)
        wall, processor, memory, status = map(float, told.stdout.split())
        print(
            f"{' '.join(['twohands records', *words])[:40]:40} {wall:6.1f} s, processor {processor:6.1f} s, memory at"
            f" most {memory:5.0f} MB" + (f"  ended with {status:.0f}: {told.stderr.strip()[:100]}" if status else ""),
            flush=True,
        )


def _make_real(store: Store) -> None:
    with store.writing() as connection:
        connection.execute(update(visits).values(invented=False))
