"""Take a visit off the disk: its journal, its sound, its reports. What lies in a store is
`assistant.records.forgetting`."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

from assistant import private
from assistant.errors import JournalError
from assistant.visit.journal import FILE, locked

SENT = "sent.jsonl"
"""Beside a journal: the desks that it was sent to, one JSON object a line."""
SOUNDS = (".flac", ".wav", ".ogg")
AWAY = ".forgotten-"


def forget_folder(folder: Path) -> list[str]:
    """Remove a visit's folder and all in it; the desks that hold a copy. Raises InUse while somebody is on the visit,
    JournalError.

    The folder is first renamed, so that after a sudden end in the middle it is no visit any
    more; what was left of earlier ones beside it goes too.
    """
    desks = sent_to(folder)
    try:
        handle = locked(folder)
        try:
            away = folder.with_name(f"{AWAY}{folder.name}-{os.getpid()}")
            os.rename(folder, away)
            private.sync_folder(folder.parent)
        finally:
            os.close(handle)
        for left in folder.parent.glob(f"{AWAY}*"):
            shutil.rmtree(left)
        private.sync_folder(folder.parent)
    except OSError as error:
        raise JournalError(
            f"The visit {folder.name} cannot be removed ({error.strerror}).", "Check the rights of its folder."
        ) from error
    return desks


def forget_sound(folder: Path) -> int:
    """Remove all sound of a visit and what was made from it, the words stay; how many files went. Raises InUse,
    JournalError."""
    files = [
        path
        for path in (*folder.glob("*"), *(folder / "audio").glob("*"))
        if path.is_file() and (path.suffix in SOUNDS or path.name in ("report.html", "report.pdf"))
    ]
    if not any(path.suffix in SOUNDS for path in files):
        return 0
    try:
        handle = locked(folder)
        try:
            for path in files:
                path.unlink(missing_ok=True)
            for place in (folder / "audio", folder):
                if place.is_dir():
                    private.sync_folder(place)
        finally:
            os.close(handle)
    except OSError as error:
        raise JournalError(
            f"The sound of {folder.name} cannot be removed ({error.strerror}).", "Check the rights of its folder."
        ) from error
    return len(files)


def note_sent(folder: Path, desk: str) -> None:
    """Note in a visit's folder that its journal went to a desk, so that forgetting can name it. Raises OSError."""
    if desk in sent_to(folder):
        return
    handle = os.open(folder / SENT, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, private.FILE)
    try:
        os.write(handle, (json.dumps({"desk": desk}) + "\n").encode())
        os.fsync(handle)
    finally:
        os.close(handle)


def sent_to(folder: Path) -> list[str]:
    """The desks that a visit's journal was sent to."""
    try:
        lines = (folder / SENT).read_text(encoding="utf-8", errors="replace").splitlines()[:1000]
    except OSError:
        return []
    found = []
    for line in lines:
        try:
            found.append(str(json.loads(line)["desk"]))
        except (ValueError, KeyError, TypeError, RecursionError):
            continue  # A line that a sudden end tore.
    return list(dict.fromkeys(found))


def is_visit_folder(folder: Path) -> bool:
    """Whether this is a folder with a journal, and not a way to somewhere else."""
    return folder.is_dir() and not folder.is_symlink() and (folder / FILE).is_file()
