"""What a request asks for, taken from its query: filters, pages, months. Anything else is refused plainly."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime

from assistant.desk.errors import Refused
from assistant.records.queries import Wanted

LONGEST = 200
BIGGEST = 2**53
DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
WHOLE = re.compile(r"-?[0-9]{1,18}")


def wanted(query: Mapping[str, str]) -> Wanted:
    """The filters in a query. Raises Refused."""
    outcome = _text(query, "outcome")
    if outcome not in (None, "pass", "fail", "close", "open"):
        raise Refused(400, "'outcome' is pass, fail, close or open.", "Leave it out for all.")
    return Wanted(
        equipment=_text(query, "family"),
        fault=_text(query, "fault"),
        outcome=outcome,
        technician=_text(query, "technician"),
        site=_text(query, "site"),
        since=day(query, "since"),
        until=day(query, "until"),
        text=_text(query, "text"),
        conflict=flag(query, "conflict"),
        danger=flag(query, "danger"),
    )


def day(query: Mapping[str, str], name: str) -> int | None:
    """A day such as 2026-03-02 as milliseconds since 1970 (UTC), None when it is not given. Raises Refused."""
    text = query.get(name, "")
    if not text:
        return None
    try:
        moment = datetime.strptime(text if DAY.fullmatch(text) else "", "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError:
        raise Refused(400, f"'{name}' is a day such as 2026-03-02.", "Leave it out for all days.") from None
    return round(moment.timestamp() * 1000)


def month(query: Mapping[str, str], name: str) -> int | None:
    """The month of a day, as year * 12 + month - 1. Raises Refused."""
    at = day(query, name)
    if at is None:
        return None
    moment = datetime.fromtimestamp(at / 1000, UTC)
    return moment.year * 12 + moment.month - 1


def after(query: Mapping[str, str]) -> tuple[int, str] | None:
    """Where the next page begins: the time and id of the last visit of the page before. Raises Refused."""
    name = _text(query, "after_id") or ""
    if not query.get("after_at"):
        return None
    return whole(query, "after_at", 0, -BIGGEST, BIGGEST), name


def whole(query: Mapping[str, str], name: str, default: int, least: int, most: int) -> int:
    """A whole number. Raises Refused."""
    text = query.get(name, "")
    if not text:
        return default
    if not WHOLE.fullmatch(text) or not least <= int(text) <= most:
        raise Refused(400, f"'{name}' is a whole number from {least} to {most}.", "Leave it out for the usual.")
    return int(text)


def flag(query: Mapping[str, str], name: str) -> bool:
    """true or false. Raises Refused."""
    text = query.get(name, "")
    if text not in ("", "true", "false", "1", "0", "on"):
        raise Refused(400, f"'{name}' is true or false.", "Leave it out for false.")
    return text in ("true", "1", "on")


def _text(query: Mapping[str, str], name: str) -> str | None:
    text = query.get(name, "").strip()
    if len(text) > LONGEST:
        raise Refused(400, f"'{name}' is too long.", f"Give at most {LONGEST} characters.")
    return text or None


def probe(query: Mapping[str, str]) -> str:
    """The probe asked for; flame current when none is. Raises Refused."""
    return _text(query, "probe") or "flame_current"
