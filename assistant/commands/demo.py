"""`twohands demo`: the main job with no audio hardware and no download."""

from __future__ import annotations

from pathlib import Path

import click

from assistant.cli import version
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.weigh.policy import weigh
from assistant.speaking.chosen import open_voice
from assistant.visit.assemble import engine_option, talk_option
from assistant.visit.demo.show import DemoResult, demo_file, recorded_clip, run_visit
from assistant.visit.journal import utc_now
from assistant.visit.screen import Screen
from flows.procedure.session import Level


@click.command()
@click.option(
    "--visit",
    "wanted",
    multiple=True,
    type=click.Choice(list(demo_file().visits)),
    help="Only this visit; may be given more than once.",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("demo-visits"),
    show_default=True,
    help="Folder for the conversations and the records.",
)
@engine_option
@talk_option("learner")
def demo(wanted: tuple[str, ...], out: Path, engine: str, talk: Level | None) -> int:
    """Run three invented visits on recorded speech and print every exchange.

    The speech goes through the real recogniser; the answers are spoken by the
    real voice. Each visit leaves its record and the two-sided conversation as
    a WAV file.
    """
    data = demo_file()
    ears, chosen = recognizer(wanted="" if engine == "auto" else engine)
    voice = open_voice()
    results: list[DemoResult] = []
    try:
        for number, name in enumerate(wanted or data.visits, start=1):
            visit = data.visits[name]
            _title(number, visit.title, f"{visit.site}, {visit.technician}. Family and meter are invented too.")
            done = run_visit(
                name, data, out,
                recognizer=ears, voice=voice, clip=recorded_clip, clock=utc_now,
                program=f"twohands {version()}", understand=weigh, watchers=[Screen(click.echo)],
                talk=talk or "learner",
            )  # fmt: skip
            results.append(done)
            click.echo(f"\n  Fault named:   {done.fault_name or 'none'}")
            click.echo(f"  Record:        {done.folder / 'journal.jsonl'}")
            click.echo(f"  Conversation:  {done.folder / 'conversation.wav'}  ({done.seconds / 60:.1f} minutes)")
    finally:
        voice.close()
        ears.close()
    _title(None, "Summary", chosen.reason)
    for done in results:
        click.echo(
            f"  {data.visits[done.name].title:45} ->"
            f" {done.fault_name or 'no fault named'}{'' if done.as_wanted else '   NOT AS IT SHOULD BE'}"
        )
    return 0 if all(done.as_wanted for done in results) else 1


def _title(number: int | None, title: str, about: str) -> None:
    click.echo(f"\n{'=' * 78}\n{f'Visit {number}: ' if number else ''}{title}\n{about}\n{'=' * 78}")
