"""The whole store in one file, and back: the same for SQLite and PostgreSQL, and from one to the other.

The file is gzipped JSON lines: a head, one line for each copy of each visit
with the copy's own digest, and a last line with the number of copies and the
digest of all lines before it. Everything else in a store is worked out from
the copies. It holds all that the store holds and is its owner's alone.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import select

from assistant import private
from assistant.records.errors import StoreError
from assistant.records.importing import Imported, Journal, import_events
from assistant.records.packing import canonical, digest, unpack
from assistant.records.store import Store
from assistant.records.tables import copies, visits
from grammar.guards import JOURNAL_BYTES

FORMAT = 1
LONGEST = 4 * JOURNAL_BYTES
"""Bytes of one line."""


def backup(store: Store, to: Path) -> int:
    """Write every copy of every visit to `to`, whole or not at all; how many. One state of the store, also while
    others write. Raises StoreError."""
    query = (
        select(visits.c.id, copies.c.digest, copies.c.origin, copies.c.imported_at, copies.c.torn, copies.c.body)
        .join(visits, visits.c.key == copies.c.visit)
        .order_by(copies.c.key)
    )
    count, seen = 0, hashlib.sha256()
    try:
        private.make_folder(to.parent)
        with (
            private.replacing(to) as part,
            gzip.open(part, "wb", compresslevel=1) as file,
            store.reading() as connection,
        ):

            def put(line: dict[str, Any]) -> None:
                raw = json.dumps(line, separators=(",", ":")).encode("ascii") + b"\n"
                seen.update(raw)
                file.write(raw)

            put({"twohands": "records", "format": FORMAT})
            for row in connection.execution_options(yield_per=500).execute(query):
                put(
                    {
                        "visit": row.id,
                        "digest": row.digest,
                        "origin": row.origin or "",
                        "imported_at": row.imported_at,
                        "torn": bool(row.torn),
                        "body": base64.b64encode(row.body).decode("ascii"),
                    }
                )
                count += 1
            put({"copies": count, "digest": seen.hexdigest()})
    except OSError as error:
        raise StoreError(f"{to} cannot be written ({error.strerror}).", "Choose another place.") from error
    return count


def restore(store: Store, source: Path) -> Imported:
    """Bring every copy in a backup back. The whole file is checked before anything is written. What the store has
    already stays. Raises StoreError."""
    for _ in _copies(source):
        pass
    return import_events(store, _copies(source))


def _copies(source: Path) -> Iterator[Journal]:
    count, seen, ended = 0, hashlib.sha256(), False
    for number, raw in enumerate(_lines(source), start=1):
        try:
            line = json.loads(raw)
            if ended or (number == 1) != ("twohands" in line):
                raise ValueError("its lines are out of order")
            if number == 1 and line["format"] != FORMAT:
                raise StoreError(f"{source.name} was written by a later version.", "Update twohands on this machine.")
            if "copies" in line:
                if (line["copies"], line["digest"]) != (count, seen.hexdigest()):
                    raise ValueError("lines are missing or changed")
                ended = True
            elif number > 1:
                yield _journal(line)
                count += 1
        except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
            raise StoreError(
                f"{source.name} is damaged at line {number}: {error}.", "Nothing was restored; take another backup."
            ) from error
        seen.update(raw)
    if not ended:
        raise StoreError(f"{source.name} is cut short.", "Nothing was restored; take another backup.")


def _journal(line: dict[str, Any]) -> Journal:
    events = unpack(base64.b64decode(line["body"], validate=True))
    if digest(canonical(events)) != line["digest"]:
        raise ValueError("a copy does not fit its digest")
    return Journal(events, bool(line["torn"]), str(line["origin"]), int(line["imported_at"]))


def _lines(source: Path) -> Iterator[bytes]:
    try:
        with gzip.open(source, "rb") as file:
            while raw := file.readline(LONGEST):
                yield raw
    except (OSError, EOFError, zlib.error) as error:
        raise StoreError(
            f"{source.name} cannot be read as a backup ({error}).", "Nothing was restored; take another backup."
        ) from error
