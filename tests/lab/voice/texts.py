"""What the talk says in English, out of the data that it is made from: whole sentences, and sentences with gaps."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from assistant.practice.phrases import phrases
from assistant.speaking.words import words_of
from flows.faults.lessons import lessons
from flows.faults.sayings import sayings
from flows.procedure.schema import PROCEDURES, Procedure, load_procedure
from flows.procedure.spoken.glossary import glossary
from flows.procedure.spoken.lines import lines_of_step
from flows.procedure.wording import spoken_lines

GAP = re.compile(r"\{(\w+)\}")
FIRST = "flame_sensing"
"""The procedure that is gone through by default, and so spoken first."""
ROLES = ("say", "caution", "short", "verdict", "again", "answer", "danger", "leads", "why")


@dataclass(frozen=True)
class Text:
    """One sentence of the data. place: where it stands. It may have {gaps}."""

    text: str
    place: str

    @property
    def gaps(self) -> tuple[str, ...]:
        return tuple(GAP.findall(self.text))


def split(text: str) -> list[str]:
    """A text's sentences, each with its end."""
    return re.findall(r"[^.?!]+[.?!]*", text.strip())


def texts() -> list[Text]:
    """Every sentence once, what is spoken most often first."""
    found: dict[str, Text] = {}
    for text, place in _all():
        for one in split(text):
            found.setdefault(one.strip(), Text(one.strip(), place))
    return list(found.values())


def whole() -> list[Text]:
    """Those without gaps."""
    return [one for one in texts() if not one.gaps and words_of(one.text)]


def with_gaps() -> list[Text]:
    return [one for one in texts() if one.gaps]


def procedures() -> list[Procedure]:
    """What ships, the usual one first."""
    names = sorted(path.stem for path in PROCEDURES.glob("*.yaml") if "." not in path.stem)
    found = [load_procedure(name, "") for name in sorted(names, key=lambda name: name != FIRST)]
    return [one for one in found if one.language == "en"]


def _all() -> Iterator[tuple[str, str]]:
    words, first, *others = sayings("en"), *procedures()
    yield from ((text, f"spoken/{name}") for name, text in spoken_lines("en").lines.items())
    yield from _of(first, ROLES)
    yield from ((text, f"words/{name}") for name, text in words.lines.items() if " " in text)
    for kind in ("next", "look"):
        yield from ((getattr(one, kind), f"faults/{name}/{kind}") for name, one in words.faults.items())
    for other in others:
        yield from _of(other, ROLES)
    yield from ((text, f"practice/{name}") for name, text in phrases().lines.items())
    found = lessons()
    yield from ((text, f"lessons/{name}") for name, text in found.lines.items() if " " in text)
    for name, slip in found.slips.items():
        yield slip.says, f"lessons/{name}"
        yield slip.learn, f"lessons/{name}/learn"


def _of(procedure: Procedure, roles: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for role in roles:
        for name in procedure.steps:
            for line in lines_of_step(procedure, name):
                if line.role == role:
                    yield line.text, f"{procedure.id}/{name}/{role}"


def titles() -> list[str]:
    """Of the steps."""
    return list(dict.fromkeys(step.title for one in procedures() for step in one.steps.values()))


def fault_names() -> list[str]:
    return [one.name for one in sayings("en").faults.values()]


def probe_names() -> list[str]:
    return list(sayings("en").probes.values())


def told() -> list[str]:
    """How it is said where a thing stands."""
    found = [text for one in procedures() for thing in one.things.values() for text in thing.told.values()]
    words = glossary("en")
    found += [place.told for thing in words.things.values() for place in thing.positions.values() if place.told]
    return list(dict.fromkeys(found))


def answers() -> list[str]:
    """The first way to say each answer and each choice: those are what is read back and offered."""
    found = [
        way
        for one in procedures()
        for step in one.steps.values()
        for answer in step.answers.values()
        for way in ([answer.phrases[0]] + ([answer.again.phrases[0]] if answer.again else []))
    ]
    found += [ways[0] for ways in spoken_lines("en").options.values()]
    return list(dict.fromkeys(found))
