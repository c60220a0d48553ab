"""How far each engine is believed, as data."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from pydantic import Field

from grammar.datafile import Strict, load_yaml

FILE = Path(__file__).with_name("settings.yaml")


class Trust(Strict):
    """The logit of "this was understood right" is `base` plus each weight times its feature (see `evidence`)."""

    base: float
    fit: float
    share: float
    least_word: float
    level: float
    length: float
    pace: float
    option: float
    command: float
    expected: float = 0.0
    partly: float = 0.0
    agree: float = 0.0
    silent: float = 0.0
    second: float = 0.0
    free: float = 0.0
    beside: float = 0.0
    short: float = 0.0


class EngineSettings(Strict):
    """share_power, prior_power, second_power: exponents of the engine's share, the display's prior and the second
    recogniser's share.

    accept: least trust (0 to 1) at which a reading is taken; accept_words: the
    same for an answer in words, accept_commands: for a command, which changes
    no record, accept_yes: for the "yes" to a read-back.
    twice: least trust from which a reading that is heard twice in a row is read back.
    either: least trust in two readings together at which they are offered as "X or Y?".
    made_with: digest of the model and settings that all these were fitted with (`tests/lab/made_with.py`).
    """

    share_power: float = Field(ge=0, le=5)
    prior_power: float = Field(ge=0, le=5)
    second_power: float = Field(default=0.0, ge=0, le=5)
    accept: float = Field(ge=0, le=1)
    accept_words: float = Field(ge=0, le=1)
    accept_commands: float = Field(ge=0, le=1)
    accept_yes: float = Field(ge=0, le=1)
    twice: float = Field(default=1.0, ge=0, le=1)
    either: float = Field(ge=0, le=1)
    trust: Trust
    made_with: str = Field(default="", pattern=r"^([0-9a-f]{12})?$")


class HearingSettings(Strict):
    """anything: share of displays that no expected value explains. moving: prior of a range or over-limit display.

    said_whole: how often a reading is spoken without the decimals that the display has. said_partly: with some of them.
    no_reading: prior of an answer in words where a reading is asked for, as of one that is neither expected nor odd.
    refused: share left to a reading each time that it was read back and refused; judgement, for a "no" may be misheard.
    silence: seconds of an utterance before and after the speech; the median of 1,884 of tuning voices.
    """

    version: int = Field(ge=1, le=1)
    anything: float = Field(gt=0, le=1)
    moving: float = Field(gt=0, le=1)
    said_whole: float = Field(gt=0, lt=0.5)
    said_partly: float = Field(gt=0, lt=0.5)
    no_reading: float = Field(gt=0, le=1)
    silence: float = Field(ge=0)
    refused: float = Field(default=1.0, gt=0, le=1)
    engines: dict[str, EngineSettings]


@lru_cache
def hearing_settings(path: Path = FILE) -> HearingSettings:
    """The settings that ship. Raises DataFileError."""
    return load_yaml(path, HearingSettings)
