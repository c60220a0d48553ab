"""`twohands procedure`: write, check, draw and hear procedures without programming."""

from __future__ import annotations

from pathlib import Path

import click

from assistant.commands.profiles import Profile
from assistant.errors import AssistantError
from flows.judge.profiles import names

FILE = click.argument("file", metavar="FILE")
LANGUAGE = click.option(
    "--language", default="", metavar="KEY", help="Speak in this language; the procedure's own by default."
)


@click.group()
def procedure() -> None:
    """Write, check, draw and hear procedures. FILE is a YAML file, or the name of a procedure that ships."""


@procedure.command()
@click.argument("name")
@click.option(
    "--into",
    type=click.Path(file_okay=False, exists=True, path_type=Path),
    default=Path(),
    help="Folder to write it in; this one by default.",
)
def new(name: str, into: Path) -> None:
    """Write NAME.yaml: a small procedure that works, with every part explained."""
    from assistant.authoring.starting import start

    path = start(name, into)
    click.echo(f"{path} is written. Change it, then: twohands procedure check {path}")


@procedure.command()
@FILE
@click.option(
    "--equipment",
    type=Profile("equipment"),
    multiple=True,
    help="Check its limits against this family only; against all by default. May be given again.",
)
@click.option("--meter", type=Profile("meters"), default="dunlin", show_default=True, help="The meter.")
@click.option("--quick", is_flag=True, help="Leave out the proof of safety, which takes the longest.")
@click.option(
    "--voice/--no-voice",
    default=True,
    show_default=True,
    help="Measure the length by the real voice, or reckon it from the letters.",
)
def check(file: str, equipment: tuple[str, ...], meter: str, quick: bool, voice: bool) -> int:
    """Find everything that is wrong with FILE and its translations. The exit status is 1 when there is anything."""
    from assistant.authoring.report import check_all

    problems = check_all(_path(file), equipment or tuple(names("equipment")), meter, quick, voice, click.echo)
    return 1 if problems else 0


@procedure.command()
@FILE
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The picture: .png, .svg or .pdf. NAME.png here by default.",
)
@LANGUAGE
def preview(file: str, out: Path | None, language: str) -> None:
    """Draw FILE: its steps, where they lead, and the power that each one needs."""
    from assistant.authoring.picture import draw
    from flows.procedure.schema import load_procedure

    found = load_procedure(str(_path(file)), language)
    out = out or Path(f"{found.id}.png")
    draw(found, out)
    click.echo(f"{out} is drawn: {len(found.steps)} steps.")


@procedure.command()
@FILE
@click.option(
    "--into",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write a sound file for each line, with a list, in this folder, to be listened to; no visit uses it.",
)
@click.option(
    "--kind", type=click.Choice(["flac", "wav"]), default="flac", show_default=True, help="The kind of sound file."
)
@click.option(
    "--rate", type=click.Choice(["slow", "normal", "fast"]), default="normal", show_default=True, help="Speaking rate."
)
@click.option(
    "--equipment",
    type=Profile("equipment"),
    default="larkspur",
    show_default=True,
    help="The family whose limits are spoken.",
)
@click.option("--meter", type=Profile("meters"), default="dunlin", show_default=True, help="The meter.")
@LANGUAGE
def say(file: str, into: Path | None, kind: str, rate: str, equipment: str, meter: str, language: str) -> None:
    """Speak FILE in a natural voice, once, where visits find it; or with --into, into sound files with a list."""
    from assistant.authoring.recording import LIST, record
    from assistant.authoring.sounds import natural_voice, speak
    from assistant.speaking.chosen import own_sounds, run_time_voice
    from flows.judge.profiles import equipment as load_equipment
    from flows.judge.profiles import meter as load_meter
    from flows.procedure.compile import load_plan

    plan = load_plan(str(_path(file)), load_equipment(equipment), load_meter(meter), language)
    voice = run_time_voice(plan.language) if into else natural_voice(plan.language)
    try:
        if into:
            count, seconds = record(plan, voice, into, kind, rate)
            click.echo(f"{count} lines, {seconds / 60:.1f} minutes, in {into}. The list is {into / LIST}.")
        else:
            folder = own_sounds() / plan.procedure.id
            count, seconds = speak(plan, voice, folder)
            click.echo(
                f"{count} sentences, {seconds / 60:.1f} minutes, by {voice.name}, in {folder}. Visits speak with them."
            )
    finally:
        voice.close()


def _path(file: str) -> Path:
    """The file of a shipped procedure's name, or a path. Raises TwohandsError when there is none."""
    from flows.procedure.schema import PROCEDURES, procedure_path

    path = procedure_path(file)
    if not path.is_file():
        shipped = sorted(one.stem for one in PROCEDURES.glob("*.yaml") if "." not in one.stem)
        raise AssistantError(
            f"There is no procedure {file}.", f"Give the path of a YAML file, or one of: {', '.join(shipped)}."
        )
    return path
