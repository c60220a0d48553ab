"""The corpus in memory: all samples in one row, and where each utterance lies."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch

from grammar.errors import GrammarError


@dataclass(frozen=True, eq=False)
class Speech:
    """samples: int16 (n,). start, length: samples, (utterances,). targets: a list an utterance. voices, texts: the same."""

    samples: torch.Tensor
    start: torch.Tensor
    length: torch.Tensor
    targets: list[list[int]]
    voices: list[str]
    texts: list[str]

    def __len__(self) -> int:
        return len(self.targets)

    @property
    def hours(self) -> float:
        return float(self.length.sum()) / 16_000 / 3600

    def to(self, device: torch.device) -> Speech:
        """The same, with its tensors on `device`."""
        return replace(self, samples=self.samples.to(device), start=self.start.to(device), length=self.length.to(device))

    def without(self, voices: Collection[str]) -> Speech:
        """The utterances of all other voices. For espeak a voice is named by the part after the +."""
        return self._of([i for i, voice in enumerate(self.voices) if voice.split("+")[-1] not in voices])

    def only(self, voices: Collection[str]) -> Speech:
        """The utterances of these voices."""
        return self._of([i for i, voice in enumerate(self.voices) if voice.split("+")[-1] in voices])

    def _of(self, rows: list[int]) -> Speech:
        return replace(
            self, start=self.start[rows], length=self.length[rows], targets=[self.targets[i] for i in rows],
            voices=[self.voices[i] for i in rows], texts=[self.texts[i] for i in rows],
        )  # fmt: skip


def load(folder: Path) -> Speech:
    """All finished shards of a folder. Raises GrammarError where there are none."""
    import soundfile

    rows: list[np.ndarray] = []
    start: list[int] = []
    length: list[int] = []
    targets: list[list[int]] = []
    names: list[str] = []
    texts: list[str] = []
    at = 0
    for file in sorted(folder.glob("*.ogg")):
        if not file.with_suffix(".jsonl").exists():
            continue
        sound, _ = soundfile.read(file, dtype="int16")
        rows.append(sound)
        for line in file.with_suffix(".jsonl").read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if one["end"] > len(sound):
                continue
            start.append(at + one["start"])
            length.append(one["end"] - one["start"])
            targets.append(one["targets"])
            names.append(one["voice"])
            texts.append(one["text"])
        at += len(sound)
    if not targets:
        raise GrammarError(f"No speech lies in {folder}.", f"Run: python -m grammar.training.synthesise {folder}")
    return Speech(torch.from_numpy(np.concatenate(rows)), torch.tensor(start), torch.tensor(length), targets, names, texts)
