"""Whose work it was and which furnace it was done on: what a warranty claim asks for beside the readings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

OWN = ("company", "licence")
"""What is the person's own, the same at every visit; the rest belongs to one furnace."""
NAMES = ("furnace_model", "furnace_serial", "control_model", "control_serial", *OWN)
NUMBERS = tuple(name for name in NAMES if name != "company")
"""What is read back character by character."""
TITLES = {
    "company": "Company",
    "licence": "Licence number",
    "furnace_model": "Furnace, model number",
    "furnace_serial": "Furnace, serial number",
    "control_model": "Control, model number",
    "control_serial": "Control, serial number",
}
"""What each is called in reports and lists, in their order."""
MOST = 80
"""Characters of one of them."""


@dataclass(frozen=True)
class Details:
    """given: name (of `NAMES`) -> text. read_back: the names of those that were read back and agreed to. spoken: of
    those that were spelled aloud."""

    given: Mapping[str, str] = field(default_factory=dict)
    read_back: tuple[str, ...] = ()
    spoken: tuple[str, ...] = ()

    def data(self) -> dict[str, object]:
        """The journal line of it."""
        given = {name: self.given[name] for name in NAMES if name in self.given}
        return {**given, "read_back": list(self.read_back), **({"spoken": list(self.spoken)} if self.spoken else {})}

    def told(self) -> list[tuple[str, str, str]]:
        """Title, text, and how far it was confirmed, of each that was given."""
        said = {name: "spoken" if name in self.spoken else "typed" for name in NAMES}
        how = {name: f"{said[name]} and read back" if name in self.read_back else "" for name in NAMES}
        return [(title, self.given[name], how[name]) for name, title in TITLES.items() if name in self.given]


def details_of(events: Iterable[Mapping[str, Any]]) -> Details:
    """What the lines of a visit say, the last word on each name."""
    given: dict[str, str] = {}
    agreed: dict[str, bool] = {}
    spoken: dict[str, bool] = {}
    for one in events:
        if one.get("kind") != "details":
            continue
        back = one.get("read_back") or []
        for name in NAMES:
            if one.get(name):
                given[name], agreed[name] = str(one[name]), name in back
                spoken[name] = name in (one.get("spoken") or [])
    marked = (tuple(name for name in NAMES if marks.get(name)) for marks in (agreed, spoken))
    return Details(given, *marked)


def writable(text: str) -> str | None:
    """The text as it can be written down, without space at its ends; None where it cannot be."""
    text = text.strip()
    return text if len(text) <= MOST and text.isprintable() else None
