"""Questions across visits: faults by family, boards condemned, readings drifting, trainees learning.

All answers are plain dicts and lists, ready for a page, JSON or a test. Times
are milliseconds since 1970, months year * 12 + month - 1, values SI.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

from sqlalchemy import Connection, Float, cast, func, select

from assistant.records.store import Store
from assistant.records.tables import copies, forgotten, readings, visits

BOARD_DAYS = 90
"""Days within which the next visit to a site counts as the same complaint (invented; a shop may think otherwise)."""
DAY = 86_400_000
YEAR = 365.25 * DAY
LEAST_FOR_DRIFT = 4
"""Readings of one furnace below which no slope is given."""


def faults(store: Store, since: int | None = None, until: int | None = None) -> dict[str, Any]:
    """Concluded visits by what they found and family, and by that and month. No fault is the key "".

    Concluded is a visit that found something, though it was stopped to mend it, or that did every check and found
    nothing.
    """
    span = [visits.c.concluded.is_(True), *_months(visits.c.month, since, until)]
    with store.reading() as connection:
        rows = connection.execute(
            select(visits.c.equipment, visits.c.found, visits.c.month, func.count().label("n"))
            .where(*span)
            .group_by(visits.c.equipment, visits.c.found, visits.c.month)
        ).all()
    by_family: dict[str, dict[str, int]] = {}
    by_month: dict[str, dict[int, int]] = {}
    for row in rows:
        name = row.found or ""
        families, months = by_family.setdefault(name, {}), by_month.setdefault(name, {})
        families[row.equipment or "?"] = families.get(row.equipment or "?", 0) + row.n
        if row.month is not None:
            months[row.month] = months.get(row.month, 0) + row.n
    return {"by_family": by_family, "by_month": by_month, "visits": sum(row.n for row in rows)}


def boards(store: Store, since: int | None = None, until: int | None = None, limit: int = 30) -> dict[str, Any]:
    """Visits that blamed the board, and what the next visit to the same place found.

    "Later found good" means: within `BOARD_DAYS` the next concluded visit to
    that place named a fault that is not the board. A next visit without a
    fault proves neither, for the board may have been changed in between.
    """
    later = visits.alias("later")
    following = (
        select(later.c.key)
        .where(
            later.c.site == visits.c.site,
            later.c.started_at > visits.c.started_at,
            later.c.started_at <= visits.c.started_at + BOARD_DAYS * DAY,
            later.c.concluded.is_(True),
        )
        .order_by(later.c.started_at)
        .limit(1)
        .correlate(visits)
        .scalar_subquery()
    )
    blamed = (
        select(visits.c.key, visits.c.started_at, visits.c.technician, following.label("next_key"))
        .where(visits.c.board.is_(True), visits.c.concluded.is_(True), *_between(since, until))
        .subquery()
    )
    after = visits.alias("after")
    query = (
        select(blamed.c.key, blamed.c.technician, after.c.key, after.c.found, after.c.board)
        .outerjoin(after, after.c.key == blamed.c.next_key)
        .order_by(blamed.c.started_at.desc())
    )
    outcome = {"wrong": 0, "again": 0, "quiet": 0, "no visit": 0}
    causes: Counter[str] = Counter()
    condemned: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    cases: list[tuple[int, int]] = []
    with store.reading() as connection:
        rows = connection.execute(query).all()
        for key, technician, next_key, fault, board in rows:
            condemned[technician or "?"] += 1
            kind = "no visit" if next_key is None else "again" if board else "wrong" if fault is not None else "quiet"
            outcome[kind] += 1
            if kind == "wrong":
                wrong[technician or "?"] += 1
                causes[fault] += 1
                cases.append((key, next_key))
        told = _cases(connection, cases[:limit])
    people = {name: {"condemned": count, "wrong": wrong[name]} for name, count in condemned.items()}
    return {
        "condemned": len(rows),
        "outcome": outcome,
        "causes": dict(causes),
        "people": people,
        "cases": told,
        "days": BOARD_DAYS,
    }


def _cases(connection: Connection, pairs: list[tuple[int, int]]) -> list[dict[str, Any]]:
    """What is told of a visit that blamed the board and of the one after it, by their keys."""
    columns = (
        visits.c.key,
        visits.c.id,
        visits.c.started_at,
        visits.c.site,
        visits.c.technician,
        visits.c.equipment,
        visits.c.found,
    )
    keys = {key for pair in pairs for key in pair}
    rows = {row.key: row for row in connection.execute(select(*columns).where(visits.c.key.in_(keys)))} if keys else {}
    found = []
    for key, after in pairs:
        one, other = rows[key], rows[after]
        found.append(
            {
                "id": one.id,
                "started_at": one.started_at,
                "site": one.site,
                "technician": one.technician,
                "equipment": one.equipment,
                "next_id": other.id,
                "next_fault": other.found,
                "next_at": other.started_at,
            }
        )
    return found


def drift(store: Store, probe: str, limit: int = 12) -> dict[str, Any]:
    """One probe over time: mean and spread by family and month, and the furnaces whose readings fall or rise most.

    slope: SI a year, least squares over the readings of one place; only with
    `LEAST_FOR_DRIFT` readings or more, over a year or more.
    """
    value, month = readings.c.value, readings.c.month
    of_probe = [readings.c.probe == probe, value.is_not(None)]
    families = (
        select(
            readings.c.equipment,
            month,
            func.count().label("n"),
            func.avg(value).label("mean"),
            func.avg(value * value).label("square"),
        )
        .where(*of_probe, readings.c.equipment.is_not(None), month.is_not(None))
        .group_by(readings.c.equipment, month)
        .order_by(readings.c.equipment, month)
    )
    # Years from 2020, not from 1970: squares of small numbers keep their digits.
    years = cast(readings.c.at - 1_577_836_800_000, Float) / YEAR
    sums = (
        select(
            readings.c.site,
            func.count().label("n"),
            func.sum(years).label("sum_t"),
            func.sum(value).label("sum_v"),
            func.sum(years * value).label("sum_tv"),
            func.sum(years * years).label("sum_tt"),
            func.min(readings.c.at).label("first"),
            func.max(readings.c.at).label("last"),
        )
        .where(*of_probe, readings.c.site.is_not(None), readings.c.at.is_not(None))
        .group_by(readings.c.site)
        .having(func.count() >= LEAST_FOR_DRIFT)
    )
    with store.reading() as connection:
        months = connection.execute(families).all()
        sites = connection.execute(sums).all()
    by_family: dict[str, list[dict[str, Any]]] = {}
    for row in months:
        by_family.setdefault(row.equipment, []).append(
            {"month": row.month, "n": row.n, "mean": row.mean, "spread": math.sqrt(max(0.0, row.square - row.mean**2))}
        )
    slopes = []
    for site, n, t, v, tv, tt, first, last in sites:
        spread = n * tt - t * t
        if last - first >= YEAR and spread > 0:
            slopes.append(((n * tv - t * v) / spread, site, n, v / n))
    slopes.sort()
    falling, rising = (
        [one for one in slopes[:limit] if one[0] < 0],
        [one for one in reversed(slopes[-limit:]) if one[0] > 0],
    )
    told = [
        [{"site": site, "n": n, "slope": slope, "mean": mean} for slope, site, n, mean in part]
        for part in (falling, rising)
    ]
    return {"probe": probe, "families": by_family, "falling": told[0], "rising": told[1], "furnaces": len(slopes)}


def readings_at(store: Store, probe: str, sites: list[str]) -> dict[str, list[tuple[int, float]]]:
    """Each place's readings of one probe, oldest first."""
    query = (
        select(readings.c.site, readings.c.at, readings.c.value)
        .where(readings.c.probe == probe, readings.c.site.in_(sites), readings.c.value.is_not(None))
        .order_by(readings.c.site, readings.c.at)
    )
    found: dict[str, list[tuple[int, float]]] = {}
    with store.reading() as connection:
        for row in connection.execute(query):
            found.setdefault(row.site, []).append((row.at, row.value))
    return found


