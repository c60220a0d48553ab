"""Journals that technicians' machines send, kept as they came: one folder a sender, one a visit.

Sending the same lines again changes nothing; lines that differ from what was
sent before are refused, so that a record cannot be rewritten from afar.
"""

from __future__ import annotations

import json
import os
import re
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from assistant import private
from assistant.desk.errors import Refused
from assistant.errors import NewerJournal
from assistant.records.packing import finite
from assistant.visit.journal_door import FILE, Broken, checked, name_problem, read
from grammar.guards import JOURNAL_BYTES as LARGEST
from grammar.guards import LINE_BYTES

Event = dict[str, Any]
NAME = r"[A-Za-z0-9](\.?[A-Za-z0-9_-])*"
"""A name of a sender or a visit: no dot at an end, no two together."""
LONGEST_NAME = 80


def good_name(name: str) -> bool:
    """Whether a sender's or a visit's name may become a folder's name."""
    return len(name) <= LONGEST_NAME and re.fullmatch(NAME, name) is not None


@dataclass
class Received:
    """The folder of received journals. Safe to use from several threads."""

    folder: Path
    _locks: dict[str, threading.Lock] = field(default_factory=dict)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def path(self, sender: str, visit: str) -> Path:
        """Where the journal lies. Raises Refused for a name that is none."""
        if not good_name(sender) or not good_name(visit):
            raise Refused(
                400,
                "That is no name of a sender or a visit.",
                "Use letters, digits, '-', '_' and single dots, at most 80.",
            )
        return self.folder / sender / visit / FILE

    def count(self, sender: str, visit: str) -> int:
        """How many lines of this visit have come from this sender."""
        path = self.path(sender, visit)
        return len(read(path)[0]) if path.exists() else 0

    def take(self, sender: str, visit: str, place: int, events: list[Event]) -> int:
        """Keep lines from `place` on (0 for the first) and return how many there are now. On disk when it returns.

        Raises Refused: 409 when lines before `place` are missing or the lines differ from those kept, 400 when they
        are no journal.
        """
        path = self.path(sender, visit)
        with self._lock(f"{sender}/{visit}"):
            kept = self._kept(path)
            if place > len(kept):
                raise Refused(409, f"Lines before {place} are missing; {len(kept)} are here.", "Send from there.")
            _at_the_door(place, events)
            known, new = events[: len(kept) - place], events[len(kept) - place :]
            if known != kept[place : place + len(known)]:
                raise Refused(
                    409,
                    "These lines differ from those that were sent before.",
                    "A journal that was changed can be imported with: twohands records import.",
                )
            if not kept and (name_problem(new) or new[0]["visit"] != visit):
                raise Refused(400, "The first line does not name this visit.", "Send the journal from its first line.")
            if new:
                self._append(path, new)
            return len(kept) + len(new)

    def _kept(self, path: Path) -> list[Event]:
        """What is there, with a last line that was torn by a crash cut off before more is written."""
        if not path.exists():
            return []
        events, torn = read(path)
        if torn:
            raw = path.read_bytes()
            whole = b"\n".join(raw.split(b"\n")[: len(events)]) + (b"\n" if events else b"")
            with path.open("r+b") as file:
                file.truncate(len(whole))
                os.fsync(file.fileno())
        return events

    def _append(self, path: Path, events: list[Event]) -> None:
        parts = [json.dumps(finite(event), separators=(",", ":")).encode("ascii") + b"\n" for event in events]
        if max(map(len, parts)) > LINE_BYTES:
            raise Refused(400, "A line is too long.", "Import it on the desk's machine with: twohands records import.")
        lines = b"".join(parts)
        private.make_folder(path.parent)
        begun = not path.exists()
        if (path.stat().st_size if path.exists() else 0) + len(lines) > LARGEST:
            raise Refused(
                413, "This journal is too large.", "Import it on the desk's machine with: twohands records import."
            )
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            start = os.fstat(handle).st_size
            try:
                while lines:
                    lines = lines[os.write(handle, lines) :]
                os.fsync(handle)
            except OSError:
                os.ftruncate(handle, start)
                raise
        except OSError as error:
            raise Refused(
                507, f"The desk cannot keep this ({error.strerror}).", "Send it again later; nothing is lost."
            ) from error
        finally:
            os.close(handle)
        if begun:
            private.sync_folder(path.parent)

    def _lock(self, name: str) -> threading.Lock:
        with self._guard:
            return self._locks.setdefault(name, threading.Lock())


def _at_the_door(place: int, events: list[Event]) -> None:
    """Every line is one that a store can take, before anybody is told that it was kept. Raises Refused."""
    for number, event in enumerate(events, start=place + 1):
        try:
            checked(event)
            if event.get("v", 1) > 1 and event["seq"] != number:
                raise Broken(f"its number is {event['seq']}")
        except (Broken, NewerJournal) as error:
            raise Refused(
                400,
                f"Line {number} is no journal line: {getattr(error, 'reason', error)}.",
                "Check that both machines have the same version of twohands.",
            ) from error
