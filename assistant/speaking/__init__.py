"""Sentences out: rendering them as sound, and the queue that speaks them."""

from assistant.speaking.speaker import Sink, Speaker
from assistant.speaking.voice import EspeakVoice, Voice

__all__ = ["EspeakVoice", "Sink", "Speaker", "Voice"]
