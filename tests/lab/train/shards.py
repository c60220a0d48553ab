"""The corpus in memory: all samples in one row, and where each utterance lies."""

from __future__ import annotations

import json
from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch

from assistant.hearing.audio.rate import SAMPLE_RATE
from grammar.errors import GrammarError


@dataclass(frozen=True, eq=False)
class Speech:
    """samples: int16 (n,). start, length: samples, (utterances,). targets: a list an utterance. voices, texts: the
    same.

    weight: how often each comes up in a round of training, (utterances,). person: whether a person speaks it.
    """

    samples: torch.Tensor
    start: torch.Tensor
    length: torch.Tensor
    targets: list[list[int]]
    voices: list[str]
    texts: list[str]
    weight: list[int]
    person: list[bool]

    def __len__(self) -> int:
        return len(self.targets)

    @property
    def hours(self) -> float:
        return float(self.length.sum()) / SAMPLE_RATE / 3600

    def to(self, device: torch.device) -> Speech:
        """The same, with its tensors on `device`."""
        return replace(
            self, samples=self.samples.to(device), start=self.start.to(device), length=self.length.to(device)
        )

    def without(self, voices: Collection[str]) -> Speech:
        """The utterances of all other voices. A voice written a+b goes by either name: an accent and a variant, or a
        blend."""
        return self._of([i for i, voice in enumerate(self.voices) if not set(voice.split("+")) & set(voices)])

    def only(self, voices: Collection[str]) -> Speech:
        """The utterances of these voices."""
        return self._of([i for i, voice in enumerate(self.voices) if set(voice.split("+")) & set(voices)])

    def _of(self, rows: list[int]) -> Speech:
        return replace(
            self, start=self.start[rows], length=self.length[rows], targets=[self.targets[i] for i in rows],
            voices=[self.voices[i] for i in rows], texts=[self.texts[i] for i in rows],
            weight=[self.weight[i] for i in rows], person=[self.person[i] for i in rows],
        )  # fmt: skip


def load(*folders: Path) -> Speech:
    """All finished shards of the folders. Raises GrammarError where there are none."""
    import soundfile

    lines: list[dict] = []
    at = 0
    files = [one for folder in folders for one in sorted(folder.glob("*.ogg")) if one.with_suffix(".jsonl").exists()]
    with ThreadPoolExecutor() as threads:
        rows = list(threads.map(lambda file: soundfile.read(file, dtype="int16")[0], files))
    for file, sound in zip(files, rows, strict=True):
        for line in file.with_suffix(".jsonl").read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if one["end"] <= len(sound):
                lines.append({**one, "start": at + one["start"], "length": one["end"] - one["start"]})
        at += len(sound)
    if not lines:
        names = ", ".join(map(str, folders))
        raise GrammarError(f"No speech lies in {names}.", f"Run: python -m tests.lab.train.synthesise {folders[0]}")
    return Speech(
        torch.from_numpy(np.concatenate(rows)),
        torch.tensor([one["start"] for one in lines]),
        torch.tensor([one["length"] for one in lines]),
        [one["targets"] for one in lines],
        [one["voice"] for one in lines],
        [one["text"] for one in lines],
        [one.get("weight", 1) for one in lines],
        ["weight" in one for one in lines],
    )
