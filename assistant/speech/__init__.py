"""Sentences out: rendering them as sound, and the queue that speaks them."""

from assistant.speech.speaker import Collected, Sink, Speaker
from assistant.speech.voice import EspeakVoice, Voice

__all__ = ["Collected", "EspeakVoice", "Sink", "Speaker", "Voice"]
