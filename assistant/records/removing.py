"""Forget visits wherever they lie: in the store, in this machine's folder, in what other machines sent."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from assistant.errors import JournalError
from assistant.privacy import Privacy
from assistant.records.forgetting import forget, matching, scrub
from assistant.records.store import Store
from assistant.visit.expire import age_of
from assistant.visit.forget import forget_folder, is_visit_folder
from assistant.visit.journal_door import FILE, first_line

DAY = 86_400_000
"""Milliseconds."""


@dataclass(frozen=True)
class Gone:
    """A visit that is to go. folders: those with a journal of it. stored: the store holds it."""

    id: str
    technician: str
    site: str
    folders: tuple[Path, ...]
    stored: bool

    @property
    def places(self) -> tuple[str, ...]:
        return (*(["the store"] if self.stored else []), *(str(folder) for folder in self.folders))


def found_everywhere(
    store: Store,
    visits: Path,
    received: Path,
    ids: Sequence[str],
    customer: str | None,
    older_than: int | None,
    now: datetime,
) -> list[Gone]:
    """Every visit that one of these names, places or ages fits. older_than: days since its last line."""
    before = None if older_than is None else round(now.timestamp() * 1000) - older_than * DAY
    stored = {one.id: one for one in matching(store, ids, customer, before)}
    folders: dict[str, list[Path]] = {}
    about: dict[str, tuple[str, str]] = {one.id: (one.technician, one.site) for one in stored.values()}
    for path in [*sorted(visits.glob(f"*/{FILE}")), *sorted(received.glob(f"*/*/{FILE}"))]:
        name, technician, site = _about(path)
        old = older_than is not None and (age_of(path, now) or timedelta(0)) > timedelta(days=older_than)
        same = customer is not None and site.strip().lower() == customer.strip().lower()
        if is_visit_folder(path.parent) and (name in stored or path.parent.name in ids or name in ids or old or same):
            folders.setdefault(name, []).append(path.parent)
            about.setdefault(name, (technician, site))
    # A folder that fits takes its row in the store with it, and the other way round.
    stored |= {one.id: one for one in matching(store, sorted(folders.keys() - stored.keys()))}
    return [Gone(name, *about[name], tuple(folders.get(name, ())), name in stored) for name in sorted(about)]


def _about(path: Path) -> tuple[str, str, str]:
    """Name, technician and site, as the first line has them; a journal that cannot be read goes by its folder's
    name."""
    try:
        first = first_line(path)
    except JournalError:
        return path.parent.name, "", ""
    return str(first["visit"]), str(first.get("technician") or ""), str(first.get("site") or "")


def remove(store: Store, found: Sequence[Gone]) -> Iterator[str]:
    """Remove them; a line for what went, what could not, and where else copies are. The disk comes first: from there
    the store could be filled anew."""
    for one in found:
        desks: list[str] = []
        kept = False
        for folder in one.folders:
            try:
                desks += forget_folder(folder)
            except JournalError as error:
                kept = True
                yield f"{one.id}: not forgotten. {error.text}"
        if not kept and one.stored:
            forget(store, [one.id])
        if not kept:
            yield f"{one.id}: forgotten in {', '.join(one.places)}."
        for desk in dict.fromkeys(desks):
            yield f"{one.id}: a copy was sent to {desk}. Forget it there too: twohands records forget {one.id}"
    left = scrub(store) if any(one.stored for one in found) else ""
    if left:
        yield left
    yield "Backups and exports keep what they have; they are yours to throw away."


def retain(store: Store, settings: Privacy, now: float) -> int:
    """Forget what lies in the store for longer than the settings allow; how many visits. now: seconds since 1970."""
    if settings.keep_days is None:
        return 0
    old = [one.id for one in matching(store, before=round(now * 1000) - settings.keep_days * DAY)]
    gone = forget(store, old)
    if gone:
        scrub(store)
    return gone
