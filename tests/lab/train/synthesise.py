"""Speak a corpus with the training voices: `python -m tests.lab.train.synthesise OUT --hours 6`.

OUT gets, for each engine, shards `ENGINE-NNN.ogg` (Opus, 16 kHz, about five
minutes) and `ENGINE-NNN.jsonl` (a line an utterance: voice, text, start and
end sample, targets), and `manifest.json` (seed, hours, voices, licences). A
run that was broken off goes on at the next shard.
"""

from __future__ import annotations

import json
from pathlib import Path

import click
import numpy as np
import soundfile
from scipy.signal import resample_poly
from tqdm import tqdm

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from grammar.errors import GrammarError
from tests.lab.train import natural, sentences, speakers

SHARD_SECONDS = 300.0
GAP = 800
"""Samples of silence between utterances of a shard."""
LONGEST_SECONDS = 9.0
REPITCHED = 0.6
"""Share of the utterances whose pitch is changed, for engines that cannot change it themselves."""


def to_rate(sound: np.ndarray, rate: int) -> np.ndarray:
    """float32 at 16 kHz."""
    if rate == RATE:
        return sound
    common = int(np.gcd(rate, RATE))
    return resample_poly(sound, RATE // common, rate // common).astype(np.float32)


def trimmed(sound: np.ndarray) -> np.ndarray:
    """Peak 0.7, silence at both ends cut to 30 ms. Empty where there is no sound."""
    peak = float(np.abs(sound).max(initial=0.0))
    if not peak >= 1e-3:  # a voice model may also give no numbers at all
        return sound[:0]
    loud = np.flatnonzero(np.abs(sound) > 0.01 * peak)
    margin = int(0.03 * RATE)
    return sound[max(0, loud[0] - margin) : loud[-1] + margin] * (0.7 / peak)


def one_utterance(engine: speakers.EngineVoices, rng: np.random.Generator) -> tuple[str, str, np.ndarray]:
    """voice, text, sound at 16 kHz."""
    text = sentences.sentence(rng)
    voice = str(rng.choice(engine.voices))
    if engine.engine == "espeak":
        voice = f"{rng.choice(engine.accents)}+{voice}"
    elif engine.engine == "natural":
        voice = "+".join(natural.drawn(voice, engine.voices, rng))
    sound, rate = speakers.SPEAKERS[engine.engine](text, voice, float(rng.uniform(*engine.pace)), rng)
    if engine.pitch and rng.random() < REPITCHED:
        sound = speakers.at_pitch(sound, rate, float(np.exp(rng.uniform(*np.log(engine.pitch)))))
    return voice, text, trimmed(to_rate(sound, rate))


def write_shard(
    engine: speakers.EngineVoices, stem: Path, seconds: float, rng: np.random.Generator, bar: tqdm, level: float
) -> float:
    """One shard of about so many seconds; returns its length."""
    pieces: list[np.ndarray] = []
    lines: list[str] = []
    at = 0
    while at < seconds * RATE:
        voice, text, sound = one_utterance(engine, rng)
        if not 0.1 * RATE < len(sound) < LONGEST_SECONDS * RATE:
            continue
        lines.append(
            json.dumps(
                {"voice": voice, "text": text, "start": at, "end": at + len(sound), "targets": sentences.targets(text)}
            )
        )
        pieces += [sound, np.zeros(GAP, np.float32)]
        at += len(sound) + GAP
        bar.update(len(sound) / RATE)
    soundfile.write(
        stem.with_suffix(".part.ogg"),
        np.concatenate(pieces),
        RATE,
        format="OGG",
        subtype="OPUS",
        compression_level=level,
    )
    stem.with_suffix(".jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    stem.with_suffix(".part.ogg").rename(stem.with_suffix(".ogg"))
    return at / RATE


@click.command()
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--hours", type=float, default=6.0, show_default=True, help="Length of the whole corpus, all engines.")
@click.option("--engine", "engines", multiple=True, help="Only this engine; may be given more than once.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--opus-level", type=float, default=0.96, show_default=True, help="0 is largest, 1 smallest.")
def main(out: Path, hours: float, engines: tuple[str, ...], seed: int, opus_level: float) -> None:
    """Speak a corpus into OUT."""
    data = speakers.voice_file()
    chosen = [one for one in data.engines if not engines or one.engine in engines]
    if not chosen:
        raise click.ClickException(f"None of {', '.join(engines)} is an engine of voices.yaml.")
    out.mkdir(parents=True, exist_ok=True)
    total = sum(one.share for one in data.engines)
    for engine in chosen:
        seconds = hours * 3600 * engine.share / total
        with tqdm(total=round(seconds), unit="s", desc=engine.engine) as bar:
            for number in range(max(1, round(seconds / SHARD_SECONDS))):
                stem = out / f"{engine.engine}-{number:03d}"
                if stem.with_suffix(".ogg").exists():
                    bar.update(SHARD_SECONDS)
                    continue
                names = [one.engine for one in data.engines]
                rng = np.random.default_rng([seed, names.index(engine.engine), number])
                try:
                    write_shard(engine, stem, min(seconds, SHARD_SECONDS), rng, bar, opus_level)
                except GrammarError as error:
                    raise click.ClickException(error.text) from error
    about = {"seed": seed, "hours": hours, "rate": RATE, "engines": [one.model_dump() for one in data.engines]}
    (out / "manifest.json").write_text(json.dumps(about, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
