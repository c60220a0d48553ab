"""How often each fault was found, out of a shop's own visits."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from sqlalchemy import func, select

from assistant.records.across import BOARD_DAYS, DAY
from assistant.records.errors import StoreError
from assistant.records.store import Store
from assistant.records.tables import visits
from flows.faults import catalog


@dataclass(frozen=True)
class Found:
    """counts: fault id -> visits ("healthy" for none). visits: looked at. gainsaid: left out, the next visit there
    named another fault. unknown: left out, a fault that no file knows."""

    counts: dict[str, int]
    visits: int
    gainsaid: int
    unknown: int


def found(store: Store) -> Found:
    """Concluded visits to real furnaces by the fault they found, at the end or mended on the way.

    A visit whose next one to the same place, within `BOARD_DAYS`, named another
    fault proves nothing and is left out. Invented visits never count.
    """
    query = select(visits.c.site, visits.c.started_at, visits.c.found).where(
        visits.c.concluded.is_(True), visits.c.invented.is_not(True), visits.c.procedure == "flame_sensing"
    )
    with store.reading() as connection:
        rows = connection.execute(query.order_by(visits.c.site, visits.c.started_at)).all()
    shipped = catalog.shipped_prior()
    counts: Counter[str] = Counter()
    gainsaid = unknown = 0
    for one, after in zip_longest(rows, rows[1:]):
        fault = catalog.among(one.found or catalog.HEALTHY, shipped)
        if fault is None:
            unknown += 1
        elif after is not None and _gainsays(one, after):
            gainsaid += 1
        else:
            counts[fault] += 1
    return Found(dict(counts), len(rows), gainsaid, unknown)


def learnt(store: Store) -> Found:
    """As `found`, where there is something to learn from. Raises StoreError with the remedy where there is nothing."""
    seen = found(store)
    if not seen.counts:
        raise StoreError(*_nothing(store, seen))
    return seen


def _nothing(store: Store, seen: Found) -> tuple[str, str]:
    """Why no visit counts, and what to do about it."""
    if seen.visits:
        return (
            f"No visit counts: of {seen.visits} concluded, {seen.gainsaid} are left out because the next visit there"
            f" found another fault, and {seen.unknown} because their fault is not in the list.",
            "Import more of your own visits: twohands records import FOLDER",
        )
    with store.reading() as connection:
        rows = connection.execute(select(visits.c.invented, func.count()).group_by(visits.c.invented)).all()
    invented = sum(count for is_invented, count in rows if is_invented)
    real = sum(count for is_invented, count in rows if not is_invented)
    if real:
        return (
            f"No visit of the {real} real ones here found a fault of the flame-sensing circuit or was done to its end"
            " with all good, and rates are learnt from such visits alone.",
            "Import more of your own visits: twohands records import FOLDER",
        )
    if invented:
        return (
            f"Only invented visits are here ({invented}), and rates are learnt from real ones alone.",
            "Import your own: twohands records import FOLDER",
        )
    return "No visits are here to learn rates from.", "Import your own first: twohands records import FOLDER"


def _gainsays(one: Any, after: Any) -> bool:
    soon = (
        one.site
        and one.site == after.site
        and one.started_at is not None
        and after.started_at - one.started_at <= BOARD_DAYS * DAY
    )
    return bool(soon) and after.found not in (None, one.found)
