"""Which voice speaks: the natural one where its sounds are there, else eSpeak NG."""

from __future__ import annotations

from pathlib import Path

import platformdirs

from assistant.speaking import piper
from assistant.speaking.natural import NaturalVoice
from assistant.speaking.settings import ESPEAK, NATURAL
from assistant.speaking.shelf import shelves
from assistant.speaking.voice import EspeakVoice, Voice


def own_sounds() -> Path:
    """Where sounds that a trainer made lie, a folder for each procedure."""
    return platformdirs.user_data_path("twohands") / "sounds"


def run_time_voice(language: str = "en") -> Voice:
    """What speaks any sentence at all: Piper where it is installed, else eSpeak NG. Raises MissingLibrary."""
    if language == piper.LANGUAGE and piper.installed():
        return piper.PiperVoice()
    return EspeakVoice(language)


def open_voice(language: str = "en", wanted: str = NATURAL, own: Path | None = None) -> Voice:
    """The voice of a visit. own: in place of the user's folder of sounds. Raises MissingLibrary, VoiceError."""
    if wanted == ESPEAK:
        return EspeakVoice(language)
    found = shelves(language, own or own_sounds())
    behind = run_time_voice(language)
    return NaturalVoice(found, behind, language) if found else behind
