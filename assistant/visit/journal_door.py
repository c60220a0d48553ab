"""The one door through which journals come in: from disk, from a desk's network, into the store.

What has passed is a list of objects with a known version, a kind, a time that
is one, and fields of their types (`assistant.visit.journal_kinds`); no half
characters, no endless numbers, nothing nested deeper than `grammar.guards`
allows. Everything else is refused with its line and the reason.
"""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Any

from assistant.errors import JournalError, NewerJournal
from assistant.visit.journal_kinds import NEWEST, fault_in
from grammar import guards

Event = dict[str, Any]
FILE = "journal.jsonl"
YEARS = (1970, 2199)
"""A clock without a battery begins at 1970; what lies past 2199 is no time of a visit."""
LONGEST_NAME = 120
"""Characters in a visit's id."""


class Broken(Exception):
    """A line that is no journal line. reason: the end of a sentence."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class _NoJson(Broken):
    """Not even JSON: what a torn last line looks like."""


def _no_constant(name: str) -> Any:
    raise ValueError(f"{name} is no JSON")


def _whole(text: str) -> int:
    if len(text) > 19 or abs(value := int(text)) >= guards.LARGEST_WHOLE:
        raise ValueError("a whole number is too large")
    return value


def _number(text: str) -> float:
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise ValueError("a number is too large")
    return value


_DECODE = json.JSONDecoder(parse_constant=_no_constant, parse_int=_whole, parse_float=_number).decode


def json_value(raw: bytes, deepest: int = guards.LINE_DEPTH) -> Any:
    """Strict JSON within the limits. Raises Broken."""
    try:
        value = _DECODE(raw.decode("utf-8"))
    except UnicodeDecodeError:
        raise _NoJson("it is not UTF-8 text") from None
    except RecursionError:
        raise _NoJson(f"it is nested more than {deepest} deep") from None
    except ValueError as error:
        raise _NoJson(f"it is not JSON ({str(error)[:60]})") from None
    if raw.count(b"{") + raw.count(b"[") > deepest and guards.deeper_than(value, deepest):
        raise Broken(f"it is nested more than {deepest} deep")
    if b"\\ud" in raw or b"\\uD" in raw:
        try:
            json.dumps(value, ensure_ascii=False).encode()
        except UnicodeEncodeError:
            raise Broken("it holds half a character") from None
    return value


def checked(event: Any) -> Event:
    """One line's value as a journal line. Raises Broken, NewerJournal."""
    if not isinstance(event, dict):
        raise Broken("it is no object")
    version = event.get("v", 1)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise Broken("its version is none")
    if version > NEWEST:
        raise NewerJournal(
            "The journal was written by a later version of twohands.", "Update twohands on this machine."
        )
    kind, number = event.get("kind"), event.get("seq", 1)
    if not isinstance(kind, str) or not 0 < len(kind) <= 40:
        raise Broken("its kind is missing")
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number <= 10**9:
        raise Broken("its number is none")
    _check_time(event.get("at"))
    if version > 1 and not ("seq" in event and isinstance(event.get("chain"), str)):
        raise Broken("its number or its chain is missing")
    fault = fault_in(kind, event)
    if fault:
        raise Broken(fault)
    return event


def _check_time(at: Any) -> None:
    try:
        year = datetime.fromisoformat(at).year
    except (TypeError, ValueError):
        raise Broken("its time is none") from None
    if not YEARS[0] <= year <= YEARS[1]:
        raise Broken(f"its year is {year}")


def line(raw: bytes) -> Event:
    """One journal line, without its line feed. Raises Broken, NewerJournal."""
    if len(raw) > guards.LINE_BYTES:
        raise Broken(f"it is longer than {guards.LINE_BYTES // 1000} kB")
    return checked(json_value(raw))


def name_problem(events: list[Event]) -> str:
    """Why these are not the lines of a visit, as a sentence; "" when they are."""
    if not events or events[0].get("kind") != "visit":
        return "It does not begin with a visit."
    name = events[0].get("visit")
    if not isinstance(name, str) or not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        return "Its first line does not name the visit."
    return ""


