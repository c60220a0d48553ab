"""The store as files for other programs: CSV, JSON, Parquet. Times become ISO 8601 in UTC; values stay SI."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from itertools import chain, islice
from pathlib import Path
from typing import Any, TextIO

from assistant.records.queries import Wanted, rows_of
from assistant.records.store import Store

TABLES = ("visits", "readings", "verdicts")
TIMES = ("started_at", "ended_at", "at")
FLOATS = frozenset({"value", "low", "high", "u"})
FLAGS = frozenset({"invented", "torn", "board", "concluded", "over_limit", "counts"})
WHOLE = frozenset(
    {
        "procedure_version",
        "events",
        "copies",
        "seconds",
        "readings",
        "corrections",
        "unclear",
        "retaken",
        "skipped",
        "close",
        "mended",
        "seq",
        "round",
    }
)
PIECE = 20_000


def export(store: Store, what: str, format_: str, to: Path, wanted: Wanted | None = None) -> int:
    """Write `what` ("visits", "readings", "verdicts") to the file `to`; returns the number of rows.

    The file appears whole or not at all. Raises StoreError, OSError.
    """
    part = to.with_name(to.name + ".part")
    with store.reading() as connection:
        rows = (_plain(row) for row in rows_of(connection, what, wanted or Wanted()))
        if format_ == "parquet":
            count = _parquet(rows, part)
        else:
            with part.open("w", encoding="utf-8", newline="") as file:
                count = (_csv if format_ == "csv" else _json)(rows, file)
    part.replace(to)
    return count


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """Times as text, flags as true or false (SQLite gives 0 and 1), the month as "2026-03"."""
    for name in TIMES:
        if row.get(name) is not None:
            row[name] = datetime.fromtimestamp(row[name] / 1000, UTC).isoformat(timespec="milliseconds")
    for name in FLAGS & row.keys():
        row[name] = None if row[name] is None else bool(row[name])
    if row.get("month") is not None:
        row["month"] = f"{row['month'] // 12:04d}-{row['month'] % 12 + 1:02d}"
    return row


def _csv(rows: Iterable[dict[str, Any]], file: TextIO) -> int:
    stream = iter(rows)
    first = next(stream, None)
    if first is None:
        return 0
    writer = csv.DictWriter(file, list(first))
    writer.writeheader()
    count = 0
    for row in chain([first], stream):
        writer.writerow({key: _harmless(value) for key, value in row.items()})
        count += 1
    return count


def _harmless(value: Any) -> Any:
    """Text that a spreadsheet would take for a formula gets a leading apostrophe (CWE-1236)."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _json(rows: Iterable[dict[str, Any]], file: TextIO) -> int:
    file.write("[")
    count = 0
    for row in rows:
        file.write(("," if count else "") + "\n" + json.dumps(row, ensure_ascii=False))
        count += 1
    file.write("\n]\n")
    return count


def _parquet(rows: Iterator[dict[str, Any]], to: Path) -> int:
    import pyarrow
    from pyarrow import parquet

    first = next(rows, None)
    if first is None:
        parquet.write_table(pyarrow.table({}), to)
        return 0
    kinds = {
        name: pyarrow.float64()
        if name in FLOATS
        else pyarrow.bool_()
        if name in FLAGS
        else pyarrow.int64()
        if name in WHOLE
        else pyarrow.string()
        for name in first
    }
    schema = pyarrow.schema(list(kinds.items()))
    stream, count = chain([first], rows), 0
    with parquet.ParquetWriter(to, schema) as writer:
        while piece := list(islice(stream, PIECE)):
            writer.write_table(pyarrow.Table.from_pylist(piece, schema=schema))
            count += len(piece)
    return count
