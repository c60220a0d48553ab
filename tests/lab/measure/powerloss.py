"""What is on a disk after the battery was lost: replays a trace of file changes up to a moment, and drops what was
not synced.

A file keeps what was written before its last sync. Each later write or cut is
there, or not, or only in part. A folder keeps the names that it had at its
own last sync; of what was made, renamed or removed in it since then, the
first few changes are there and the rest are not. That is stricter than the
file systems in use, which mostly keep the order of all names.
"""

from __future__ import annotations

import random
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
HEAD = struct.Struct("=cQQQQ")


@dataclass(frozen=True)
class Op:
    """One change. kind: C made, W written, T cut to a size, S file synced, D folder synced, R renamed, U removed, M
    folder made."""

    kind: str
    inode: int
    number: int
    path: str
    data: bytes


def library(into: Path) -> Path:
    """The recorder, compiled."""
    path = into / "powerloss.so"
    subprocess.run(
        ["gcc", "-shared", "-fPIC", "-O1", "-w", "-o", str(path), str(HERE / "powerloss.c"), "-ldl", "-lpthread"],
        check=True,
    )
    return path


def trace(log: Path) -> list[Op]:
    """The changes in a recorder's log."""
    raw, found, at = log.read_bytes(), [], 0
    while at < len(raw):
        kind, inode, number, one, two = HEAD.unpack_from(raw, at)
        at += HEAD.size
        found.append(Op(kind.decode(), inode, number, raw[at : at + one].decode(), raw[at + one : at + one + two]))
        at += one + two
    return found


@dataclass
class File:
    durable: bytes = b""
    waiting: list[Op] = field(default_factory=list)

    def after(self, chance: random.Random) -> bytes:
        """What may be found of it. All, nothing or any of what waits; a write also in part."""
        mood = chance.choice(("all", "none", "some", "some", "first"))
        content = bytearray(self.durable)
        for op in self.waiting[: chance.randrange(len(self.waiting) + 1)] if mood == "first" else self.waiting:
            if mood == "none" or (mood == "some" and chance.random() < 0.5):
                continue
            if op.kind == "T":
                content[op.number :] = b""
                content.extend(b"\0" * (op.number - len(content)))
                continue
            data = op.data if mood != "some" or chance.random() < 0.7 else op.data[: chance.randrange(len(op.data) + 1)]
            content.extend(b"\0" * (op.number - len(content)))
            content[op.number : op.number + len(data)] = data
        return bytes(content)


@dataclass
class Folder:
    """Names to what they stand for."""

    durable: dict[str, File | Folder] = field(default_factory=dict)
    now: dict[str, File | Folder] = field(default_factory=dict)
    waiting: list[dict[str, File | Folder | None]] = field(default_factory=list)

    def put(self, changes: dict[str, File | Folder | None]) -> None:
        """One change of names, there or not as a whole; None takes a name away."""
        _change(self.now, changes)
        self.waiting.append(changes)

    def sync(self) -> None:
        self.durable = dict(self.now)
        self.waiting = []

    def after(self, chance: random.Random) -> dict[str, File | Folder]:
        found = dict(self.durable)
        for changes in self.waiting[: chance.choice((0, len(self.waiting), chance.randrange(len(self.waiting) + 1)))]:
            _change(found, changes)
        return found


def _change(names: dict[str, File | Folder], changes: dict[str, File | Folder | None]) -> None:
    for name, what in changes.items():
        if what is None:
            names.pop(name, None)
        else:
            names[name] = what


class Disk:
    """A disk that is given changes one by one. root: the folder that all of them lie in, taken as synced when it is
    empty."""

    def __init__(self, root: str, syncs: bool = True) -> None:
        self.root = root
        self.top = Folder()
        self._inodes: dict[int, File] = {}
        self._syncs = syncs

    def apply(self, op: Op) -> None:
        match op.kind:
            case "C":
                self._inodes[op.inode] = file = File()
                folder, name = self._place(op.path)
                folder.put({name: file})
            case "W" | "T":
                self._inodes.setdefault(op.inode, File()).waiting.append(op)
            case "S" if self._syncs:
                file = self._inodes.setdefault(op.inode, File())
                file.durable, file.waiting = file.after(_Everything()), []
            case "D" if self._syncs:
                self._folder(op.path).sync()
            case "M":
                folder, name = self._place(op.path)
                folder.put({name: Folder()})
            case "U":
                folder, name = self._place(op.path)
                folder.put({name: None})
            case "R":
                one, name = self._place(op.path)
                two, other = self._place(op.data.decode())
                what = one.now[name]
                if one is two:
                    one.put({name: None, other: what})
                else:
                    one.put({name: None})
                    two.put({other: what})

    def lay(self, into: Path, chance: random.Random) -> None:
        """Lay out what may be found after the battery was lost now."""

        def out(folder: Folder, place: Path) -> None:
            place.mkdir()
            for name, what in folder.after(chance).items():
                if isinstance(what, Folder):
                    out(what, place / name)
                else:
                    (place / name).write_bytes(what.after(chance))

        out(self.top, into)

    def _parts(self, path: str) -> list[str]:
        return [part for part in path.removeprefix(self.root).split("/") if part]

    def _folder(self, path: str) -> Folder:
        here = self.top
        for part in self._parts(path):
            found = here.now[part]
            assert isinstance(found, Folder)
            here = found
        return here

    def _place(self, path: str) -> tuple[Folder, str]:
        return self._folder(path.rpartition("/")[0]), path.rpartition("/")[2]


class _Everything(random.Random):
    """Chance that keeps all: for a sync."""

    def choice(self, seq):  # type: ignore[no-untyped-def]
        return "all" if "all" in seq else seq[0]


def moments(
    ops: list[Op], root: str, count: int, chance: random.Random, syncs: bool = True
) -> Iterator[tuple[int, Disk]]:
    """`count` moments of losing the battery, spread over a trace: the number of changes made, and the disk just
    then."""
    at = sorted(chance.randrange(len(ops) + 1) for _ in range(count))
    disk, done = Disk(root, syncs), 0
    for moment in at:
        while done < moment:
            disk.apply(ops[done])
            done += 1
        yield done, disk
