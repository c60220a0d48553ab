"""What a check has found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One line for a person.

    what: "microphone", "loudspeaker", "room", "interrupt", "engine" or "voice". sentence: plain.
    todo: what to do, such as the exact command that installs it; "" when nothing.
    devices: number and name of each one of its kind.
    """

    what: str
    good: bool
    sentence: str
    todo: str = ""
    devices: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        return f"{self.sentence} {self.todo}".strip()
