"""What lists and charts need of a visit, worked out from its journal lines. Pure.

A reading that was taken back does not count, nor does the verdict on it; where
a step was done twice (before and after a repair) both readings count and the
later verdict is the one that stands. A visit with a danger standing or a check
missing never has the outcome "pass".
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

from assistant.records.faultnames import blames_board
from assistant.records.findings import Danger, fixes, found_fault, not_done
from assistant.records.findings import standing as dangers_standing
from assistant.visit.details import MOST, NAMES, details_of

Event = dict[str, Any]
DERIVED = 4
"""Raise it when a column is worked out differently; stores then work all visits out anew."""

RANK = {"pass": 0, "close": 1, "fail": 2}
OPEN = "open"
"""The outcome of a visit in which no check that was made is bad, and not all were made."""
LONGEST_PAUSE = 1800.0
"""Seconds; a longer gap between two lines is a break (dinner, resumed next day), not time at work."""


@dataclass(frozen=True)
class Derived:
    """Rows for the tables: `visit` without its key, `readings` and `verdicts` without the visit's."""

    visit: dict[str, Any]
    readings: list[dict[str, Any]]
    verdicts: list[dict[str, Any]]


def derive(events: list[Event], torn: bool = False) -> Derived:
    """The rows for one visit. events: journal lines in order, the first of kind "visit"."""
    first, kinds = events[0], Counter(one.get("kind") for one in events)
    start, month = milliseconds(first.get("at")), month_of(first.get("at"))
    end = next((one for one in reversed(events) if one.get("kind") == "end"), {})
    withdrawn = taken_back(events)
    readings = _readings(events, withdrawn, month, first)
    verdicts = _verdicts(events, withdrawn)
    standing = {row["step"]: row["outcome"] for row in verdicts if row["counts"]}
    at_risk, missing, mended, found = dangers_standing(events), not_done(events), fixes(events), found_fault(events)
    again = any(one.mended for one in mended) or any(
        events[place].get("outcome") in ("fail", "close") for place in withdrawn
    )
    given = details_of(events).given
    outcome = _outcome(list(standing.values()), end.get("fault"), again, at_risk)
    whole = end.get("how") == "finished" and not missing
    visit = {
        **{
            key: _words(
                first.get(key), 200 if key.endswith(("name", "title")) or key in ("technician", "site") else 120
            )
            or None
            for key in _TEXT
        },
        "procedure_version": _whole(first.get("procedure_version")),
        "invented": bool(first.get("invented", False)),
        "started_at": start,
        "ended_at": milliseconds(events[-1].get("at")),
        "how": _words(end.get("how"), 40) or ("interrupted" if events[-1].get("kind") == "interrupted" else None),
        "fault": _words(end.get("fault"), 200),
        "outcome": outcome if whole or outcome not in ("pass", None) else OPEN,
        "summary": _words(end.get("summary"), 1000),
        "events": len(events),
        "torn": torn,
        "month": month,
        "seconds": _seconds_at_work(events),
        "readings": sum(row["counts"] for row in readings),
        "corrections": sum(
            (one.get("confirmed") or {}).get("how") == "correction" for one in events if one.get("kind") == "reading"
        ),
        "unclear": sum(
            str((one.get("answer") or {}).get("type", "")).lower() == "unclear"
            for one in events
            if one.get("kind") == "heard"
        ),
        "retaken": kinds["retaken"],
        "skipped": kinds["skipped"],
        "close": sum(outcome == "close" for outcome in standing.values()),
        "board": blames_board(found),
        "found": _words(found, 200),
        "concluded": found is not None or (whole and outcome == "pass"),
        "mended": sum(one.mended for one in mended),
        "danger": _words("; ".join(one.short for one in at_risk), 300) or None,
        "not_done": _words(", ".join(missing), 500) or None,
        **{name: _words(given.get(name), MOST) for name in NAMES},
        "derived": DERIVED,
    }
    return Derived(visit, readings, verdicts)


_TEXT = (
    "procedure",
    "procedure_title",
    "equipment",
    "equipment_name",
    "meter",
    "meter_name",
    "language",
    "engine",
    "program",
    "technician",
    "site",
)


