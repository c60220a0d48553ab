"""What is recorded here: the lists that the recordings are made from, and the manifest of what was made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from assistant.hearing.audio.files import read
from assistant.visit.demo.clips import CLIPS, Id
from audio_fixtures.rooms import NoiseKind
from grammar.answers import Answer, Choice, Command, Reading, Unclear
from grammar.datafile import Strict, load_yaml
from grammar.language import language
from grammar.scope import Asked, Scope
from grammar.units import to_si

HERE = Path(__file__).parent
Noise = Literal["none"] | NoiseKind
Outcome = Literal["right", "asked again", "wrong and accepted"]


class Means(Strict):
    """What a recording says, so that what was made of it can be judged.

    kind: reading and over_limit (digits and unit as spoken), range (digits to
    `to`), command and choice (id), or outside: not to be taken for anything.
    """

    kind: Literal["reading", "range", "over_limit", "command", "choice", "outside"]
    digits: str = ""
    to: str = ""
    unit: str = ""
    id: str = ""

    @model_validator(mode="after")
    def _complete(self) -> Means:
        needed = {
            "reading": ("digits", "unit"),
            "range": ("digits", "to", "unit"),
            "command": ("id",),
            "choice": ("id",),
        }.get(self.kind, ())
        if lacking := [name for name in needed if not getattr(self, name)]:
            raise ValueError(f"a {self.kind} needs {' and '.join(lacking)}")
        return self


class AskedHere(Strict):
    """As `grammar.scope.Asked`; low and high in SI."""

    quantity: str
    unit: str
    low: float = 0.0
    high: float
    decimals: int = 1
    signed: bool = False


class ScopeHere(Strict):
    """What is open when a recording is played. options: ids of standard answers."""

    asked: AskedHere | None = None
    options: list[str] = Field(default_factory=list)
    digits_only: bool = False


class Utterance(Strict):
    """One sentence of the hearing set, recorded at every level."""

    id: Id
    text: str
    voice: str
    noise: NoiseKind
    scope: str
    means: Means


class HearingList(Strict):
    """utterances.yaml. levels: dB of speech over noise; the clean recording comes besides."""

    format: Literal[1]
    levels: list[float]
    scopes: dict[str, ScopeHere]
    utterances: list[Utterance]

    @model_validator(mode="after")
    def _whole(self) -> HearingList:
        _unique(one.id for one in self.utterances)
        if unknown := sorted({one.scope for one in self.utterances} - set(self.scopes)):
            raise ValueError(f"the scope {unknown[0]} is not listed under scopes")
        return self


class Recording(Strict):
    """One file as made. seconds: its length; seed: of its noise; scope, means: hearing set only."""

    file: str
    text: str
    voice: str
    licence: str
    noise: Noise
    snr_db: float | None
    seed: int
    rate: float
    seconds: float
    scope: str | None = None
    means: Means | None = None


class Manifest(Strict):
    """manifest.yaml, written by `make.py`. made_with: program -> version."""

    format: Literal[1]
    made_with: dict[str, str]
    recordings: list[Recording]


@dataclass(frozen=True)
class HearingCase:
    """A recording of the hearing set with the scope that it is to be heard in."""

    recording: Recording
    scope: Scope


def hearing_list() -> HearingList:
    """Raises DataFileError."""
    return load_yaml(HERE / "utterances.yaml", HearingList)


@lru_cache
def manifest() -> Manifest:
    """Every recording that ships. Raises DataFileError."""
    return load_yaml(HERE / "manifest.yaml", Manifest)


def sound(recording: Recording | str) -> np.ndarray:
    """A recording, or the file of that name in the manifest: int16, 16 kHz, shape (n,). Raises AudioError."""
    return read(place(recording if isinstance(recording, str) else recording.file))


def place(file: str) -> Path:
    """Where a file of the manifest lies: the demonstration's clips ship with the demonstration."""
    return CLIPS / file.removeprefix("visits/") if file.startswith("visits/") else HERE / file


def hearing_set(snr_db: float | None) -> list[HearingCase]:
    """The hearing set at one level, None for clean, in file order."""
    scopes = {name: _scope(name, one) for name, one in hearing_list().scopes.items()}
    return [HearingCase(one, scopes[one.scope]) for one in manifest().recordings if one.scope and one.snr_db == snr_db]


def judged(means: Means, answer: Answer) -> Outcome:
    """Whether what was made of a recording is right, would be asked again, or is wrong yet accepted."""
    if isinstance(answer, Unclear):
        return "right" if means.kind == "outside" else "asked again"
    return "right" if _same(means, answer) else "wrong and accepted"


def _same(means: Means, answer: Answer) -> bool:
    if isinstance(answer, Reading):
        if means.kind == "over_limit" or answer.over_limit:
            return means.kind == "over_limit" and answer.over_limit
        if means.kind not in ("reading", "range"):
            return False
        ends = to_si(means.digits, means.unit), to_si(means.to or means.digits, means.unit)
        return all(
            math.isclose(*pair, rel_tol=1e-9, abs_tol=1e-15)
            for pair in zip(ends, (answer.low, answer.high), strict=True)
        )
    if isinstance(answer, Choice):
        return means.kind == "choice" and means.id == answer.id and answer.correction is None
    return isinstance(answer, Command) and means.kind == "command" and means.id == answer.id


def _scope(name: str, here: ScopeHere) -> Scope:
    lang = language("en")
    asked = Asked(**here.asked.model_dump()) if here.asked else None
    return Scope(name, asked, tuple(lang.option(id) for id in here.options), lang.always_open, here.digits_only)


def _unique(ids) -> None:
    seen: set[str] = set()
    for id in ids:
        if id in seen:
            raise ValueError(f"the id {id} stands twice")
        seen.add(id)
