"""A visit of the store in lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from assistant.records.faultnames import fault_name
from assistant.records.findings import not_done, not_done_words, standing
from assistant.visit.details import details_of

MARKS = {"pass": "good", "fail": "fault", "close": "too close", "open": "open", None: "-"}


def printable(line: str) -> str:
    """A line without marks that could steer a terminal; they are shown as what they are."""
    return "".join(one if one.isprintable() else f"\\x{ord(one):02x}" for one in line)


def when(at: int | None) -> str:
    """Milliseconds since 1970 as local date and minute."""
    return "-" if at is None else local_time(at).strftime("%Y-%m-%d %H:%M")


def local_time(at: int) -> datetime:
    """Milliseconds since 1970 as local time; what no calendar holds is the nearest that it does."""
    return datetime.fromtimestamp(min(max(at / 1000, 86_400.0), 2**37), UTC).astimezone()


def mark(row: dict[str, Any]) -> str:
    """The verdict in a word; a visit that was not finished is never called good, and a danger comes before
    everything."""
    return "DANGER" if row["danger"] else MARKS.get(row["outcome"], "-")


def ending(row: dict[str, Any]) -> str:
    """What stands and what was found, and how the visit ended, in a few words."""
    told = [row["danger"]] if row["danger"] else []
    if row["found"] and not (row["danger"] and fault_name(row["found"]) in row["danger"]):
        told.append(fault_name(row["found"]) + (", mended" if _is_mended(row) else ""))
    elif row["how"] == "finished" and not row["not_done"] and not told:
        told.append("no one fault named" if row["outcome"] in ("fail", "close") else fault_name(None))
    if row["how"] != "finished":
        told.append(ENDINGS.get(row["how"] or "", "not ended"))
    if row["not_done"]:
        missing = not_done_words(tuple(row["not_done"].split(", ")))
        told.append(missing[:1].lower() + missing[1:].rstrip("."))
    return "; ".join(told)


ENDINGS = {"stopped": "stopped before the end", "gas": "ended by a gas alarm", "interrupted": "interrupted"}


def _is_mended(row: dict[str, Any]) -> bool:
    """Whether what was found was mended in the visit itself and read again."""
    return row["outcome"] == "pass" or bool(row["mended"] and not row["fault"])


def told(events: list[dict[str, Any]]) -> Iterator[str]:
    """The lines that tell of one visit: whose it was, what endangers, what is missing, and what happened."""
    first = events[0]
    yield (
        f"{first.get('visit')}: {first.get('procedure_title') or first.get('procedure')},"
        f" {first.get('equipment_name')}, {first.get('meter_name')}{' (invented)' if first.get('invented') else ''}"
    )
    yield (
        f"{first.get('technician') or 'technician not named'}, {first.get('site') or 'site not named'},"
        f" {first.get('at')}"
    )
    for title, text, how in details_of(events).told():
        yield f"{title}: {text}{f' ({how})' if how else ''}"
    for danger in standing(events):
        yield f"  {'DANGER':>9}  {danger.short}: {danger.text}"
    if missing := not_done(events):
        yield f"  {'not done':>9}  {', '.join(missing)}"
    for one in events:
        kind = one.get("kind")
        if kind == "verdict":
            yield f"  {MARKS.get(one.get('outcome'), '?'):>9}  {one.get('step')}: {one.get('text')}"
        elif kind == "skipped":
            yield f"  {'skipped':>9}  {one.get('step')}: {one.get('why') or 'no reason given'}"
        elif kind == "retaken":
            yield f"  {'retaken':>9}  {one.get('step')}: the reading before this was taken back"
        elif kind == "order":
            yield f"  {'forward':>9}  {one.get('step')}: {one.get('why') or 'it tells the most'}"
        elif kind == "safety":
            words = one.get("text") if one.get("stands") is not False else f"{one.get('finding')} no longer stands"
            yield f"  {'DANGER' if one.get('stands') is not False else 'put right':>9}  {one.get('step')}: {words}"
        elif kind == "fix":
            yield (
                f"  {'mended':>9}  {one.get('step')}: stopped to mend it"
                f" ({str(one.get('finding') or 'named').replace('_', ' ')})"
            )
        elif kind == "alarm":
            yield f"  {'ALARM':>9}  {one.get('what')} at {one.get('step')}"
        elif kind == "end":
            yield f"  {'end':>9}  {one.get('how')}: {one.get('summary') or ''}"