def read(place: Path) -> tuple[list[Event], bool]:
    """All whole lines of the journal at `place` (a visit's folder or the file), and whether a torn last line was
    passed over.

    Raises JournalError for a missing journal or a line before the last that is none, NewerJournal for one of a later
    version.
    """
    path = place / FILE if place.is_dir() else place
    name = path.parent.name if path.name == FILE else path.name
    raw = _raw(path, name)
    lines = raw.split(b"\n")
    tail = lines.pop()
    if len(lines) > guards.JOURNAL_LINES:
        raise JournalError(
            f"The journal in {name} has more than {guards.JOURNAL_LINES} lines.",
            "Check that this is a visit's journal.",
        )
    events: list[Event] = []
    for number, one in enumerate(lines, start=1):
        try:
            event = line(one)
            if event.get("v", 1) > 1 and event["seq"] != number:
                raise Broken(f"its number is {event['seq']}")
            events.append(event)
        except _NoJson as error:
            if number == len(lines) and not tail:
                return events, True
            raise _error(number, name, error) from error
        except Broken as error:
            raise _error(number, name, error) from error
        except NewerJournal as error:
            raise NewerJournal(
                f"The journal in {name} was written by a later version of twohands.", error.remedy
            ) from error
    return events, bool(tail)


def _error(number: int, name: str, error: Broken) -> JournalError:
    return JournalError(
        f"Line {number} of the journal in {name} is broken: {error.reason}.",
        "Keep a copy of the file, then take that line out.",
    )


def _raw(path: Path, name: str) -> bytes:
    try:
        # Neither a pipe nor a device: opening one could wait for ever.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as file:
            raw = file.read(guards.JOURNAL_BYTES + 1) or b""
    except (OSError, ValueError) as error:
        raise JournalError(
            f"There is no readable journal in {name} ({getattr(error, 'strerror', None) or error}).",
            "Check the name of the visit.",
        ) from error
    if len(raw) > guards.JOURNAL_BYTES:
        raise JournalError(
            f"The journal in {name} is larger than {guards.JOURNAL_BYTES // 1_000_000} MB.",
            "Check that this is a visit's journal.",
        )
    return raw


def ends(path: Path, most: int = 65_536) -> tuple[Event, list[Event]]:
    """The first line and the last ones that lie in `most` bytes, without reading what is between. Raises
    JournalError."""
    name = path.parent.name
    try:
        with path.open("rb") as file:
            first = file.readline(guards.LINE_BYTES + 1)
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - most))
            last = file.read(most)
    except OSError as error:
        raise JournalError(
            f"There is no readable journal in {name} ({error.strerror}).", "Check the name of the visit."
        ) from error
    if not first.endswith(b"\n"):
        raise JournalError(f"The journal in {name} has no whole line.", "Check that this is a visit's journal.")
    lines = last.split(b"\n")[1 if size > most else 0 : -1]
    if not lines:
        return _first(first, name), read(path)[0][-1:]
    found = []
    for number, one in enumerate(lines):
        try:
            found.append(line(one))
        except (Broken, NewerJournal) as error:
            if isinstance(error, _NoJson) and number == len(lines) - 1:
                break
            raise JournalError(
                f"A line of the journal in {name} is broken: {getattr(error, 'reason', error)}.",
                "See: twohands records verify.",
            ) from error
    return _first(first, name), found


def first_line(path: Path) -> Event:
    """The first line of a journal, which names its visit; nothing more is read. Raises JournalError."""
    name = path.parent.name
    try:
        with path.open("rb") as file:
            return _first(file.readline(guards.LINE_BYTES + 1), name)
    except OSError as error:
        raise JournalError(
            f"There is no readable journal in {name} ({error.strerror}).", "Check the name of the visit."
        ) from error


def _first(raw: bytes, name: str) -> Event:
    try:
        event = line(raw.removesuffix(b"\n"))
    except Broken as error:
        raise _error(1, name, error) from error
    problem = name_problem([event])
    if problem:
        raise JournalError(f"The journal in {name}: {problem}", "Check that this is a visit's journal.")
    return event
