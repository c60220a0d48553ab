"""How a model folder hears voices it was not trained on: `python -m tests.lab.train.measure FOLDER`.

Speaks sentences of a few scopes with the tuning voices, adds noise, lets Vosk
hear them under the scope's grammar, and counts exact sentences, wrong words,
and, for other talk, how much was rejected (nothing heard, or `[unk]` in it).
For choosing prices; the hearing benchmark gives the numbers to report.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
import torch

from grammar import emit
from grammar.language import language
from grammar.scope import Asked, Scope
from tests.lab.train import noises, sentences, speakers
from tests.lab.train.graph import UNKNOWN
from tests.lab.train.synthesise import RATE, to_rate, trimmed
from tests.lab.train.train import distance

SCOPES = (
    Scope("volts", Asked("ac_volts", "volt", 0.0, 600.0, 1), commands=language("en").always_open),
    Scope(
        "current", Asked("dc_amps", "microamp", -600e-6, 600e-6, 2, signed=True), commands=language("en").always_open
    ),
    Scope("answer", None, (language("en").option("yes"), language("en").option("no")), language("en").always_open),
)


@dataclass(frozen=True, eq=False)
class Trial:
    """One thing said. text: "" for talk that no scope holds. sound: int16. snr: dB, or None for quiet."""

    scope: Scope
    voice: str
    text: str
    snr: float | None
    sound: np.ndarray


@dataclass(frozen=True)
class Score:
    """Shares of 1. exact: of sentences. words: wrong words for each spoken. rejected: of other talk."""

    exact: float
    words: float
    rejected: float


def trials(count: int, seed: int, talk: float = 0.25) -> list[Trial]:
    """The same trials for the same seed; each scope, voice and loudness of noise in turn."""
    rng, draw = np.random.default_rng(seed), random.Random(seed)
    names = [(engine, voice) for engine, voices in speakers.voice_file().tuning.items() for voice in voices]
    g = torch.Generator().manual_seed(seed)
    backgrounds = torch.cat(
        [noises.hiss(2, 12 * RATE, g), noises.hum(2, 12 * RATE, g), noises.ticks(2, 12 * RATE, g)]
    ).numpy()
    made: list[Trial] = []
    while len(made) < count:
        number = len(made)
        scope = SCOPES[number % len(SCOPES)]
        other = rng.random() < talk
        text = "" if other else emit.sentences(scope, draw, 1)[0]
        said = text or sentences.talk(rng)
        engine, voice = names[int(rng.integers(len(names)))]
        sound = trimmed(to_rate(*speakers.SPEAKERS[engine](said, voice, float(rng.uniform(0.9, 1.15)), rng)))
        if not len(sound):
            continue
        snr = (None, 20.0, 10.0, 5.0)[number // len(SCOPES) % 4]
        made.append(
            Trial(scope, voice, text, snr, _mixed(sound, snr, backgrounds[int(rng.integers(len(backgrounds)))], rng))
        )
    return made


def _mixed(sound: np.ndarray, snr: float | None, background: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The words between half seconds of the same background, int16."""
    padded = np.pad(sound, (RATE // 2, RATE // 2))
    power = float(np.mean(np.square(sound)))
    at = int(rng.integers(0, len(background) - len(padded)))
    level = np.sqrt(power / 10 ** ((50.0 if snr is None else snr) / 10))
    total = padded + level * background[at : at + len(padded)]
    return (total / np.abs(total).max() * 32767 * 10 ** (rng.uniform(-20, -3) / 20)).astype(np.int16)


def score(model: object, heard_in: list[Trial]) -> tuple[Score, list[tuple[Trial, str]]]:
    """The score of a `vosk.Model`, and what was heard of each trial."""
    import vosk

    results: list[tuple[Trial, str]] = []
    for trial in heard_in:
        grammar = [phrase for phrase in emit.phrases(trial.scope) if phrase != UNKNOWN]
        recogniser = vosk.KaldiRecognizer(model, RATE, json.dumps([*grammar, UNKNOWN]))
        recogniser.AcceptWaveform(trial.sound.tobytes())
        results.append((trial, json.loads(recogniser.FinalResult())["text"]))
    spoken = [(trial.text, text) for trial, text in results if trial.text]
    other = [text for trial, text in results if not trial.text]
    wrong = sum(distance(want.split(), got.split()) for want, got in spoken)
    total = sum(len(want.split()) for want, _ in spoken)
    exact = sum(want == got for want, got in spoken) / max(1, len(spoken))
    refused = sum(UNKNOWN in text.split() or not text for text in other)
    return Score(exact, wrong / max(1, total), refused / max(1, len(other))), results


def told(results: list[tuple[Trial, str]]) -> str:
    """Exact sentences by voice and by noise, one line each."""
    lines = []
    for name, key in (
        ("voice", lambda one: one.voice),
        ("noise", lambda one: "quiet" if one.snr is None else f"{one.snr:.0f} dB"),
    ):
        for value in dict.fromkeys(key(trial) for trial, _ in results):
            hits = [trial.text == text for trial, text in results if trial.text and key(trial) == value]
            lines.append(
                f"  {name} {value}: {100 * np.mean(hits):.0f} % of {len(hits)}" if hits else f"  {name} {value}: none"
            )
    return "\n".join(lines)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True))
@click.option("--count", type=int, default=240, show_default=True)
@click.option("--seed", type=int, default=5, show_default=True)
@click.option("--show", is_flag=True, help="Print every trial that was not heard right.")
def main(folder: Path, count: int, seed: int, show: bool) -> None:
    """Score FOLDER with the tuning voices."""
    import vosk

    vosk.SetLogLevel(-1)
    got, results = score(vosk.Model(str(folder)), trials(count, seed))
    if show:
        for trial, text in results:
            if trial.text != text:
                click.echo(f"  {trial.voice} {trial.snr} dB: '{trial.text}' heard as '{text}'")
    click.echo(told(results))
    click.echo(
        f"exact {100 * got.exact:.1f} %, wrong words {100 * got.words:.1f} %, other talk rejected"
        f" {100 * got.rejected:.1f} %"
    )


if __name__ == "__main__":
    main()
