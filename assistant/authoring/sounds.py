"""A procedure's sentences in a natural voice, where a visit finds them: a shelf of its own for each procedure."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from assistant.authoring.errors import AuthoringError
from assistant.authoring.lines import lines_of
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.piper import LANGUAGE, LICENCE, NAME, PiperVoice
from assistant.speaking.settings import settings
from assistant.speaking.shelf import Made, opus, write_shelf
from assistant.speaking.voice import Voice
from assistant.speaking.words import key, sentences, words_of
from flows.procedure.compile import Plan

KILOBITS = 24


def natural_voice(language: str) -> Voice:
    """The voice that a procedure can be spoken in. Raises AuthoringError where its language has none, MissingLibrary
    where it is not installed."""
    if language != LANGUAGE:
        raise AuthoringError(
            f"There is no natural voice for the language '{language}'.",
            "The visit speaks it with eSpeak NG. To hear it now, give a folder: --into FOLDER.",
        )
    return PiperVoice()


def speak(plan: Plan, voice: Voice, folder: Path) -> tuple[int, float]:
    """Every sentence of a plan onto the shelf in `folder`, in place of what was there; how many, and the seconds of
    all. Raises AuthoringError, VoiceError."""
    language, made, seconds = settings().language(plan.language), {}, 0.0
    pause = round(settings().pause * SAMPLE_RATE)
    for line in lines_of(plan):
        for words in sentences(words_of(language.prepared(line.text))):
            name = key(words)
            if name in made:
                continue
            sound = voice.render(name)[:-pause].astype(np.float32) / 32768
            made[name] = Made(name, opus(sound, KILOBITS), {name: (0, len(sound))})
            seconds += len(sound) / SAMPLE_RATE
    try:
        write_shelf(folder, plan.language, NAME, LICENCE, made.values())
    except OSError as error:
        raise AuthoringError(
            f"{folder} cannot be written ({error.strerror}).", "Check the rights of its folder."
        ) from error
    return len(made), seconds