def progress(store: Store) -> list[dict[str, Any]]:
    """Each technician by month: visits, minutes a visit, and what went wrong in a hundred readings. Newest joined
    first."""
    columns = [
        func.sum(func.coalesce(column, 0)).label(name)
        for name, column in (
            ("seconds", visits.c.seconds),
            ("readings", visits.c.readings),
            ("corrections", visits.c.corrections),
            ("unclear", visits.c.unclear),
            ("retaken", visits.c.retaken),
        )
    ]
    query = (
        select(
            visits.c.technician,
            visits.c.month,
            func.count().label("n"),
            func.min(visits.c.started_at).label("first"),
            *columns,
        )
        .where(visits.c.technician.is_not(None), visits.c.month.is_not(None))
        .group_by(visits.c.technician, visits.c.month)
        .order_by(visits.c.technician, visits.c.month)
    )
    people: dict[str, dict[str, Any]] = {}
    with store.reading() as connection:
        for row in connection.execute(query):
            one = people.setdefault(
                row.technician, {"technician": row.technician, "first": row.first, "visits": 0, "months": []}
            )
            one["first"] = min(one["first"], row.first)
            one["visits"] += row.n
            taken = max(1, row.readings)
            one["months"].append(
                {
                    "month": row.month,
                    "visits": row.n,
                    "minutes": row.seconds / 60 / row.n,
                    "corrections": 100 * row.corrections / taken,
                    "unclear": 100 * row.unclear / taken,
                    "retaken": 100 * row.retaken / taken,
                }
            )
    return sorted(people.values(), key=lambda one: (-one["first"], one["technician"]))


def choices(store: Store) -> dict[str, list[str]]:
    """What the filters can be set to: families, faults and technicians that the store holds, sorted."""
    found = {}
    with store.reading() as connection:
        for name, column in (("equipment", visits.c.equipment), ("technician", visits.c.technician)):
            found[name] = sorted(value for value in connection.execute(select(column).distinct()).scalars() if value)
        pairs = connection.execute(select(visits.c.equipment, visits.c.found).distinct()).all()
    found["fault"] = sorted({row.found for row in pairs if row.found})
    return found


def probes(store: Store, known: list[str]) -> list[str]:
    """Those of the `known` probes of which the store holds readings, in their order."""
    with store.reading() as connection:
        return [
            one
            for one in known
            if connection.execute(
                select(readings.c.seq).where(readings.c.probe == one, readings.c.equipment.is_not(None)).limit(1)
            ).first()
        ]


def revision(store: Store) -> int:
    """A number that changes with every import that changed something and with every visit forgotten; answers of the
    same revision are the same."""
    with store.reading() as connection:
        newest = connection.execute(select(func.max(copies.c.key))).scalar_one() or 0
        return newest + (connection.execute(select(forgotten.c.count)).scalar_one() << 40)


def _months(column: Any, since: int | None, until: int | None) -> list[Any]:
    """Whole months: what the index holds. since and until are months."""
    return [*([column >= since] if since is not None else []), *([column < until] if until is not None else [])]


def _between(since: int | None, until: int | None) -> list[Any]:
    return [
        *([visits.c.started_at >= since] if since is not None else []),
        *([visits.c.started_at < until] if until is not None else []),
    ]
