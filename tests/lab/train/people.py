"""Recordings of people for training, tuning and test: `python -m tests.lab.train.people RECORDINGS OUT`.

Splits every set by whole speakers (the rule stands in people.yaml) and writes
those that may be trained on as shards that `shards.load` reads: the sound as it
is, and lines with voice, text, start, end, targets and weight. An utterance with a word that
the dictionary lacks is left out and counted.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import click
import numpy as np
import soundfile
from pydantic import Field, model_validator

from grammar.datafile import Strict, load_yaml
from grammar.errors import GrammarError
from tests.lab.train import sentences

Part = Literal["train", "tune", "test"]
SHORT = frozenset([*sentences.DIGITS, "yes", "no", "stop"])
"""Words that answer a question alone."""


class Below(Strict):
    """Bounds of the remainder, see people.yaml."""

    train: int = Field(ge=0, le=100)
    tune: int = Field(ge=0, le=100)


class Recordings(Strict):
    """One set of people.yaml."""

    speakers: Literal["speaker", "train", "tune", "test"]
    weight: int = Field(ge=1)
    digits_weight: int = Field(ge=1)
    talk: bool
    source: str
    licence: str


class PeopleFile(Strict):
    """The file people.yaml; its header explains each key."""

    version: Literal[1]
    below: Below
    sets: dict[str, Recordings]
    noises: dict[Part, tuple[str, ...]]

    @model_validator(mode="after")
    def _apart(self) -> PeopleFile:
        if self.below.train >= self.below.tune:
            raise ValueError("below: train must be less than tune")
        names = [name for part in self.noises.values() for name in part]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"the noise {twice[0]} is on two sides")
        return self


@dataclass(frozen=True)
class Utterance:
    """One recorded utterance. start, end: samples in `file`, at 16 kHz. about: whatever else is known (age, gender)."""

    set: str
    file: Path
    start: int
    end: int
    speaker: str
    text: str
    about: dict[str, str]


@cache
def people_file() -> PeopleFile:
    """The shipped split. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("people.yaml"), PeopleFile)


def part_of(set_name: str, speaker: str) -> Part:
    """Where a speaker of a set belongs. Raises GrammarError for a set that people.yaml does not name."""
    data = people_file()
    if set_name not in data.sets:
        raise GrammarError(f"people.yaml has no set '{set_name}'.", f"Sets are: {', '.join(data.sets)}.")
    whole = data.sets[set_name].speakers
    if whole != "speaker":
        return whole
    place = int(hashlib.sha256(f"{set_name}/{speaker}".encode()).hexdigest()[:8], 16) % 100
    return "train" if place < data.below.train else "tune" if place < data.below.tune else "test"


def utterances(folder: Path, part: Part | None = None, sets: tuple[str, ...] = ()) -> Iterator[Utterance]:
    """What lies in a folder of recordings, in file order. Raises GrammarError where there is nothing."""
    files = sorted(file for file in folder.glob("*.jsonl") if file.with_suffix(".ogg").exists())
    if not files:
        raise GrammarError(
            f"No recordings of people lie in {folder}.", "Give a folder with NAME-NN.ogg and NAME-NN.jsonl."
        )
    for file in files:
        name = file.stem.rpartition("-")[0]
        if name not in people_file().sets or (sets and name not in sets):
            continue
        for line in file.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if part in (None, part_of(name, one["speaker"])):
                about = {key: str(one[key]) for key in ("age", "gender", "id") if key in one}
                yield Utterance(
                    name, file.with_suffix(".ogg"), one["start"], one["end"], one["speaker"], one["text"], about
                )


def weight(one: Utterance) -> int:
    """How often it comes up in training."""
    data = people_file().sets[one.set]
    return data.digits_weight if set(one.text.split()) <= SHORT else data.weight


def write_part(folder: Path, out: Path, part: Part) -> tuple[int, int]:
    """One part as shards, the sound copied as it is; utterances written and left out."""
    out.mkdir(parents=True, exist_ok=True)
    known = sentences.lexicon()
    lines: dict[Path, list[str]] = {}
    left_out = 0
    for one in utterances(folder, part):
        if not all(word in known for word in one.text.split()):
            left_out += 1
            continue
        row = {"voice": f"{one.set}/{one.speaker}", "text": one.text, "start": one.start, "end": one.end,
               "targets": sentences.targets(one.text), "weight": weight(one)}  # fmt: skip
        lines.setdefault(one.file, []).append(json.dumps(row))
    for file, rows in lines.items():
        shutil.copyfile(file, out / file.name)
        (out / file.name).with_suffix(".jsonl").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return sum(map(len, lines.values())), left_out


def samples(one: Utterance) -> np.ndarray:
    """int16 at 16 kHz, shape (n,)."""
    return soundfile.read(one.file, start=one.start, stop=one.end, dtype="int16")[0]


@click.command()
@click.argument("recordings", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--part", type=click.Choice(["train", "tune"]), default="train", show_default=True)
def main(recordings: Path, out: Path, part: Part) -> None:
    """Write the training part of RECORDINGS, or the part that is kept for tuning, to OUT."""
    try:
        written, left_out = write_part(recordings, out, part)
    except GrammarError as error:
        raise click.ClickException(error.text) from error
    click.echo(f"{written} utterances to {part} in {out}; {left_out} left out for a word without pronunciation")


if __name__ == "__main__":
    main()
