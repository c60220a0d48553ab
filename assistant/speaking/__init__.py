"""Sentences out: rendering them as sound, and the queue that speaks them."""

from assistant.speaking.speaker import Collected, Sink, Speaker
from assistant.speaking.voice import EspeakVoice, Voice

__all__ = ["Collected", "EspeakVoice", "Sink", "Speaker", "Voice"]
