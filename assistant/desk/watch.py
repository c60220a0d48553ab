"""Follows the journals in a folder of visits as they grow, without a library of its own for it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from assistant.journal import FILE

Event = dict[str, Any]
EACH_SCAN = 10.0
"""Seconds between two looks for visits that were resumed after a long rest."""
RESTS = 12 * 3600.0
"""Seconds without a new line after which a journal is only looked at in a scan."""


@dataclass
class Tail:
    """One journal that is followed. offset: bytes read. events: how many lines."""

    path: Path
    offset: int = 0
    count: int = 0
    ended: bool = False
    size: int = -1

    def more(self) -> list[Event]:
        """New whole lines since the last look. A line that is not whole yet waits; one that is no JSON ends the following."""
        try:
            size = self.path.stat().st_size
            if size == self.size:
                return []
            with self.path.open("rb") as file:
                file.seek(self.offset)
                raw = file.read()
        except OSError:
            # The folder was moved or taken away; the next scan finds what is there then.
            return []
        self.size = size
        found: list[Event] = []
        for line in raw.splitlines(keepends=True):
            if not line.endswith(b"\n"):
                break
            try:
                event = json.loads(line)
            except ValueError:
                break
            if not isinstance(event, dict):
                break
            self.offset += len(line)
            found.append(event)
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
                yield name, place, events, max(0.0, now - tail.path.stat().st_mtime)

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
        for place in self.folder.iterdir():
            path = place / FILE
            try:
                age = now - path.stat().st_mtime
            except OSError:
                continue
            if age < RESTS and place.name not in self.tails:
                self.tails[place.name] = Tail(path)
            elif age >= RESTS:
                self.tails.pop(place.name, None)
