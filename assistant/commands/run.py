"""`twohands run`: a visit by microphone, by file or by keyboard."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import click
import platformdirs

from assistant.assemble import Sound, assemble, sound_options
from assistant.cli import version
from assistant.errors import JournalError
from assistant.hearing.policy import weigh
from assistant.journal import Journal, in_alarm, latest, read, utc_now
from assistant.plans import ready_plan, warm, words_of
from assistant.replay import standing
from assistant.screen import Screen
from assistant.visit import Outcome, Visit, gas_end, opening
from flows.compile import Plan
from flows.dialogue import advance, begin
from flows.faults.rates import Rates, load_rates
from flows.profiles import names
from flows.session import Resumed
from grammar.language import languages

REOPEN_EVERY = 1.0
"""Seconds between two tries to get a lost device back (ten tries)."""


def visits_home() -> Path:
    """Where visits are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "visits"


@click.command()
@click.option("--procedure", default="flame_sensing", show_default=True, help="A shipped procedure, or the path of a YAML file.")
@click.option("--equipment", type=click.Choice(names("equipment")), default="larkspur", show_default=True, help="The furnace family.")
@click.option("--meter", type=click.Choice(names("meters")), default="dunlin", show_default=True, help="The meter.")
@click.option("--language", type=click.Choice(languages()), default=None, help="Speak and hear this language; the procedure's own by default.")
@sound_options
@click.option("--attention", is_flag=True, help="Listen only to what begins with the attention word, for noisy rooms.")
@click.option("--visits", type=click.Path(file_okay=False, path_type=Path), default=None, help="Folder of the records.")
@click.option("--resume", is_flag=False, flag_value="latest", default=None, metavar="[VISIT]", help="Go on with a visit that was cut off; the latest one when none is named.")
@click.option("--technician", default="", help="Name for the record.")
@click.option("--site", default="", help="Site for the record.")
@click.option("--my-voice", default=None, metavar="NAME", help="A voice taught with `twohands voice`.")
@click.option("--rates", "rates_file", type=click.Path(exists=True, dir_okay=False, path_type=Path), default=None, help="How often faults are found in your shop, as `twohands records rates` writes it.")
@click.option("--desk", "desk_url", default=None, metavar="URL", help="Send the record to this desk as it grows; kept and caught up when the network drops.")
def run(
    procedure: str, equipment: str, meter: str, language: str | None, rate: str, typed: bool, spoken: bool | None, audio_in: Path | None, audio_out: Path | None,
    engine: str, push_to_talk: bool, attention: bool, visits: Path | None, resume: str | None, technician: str, site: str, my_voice: str | None, rates_file: Path | None, desk_url: str | None,
) -> int:  # fmt: skip
    """Talk a technician through a procedure, step by step.

    Say "help" at any time for what can be said, "stop" to leave safely, "I smell gas" for the alarm.
    """
    visits = visits or visits_home()
    folder = _folder_to_resume(visits, resume) if resume else None
    if folder:
        first = read(folder)[0][0]
        procedure, equipment, meter, language = first["procedure"], first["equipment"], first["meter"], first["language"]
        rates = Rates.model_validate(first["rates"]) if "rates" in first else None
    else:
        rates = load_rates(rates_file) if rates_file else None
    plan = ready_plan(procedure, equipment, meter, language or "", rates.prior() if rates else None)
    warm(plan)
    with ExitStack() as stack:
        sound = Sound(rate, typed, spoken, audio_in, audio_out, engine, push_to_talk, attention)
        ears, mouth, about = assemble(stack, sound, plan.language, words_of(plan), acoustic=_learnt(my_voice) if my_voice else None)
        folder = folder or _new_folder(visits)
        journal = Journal(folder)
        stack.callback(journal.close)
        if desk_url:
            from assistant.desk.send import sending

            stack.enter_context(sending(folder, desk_url, click.echo))
        click.echo(f"Record: {folder}")
        visit = Visit(plan, ears, mouth, journal, [Screen(click.echo, ears=about["engine"] != "typed")], weigh, wait=lambda: time.sleep(REOPEN_EVERY))
        try:
            outcome = _resumed(visit, plan, journal, folder, about) if resume else _begun(visit, plan, journal, about, technician, site, rates)
        except KeyboardInterrupt:
            if in_alarm(read(folder)[0]):
                journal.write(gas_end().kind, gas_end().data)
                click.echo("\nEnded on a gas alarm. If the jumper is on, take it off when the place is safe.")
                return 130
            journal.write("interrupted", {"why": "ended from outside"})
            click.echo(f"\nStopped. All that was confirmed is kept. If the jumper is on, take it off. Go on with: twohands run --resume {folder.name}")
            return 130
        if outcome.how == "interrupted":
            journal.write("interrupted", {"why": "nothing more could be heard"})
            click.echo(f"The visit is not over. Go on with: twohands run --resume {folder.name}")
            return 1
    return 0


def _learnt(name: str) -> dict[str, str]:
    from assistant.hearing.own_voice import voice_model

    return voice_model(name)


def _begun(visit: Visit, plan: Plan, journal: Journal, about: dict[str, str], technician: str, site: str, rates: Rates | None) -> Outcome:
    first = opening(plan, visit=journal.folder.name, **about, program=f"twohands {version()}", invented=False, technician=technician, site=site)
    # the rates go into the record, so that a resumed visit and its reader have the same ones
    journal.write("visit", first | ({"rates": rates.model_dump()} if rates else {}))
    return visit.run(*begin(plan))


def _resumed(visit: Visit, plan: Plan, journal: Journal, folder: Path, about: dict[str, str]) -> Outcome:
    where = standing(plan, read(folder)[0])
    if journal.was_torn:
        journal.write("trouble", {"what": "journal", "problem": "The last line of the record was torn and is left out.", "remedy": "Check the last reading."})
    for line in where.unsaved:
        journal.write(line.kind, line.data)
    journal.write("resumed", {"engine": about["engine"], "program": f"twohands {version()}"})
    return visit.run(*advance(plan, where.session, Resumed()))


def _new_folder(visits: Path, clock: Callable = utc_now) -> Path:
    stem = f"{clock():%Y%m%d-%H%M%S}"
    folder, number = visits / stem, 2
    while folder.exists():
        folder, number = visits / f"{stem}-{number}", number + 1
    return folder


def _folder_to_resume(visits: Path, name: str) -> Path:
    folder = latest(visits) if name == "latest" else visits / name
    if folder is None or not folder.is_dir():
        raise JournalError("There is no visit to go on with." if name == "latest" else f"There is no visit '{name}' in {visits}.", "Start a new one: twohands run")
    events, _ = read(folder)
    if not events or events[-1]["kind"] == "end":
        raise JournalError(f"The visit {folder.name} is over.", "Start a new one: twohands run")
    return folder
