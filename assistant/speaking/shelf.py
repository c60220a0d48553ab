"""Sentences and pieces of sentences that were spoken beforehand: one file of sound, one index, both found by words.

`sounds.bin` is one Ogg Opus stream behind the other, a take each; `sounds.json` says which bytes a take is, what was
said in it, and from which sample to which each key of `words` sounds in it. It has a line a take, sorted by its words.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import soundfile
from pydantic import Field, ValidationError

from assistant.errors import VoiceError
from assistant.hearing.audio.rate import SAMPLE_RATE
from grammar.datafile import Strict

INDEX, SOUNDS = "sounds.json", "sounds.bin"
SHIPPED = Path(__file__).with_name("sounds")
"""A folder for each language whose sentences ship as sound."""
Place = Annotated[int, Field(ge=0)]


class Take(Strict):
    """text: what was said. how: digest of how it was made, "" where nobody needs to know. at, size: its bytes in the
    file of sound. keys: key -> first sample, and the one after the last."""

    text: str
    how: str = ""
    at: Place
    size: Annotated[int, Field(gt=0)]
    keys: dict[str, tuple[Place, Place]]


class Index(Strict):
    """voice: whose it is. licence: under which the sounds may be passed on. sha256: of the file of sound."""

    format: Literal[1]
    language: str
    voice: str
    licence: str
    sha256: str
    takes: list[Take]


@dataclass(frozen=True)
class Shelf:
    """One voice's sounds. index: as read. keys: key -> take and samples."""

    folder: Path
    index: Index
    keys: Mapping[str, tuple[Take, int, int]]

    def piece(self, key: str) -> np.ndarray:
        """The sound of a key: float32 at 16 kHz, shape (n,). Raises KeyError, VoiceError."""
        take, begin, end = self.keys[key]
        return _decoded(self.folder / SOUNDS, take.at, take.size)[begin:end]


@lru_cache(maxsize=64)
def _decoded(file: Path, at: int, size: int) -> np.ndarray:
    try:
        with file.open("rb") as opened:
            opened.seek(at)
            return unpacked(opened.read(size))
    except (OSError, soundfile.LibsndfileError) as error:
        raise VoiceError(f"The sounds in {file} cannot be read ({error}).", "Install twohands again.") from error


def open_shelf(folder: Path) -> Shelf:
    """The sounds in a folder. Raises VoiceError when there are none, or index and sounds do not belong together."""
    try:
        index = Index.model_validate_json((folder / INDEX).read_bytes())
        size = (folder / SOUNDS).stat().st_size
    except OSError as error:
        raise VoiceError(f"There are no sounds in {folder}.", "Install twohands again.") from error
    except ValidationError as error:
        where = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise VoiceError(f"{folder / INDEX} is wrong at '{where}'.", "Install twohands again.") from error
    if any(take.at + take.size > size for take in index.takes):
        raise VoiceError(f"{folder / SOUNDS} is shorter than its index says.", "Install twohands again.")
    keys = {key: (take, *samples) for take in index.takes for key, samples in take.keys.items()}
    return Shelf(folder, index, keys)


def shelves(language: str, own: Path | None = None) -> list[Shelf]:
    """What ships in a language, then what trainers made in the folders of `own`. Raises VoiceError."""
    folders = [SHIPPED / language, *sorted(own.iterdir() if own is not None and own.is_dir() else ())]
    found = [open_shelf(folder) for folder in folders if (folder / INDEX).is_file()]
    return [shelf for shelf in found if shelf.index.language == language]


@dataclass(frozen=True)
class Made:
    """A take to be put on a shelf. sound: its Ogg Opus stream. how: as in `Take`."""

    text: str
    sound: bytes
    keys: Mapping[str, tuple[int, int]]
    how: str = ""


def opus(sound: np.ndarray, kilobits: float) -> bytes:
    """float32 at 16 kHz as an Ogg Opus stream of about so many kilobits a second."""
    file = io.BytesIO()
    # libsndfile spreads 6 to 256 kilobits over its compression levels, the highest bit rate first
    level = 1 - (kilobits - 6) / 250
    soundfile.write(file, sound, SAMPLE_RATE, format="OGG", subtype="OPUS", compression_level=level)
    return file.getvalue()


def unpacked(stream: bytes) -> np.ndarray:
    """An Ogg Opus stream as float32 at 16 kHz, shape (n,). Raises VoiceError, LibsndfileError."""
    sound, rate = soundfile.read(io.BytesIO(stream), dtype="float32")
    if rate != SAMPLE_RATE or sound.ndim != 1:
        raise VoiceError(f"The sounds are not one channel at {SAMPLE_RATE} Hz.", "Make them again.")
    return np.asarray(sound, dtype=np.float32)


def write_shelf(folder: Path, language: str, voice: str, licence: str, made: Iterable[Made]) -> Index:
    """Write sounds and index, whole or not at all. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    takes, sounds = [], bytearray()
    for one in sorted(made, key=lambda one: one.text):
        takes.append(Take(text=one.text, how=one.how, at=len(sounds), size=len(one.sound), keys=dict(one.keys)))
        sounds += one.sound
    index = Index(
        format=1,
        language=language,
        voice=voice,
        licence=licence,
        sha256=hashlib.sha256(sounds).hexdigest(),
        takes=takes,
    )
    head = index.model_dump(exclude={"takes"})
    rows = ",\n".join(json.dumps(take.model_dump(), ensure_ascii=False) for take in takes)
    text = json.dumps(head, ensure_ascii=False, indent=0)[:-2] + f',\n"takes": [\n{rows}\n]\n}}\n'
    for name, data in ((SOUNDS, bytes(sounds)), (INDEX, text.encode())):
        part = folder / f".{name}.part"
        part.write_bytes(data)
        part.replace(folder / name)
    return index
