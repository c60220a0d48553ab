"""Vosk models on this machine: what is known, what is here, fetch, place by hand, remove."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import platformdirs
from pydantic import Field

import grammar
from assistant.errors import ModelError
from assistant.models.fetch import Progress, download
from assistant.models.unpack import unpack
from assistant.models.whole import model_problem
from grammar.datafile import Strict, load_yaml

REGISTRY = Path(__file__).with_name("models.yaml")
EMBEDDED = Path(grammar.__file__).parent / "model"
"""Models inside the package; one listens alone only with a file named DEFAULT in its folder."""
OWN = "twohands-en"
"""The small English model that was trained for the words of Twohands, with synthetic voices alone."""
WITH_PEOPLE = "twohands-en-people"
"""The same, trained on with recordings of people; it listens first, the other along."""
HASH = re.compile(r"[0-9a-f]{64}")
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")


class Entry(Strict):
    """One known model. bytes: about the size of the archive. sha256: of the archive, or None."""

    language: str
    about: str
    url: str
    bytes: int = Field(gt=0)
    sha256: str | None = Field(default=None, pattern=r"^[0-9a-f]{64}$")


class Registry(Strict):
    """models: name of the model folder -> entry."""

    version: int = Field(ge=1, le=1)
    models: dict[str, Entry]


@dataclass(frozen=True)
class Model:
    """A model on this machine. problem: what is wrong with it, or "". embedded: part of the package."""

    name: str
    folder: Path
    language: str
    problem: str
    embedded: bool = False


@dataclass(frozen=True)
class Listed:
    """A line of `twohands model list`. state: "here", "damaged", "can be fetched" or "hash not pinned: place by
    hand"."""

    name: str
    about: str
    bytes: int | None
    state: str
    folder: Path | None


def home() -> Path:
    """The folder of models; the environment variable TWOHANDS_MODELS moves it."""
    moved = os.environ.get("TWOHANDS_MODELS")
    return Path(moved) if moved else platformdirs.user_data_path("twohands") / "models"


def known() -> dict[str, Entry]:
    """Name -> entry of every known model."""
    return load_yaml(REGISTRY, Registry).models


def present(folder: Path | None = None) -> list[Model]:
    """Models on this machine, whole or not, the embedded default first."""
    found = [model for model in _in(EMBEDDED, embedded=True) if (model.folder / "DEFAULT").is_file()]
    return found + _in(folder or home(), embedded=False)


def own_model(name: str = OWN) -> Path | None:
    """The folder of a model that ships, or None where it is not whole."""
    folder = EMBEDDED / name
    return None if model_problem(folder) else folder


def listing(folder: Path | None = None) -> list[Listed]:
    """What is here and what is known, for a person."""
    here = {model.name: model for model in present(folder)}
    entries = known()
    lines = []
    for model in here.values():
        about = entries[model.name].about if model.name in entries else model.language
        lines.append(Listed(model.name, about, None, "damaged" if model.problem else "here", model.folder))
    for name, entry in entries.items():
        if name not in here:
            lines.append(
                Listed(
                    name,
                    entry.about,
                    entry.bytes,
                    "can be fetched" if entry.sha256 else "hash not pinned: place by hand",
                    None,
                )
            )
    return lines


def by_hand(folder: Path | None = None) -> str:
    """How to place a model without a network, in plain sentences."""
    return (
        "On a machine with a network, get the archive of a small English Vosk model and unpack it. "
        f"Copy its folder (the one that holds 'am', 'conf' and 'graph') into {folder or home()}. "
        "Then `twohands model list` shows it as here."
    )


def fetch(
    name: str = "",
    url: str = "",
    sha256: str = "",
    folder: Path | None = None,
    progress: Progress = lambda done, total: None,
    wait: Callable[[float], None] | None = None,
) -> Model:
    """Fetch one model: by `name` of a pinned entry, or from `url` with its `sha256`.

    Goes on where an earlier try stopped. Nothing shows in the folder before the
    whole archive is checked and unpacked. progress(done, total) in bytes, total
    None when unknown. Raises ModelError.
    """
    folder = folder or home()
    if not url:
        entry = known().get(name)
        if entry is None:
            raise ModelError(f"There is no known model '{name}'.", f"Choose one of: {', '.join(known())}.")
        if entry.sha256 is None:
            raise ModelError(
                f"The hash of {name} is not pinned here, so it is not fetched by name.",
                f"Give its hash: twohands model fetch --url {entry.url} --sha256 HASH. Or: {by_hand(folder)}",
            )
        url, sha256 = entry.url, entry.sha256
    sha256 = sha256.lower()
    if not HASH.fullmatch(sha256):
        raise ModelError("A model is fetched only with its SHA-256.", "Give --sha256 with its 64 hexadecimal digits.")
    with _locked(folder):
        archive = download(url, sha256, folder / ".parts", progress, wait, remedy=by_hand(folder))
        with tempfile.TemporaryDirectory(prefix=".unpack-", dir=folder) as work:
            made = unpack(archive, Path(work))
            if not NAME.fullmatch(made.name):
                raise ModelError(f"The archive holds a folder with the odd name {made.name!r}.", "Fetch another model.")
            problem = model_problem(made)
            if problem:
                raise ModelError(problem, "Fetch a small Vosk model.")
            target = folder / made.name
            if target.exists():
                shutil.move(target, Path(work) / "before")
            os.replace(made, target)
        archive.unlink()
    return _model(target, embedded=False)


def remove(name: str, folder: Path | None = None) -> None:
    """Remove a model from the folder. Raises ModelError."""
    folder = folder or home()
    target = folder / name
    if not NAME.fullmatch(name) or not target.is_dir():
        here = ", ".join(model.name for model in _in(folder, embedded=False)) or "none"
        raise ModelError(f"There is no model '{name}' to remove.", f"Here are: {here}.")
    with _locked(folder), tempfile.TemporaryDirectory(prefix=".remove-", dir=folder) as work:
        # Out of sight first, so that a half-removed model is never loaded.
        os.replace(target, Path(work) / name)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """One fetch or removal at a time. The lock ends with the process, however it ends."""
    import fcntl

    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / ".lock").open("w")
    except OSError as error:
        raise ModelError(
            f"The folder {folder} cannot be written ({error.strerror}).",
            "Check its rights or set TWOHANDS_MODELS to another folder.",
        ) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise ModelError("Another Twohands is changing the models.", "Wait until it is done.") from error
        yield


def _in(folder: Path, embedded: bool) -> list[Model]:
    if not folder.is_dir():
        return []
    return [_model(one, embedded) for one in sorted(folder.iterdir()) if one.is_dir() and NAME.fullmatch(one.name)]


def _model(folder: Path, embedded: bool) -> Model:
    entry = known().get(folder.name)
    named = re.match(r"vosk-model-(?:small-)?([a-z]{2})(?:-|$)", folder.name)
    language = entry.language if entry else named[1] if named else ""
    problem = model_problem(folder) or ("" if language else f"The name {folder.name} does not say its language.")
    return Model(folder.name, folder, language, problem, embedded)
