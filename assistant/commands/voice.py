"""`twohands voice`: teach it your voice in a minute."""

from __future__ import annotations

import shutil
from contextlib import ExitStack
from pathlib import Path

import click
import numpy as np

from assistant.hearing.adapt import own_voice
from assistant.hearing.weigh.policy import weigh
from assistant.visit.assemble import Sound, assemble, choosing_devices
from assistant.visit.loop import Ears, Mouth
from flows.procedure.wording import spoken_lines
from grammar.answers import Command
from grammar.language import language
from grammar.scope import Asked, Scope

LANGUAGE = "en"
TRIES = 2
"""Times a sentence is asked for before it is left out."""
BRIEF = 0.5
"""Seconds; what is shorter is no sentence."""


@click.command()
@click.argument("name", required=False)
@click.option("--remove", is_flag=True, help="Forget the voice.")
@click.option(
    "--audio-in",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Hear the sentences, in order, from this sound file instead of a microphone.",
)
@click.option("--no-voice", is_flag=True, help="Print the sentences only.")
@click.option("--seed", default=1, show_default=True, help="For the noises that your sentences are mixed with.")
@choosing_devices
def voice(
    name: str | None, remove: bool, audio_in: Path | None, no_voice: bool, seed: int, microphone: str, loudspeaker: str
) -> int:
    """Teach PocketSphinx the voice NAME: read some sentences aloud, about a minute, in a quiet place.

    Then: twohands run --my-voice NAME, which listens with PocketSphinx and one small Vosk model together. The two small
    Vosk models that listen otherwise learn nothing from it. Without NAME, the voices that it knows.
    The sentences stay on this machine; only a model made from them is kept.
    """
    if name is None:
        known = (
            sorted(path.name for path in own_voice.home().glob("*") if path.suffix != ".part")
            if own_voice.home().is_dir()
            else []
        )
        click.echo("\n".join(known) if known else "No voice was learnt yet. Teach one: twohands voice NAME")
        return 0
    folder = own_voice.folder_of(name)
    if remove:
        own_voice.voice_model(name)
        shutil.rmtree(folder)
        click.echo(f"The voice '{name}' is forgotten.")
        return 0
    with ExitStack() as stack:
        sound = Sound(
            spoken=not no_voice and audio_in is None,
            audio_in=audio_in,
            engine="pocketsphinx",
            microphone=microphone,
            loudspeaker=loudspeaker,
        )
        ears, mouth, _ = assemble(stack, sound, LANGUAGE, frozenset())
        said = _read_aloud(ears, mouth)
    if said is None:
        return 1
    learnt = own_voice.learn(said, folder, np.random.default_rng(seed))
    click.echo(
        f"Learnt from {learnt.sentences} sentences; the sound fits by {learnt.after - learnt.before:.1f} nats a frame"
        f" better. Use it: twohands run --my-voice {name}\nPocketSphinx learnt it, and listens in that visit. The"
        " recogniser that listens by default learns nothing from a voice."
    )
    return 0


def _read_aloud(ears: Ears, mouth: Mouth) -> list[tuple[str, np.ndarray]] | None:
    """Sentences and their sounds; None when the reading was ended or gas was smelt."""
    words = language(LANGUAGE)
    scope = Scope(
        "voice_setup",
        Asked("ac_volts", "volt", 0.0, 300.0, 1),
        (words.option("yes"), words.option("no")),
        words.always_open,
    )
    said: list[tuple[str, np.ndarray]] = []
    _tell(mouth, "Read each sentence in your own voice, as you would at the furnace.")
    for text in own_voice.sentences(LANGUAGE):
        for _ in range(TRIES):
            _tell(mouth, f"Say: {text}.")
            final = ears.hear(scope)
            if final is None:
                return said
            answer = weigh(final.heard, scope)
            if isinstance(answer, Command) and answer.id == "gas":
                mouth.tone("alarm")
                _tell(mouth, spoken_lines(LANGUAGE).line("alarm"))
                return None
            if isinstance(answer, Command) and answer.id == "stop":
                _tell(mouth, "Stopped. Nothing was learnt.")
                return None
            if final.heard.seconds >= BRIEF:
                said.append((text, final.sound))
                break
    return said


def _tell(mouth: Mouth, text: str) -> None:
    click.echo(text)
    mouth.say(text)
    mouth.speak()
