"""What a user wants the same way every time, so that it need not be typed: name, furnace, meter, language, devices.

One YAML file in the user's configuration folder. What stands on the command line goes before it.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any, Literal

import platformdirs
import yaml
from pydantic import Field, ValidationError, ValidationInfo, field_validator

from assistant.errors import SettingsError
from assistant.hearing.engines.base import ENGINES
from assistant.privacy import Keep
from assistant.private import make_folder, write_whole
from assistant.visit.interrupting import Interrupt
from flows.judge.profiles import is_there, names
from flows.procedure.session import Level
from grammar.datafile import Strict, load_yaml, parse_yaml, read_yaml
from grammar.errors import DataFileError
from grammar.language import languages

PLACE = "TWOHANDS_SETTINGS"
"""Environment variable that names another settings file; it need not be there yet."""
HEAD = """# What `twohands run`, `practice`, `voice` and `check` take where the command line does not say otherwise.
# Changed here, or with: twohands settings NAME VALUE
format: 1
"""
DEVICES = ("microphone", "loudspeaker")
USED_BY = {
    "run": (
        *("technician", "company", "licence", "equipment", "meter", "language", "rate"),
        *("voice", "engine", "my_voice"),
        *("keep_sound", "talk", "interrupt", *DEVICES),
    ),
    "practice": ("equipment", "meter", "rate", "voice", "engine", *DEVICES),
    "voice": DEVICES,
    "check": ("interrupt", *DEVICES),
}
"""Command -> the settings that it takes, called as its options are."""
KINDS: dict[str, Literal["equipment", "meters"]] = {"equipment": "equipment", "meter": "meters"}


class Settings(Strict):
    """All may be left out. equipment, meter: a shipped name or the path of a YAML file. microphone, loudspeaker: as
    for the options of that name. interrupt: as for that option. keep_sound: goes before what privacy.yaml says. talk:
    how much is told."""

    format: Literal[1] = 1
    technician: str | None = Field(default=None, min_length=1, max_length=200)
    company: str | None = Field(default=None, min_length=1, max_length=80)
    licence: str | None = Field(default=None, min_length=1, max_length=80)
    equipment: str | None = None
    meter: str | None = None
    language: str | None = None
    rate: Literal["slow", "normal", "fast"] | None = None
    voice: Literal["natural", "espeak"] | None = None
    engine: str | None = None
    my_voice: str | None = Field(default=None, min_length=1, max_length=200)
    microphone: str | None = Field(default=None, min_length=1, max_length=200)
    loudspeaker: str | None = Field(default=None, min_length=1, max_length=200)
    keep_sound: Keep | None = None
    talk: Level | None = None
    interrupt: Interrupt | None = None

    @field_validator("technician", "company", "licence", "my_voice", "microphone", "loudspeaker")
    @classmethod
    def _one_line(cls, value: str | None) -> str | None:
        if value is not None and not (value.isprintable() and value.strip()):
            raise ValueError("it must be words on one line")
        return value

    @field_validator("equipment", "meter")
    @classmethod
    def _profile(cls, value: str | None, info: ValidationInfo) -> str | None:
        kind = KINDS[str(info.field_name)]
        if value is not None and not is_there(kind, value):
            raise ValueError(f"it is none of {', '.join(names(kind))}, nor a YAML file that is there")
        return value

    @field_validator("language", "engine")
    @classmethod
    def _one_of(cls, value: str | None, info: ValidationInfo) -> str | None:
        known = languages() if info.field_name == "language" else ["auto", *ENGINES]
        if value is not None and value not in known:
            raise ValueError(f"it is none of {', '.join(known)}")
        return value

    @property
    def all_set(self) -> dict[str, str]:
        """Name -> value of what is set."""
        return self.model_dump(exclude_none=True, exclude={"format"})


KEYS = tuple(name for name in Settings.model_fields if name != "format")
"""What can be set."""


def place() -> Path:
    """Where the settings file lies, or will."""
    named = os.environ.get(PLACE)
    return Path(named) if named else platformdirs.user_config_path("twohands") / "settings.yaml"


def settings() -> Settings:
    """The user's settings, none set where there is no file. Raises DataFileError."""
    return load_yaml(place(), Settings) if place().exists() else Settings()


def defaults(command: str) -> dict[str, str]:
    """Option -> value that `command` takes where the command line does not say otherwise. Raises DataFileError."""
    wanted = {name: value for name, value in settings().all_set.items() if name in USED_BY.get(command, ())}
    if command == "practice":
        # Practice furnaces are simulated from the shipped profiles alone.
        wanted = {name: value for name, value in wanted.items() if name not in KINDS or value in names(KINDS[name])}
    return wanted


def set_one(name: str, value: str | None) -> Path:
    """Write one setting, or take it out with None; the other lines of the file stay. The file's place.

    A path becomes a whole one, since the next command may run in another folder. Raises SettingsError when the value
    cannot be, or the file cannot be written; DataFileError when something else in the file is wrong.
    """
    path = place()
    if value is not None and name in KINDS and value.endswith(".yaml"):
        value = str(Path(value).absolute())
    data = read_yaml(path)[0] if path.exists() else None
    text = path.read_text(encoding="utf-8") if path.exists() else HEAD
    if data is not None and not isinstance(data, dict):
        settings()
    wanted = {**(data or {"format": 1}), name: value}
    if value is None:
        del wanted[name]
    try:
        Settings.model_validate(wanted)
    except ValidationError as error:
        wrong = next((one for one in error.errors() if one["loc"][:1] == (name,)), None)
        if wrong is None:
            settings()
        reason = wrong["msg"].removeprefix("Value error, ") if wrong else str(error)
        raise SettingsError(
            f"{name} cannot be '{value}': {reason}.", "Give another value; nothing was changed."
        ) from error
    changed = _changed(text, name, value)
    if not _means(changed, path, wanted):
        # Not every way to write YAML can be changed line by line.
        changed = HEAD + "".join(_line(*one) for one in wanted.items() if one[0] != "format")
    try:
        make_folder(path.parent)
        write_whole(path, changed.encode())
    except OSError as error:
        raise SettingsError(
            f"{path} cannot be written ({error.strerror}).", "Check the rights of its folder."
        ) from error
    return path


def _means(text: str, path: Path, wanted: dict[str, Any]) -> bool:
    try:
        return bool(parse_yaml(text, path)[0] == wanted)
    except DataFileError:
        return False


def _changed(text: str, name: str, value: str | None) -> str:
    """The text with the line of `name` put in, changed, or taken out."""
    new = "" if value is None else _line(name, value)
    lines = text.splitlines(keepends=True)
    at = next((place for place, line in enumerate(lines) if re.match(rf"{name}\s*:", line)), None)
    if at is not None:
        lines[at] = new
        return "".join(lines)
    return text + ("" if not text or text.endswith("\n") else "\n") + new


def _line(name: str, value: Any) -> str:
    return yaml.safe_dump({name: value}, allow_unicode=True, width=10_000)
