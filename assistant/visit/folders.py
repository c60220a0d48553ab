"""The folder of visits: new names, which visits are not over, and which of them is the latest.

Every visit of a machine has a number in its first line. The latest is the one
with the highest number, whatever the clock said; visits from before there
were numbers come first, in order of their times.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from assistant import private
from assistant.errors import JournalError
from assistant.visit.journal import FILE
from assistant.visit.journal_door import ends, first_line


@dataclass(frozen=True, order=True)
class Unfinished:
    """A visit that was begun and has not ended, in order of beginning."""

    number: int
    at: str
    folder: Path


def begin_folder(visits: Path, now: datetime, ending: str = "") -> tuple[Path, int]:
    """A new folder for a visit that begins now, named by its time, and the visit's number. Raises JournalError."""
    stem, number = f"{now:%Y%m%d-%H%M%S}{ending}", 1
    try:
        private.make_folder(visits)
        with _alone(visits):
            while True:
                folder = visits / (stem if number == 1 else f"{stem}-{number}")
                try:
                    private.new_folder(folder)
                    break
                except FileExistsError:
                    number += 1
            return folder, _next_number(visits)
    except OSError as error:
        raise JournalError(
            f"No visit can be kept in {visits} ({error.strerror}).",
            "Check the folder and its rights, or choose another with --visits.",
        ) from error


def _next_number(visits: Path) -> int:
    """One more than any there is. Only first lines are read; a journal that cannot be read has none."""
    most = 0
    for path in visits.glob(f"*/{FILE}"):
        try:
            number = first_line(path).get("number")
        except JournalError:
            continue
        most = max(most, number if isinstance(number, int) else 0)
    return most + 1


def looked_at(visits: Path) -> tuple[list[tuple[int, str, Path, bool]], list[str]]:
    """Number, time, folder and whether it is over, of every visit; and a line for each that cannot be read. Only
    their ends are read."""
    found, passed = [], []
    for path in sorted(visits.glob(f"*/{FILE}")):
        try:
            first, last = ends(path)
        except JournalError as error:
            passed.append(error.problem)
            continue
        over = [event["kind"] for event in last if event["kind"] in ("end", "alarm")][-1:] == ["end"]
        number = first.get("number")
        found.append((number if isinstance(number, int) else 0, str(first.get("at")), path.parent, over))
    return found, passed


def unfinished(visits: Path) -> tuple[list[Unfinished], list[str]]:
    """The visits that were not ended, oldest first, and a line for each journal that had to be passed over."""
    found, passed = looked_at(visits)
    return sorted(Unfinished(number, at, folder) for number, at, folder, over in found if not over), passed


def latest(visits: Path) -> Path | None:
    """The folder of the newest visit that was not ended, or None."""
    found, _ = unfinished(visits)
    return found[-1].folder if found else None


@contextmanager
def _alone(visits: Path) -> Iterator[None]:
    """One process at a time; the lock ends with it, however it ends."""
    handle = os.open(visits, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
