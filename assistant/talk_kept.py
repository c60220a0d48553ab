"""How much each technician wants to be told, kept beside the settings: what was asked for by voice stays for the next
visit.

One YAML file, its owner's alone. Which procedures somebody has finished stands in it too: who wants little said is
not taught those answers again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import yaml
from pydantic import Field

from assistant.hearing.engines.base import Final
from assistant.private import make_folder, write_whole
from assistant.settings import place as settings_place
from flows.procedure.session import Level, Save, Say
from grammar.answers import Answer
from grammar.datafile import Strict, load_yaml
from grammar.errors import TwohandsError
from grammar.scope import Scope

FIRST: Level = "learner"
"""The level of a visit where nothing says otherwise."""
HEAD = """# How much Twohands tells whom, as it was asked for by voice ("short words please", "tell me the details").
"""


class Wanted(Strict):
    """level: as asked for last; None where it never was. finished: procedures that were gone through to their end."""

    level: Level | None = None
    finished: list[str] = Field(default_factory=list)


class Talks(Strict):
    """By the technician's name, "" for nobody's."""

    format: Literal[1] = 1
    technicians: dict[str, Wanted] = Field(default_factory=dict)


def place() -> Path:
    """Where it is kept, or will be."""
    return settings_place().with_name("talk.yaml")


def wanted(technician: str) -> Wanted:
    """What is kept of a technician. Raises DataFileError."""
    return _all().technicians.get(technician, Wanted())


def keep(technician: str, level: Level | None = None, finished: str = "") -> None:
    """Keep a level, or that a procedure was finished. Raises DataFileError, OSError."""
    talks = _all()
    was = talks.technicians.get(technician, Wanted())
    done = [*was.finished, *([finished] if finished and finished not in was.finished else [])]
    talks.technicians[technician] = Wanted(level=level or was.level, finished=done)
    data = talks.model_dump(exclude_none=True)
    make_folder(place().parent)
    write_whole(place(), (HEAD + yaml.safe_dump(data, allow_unicode=True, sort_keys=True)).encode())


def _all() -> Talks:
    return load_yaml(place(), Talks) if place().exists() else Talks()


@dataclass
class Remembers:
    """A watcher of a visit that keeps what was asked for. out: gets a line where it cannot be kept."""

    technician: str
    procedure: str
    out: Callable[[str], object]

    def saved(self, save: Save) -> None:
        try:
            if save.kind == "talk":
                keep(self.technician, level=save.data["level"])
            elif save.kind == "end" and save.data.get("how") == "finished":
                keep(self.technician, finished=self.procedure)
        except (OSError, TwohandsError) as error:
            why = error.text if isinstance(error, TwohandsError) else str(error)
            self.out(f"How much you want to be told is not kept for the next visit. {why}")

    def said(self, say: Say) -> None:
        """Nothing is learnt from it."""

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        """Nothing is learnt from it."""

    def listening(self, scope: Scope) -> None:
        """Nothing is learnt from it."""
