"""What the assistant speaks with: `speech.yaml`, validated."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from assistant.errors import VoiceError
from assistant.speaking.words import MARKS
from grammar.datafile import Strict, load_yaml

NATURAL, ESPEAK = "natural", "espeak"
VOICES = (NATURAL, ESPEAK)
"""What can be chosen: the natural voice where its sounds are there, or eSpeak NG."""


class LanguageVoice(Strict):
    """voice: the synthesiser's id; say_as: word -> what the synthesiser is given for it."""

    voice: str
    say_as: dict[str, str] = Field(default_factory=dict)

    def prepared(self, text: str) -> str:
        """The text as the synthesiser is given it: one line, `say_as` applied to whole words."""
        return " ".join(re.sub(r"[^\W\d_]+", lambda hit: self.say_as.get(hit[0], hit[0]), text).split())


class Joints(Strict):
    """fade: seconds that two pieces overlap. pauses: seconds of silence after each mark."""

    fade: float = Field(gt=0, le=0.1)
    pauses: dict[str, Annotated[float, Field(ge=0, le=2)]]

    @field_validator("pauses")
    @classmethod
    def _every_mark(cls, value: dict[str, float]) -> dict[str, float]:
        if value.keys() != MARKS:
            raise ValueError(f"it must have a pause for each of {' '.join(sorted(MARKS))}, and no others")
        return value


class SpeechSettings(Strict):
    """rates: words a minute by name; limit and pause: seconds; peak: share of full scale; level: of the run-time
    voices, dB below full scale."""

    format: Literal[1]
    rates: dict[str, Annotated[int, Field(ge=80, le=400)]]
    normal: str
    languages: dict[str, LanguageVoice]
    limit: float = Field(gt=0, le=60)
    peak: float = Field(gt=0, le=0.99)
    pause: float = Field(ge=0, le=1)
    joints: Joints
    level: float = Field(ge=-40, le=-6)

    @model_validator(mode="after")
    def _consistent(self) -> SpeechSettings:
        if self.normal not in self.rates:
            raise ValueError(f"the rate '{self.normal}' is not one of {', '.join(self.rates)}")
        if list(self.rates.values()) != sorted(self.rates.values()):
            raise ValueError("rates stand slowest first")
        return self

    def words_a_minute(self, rate: str) -> int:
        """Raises VoiceError for a rate that is not there."""
        if rate not in self.rates:
            raise VoiceError(f"There is no speaking rate '{rate}'.", f"Choose one of: {', '.join(self.rates)}.")
        return self.rates[rate]

    def slower(self, rate: str) -> str:
        """The next slower rate, or the slowest itself. Raises VoiceError."""
        self.words_a_minute(rate)
        names = list(self.rates)
        return names[max(names.index(rate) - 1, 0)]

    def language(self, key: str) -> LanguageVoice:
        """Raises VoiceError for a language without a voice."""
        if key not in self.languages:
            raise VoiceError(f"No voice is set for the language '{key}'.", "Add it to assistant/speaking/speech.yaml.")
        return self.languages[key]


@lru_cache
def settings() -> SpeechSettings:
    """The settings that ship. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("speech.yaml"), SpeechSettings)
