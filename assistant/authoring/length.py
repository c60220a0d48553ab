"""How long sentences take to speak: by the real voice, or by their words where it is missing."""

from __future__ import annotations

from collections.abc import Callable

from assistant.engines.base import SAMPLE_RATE
from assistant.speech.settings import settings
from assistant.speech.voice import Voice

Seconds = Callable[[str], float]


def by_voice(voice: Voice) -> Seconds:
    """Seconds as the voice renders a sentence at its normal rate."""
    return lambda text: len(voice.render(text)) / SAMPLE_RATE


def by_words(text: str) -> float:
    """Seconds by the words and the voice's normal rate; the pause after the sentence comes on top."""
    data = settings()
    return len(text.split()) * 60 / data.words_a_minute(data.normal) + data.pause
