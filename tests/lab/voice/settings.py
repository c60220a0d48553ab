"""`voice.yaml`, validated."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Literal

from pydantic import Field

from grammar.datafile import Strict, load_yaml


class VoiceSettings(Strict):
    """The file's header explains each key."""

    format: Literal[1]
    voice: str
    pace: float = Field(ge=0.5, le=2)
    lufs: float = Field(ge=-40, le=-10)
    peak: float = Field(ge=-12, le=-1)
    kilobits: int = Field(ge=8, le=64)
    say: dict[str, str]
    phrases: dict[str, str]


@cache
def voice_settings() -> VoiceSettings:
    """What ships. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("voice.yaml"), VoiceSettings)
