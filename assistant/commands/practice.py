"""`twohands practice`: find the hidden fault of a simulated furnace, probing freely or in the guided order."""

from __future__ import annotations

import secrets
from contextlib import ExitStack
from pathlib import Path

import click
import platformdirs

from assistant.practice.record import add, progress, read
from assistant.visit.assemble import Sound, assemble, pause_before_retry, sound_options, talk_option
from flows.faults.lessons import lessons
from flows.judge.profiles import names
from flows.procedure.session import Level


def practice_home() -> Path:
    """Where the records of practice are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "practice"


@click.command()
@click.option("--trainee", default="trainee", show_default=True, help="Name for the record.")
@click.option("--free", is_flag=True, help="Probe freely. Otherwise the checks are done in their order.")
@click.option(
    "--level",
    type=click.Choice(list(lessons().levels)),
    default="easy",
    show_default=True,
    help="Which faults are drawn, and how plain they are.",
)
@click.option(
    "--fault",
    default=None,
    metavar="FAULT",
    help="Hide this fault instead of drawing one; two are joined by a plus sign.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=None, help="The same seed gives the same furnace, meter and displays."
)
@click.option(
    "--equipment",
    type=click.Choice(names("equipment")),
    default="larkspur",
    show_default=True,
    help="The furnace family.",
)
@click.option("--meter", type=click.Choice(names("meters")), default="dunlin", show_default=True, help="The meter.")
@sound_options
@talk_option("learner")
@click.option(
    "--record",
    type=click.Path(file_okay=False, path_type=Path),
    default=None,
    help="Folder of the trainee's record and of the guided exercises.",
)
@click.option(
    "--progress", "shown", default=None, metavar="NAME", help="Show how NAME has done so far, and nothing else."
)
def practice(
    trainee: str,
    free: bool,
    level: str,
    fault: str | None,
    seed: int | None,
    equipment: str,
    meter: str,
    sound: Sound,
    talk: Level | None,
    record: Path | None,
    shown: str | None,
) -> int:
    """Find the hidden fault of a simulated furnace.

    Ask "what does my meter show", read it out, and name the fault at the end: "my answer is ...".
    Furnace, meter and faults are invented. Say "help" at any time for what can be said.
    """
    home = record or practice_home()
    if shown is not None:
        return _show_progress(home, shown)
    # What it takes to practise is loaded only now: help and progress come at once.
    from assistant.practice.exercise import Exercise, free_exercise, guided_exercise

    drawn = seed if seed is not None else secrets.randbelow(1_000_000)
    exercise = Exercise.make(
        trainee, level, fault, drawn, equipment, meter, sound.typed, wait=pause_before_retry, talk=talk or "learner"
    )
    with ExitStack() as stack:
        ears, mouth, about = assemble(stack, sound, exercise.language, exercise.words(), exercise.grammars)
        click.echo(f"Practice furnace, level {level}, seed {drawn}. All of it is invented.")
        if free:
            ended = free_exercise(exercise, ears, mouth, click.echo)
        else:
            ended = guided_exercise(exercise, ears, mouth, about, home / "visits", click.echo)
        add(home, ended.session)
        ended.tell(mouth)
    return ended.code


def _show_progress(home: Path, trainee: str) -> int:
    sessions, torn = read(home)
    for line in progress(sessions, trainee):
        click.echo(line)
    if torn:
        click.echo(
            f"{torn} line{'s' if torn > 1 else ''} of the record could not be read and {'are' if torn > 1 else 'is'}"
            " left out."
        )
    return 0
