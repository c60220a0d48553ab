"""Unpack an archive that came from elsewhere: no way out of the folder, no links, no bomb."""

from __future__ import annotations

import stat
import zipfile
import zlib
from pathlib import Path, PurePosixPath

from assistant.errors import ModelError

MOST_BYTES = 8 << 30
MOST_FILES = 10_000
MOST_RATIO = 200
"""Unpacked bytes for one packed; models pack to about a half."""
BLOCK = 1 << 20
UNSAFE = "Nothing was unpacked. Fetch the model from another place."


def unpack(archive: Path, into: Path) -> Path:
    """Unpack a zip with one top folder into the empty folder `into`; return that folder. Raises ModelError."""
    try:
        with zipfile.ZipFile(archive) as packed:
            members = packed.infolist()
            top = _checked(members)
            left = min(MOST_BYTES, MOST_RATIO * max(1, archive.stat().st_size))
            for member in members:
                left -= _write(packed, member, into, left)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, UnicodeError) as error:
        raise ModelError(f"The archive cannot be unpacked ({error}).", "Fetch the model again.") from error
    except OSError as error:
        raise ModelError(
            f"The model could not be unpacked ({error.strerror or error}).",
            f"Make room in {into.parent} or check its rights.",
        ) from error
    return into / top


def _checked(members: list[zipfile.ZipInfo]) -> str:
    """The name of the one top folder, when every member lies in it."""
    if len(members) > MOST_FILES:
        raise ModelError(f"The archive holds {len(members)} files.", UNSAFE)
    tops = set()
    for member in members:
        name = member.filename
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name or "\0" in name or not path.parts:
            raise ModelError(f"The archive holds a path that leads out of its folder: {name!r}.", UNSAFE)
        kind = stat.S_IFMT(member.external_attr >> 16)
        if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
            raise ModelError(f"The archive holds a link or a special file: {name!r}.", UNSAFE)
        if len(path.parts) == 1 and not member.is_dir():
            raise ModelError(f"The archive holds {name!r} outside of a folder.", UNSAFE)
        tops.add(path.parts[0])
    if len(tops) != 1:
        raise ModelError(f"The archive holds {len(tops)} folders; a model is one.", UNSAFE)
    return tops.pop()


def _write(packed: zipfile.ZipFile, member: zipfile.ZipInfo, into: Path, left: int) -> int:
    """Unpack one member; return its bytes as counted, whatever its header says."""
    target = into.joinpath(*PurePosixPath(member.filename).parts)
    if member.is_dir():
        target.mkdir(parents=True, exist_ok=True)
        return 0
    target.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with packed.open(member) as source, target.open("xb") as file:
        while block := source.read(BLOCK):
            written += len(block)
            if written > left:
                raise ModelError("The archive unpacks to far more than a model.", UNSAFE)
            file.write(block)
    return written
