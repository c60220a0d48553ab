"""What has been kept long enough goes, as the settings say: whole visits, or only their sound."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from assistant.errors import JournalError
from assistant.privacy import Privacy
from assistant.visit.forget import forget_folder, forget_sound
from assistant.visit.journal import FILE
from assistant.visit.journal_door import ends


def expire(visits: Path, settings: Privacy, now: datetime) -> Iterator[str]:
    """Forget what is older than the settings allow in a folder of visits; a line for each visit. Nothing happens
    without a setting.

    The age counts from a journal's last line. What cannot be read or is being written stays.
    """
    if settings.keep_days is None and settings.keep_sound_days is None:
        return
    for path in sorted(visits.glob(f"*/{FILE}")):
        age = age_of(path, now)
        if age is None:
            continue
        try:
            if settings.keep_days is not None and age > timedelta(days=settings.keep_days):
                forget_folder(path.parent)
                yield f"Forgotten after {settings.keep_days} days: {path.parent.name}"
            elif (
                settings.keep_sound_days is not None
                and age > timedelta(days=settings.keep_sound_days)
                and forget_sound(path.parent)
            ):
                yield f"Sound forgotten after {settings.keep_sound_days} days: {path.parent.name}"
        except JournalError as error:
            yield error.text


def age_of(path: Path, now: datetime) -> timedelta | None:
    """How long ago a journal's last line was written; None when it cannot be read."""
    try:
        first, last = ends(path)
        moment = datetime.fromisoformat((last or [first])[-1]["at"])
    except (JournalError, ValueError):
        return None
    return now - (moment if moment.tzinfo else moment.replace(tzinfo=now.tzinfo))
