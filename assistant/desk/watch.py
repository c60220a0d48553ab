"""Follows the journals in a folder of visits as they grow, without a library of its own for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from assistant.errors import NewerJournal
from assistant.visit.journal_door import FILE, Broken
from assistant.visit.journal_door import line as journal_line
from grammar.guards import LINE_BYTES

Event = dict[str, Any]
EACH_SCAN = 10.0
"""Seconds between two looks for visits that were resumed after a long rest."""
LOOK = 4 * LINE_BYTES
"""Bytes read of one journal in one look."""
RESTS = 12 * 3600.0
"""Seconds without a new line after which a journal is only looked at in a scan."""


@dataclass
class Tail:
    """One journal that is followed. offset: bytes read. count: how many lines. written: when it last was. broken: why
    it is not followed any more, or ""."""

    path: Path
    offset: int = 0
    count: int = 0
    ended: bool = False
    size: int = -1
    written: float = 0.0
    broken: str = ""

    def more(self) -> list[Event]:
        """New whole lines since the last look. A line that is not whole yet waits; one that is no journal line ends
        the following of this journal, and says why in `broken`."""
        try:
            found_there = self.path.stat()
            size, self.written = found_there.st_size, found_there.st_mtime
            if size == self.size or (self.broken and size > self.offset):
                return []
            self.broken = ""
            with self.path.open("rb") as file:
                file.seek(self.offset)
                raw = file.read(LOOK)
        except OSError:
            # The folder was moved or taken away; the next scan finds what is there then.
            return []
        self.size = size
        found: list[Event] = []
        for line in _lines(raw):
            try:
                event = journal_line(line.removesuffix(b"\n"))
            except (Broken, NewerJournal) as error:
                self.broken = getattr(error, "reason", str(error))
                break
            self.offset += len(line)
            found.append(event)
        if len(raw) == LOOK:
            self.size = -1  # More is there than one look takes.
            if not found and not self.broken and not raw.endswith(b"\n"):
                self.broken = "a line is too long"
        self.count += len(found)
        if found:
            self.ended = found[-1].get("kind") == "end"
        return found


@dataclass
class Watch:
    """A folder of visits. wall: seconds since 1970, as file times are. seen: folders known, followed or not."""

    folder: Path
    wall: Callable[[], float]
    tails: dict[str, Tail] = field(default_factory=dict)
    _touched: float = -1.0
    _scanned: float = -1.0
    _begun: bool = False

    def look(self) -> Iterator[tuple[str, int, list[Event], float]]:
        """What is new: visit's folder name, place of the first new line, the lines, and their age in seconds."""
        self._scan()
        now = self.wall()
        for name, tail in list(self.tails.items()):
            place = tail.count
            events = tail.more()
            if events:
                yield name, place, events, max(0.0, now - tail.written)

    def broken(self) -> Iterator[tuple[str, str]]:
        """The journals that are not followed any more, and why."""
        yield from ((name, tail.broken) for name, tail in self.tails.items() if tail.broken)

    def _scan(self) -> None:
        """Follow journals that were written to lately; cheap while no visit begins."""
        now = self.wall()
        try:
            touched = self.folder.stat().st_mtime
        except OSError:
            return
        if touched == self._touched and now - self._scanned < EACH_SCAN and now - touched > 1.0:
            return
        self._touched, self._scanned = touched, now
        try:
            places = list(self.folder.iterdir())
        except OSError:
            return
        for place in places:
            path = place / FILE
            try:
                age = now - path.stat().st_mtime
            except OSError:
                continue
            if age < RESTS and place.name not in self.tails:
                self.tails[place.name] = Tail(path)
            elif age >= RESTS:
                self.tails.pop(place.name, None)


def _lines(raw: bytes) -> Iterator[bytes]:
    """Whole lines with their line feed; a carriage return or another mark ends none."""
    begin = 0
    while (end := raw.find(b"\n", begin)) >= 0:
        yield raw[begin : end + 1]
        begin = end + 1