def _outcome(standing: list[str | None], fault: object, mended: bool, at_risk: tuple[Danger, ...]) -> str | None:
    """The worst verdict that stands. A danger that stands is a fail, and so is a named fault, unless a check that
    failed was run again and all is good now.
    """
    if at_risk:
        return "fail"
    worst = max(standing, key=lambda one: RANK.get(one or "", -1), default=None)
    return "fail" if fault and fault != "healthy" and not (worst == "pass" and mended) else worst


def taken_back(events: list[Event]) -> frozenset[int]:
    """Places in `events` of readings and verdicts that a later "retaken" withdrew."""
    gone: set[int] = set()
    last: dict[tuple[str, str], int] = {}
    for place, one in enumerate(events):
        kind, step = one.get("kind"), str(one.get("step"))
        if kind in ("reading", "verdict"):
            last[kind, step] = place
        elif kind == "retaken":
            gone |= {last[key, step] for key in ("reading", "verdict") if (key, step) in last}
    return frozenset(gone)


def milliseconds(at: object) -> int | None:
    """A journal time as whole milliseconds since 1970, or None when it is not one."""
    moment = _moment(at)
    return None if moment is None else round(moment.timestamp() * 1000)


def month_of(at: object) -> int | None:
    """year * 12 + month - 1 in UTC, or None."""
    moment = _moment(at)
    return None if moment is None else moment.year * 12 + moment.month - 1


def number(value: object) -> float | None:
    """A finite float, or None ("over limit", infinity and what is no number have no place on a scale)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _readings(events: list[Event], withdrawn: frozenset[int], month: int | None, first: Event) -> list[dict[str, Any]]:
    rows, rounds = [], Counter[str]()
    for place, one in enumerate(events):
        if one.get("kind") != "reading":
            continue
        counts, step, measured = place not in withdrawn, str(one.get("step")), one.get("measured") or {}
        rounds[step] += counts
        rows.append(
            {
                "seq": place,
                "at": milliseconds(one.get("at")),
                "step": _words(one.get("step"), 120),
                "probe": _words(one.get("probe"), 120),
                "quantity": _words(one.get("quantity"), 40),
                "unit": _words(one.get("unit"), 40),
                "value": number(one.get("value")),
                "low": number(measured.get("low", one.get("low"))),
                "high": number(measured.get("high", one.get("high"))),
                "u": number(measured.get("u")),
                "over_limit": bool(one.get("over_limit")),
                "counts": counts,
                "round": rounds[step],
                # What was taken back has no place in charts: without these it is in none of their indexes' groups.
                "month": month if counts else None,
                "equipment": _words(first.get("equipment"), 120) if counts else None,
                "site": _words(first.get("site"), 200) or None if counts else None,
            }
        )
    return rows


def _verdicts(events: list[Event], withdrawn: frozenset[int]) -> list[dict[str, Any]]:
    return [
        {
            "seq": place,
            "at": milliseconds(one.get("at")),
            "step": _words(one.get("step"), 120),
            "check": _words(one.get("check"), 120),
            "outcome": _words(one.get("outcome"), 10),
            "finding": _words(one.get("finding"), 120),
            "value": number(one.get("value")),
            "low": number(one.get("low")),
            "high": number(one.get("high")),
            "unit": _words(one.get("unit"), 40),
            "counts": place not in withdrawn,
        }
        for place, one in enumerate(events)
        if one.get("kind") == "verdict"
    ]


def _seconds_at_work(events: list[Event]) -> int:
    times = [at / 1000 for at in (milliseconds(one.get("at")) for one in events) if at is not None]
    return round(sum(min(max(0.0, after - before), LONGEST_PAUSE) for before, after in pairwise(times)))


def _moment(at: object) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(at))
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _words(value: object, most: int) -> str | None:
    """Text cut to what the column holds; NUL and lone surrogates, which PostgreSQL refuses, are dropped."""
    return None if value is None else str(value).replace("\x00", "").encode("utf-8", "ignore").decode()[:most]


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**31 else None
