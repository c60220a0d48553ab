"""What is kept of a visit and for how long, as the user set it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Literal

import platformdirs
from pydantic import Field

from grammar.answers import Answer, Choice, Reading, Unclear
from grammar.datafile import Strict, load_yaml

SHIPPED = Path(__file__).with_name("privacy.yaml")
PLACE = "TWOHANDS_PRIVACY"
"""Environment variable that names another settings file."""
Keep = Literal["all", "doubtful", "none"]
KEEP: tuple[Keep, ...] = ("all", "doubtful", "none")
Days = Annotated[int, Field(ge=1, le=36_500)]


class Privacy(Strict):
    """keep_sound: which sounds lie beside the words. keep_days, keep_sound_days: days until a visit, or only its
    sound, is forgotten; None for never."""

    format: Literal[1]
    keep_sound: Keep
    keep_days: Days | None
    keep_sound_days: Days | None


def privacy() -> Privacy:
    """The user's settings, the shipped ones where there are none. Raises DataFileError."""
    named = os.environ.get(PLACE)
    own = Path(named) if named else platformdirs.user_config_path("twohands") / "privacy.yaml"
    return load_yaml(own if named or own.is_file() else SHIPPED, Privacy)


def keeps(keep: Keep, answer: Answer, note: bool) -> bool:
    """Whether the sound of an answer is kept. note: it belongs to a voice note.

    Doubtful is what was heard as a number or an answer and could not be taken as it
    was, or what corrects a number. Where nothing was understood nobody knows who
    talked of what, so that is not kept.
    """
    if keep == "none" or keep == "all":
        return keep == "all"
    if note:
        return True
    if isinstance(answer, Unclear):
        return answer.reason == "doubtful" or answer.reading is not None or bool(answer.between)
    return isinstance(answer, Choice) and isinstance(answer.correction, Reading)
