"""The record of a visit: one JSON object a line, on disk before the next sentence is spoken.

A visit is a folder: journal.jsonl, audio/NNNN.flac (what was heard),
conversation.wav. Lines are only ever added. A last line that was torn by a
lost battery is passed over when reading and cut off before more is written.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from assistant.answers_json import plain
from assistant.audio.files import write as write_sound
from assistant.errors import DiskFull, JournalError

VERSION = 1
FILE = "journal.jsonl"
RESERVE = ".reserve"
RESERVE_BYTES = 64 * 1024
"""Kept free beside the journal, so that a full disk cannot cost the reading just confirmed."""
NO_ROOM = (errno.ENOSPC, errno.EDQUOT)
Clock = Callable[[], datetime]
Event = dict[str, Any]


def utc_now() -> datetime:
    return datetime.now(UTC)


class Journal:
    """Adds lines to one visit's journal. Raises JournalError, DiskFull."""

    def __init__(self, folder: Path, clock: Clock = utc_now) -> None:
        """Open the journal in `folder`, making both when they are not there."""
        self.folder = folder
        self._clock = clock
        try:
            (folder / "audio").mkdir(parents=True, exist_ok=True)
            events, self.was_torn = read(folder) if (folder / FILE).exists() else ([], False)
            self._next = events[-1]["seq"] + 1 if events else 1
            self._snippets = len(list((folder / "audio").glob("*.flac")))
            if self.was_torn:
                _cut_torn_line(folder / FILE)
            self.is_full = False
            _reserve(folder / RESERVE)
            self._file = os.open(folder / FILE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
            _sync_folder(folder)
        except OSError as error:
            raise _mapped(error, folder) from error

    def write(self, kind: str, data: Event | None = None) -> Event:
        """Add one line and force it to the disk.

        When the disk is full the reserve is given up for it and `is_full` is
        set: the line is kept, and the visit has to stop. Raises DiskFull when
        even that does not help, JournalError for anything else; a line that
        could not be written whole is taken back.
        """
        event = {"v": VERSION, "seq": self._next, "at": self._clock().isoformat(), "kind": kind, **plain(data or {})}
        line = (json.dumps(event, ensure_ascii=False, allow_nan=False) + "\n").encode()
        try:
            self._append(line)
        except OSError as error:
            if error.errno not in NO_ROOM or not (self.folder / RESERVE).exists():
                raise _mapped(error, self.folder) from error
            (self.folder / RESERVE).unlink()
            self.is_full = True
            self._append_or_raise(line)
        self._next += 1
        return event

    def _append(self, line: bytes) -> None:
        start = os.fstat(self._file).st_size
        try:
            left = line
            while left:
                left = left[os.write(self._file, left) :]
            os.fsync(self._file)
        except OSError:
            _shorten(self._file, start)
            raise

    def _append_or_raise(self, line: bytes) -> None:
        try:
            self._append(line)
        except OSError as error:
            raise _mapped(error, self.folder) from error

    def snippet(self, sound: np.ndarray) -> str | None:
        """Keep what was heard (int16, 16 kHz); its name inside the folder.

        None when there was no sound, or no room: the words matter more than their sound.
        """
        if len(sound) == 0 or self.is_full:
            return None
        name = f"audio/{self._snippets + 1:04d}.flac"
        try:
            write_sound(self.folder / name, sound)
        except DiskFull:
            return None
        self._snippets += 1
        return name

    def close(self) -> None:
        (self.folder / RESERVE).unlink(missing_ok=True)
        os.close(self._file)


def read(folder: Path) -> tuple[list[Event], bool]:
    """All whole lines of the journal in `folder`, and whether a torn last line was passed over.

    Raises JournalError for a missing journal or a broken line before the last.
    """
    path = folder / FILE if folder.is_dir() else folder
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise JournalError(f"There is no readable journal in {folder.name} ({error.strerror}).", "Check the name of the visit.") from error
    lines = raw.split(b"\n")
    tail = lines.pop()
    events: list[Event] = []
    for number, line in enumerate(lines, start=1):
        try:
            events.append(json.loads(line))
        except ValueError as error:
            if number == len(lines) and not tail:
                return events, True
            raise JournalError(f"Line {number} of the journal in {folder.name} is broken.", "Keep a copy of the file, then take that line out.") from error
    return events, bool(tail)


def in_alarm(events: Iterable[Event]) -> bool:
    """Whether a gas alarm was raised and not called false."""
    kinds = [event.get("kind") for event in events if event.get("kind") in ("alarm", "alarm_over")]
    return kinds[-1:] == ["alarm"]


def latest(visits: Path) -> Path | None:
    """The folder of the newest visit that was not ended, or None."""
    open_ones = []
    for path in visits.glob(f"*/{FILE}"):
        events, _ = read(path.parent)
        if events and events[0]["kind"] == "visit" and events[-1]["kind"] != "end":
            open_ones.append((events[0]["at"], path.parent))
    return max(open_ones)[1] if open_ones else None


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
    with path.open("wb") as file:
        file.write(b"\0" * RESERVE_BYTES)
        os.fsync(file.fileno())


def _shorten(file: int, size: int) -> None:
    try:
        os.ftruncate(file, size)
    except OSError:
        # The disk refuses even that; a reader passes over a torn line.
        return


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _mapped(error: OSError, folder: Path) -> JournalError:
    if error.errno in NO_ROOM:
        return DiskFull("The disk is full. I can't keep the record.", "Make room, then go on with: twohands run --resume.")
    return JournalError(f"The record in {folder.name} can't be written ({error.strerror}).", "Check the folder and its rights, or choose another with --visits.")
