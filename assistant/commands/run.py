"""`twohands run`: a visit by microphone, by file or by keyboard."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from assistant.cli import version
from assistant.commands.details import asked, asked_aloud, detail_options, shown
from assistant.commands.profiles import Profile
from assistant.hearing.weigh.policy import weigh
from assistant.privacy import KEEP, Keep, privacy
from assistant.records.options import default_visits
from assistant.talk_kept import FIRST, Remembers, wanted
from assistant.visit.ask_details import WordsFirst
from assistant.visit.assemble import Sound, assemble, pause_before_retry, sound_options, talk_option
from assistant.visit.details import Details, details_of
from assistant.visit.expire import expire
from assistant.visit.folders import begin_folder
from assistant.visit.interrupting import interrupt_option
from assistant.visit.journal import Journal, in_alarm, read, utc_now
from assistant.visit.kept_plan import keep
from assistant.visit.over_ears import OverEars
from assistant.visit.plans import ready_plan, warm, words_of
from assistant.visit.resuming import Resuming, resuming
from assistant.visit.screen import Screen
from assistant.visit.spell_details import words_of as spelled_words
from assistant.visit.visit import Outcome, Visit, gas_end, opening
from assistant.visit.ways import other_ways
from flows.faults.rates import Rates, load_rates
from flows.procedure.compile import Plan, on_keyboard
from flows.procedure.session import Cut, Level, Resumed, Say, Tone
from flows.talk.cut import unsaid
from flows.talk.dialogue import advance, begin
from grammar.language import languages


@click.command()
@click.option(
    "--procedure", default="flame_sensing", show_default=True, help="A shipped procedure, or the path of a YAML file."
)
@click.option(
    "--equipment", type=Profile("equipment"), default="larkspur", show_default=True, help="The furnace family."
)
@click.option("--meter", type=Profile("meters"), default="dunlin", show_default=True, help="The meter.")
@click.option(
    "--language",
    type=click.Choice(languages()),
    default=None,
    help="Speak and hear this language; the procedure's own by default.",
)
@sound_options
@interrupt_option("off")
@click.option(
    "--in-order",
    is_flag=True,
    help=(
        "Keep the checks in the procedure's order. Otherwise, once something was found, the test that tells most comes"
        " next."
    ),
)
@talk_option("learner, or as you asked for last by voice")
@click.option("--attention", is_flag=True, help="Listen only to what begins with the attention word, for noisy rooms.")
@click.option("--visits", type=click.Path(file_okay=False, path_type=Path), default=None, help="Folder of the records.")
@click.option(
    "--resume",
    is_flag=False,
    flag_value="latest",
    default=None,
    metavar="[VISIT]",
    help="Go on with a visit that was cut off; the latest one when none is named.",
)
@click.option("--technician", default="", help="Name for the record.")
@click.option("--site", default="", help="Site for the record.")
@detail_options
@click.option(
    "--my-voice",
    default=None,
    metavar="NAME",
    help="A voice taught with `twohands voice`; PocketSphinx, which learnt it, then listens along.",
)
@click.option(
    "--rates",
    "rates_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help="How often faults are found in your shop, as `twohands records rates` writes it.",
)
@click.option(
    "--keep-sound",
    type=click.Choice(KEEP),
    default=None,
    help=(
        "Which sounds to keep beside the words: every one, doubtful answers and notes, or none. As the settings say by"
        " default."
    ),
)
@click.option(
    "--desk",
    "desk_url",
    default=None,
    metavar="URL",
    help="Send the record to this desk as it grows; kept and caught up when the network drops.",
)
@click.pass_context
def run(
    context: click.Context,
    procedure: str,
    equipment: str,
    meter: str,
    language: str | None,
    sound: Sound,
    in_order: bool,
    talk: Level | None,
    visits: Path | None,
    resume: str | None,
    technician: str,
    site: str,
    details: Details,
    ask_details: bool | None,
    my_voice: str | None,
    rates_file: Path | None,
    keep_sound: Keep | None,
    desk_url: str | None,
) -> int:
    """Talk a technician through a procedure, step by step.

    Say "help" at any time for what can be said, "stop" to leave safely, "I smell gas" for the alarm.
    """
    visits, settings = visits or default_visits(), privacy()
    for line in expire(visits, settings, utc_now()):
        click.echo(line)
    with ExitStack() as stack:
        back = None
        if resume:
            named = (
                procedure if context.get_parameter_source("procedure") is click.core.ParameterSource.COMMANDLINE else ""
            )
            back = resuming(visits, resume, named, click.echo)
            stack.callback(back.journal.close)
            if back.where.session.mode == "ended":
                return _closed(back)
            plan, rates = back.plan, None
            technician = str(back.journal.before[0].get("technician") or "")
        else:
            rates = load_rates(rates_file) if rates_file else None
            plan = ready_plan(
                procedure,
                equipment,
                meter,
                language or "",
                rates.prior() if rates else None,
                sound.typed,
                "file" if in_order else "adaptive",
                _level(context, talk, technician),
            )
        plan = replace(plan, knows=plan.procedure.id in wanted(technician).finished)
        warm(plan)
        alarm = ""
        if not back:
            details, alarm = asked(details, ask_details, sound.typed, plan.language)
        shown(details, plan.language)
        aloud = ask_details and not back and not sound.typed
        sayable = words_of(plan) | (spelled_words(plan.language) if aloud else frozenset())
        ears, mouth, used = assemble(
            stack, sound, plan.language, sayable, acoustic=_learnt(my_voice) if my_voice else None
        )
        if used["engine"] == "typed":
            plan = on_keyboard(plan)
            if back:
                back.plan = plan
        elif aloud:
            details, alarm = asked_aloud(details, ask_details, ears, mouth, plan.language)
        if alarm:
            ears = WordsFirst(alarm, ears)
        about: dict[str, Any] = dict(used)
        if back:
            journal, folder = back.journal, back.journal.folder
        else:
            folder, number = begin_folder(visits, utc_now())
            about |= {"number": number, "kept": keep(folder, plan, procedure)}
            journal = Journal(folder)
            stack.callback(journal.close)
        if desk_url:
            from assistant.desk.send import sending

            stack.enter_context(sending(folder, desk_url, click.echo))
        click.echo(f"Record: {folder}")
        heard = about["engine"] != "typed"
        ways = other_ways(plan.language, folder.name, sound.push_to_talk) if heard else ()
        visit = Visit(
            plan,
            ears,
            mouth,
            journal,
            [Screen(click.echo, heard, ways), Remembers(technician, plan.procedure.id, click.echo)],
            weigh,
            wait=pause_before_retry,
            keep_sound=keep_sound or settings.keep_sound,
            over=ears if isinstance(ears, OverEars) else None,
        )
        try:
            outcome = (
                _resumed(visit, back, about, details)
                if back
                else _begun(visit, plan, journal, about, technician, site, details, rates, bool(alarm))
            )
        except KeyboardInterrupt:
            if in_alarm(read(folder)[0]):
                journal.write(gas_end().kind, gas_end().data)
                click.echo("\nEnded on a gas alarm. If the jumper is on, take it off when the place is safe.")
                return 130
            journal.write("interrupted", {"why": "ended from outside"})
            click.echo(
                "\nStopped. All that was confirmed is kept. If the jumper is on, take it off. Go on with: twohands run"
                f" --resume {folder.name}"
            )
            return 130
        if outcome.how == "interrupted":
            journal.write("interrupted", {"why": "nothing more could be heard"})
            click.echo(f"The visit is not over. Go on with: twohands run --resume {folder.name}")
            return 1
    return 0


def _level(context: click.Context, talk: Level | None, technician: str) -> Level:
    """How much is told: as the command line says, as this technician asked for last, as the settings say, or all
    of it."""
    if talk and context.get_parameter_source("talk") is click.core.ParameterSource.COMMANDLINE:
        return talk
    return wanted(technician).level or talk or FIRST


def _learnt(name: str) -> dict[str, str]:
    from assistant.hearing.adapt.own_voice import voice_model

    return voice_model(name)


def _begun(
    visit: Visit,
    plan: Plan,
    journal: Journal,
    about: dict[str, Any],
    technician: str,
    site: str,
    details: Details,
    rates: Rates | None,
    at_once: bool,
) -> Outcome:
    """at_once: nothing is said before what the ears have heard already: a gas alarm waits for no welcome."""
    voices = {key: about[key] for key in ("engine", "voice")}
    first = opening(
        plan,
        visit=journal.folder.name,
        **voices,
        program=f"twohands {version()}",
        invented=False,
        technician=technician,
        site=site,
    )
    # the rates go into the record, so that a resumed visit and its reader have the same ones
    journal.write(
        "visit",
        first | {"number": about["number"], "kept": about["kept"]} | ({"rates": rates.model_dump()} if rates else {}),
    )
    if details.given:
        journal.write("details", details.data())
    session, effects = begin(plan)
    if at_once:
        session = unsaid(session, Cut(tuple(one.line for one in effects if isinstance(one, Say))))
        effects = [one for one in effects if not isinstance(one, Say | Tone)]
    return visit.run(session, effects)


def _resumed(visit: Visit, back: Resuming, about: dict[str, Any], details: Details) -> Outcome:
    back.make_good()
    back.journal.write("resumed", {"engine": about["engine"], "program": f"twohands {version()}"})
    if dict(details.given).items() - dict(details_of(back.journal.before).given).items():
        back.journal.write("details", details.data())
    return visit.run(*advance(back.plan, back.where.session, Resumed()))


def _closed(back: Resuming) -> int:
    """A visit that was cut off after its last answer: nothing is left to ask, only its last lines to write."""
    back.make_good()
    for save in back.where.unsaved:
        if save.kind == "end":
            click.echo(str(save.data.get("summary", "")))
    click.echo(f"The visit {back.journal.folder.name} was at its end; its record is whole now.")
    return 0
