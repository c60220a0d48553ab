"""Whether the program may be interrupted while it speaks, and with what."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import click

from assistant.errors import MissingLibrary

if TYPE_CHECKING:
    from assistant.hearing.audio.echo import Canceller

Interrupt = Literal["auto", "headset", "off"]
INTERRUPT: tuple[str, ...] = get_args(Interrupt)
WHILE_SPEAKING = "say again, stop, hold on, no, I smell gas, or the answer"


def interrupt_option(default: Interrupt) -> Callable[[Callable[..., int]], Callable[..., int]]:
    """The option of that name."""
    return click.option(
        "--interrupt",
        type=click.Choice(INTERRUPT),
        default=default,
        show_default=True,
        help=(
            "Hear you while it speaks. auto: with its own voice taken out, where the packages for it are installed;"
            " headset: as it comes, for the microphone does not hear the loudspeaker; off: only when it is silent."
        ),
    )


@dataclass(frozen=True)
class Interrupting:
    """How to hear while we speak. reason: one plain sentence. canceller: None where we cannot."""

    reason: str
    canceller: Canceller | None = None


def interrupting(wanted: str, push_to_talk: bool = False) -> Interrupting:
    """What `wanted` comes to here."""
    # what takes echo out is loaded only where it is asked for: help comes at once
    from assistant.hearing.audio.echo import NoCanceller, TwoCancellers

    if push_to_talk and wanted != "off":
        return Interrupting("A key interrupts it; it does not listen while it speaks.")
    if wanted == "off":
        return Interrupting("It does not listen while it speaks.")
    if wanted == "headset":
        return Interrupting(f"You may speak while it speaks: {WHILE_SPEAKING}.", NoCanceller())
    try:
        return Interrupting(f"You may speak while it speaks: {WHILE_SPEAKING}.", TwoCancellers())
    except MissingLibrary as error:
        return Interrupting(
            f"It does not listen while it speaks. {error.problem} {error.remedy}; with a headset: --interrupt headset"
        )
