"""Who came in, and who was turned away: one JSON line each, in a file of its own that only its owner may read."""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from assistant import private
from assistant.desk.access import Client

LARGEST = 5_000_000
"""Bytes; then the file is put aside as FILE.1, in the place of an older one."""
A_MINUTE = 120
"""Lines a minute; what comes on top is counted in one line, so that nobody can fill the disk by knocking."""
AGAIN = 3600.0
"""Seconds after which the same entry by the same client is noted again; a page makes many requests."""


@dataclass
class Audit:
    """The file of entries. wall: seconds since 1970."""

    path: Path
    wall: Callable[[], float]
    _minute: int = 0
    _count: int = 0
    _seen: dict[tuple[str, str], float] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, what: str, client: Client, often: bool = False) -> None:
        """Write one entry. often: a kind that comes with each request; the same client is noted once an hour. Never
        raises: a full disk must not shut the desk."""
        now = self.wall()
        with self._lock, contextlib.suppress(OSError):
            if often:
                key = (what, client.mark())
                if now - self._seen.get(key, -AGAIN) < AGAIN:
                    return
                self._seen = {one: at for one, at in self._seen.items() if now - at < AGAIN}
                self._seen[key] = now
            minute = int(now // 60)
            if minute != self._minute:
                if self._count > A_MINUTE:
                    self._write(now, f"{self._count - A_MINUTE} more in a minute", None)
                self._minute, self._count = minute, 0
            self._count += 1
            if self._count <= A_MINUTE:
                self._write(now, what, client)

    def _write(self, now: float, what: str, client: Client | None) -> None:
        line = {"at": datetime.fromtimestamp(now, UTC).isoformat(timespec="seconds"), "what": what}
        if client is not None:
            line |= {"address": client.address, "browser": client.browser[:200]}
        private.make_folder(self.path.parent)
        if self.path.exists() and self.path.stat().st_size > LARGEST:
            os.replace(self.path, self.path.with_name(f"{self.path.name}.1"))
        handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, private.FILE)
        try:
            os.write(handle, (json.dumps(line) + "\n").encode("ascii"))
        finally:
            os.close(handle)
