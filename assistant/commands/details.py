"""The options of `twohands run` that say whose work it is and which furnace it is done on, and the asking for them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from assistant import settings
from assistant.errors import AssistantError
from assistant.hearing.weigh.policy import weigh
from assistant.visit.ask_details import Typed, at_a_terminal, characters, said
from assistant.visit.details import NAMES, OWN, Details, writable
from assistant.visit.loop import Ears, Mouth
from assistant.visit.screen import Screen
from assistant.visit.spell_details import BySpelling, can_ask
from assistant.visit.typed import typed_lines

ABOUT = {
    "furnace_model": "Model number of the furnace, for the record.",
    "furnace_serial": "Serial number of the furnace, for the record.",
    "control_model": "Model number of its control, for the record.",
    "control_serial": "Serial number of its control, for the record.",
    "company": "Your company, for the record.",
    "licence": "Your licence number, for the record.",
}


def detail_options(command: Callable) -> Callable:
    """The click options for details. The command gets them together, as `details`, and whether to ask for the others
    as `ask_details`."""

    @wraps(command)
    def gathered(*given: Any, **named: Any) -> Any:
        found = {name: text for name in NAMES if (text := named.pop(name))}
        return command(*given, details=Details(found), **named)

    options = [
        click.option(f"--{name.replace('_', '-')}", name, default="", callback=_checked, help=ABOUT[name])
        for name in NAMES
    ]
    options.append(
        click.option(
            "--details/--no-details",
            "ask_details",
            default=None,
            help=(
                "Ask for what is missing of these before the visit begins: by voice, spelled in the radio alphabet, or"
                " at the keyboard in a typed visit. Typed visits at a terminal do so by default."
            ),
        )
    )
    for option in reversed(options):
        gathered = option(gathered)
    return gathered


def _checked(context: click.Context, option: click.Parameter, value: str) -> str:
    text = writable(value)
    if text is None:
        raise click.BadParameter("It must be one line of at most 80 characters.", context, option)
    return text


def asked(known: Details, wanted: bool | None, typed: bool, language: str) -> tuple[Details, str]:
    """What is known after asking at the keyboard, and the words of a gas alarm that came meanwhile, or "".

    wanted: None asks where somebody types at a terminal. Who talks has no hand at the keyboard and is not asked there.
    What is a person's own is kept in the settings.
    """
    if not typed or not (at_a_terminal() if wanted is None else wanted):
        return known, ""
    asking = Typed(typed_lines(sys.stdin), click.echo, language)
    found = asking.ask(known)
    _keep_own(known, found, language)
    return found, asking.alarm


def asked_aloud(known: Details, wanted: bool | None, ears: Ears, mouth: Mouth, language: str) -> tuple[Details, str]:
    """The same by voice, where it is wanted and the language has words for it. Raises AssistantError."""
    if not wanted:
        return known, ""
    if not can_ask(language):
        click.echo(said(language).not_spoken)
        return known, ""
    asking = BySpelling(ears, mouth, [Screen(click.echo, True)], weigh, language)
    found = asking.ask(known)
    _keep_own(known, found, language)
    return found, asking.alarm


def _keep_own(known: Details, found: Details, language: str) -> None:
    own = {name: found.given[name] for name in OWN if name in found.given and name not in known.given}
    if own and (path := _kept(own)):
        click.echo(said(language).kept.format(path=path))


def _kept(own: dict[str, str]) -> str:
    """The file that they are kept in, or "" where it cannot be written: then they are asked again, and that is all."""
    path = ""
    try:
        for name, text in own.items():
            path = str(settings.set_one(name, text))
    except AssistantError as error:
        click.echo(error.text, err=True)
    return path


def shown(details: Details, language: str) -> None:
    """Read back on the screen what nobody has agreed to yet: what came by options or stands in the settings."""
    words = said(language)
    for name in NAMES:
        if name in details.given and name not in details.read_back:
            told = characters(name, details.given[name], language)
            click.echo(words.given.format(name=words.names[name], characters=told))
