"""Visits as they are spoken: everything that has been said so far, and whoever wants to hear the next line."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any

Event = dict[str, Any]
SHOWN = frozenset(
    {
        "visit",
        "resumed",
        "said",
        "heard",
        "reading",
        "verdict",
        "choice",
        "power",
        "jumper",
        "memo",
        "skipped",
        "retaken",
        "fix",
        "safety",
        "alarm",
        "trouble",
        "end",
    }
)
"""Kinds that the page draws; the rest is kept on disk and not sent to browsers."""
KEEP_ENDED = 1800.0
"""Seconds that an ended visit stays in sight."""
KEEP_SILENT = 12 * 3600.0
"""Seconds after which a visit that never ended is no longer live."""
WAITING = 2000
"""Messages a slow browser may be behind; past that it is sent everything anew."""


@dataclass
class LiveVisit:
    """One visit in sight. key: its source and id, unique. heard: clock of its last line."""

    key: str
    events: list[Event] = field(default_factory=list)
    heard: float = 0.0

    @property
    def ended(self) -> bool:
        return bool(self.events) and self.events[-1].get("kind") == "end"


@dataclass
class Live:
    """All visits in sight. Used by one event loop; nothing here is thread-safe. clock: seconds that only rise."""

    clock: Callable[[], float]
    visits: dict[str, LiveVisit] = field(default_factory=dict)
    _listeners: set[asyncio.Queue[dict[str, Any] | None]] = field(default_factory=set)

    def add(self, key: str, place: int, events: list[Event], age: float = 0.0) -> None:
        """Lines of a visit from `place` on (0 for its first). Known ones are passed over; a gap is an error of the
        caller.

        age: seconds since the lines were written, for visits found on disk.
        """
        one = self.visits.setdefault(key, LiveVisit(key))
        if place > len(one.events):
            raise ValueError(f"lines {len(one.events)} to {place} of {key} are missing")
        new = events[len(one.events) - place :]
        if not new:
            return
        begin = len(one.events)
        one.events += new
        one.heard = self.clock() - age
        self._tell(
            {
                "what": "lines",
                "key": key,
                "place": begin,
                "count": len(one.events),
                "events": [event for event in new if event.get("kind") in SHOWN],
            }
        )

    def tidy(self) -> None:
        """Let go of visits that ended, or fell silent, long ago."""
        now = self.clock()
        for key in [
            key for key, one in self.visits.items() if now - one.heard > (KEEP_ENDED if one.ended else KEEP_SILENT)
        ]:
            del self.visits[key]
            self._tell({"what": "gone", "key": key})

    def listening(self) -> int:
        """How many pages are watching."""
        return len(self._listeners)

    async def listen(self, beat: float) -> AsyncIterator[dict[str, Any] | None]:
        """Everything in sight first, then each change as it comes; None after `beat` quiet seconds."""
        queue: asyncio.Queue[dict[str, Any] | None] = asyncio.Queue(WAITING)
        self._listeners.add(queue)
        try:
            yield self._everything()
            while True:
                try:
                    message = await asyncio.wait_for(queue.get(), beat)
                except TimeoutError:
                    yield None
                    continue
                if message is None:
                    while not queue.empty():
                        queue.get_nowait()
                    message = self._everything()
                yield message
        finally:
            self._listeners.discard(queue)

    def _everything(self) -> dict[str, Any]:
        return {
            "what": "all",
            "visits": [
                {
                    "key": one.key,
                    "count": len(one.events),
                    "events": [event for event in one.events if event.get("kind") in SHOWN],
                }
                for one in self.visits.values()
            ],
        }

    def _tell(self, message: dict[str, Any]) -> None:
        for queue in self._listeners:
            if queue.qsize() >= WAITING - 1:
                if queue.qsize() < WAITING:
                    queue.put_nowait(None)
            else:
                queue.put_nowait(message)
