"""The reasoner's words in one language: sentences, and the names of faults and probes.

The English names stand with the faults and probes themselves; another language has them
beside its sentences, in `words.<language>.yaml`.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

from flows.errors import FlowError
from flows.faults import catalog
from grammar.datafile import Strict, line_of, load_yaml, read_yaml
from grammar.errors import DataFileError

OWN = "en"
"""The language of faults.yaml, probes.yaml and words.yaml."""


ASKS = {"look": "how the eye tells it", "next": "what to do about it"}
"""What the parts of a fault's words are for."""


class FaultWords(Strict):
    """name: fits after "it is"; look: what the eye can tell, where the fault has that; next: what to do about it."""

    name: str
    look: str = ""
    next: str = ""


class Translated(Strict):
    """words.<language>.yaml."""

    format: Literal[1]
    language: str
    lines: dict[str, str]
    faults: dict[str, FaultWords]
    probes: dict[str, str]


@dataclass(frozen=True)
class Sayings:
    """lines: template id to text. faults, probes: id to words."""

    language: str
    lines: Mapping[str, str]
    faults: Mapping[str, FaultWords]
    probes: Mapping[str, str]

    def line(self, key: str, **fields: str) -> str:
        return self.lines[key].format(**fields)

    def fault(self, name: str) -> str:
        """The name to say of a fault or a pair."""
        return self.joined([self.faults[one].name for one in catalog.parts(name)])

    def look(self, name: str) -> str:
        """How the eye tells a fault or one of a pair; "" where it cannot."""
        return next((found for one in catalog.parts(name) if (found := self.faults[one].look)), "")

    def advice(self, name: str) -> str:
        """What to do about a fault or a pair; what serves both is said once."""
        return " ".join(dict.fromkeys(self.faults[one].next for one in catalog.parts(name) if self.faults[one].next))

    def probe(self, name: str) -> str:
        return self.probes[name]

    def joined(self, names: Sequence[str], by: str = "and") -> str:
        """ "a, b and c". by: "and" or "or"."""
        return names[0] if len(names) == 1 else self.line(by, first=", ".join(names[:-1]), last=names[-1])


@lru_cache
def sayings(language: str = OWN) -> Sayings:
    """The words of a language. Raises FlowError for one that nobody wrote, DataFileError for a file that does not
    fit."""
    if language == OWN:
        faults = {
            id: FaultWords(name=one.name, look=one.look, next=one.next) for id, one in catalog.faults().faults.items()
        }
        return Sayings(OWN, catalog.words(), faults, {id: one.name for id, one in catalog.probes().items()})
    path = catalog.HERE / f"words.{language}.yaml"
    if not path.is_file():
        raise FlowError(
            f"The reasoner has no words in the language '{language}'.", f"Write them in flows/faults/{path.name}."
        )
    return load_sayings(path)


def load_sayings(path: Path) -> Sayings:
    """From any file, not cached. Raises DataFileError when something is missing, too much, or names other fields."""
    found = load_yaml(path, Translated)
    own = sayings(OWN)
    for part, wanted, given in (
        ("lines", own.lines, found.lines),
        ("faults", own.faults, found.faults),
        ("probes", own.probes, found.probes),
    ):
        for key in wanted.keys() - given.keys():
            raise _misfit(path, (part,), f"'{key}' is missing under '{part}'.", "Add it there.")
        for key in given.keys() - wanted.keys():
            raise _misfit(path, (part, key), f"'{key}' is not known under '{part}'.", "Take it out or mend its name.")
    for key, text in found.lines.items():
        if _fields(text) != _fields(own.lines[key]):
            raise _misfit(
                path,
                ("lines", key),
                f"the line '{key}' does not fill in the same words as the English one.",
                f"It fills in: {', '.join(sorted(_fields(own.lines[key]))) or 'none'}.",
            )
    for key, words in found.faults.items():
        for part in ("look", "next"):
            given_here, wanted_here = (getattr(one, part) for one in (words, own.faults[key]))
            if wanted_here and not given_here:
                raise _misfit(
                    path,
                    ("faults", key),
                    f"the fault '{key}' lacks '{part}', which it has in English.",
                    f"Add {part}: {ASKS[part]}.",
                )
            if given_here and not wanted_here:
                raise _misfit(
                    path,
                    ("faults", key, part),
                    f"the fault '{key}' has '{part}', which it has not in English.",
                    "Take it out.",
                )
    return Sayings(found.language, found.lines, found.faults, found.probes)


def _misfit(path: Path, where: tuple[str, ...], problem: str, remedy: str) -> DataFileError:
    return DataFileError(path, line_of(read_yaml(path)[1], where), problem, remedy)


def _fields(text: str) -> frozenset[str]:
    return frozenset(name for _, name, _, _ in string.Formatter().parse(text) if name)
