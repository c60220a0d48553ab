"""The record of a visit: one JSON object a line, on disk before the next sentence is spoken.

A visit is a folder that only its owner may read: journal.jsonl, plan.json
(what the visit goes by), audio/NNNN.flac (what was heard, as far as it is
kept), conversation.wav. Lines are only ever added, each chained to the one
before (`assistant.visit.chain`). A last line that was torn by a lost battery is
passed over when reading and cut off before more is written. One process
writes at a time.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from assistant import private
from assistant.errors import DiskFull, InUse, JournalError
from assistant.hearing.audio.files import write_new
from assistant.visit import chain
from assistant.visit.answers import plain
from assistant.visit.journal_door import FILE, read
from assistant.visit.journal_kinds import NEWEST as VERSION

__all__ = ["FILE", "RESERVE", "VERSION", "Clock", "Event", "Journal", "in_alarm", "locked", "read", "utc_now"]

RESERVE = ".reserve"
RESERVE_BYTES = 64 * 1024
"""Kept free beside the journal, so that a full disk cannot cost the reading just confirmed."""
NO_ROOM = (errno.ENOSPC, errno.EDQUOT)
Clock = Callable[[], datetime]
Event = dict[str, Any]


def utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True)
class _At:
    """Where a journal stands: the number of its next line, the chain of its last, its bytes."""

    number: int
    chain: str
    size: int


class Journal:
    """Adds lines to one visit's journal. Raises JournalError, DiskFull, InUse.

    before: the lines that were there when it was opened. was_torn: whether a
    last line was cut off. is_full: the disk is, and the visit has to stop.
    """

    def __init__(self, folder: Path, clock: Clock = utc_now) -> None:
        """Open the journal in `folder`, making both when they are not there. InUse when another process writes it."""
        self.folder = folder
        self._clock = clock
        self._stuck = False
        self._closed = False
        self.is_full = False
        try:
            private.make_folder(folder / "audio")
            self._file = locked(folder)
        except OSError as error:
            raise _mapped(error, folder) from error
        try:
            self.before, self.was_torn = read(folder)
            if chain.check(self.before).state == "broken":
                raise JournalError(
                    f"The record in {folder.name} was changed since it was written.",
                    "It stays as it is; start a new visit. See: twohands records verify",
                )
            if self.was_torn:
                _cut_torn_line(folder / FILE)
            self._at = _At(len(self.before) + 1, chain.seal_of(self.before), os.fstat(self._file).st_size)
            _reserve(folder / RESERVE)
            private.sync_folder(folder)
        except BaseException as error:
            os.close(self._file)
            if isinstance(error, OSError):
                raise _mapped(error, folder) from error
            raise

    def write(self, kind: str, data: Event | None = None) -> Event:
        """Add one line and force it to the disk.

        When the disk is full the reserve is given up for it and `is_full` is
        set: the line is kept, and the visit has to stop. Raises DiskFull when
        even that does not help, JournalError for anything else; a line that
        could not be written whole is taken back.
        """
        if self._closed:
            # The number of the file may be another file's by now, and the line would go there.
            raise JournalError(
                f"The record in {self.folder.name} is closed.", "Open it again with: twohands run --resume."
            )
        if self._stuck:
            raise JournalError(
                f"The record in {self.folder.name} can't be written any more.",
                "Check the disk, then go on with: twohands run --resume.",
            )
        at = self._at
        event = {"v": VERSION, "seq": at.number, "at": self._clock().isoformat(), "kind": kind, **plain(data or {})}
        event["chain"] = chain.link(at.chain, event)
        line = (json.dumps(event, ensure_ascii=False, allow_nan=False) + "\n").encode()
        try:
            self._append(line, at.size)
        except OSError as error:
            if error.errno not in NO_ROOM or not (self.folder / RESERVE).exists():
                raise _mapped(error, self.folder) from error
            (self.folder / RESERVE).unlink()
            self.is_full = True
            self._append_or_raise(line, at.size)
        # In one go: an interrupt comes before or after it. Before, the line does not count and is taken back by the
        # next.
        self._at = _At(at.number + 1, event["chain"], at.size + len(line))
        return event

    def _append(self, line: bytes, start: int) -> None:
        if os.fstat(self._file).st_size != start:
            os.ftruncate(self._file, start)
        try:
            left = line
            while left:
                left = left[os.write(self._file, left) :]
            os.fsync(self._file)
        except OSError:
            # Where not even that can be taken back, nothing may follow half a line.
            self._stuck = not _shorten(self._file, start)
            raise

    def _append_or_raise(self, line: bytes, start: int) -> None:
        try:
            self._append(line, start)
        except OSError as error:
            raise _mapped(error, self.folder) from error

    def snippet(self, sound: np.ndarray, name: str = "") -> str | None:
        """Keep what was heard (int16, 16 kHz) under a name that was never used before; that name inside the folder.

        name: in place of the number of the line that comes next. None when there
        was no sound, or no room: the words matter more than their sound.
        """
        if len(sound) == 0 or self.is_full:
            return None
        try:
            return f"audio/{write_new(self.folder / 'audio', name or f'{self._at.number:04d}', '.flac', sound).name}"
        except DiskFull:
            return None

    def memo(self, sound: np.ndarray) -> str | None:
        """Keep the sound of a voice memo; its name inside the folder, None as for a snippet."""
        return self.snippet(sound, f"memo-{self._at.number:04d}")

    def close(self) -> None:
        """Let the lock go. A second time does nothing: the number of the file may be another file's by then."""
        if self._closed:
            return
        (self.folder / RESERVE).unlink(missing_ok=True)
        self._closed = True
        os.close(self._file)


def locked(folder: Path) -> int:
    """The journal file of a visit, open for adding, with the lock that ends with the process. Raises InUse, OSError."""
    path = folder / FILE
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, private.FILE)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.fstat(handle).st_ino != path.stat().st_ino:
            raise FileNotFoundError(errno.ENOENT, "the visit was removed meanwhile")
    except BlockingIOError as error:
        os.close(handle)
        raise InUse(
            f"Another Twohands is on the visit {folder.name}.", "Go on there, or end it there first."
        ) from error
    except OSError:
        os.close(handle)
        raise
    return handle


def in_alarm(events: Iterable[Event]) -> bool:
    """Whether a gas alarm was raised and not called false."""
    kinds = [event.get("kind") for event in events if event.get("kind") in ("alarm", "alarm_over")]
    return kinds[-1:] == ["alarm"]


def _cut_torn_line(path: Path) -> None:
    raw = path.read_bytes()
    whole = raw[: raw.rfind(b"\n") + 1]
    if whole == raw:
        whole = raw[: raw.rfind(b"\n", 0, len(raw) - 1) + 1]
    with path.open("r+b") as file:
        file.truncate(len(whole))
        os.fsync(file.fileno())


def _reserve(path: Path) -> None:
    """Real bytes, not a hole: a sparse file would keep nothing free."""
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, private.FILE), "wb") as file:
        file.write(b"\0" * RESERVE_BYTES)
        file.flush()
        os.fsync(file.fileno())


def _shorten(file: int, size: int) -> bool:
    """Whether it worked; where the disk refuses, a reader passes over a torn line."""
    try:
        os.ftruncate(file, size)
    except OSError:
        return False
    return True


def _mapped(error: OSError, folder: Path) -> JournalError:
    if error.errno in NO_ROOM:
        return DiskFull(
            "The disk is full. I can't keep the record.", "Make room, then go on with: twohands run --resume."
        )
    return JournalError(
        f"The record in {folder.name} can't be written ({error.strerror}).",
        "Check the folder and its rights, or choose another with --visits.",
    )
