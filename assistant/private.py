"""Files and folders that only their owner may read, and that are there after a lost battery."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FOLDER, FILE = 0o700, 0o600
"""Rights of what is kept: the owner's alone. A visit holds names, addresses and speech."""


def make_folder(folder: Path) -> None:
    """Make a folder and the ones above it, each the owner's alone, each on disk before the next. Existing ones stay
    as they are. Raises OSError."""
    missing = []
    while not folder.exists():
        missing.append(folder)
        folder = folder.parent
    for one in reversed(missing):
        try:
            one.mkdir(mode=FOLDER)
        except FileExistsError:
            continue
        sync_folder(one.parent)


def new_folder(folder: Path) -> None:
    """Make a folder that must not be there yet. Raises FileExistsError, OSError."""
    make_folder(folder.parent)
    folder.mkdir(mode=FOLDER)
    sync_folder(folder.parent)


def tighten(path: Path) -> None:
    """Take everybody else's rights away where it is ours and they are wider; what is not ours is left alone."""
    try:
        now = path.stat()
        if now.st_uid == os.geteuid() and now.st_mode & 0o077:
            path.chmod(now.st_mode & 0o700)
    except OSError:
        return  # It is not there, or its file system knows no rights.


def sync_folder(folder: Path) -> None:
    """Force the names in a folder to the disk: a new file is not there after a lost battery unless its folder was
    synced."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def reserve(folder: Path, stem: str, ending: str) -> Path:
    """An empty new file, `stem`+`ending` or with -2, -3 … before the ending: a name that nobody had before. Raises
    OSError."""
    number = 1
    while True:
        path = folder / f"{stem}{'' if number == 1 else f'-{number}'}{ending}"
        try:
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE))
            return path
        except FileExistsError:
            number += 1


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A private file beside `path` to write to; it takes the place of `path` when the block ends well, whole or not
    at all. Raises OSError."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, FILE))
        yield part
        handle = os.open(part, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(part, path)
        sync_folder(path.parent)
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write a private file, whole or not at all. Raises OSError."""
    with replacing(path) as part:
        part.write_bytes(content)
