"""`twohands`: the command line. Each command lives in a module of its own and is loaded when it is called."""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import signal
import sys
from types import FrameType

import click

from grammar.errors import TwohandsError

COMMANDS = {
    "demo": ("assistant.commands.demo", "demo", "Hear three invented visits, driven by recorded speech."),
    "run": ("assistant.commands.run", "run", "Talk a technician through the checks."),
    "check": (
        "assistant.commands.check",
        "check",
        "Find microphone, loudspeaker, engine and voice; say what is missing.",
    ),
    "settings": ("assistant.commands.settings", "settings", "Keep your name, meter, devices and the like."),
    "voice": ("assistant.commands.voice", "voice", "Teach PocketSphinx your voice in a minute."),
    "model": ("assistant.commands.model", "model", "List, fetch and remove recogniser models."),
    "practice": ("assistant.commands.practice", "practice", "Find the hidden fault of a simulated furnace."),
    "procedure": ("assistant.commands.procedure", "procedure", "Write, check, draw and hear procedures."),
    "records": ("assistant.records.commands", "records", "Import, list, show and export visits."),
    "report": ("assistant.report.commands", "report", "Make the report of a visit."),
    "desk": ("assistant.desk.commands", "desk", "Show visits on a local page."),
}
"""Command -> module, name in it, one line of help (so that the list needs no loading)."""

TAKES_SETTINGS = ("run", "practice", "voice", "check")
"""Commands whose options may stand in the user's settings."""


class _OnDemand(click.Group):
    """Loads a command when it is asked for: `run` must not wait for the parts that draw reports."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[name]
        return getattr(importlib.import_module(module), attribute)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, _, about) in COMMANDS.items()])


def version() -> str:
    """The installed version."""
    return importlib.metadata.version("twohands")


@click.group(cls=_OnDemand, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version(), "--version", prog_name="twohands")
@click.pass_context
def cli(context: click.Context) -> None:
    """Talks a heating technician through proving a gas furnace's flame-sensing circuit, hands free.

    It does not replace training, the maker's instructions, local codes or licensed practice.
    """
    if (command := context.invoked_subcommand) in TAKES_SETTINGS:
        from assistant.settings import defaults

        context.default_map = {command: defaults(command)}


def _terminated(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main(arguments: list[str] | None = None) -> None:
    """Run the command line. A person sees one line, never a traceback."""
    signal.signal(signal.SIGTERM, _terminated)
    # Whatever is written holds names, places or speech: it is its owner's alone, unless he says otherwise.
    os.umask(0o077)
    try:
        code = cli.main(arguments, prog_name="twohands", standalone_mode=False)
    except click.exceptions.Abort:
        code = 130
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except KeyboardInterrupt:
        code = 130
    except TwohandsError as error:
        click.echo(error.text, err=True)
        code = 1
    except BrokenPipeError:
        sys.stderr.close()
        code = 1
    sys.exit(code if isinstance(code, int) else 0)
