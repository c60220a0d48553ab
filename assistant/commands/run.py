"""`twohands run`: a visit by microphone, by file or by keyboard."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import click
import platformdirs

from assistant.cli import version
from assistant.ears import TypedEars
from assistant.errors import JournalError
from assistant.hearing.policy import weigh
from assistant.journal import Journal, latest, read, utc_now
from assistant.mouth import SilentMouth
from assistant.plans import ready_plan, words_of
from assistant.replay import standing
from assistant.screen import Screen
from assistant.visit import Ears, Mouth, Outcome, Visit, opening
from flows.compile import Plan
from flows.dialogue import advance, begin
from flows.profiles import names
from flows.session import Resumed


def visits_home() -> Path:
    """Where visits are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "visits"


@click.command()
@click.option("--procedure", default="flame_sensing", show_default=True, help="A shipped procedure, or the path of a YAML file.")
@click.option("--equipment", type=click.Choice(names("equipment")), default="larkspur", show_default=True, help="The furnace family.")
@click.option("--meter", type=click.Choice(names("meters")), default="bench6000", show_default=True, help="The meter.")
@click.option("--rate", type=click.Choice(["slow", "normal", "fast"]), default="normal", show_default=True, help="Speaking rate.")
@click.option("--typed", is_flag=True, help="Type the answers, through the same grammar.")
@click.option("--voice/--no-voice", "spoken", default=None, help="Speak aloud. Off when typing, on otherwise.")
@click.option("--audio-in", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Hear this sound file instead of a microphone.")
@click.option("--audio-out", type=click.Path(dir_okay=False, path_type=Path), help="Write the two-sided conversation to this WAV or FLAC file.")
@click.option("--engine", type=click.Choice(["auto", "pocketsphinx", "vosk"]), default="auto", show_default=True, help="The recogniser.")
@click.option("--push-to-talk", is_flag=True, help="Listen only after a key, a headset button or a foot switch that acts as a key.")
@click.option("--attention", is_flag=True, help="Listen only to what begins with the attention word, for noisy rooms.")
@click.option("--visits", type=click.Path(file_okay=False, path_type=Path), default=None, help="Folder of the records.")
@click.option("--resume", is_flag=False, flag_value="latest", default=None, metavar="[VISIT]", help="Go on with a visit that was cut off; the latest one when none is named.")
@click.option("--technician", default="", help="Name for the record.")
@click.option("--site", default="", help="Site for the record.")
@click.option("--desk", "desk_url", default=None, metavar="URL", help="Send the record to this desk as it grows; kept and caught up when the network drops.")
def run(
    procedure: str, equipment: str, meter: str, rate: str, typed: bool, spoken: bool | None, audio_in: Path | None, audio_out: Path | None,
    engine: str, push_to_talk: bool, attention: bool, visits: Path | None, resume: str | None, technician: str, site: str, desk_url: str | None,
) -> int:  # fmt: skip
    """Talk a technician through a procedure, step by step.

    Say "help" at any time for what can be said, "stop" to leave safely, "I smell gas" for the alarm.
    """
    visits = visits or visits_home()
    folder = _folder_to_resume(visits, resume) if resume else None
    if folder:
        first = read(folder)[0][0]
        procedure, equipment, meter = first["procedure"], first["equipment"], first["meter"]
    plan = ready_plan(procedure, equipment, meter)
    with ExitStack() as stack:
        aloud = spoken if spoken is not None else not typed
        ears, mouth, about = _assemble(stack, plan, typed, aloud, audio_in, audio_out, rate, engine, push_to_talk, attention)
        folder = folder or _new_folder(visits)
        journal = Journal(folder)
        stack.callback(journal.close)
        if desk_url:
            from assistant.desk.send import sending

            stack.enter_context(sending(folder, desk_url, click.echo))
        click.echo(f"Record: {folder}")
        visit = Visit(plan, ears, mouth, journal, [Screen(click.echo)], weigh)
        try:
            outcome = _resumed(visit, plan, journal, folder, about) if resume else _begun(visit, plan, journal, about, technician, site)
        except KeyboardInterrupt:
            journal.write("interrupted", {"why": "ended from outside"})
            click.echo(f"\nStopped. All that was confirmed is kept. If the jumper is on, take it off. Go on with: twohands run --resume {folder.name}")
            return 130
        if outcome.how == "interrupted":
            journal.write("interrupted", {"why": "nothing more could be heard"})
            click.echo(f"The visit is not over. Go on with: twohands run --resume {folder.name}")
            return 1
    return 0


def _begun(visit: Visit, plan: Plan, journal: Journal, about: dict[str, str], technician: str, site: str) -> Outcome:
    journal.write("visit", opening(plan, visit=journal.folder.name, **about, program=f"twohands {version()}", invented=False, technician=technician, site=site))
    return visit.run(*begin(plan))


def _resumed(visit: Visit, plan: Plan, journal: Journal, folder: Path, about: dict[str, str]) -> Outcome:
    where = standing(plan, read(folder)[0])
    if journal.was_torn:
        journal.write("trouble", {"what": "journal", "problem": "The last line of the record was torn and is left out.", "remedy": "Check the last reading."})
    for line in where.unsaved:
        journal.write(line.kind, line.data)
    journal.write("resumed", {"engine": about["engine"], "program": f"twohands {version()}"})
    return visit.run(*advance(plan, where.session, Resumed()))


def _assemble(
    stack: ExitStack, plan: Plan, typed: bool, aloud: bool, audio_in: Path | None, audio_out: Path | None, rate: str, engine: str, push_to_talk: bool, attention: bool,
) -> tuple[Ears, Mouth, dict[str, str]]:  # fmt: skip
    """The ears and the mouth that the options ask for, and what the record says of them."""
    from assistant.audio.files import Conversation, chunks
    from assistant.audio.files import read as read_sound

    tape = Conversation() if audio_out else None
    if tape and audio_out:
        stack.callback(lambda: tape.save(audio_out))
    live = not typed and audio_in is None
    mouth: Mouth = SilentMouth()
    voice_name = "none"
    gate = None
    if live:
        from assistant.audio.gate import Gate

        gate = Gate(push_to_talk)
    speaker = None
    if aloud:
        from assistant.mouth import Taped, VoiceMouth
        from assistant.speech.voice import EspeakVoice

        voice = EspeakVoice(plan.language)
        stack.callback(voice.close)
        voice_name = voice.name
        sink = None
        if live or typed:
            from assistant.audio.live import Loudspeaker

            sink = Loudspeaker(gate)
        # Without a sink the sentences only go to the conversation file.
        spoken = VoiceMouth(voice, Taped(tape or Conversation(), sink), rate)
        mouth, speaker = spoken, spoken.speaker
    if typed:
        return TypedEars(sys.stdin, _prompt if sys.stdin.isatty() else None), mouth, {"engine": "typed", "voice": voice_name}
    from assistant.ears import StreamEars
    from assistant.engines.choose import recognizer

    ears, chosen = recognizer(wanted="" if engine == "auto" else engine, words=words_of(plan), language=plan.language)
    stack.callback(ears.close)
    click.echo(chosen.reason)
    about = {"engine": getattr(ears, "description", chosen.engine), "voice": voice_name}
    if audio_in is not None:
        pieces = chunks(read_sound(audio_in))
        return StreamEars(ears, lambda: _noted(pieces, tape)), mouth, about
    from assistant.audio.live import Microphone

    microphone = Microphone(gate)
    microphone.open()
    stack.callback(microphone.close)
    if push_to_talk or sys.stdin.isatty():
        from assistant.audio.keys import Keys

        stack.enter_context(Keys(lambda: _pressed(gate, speaker)))
    if attention:
        from assistant.engines.attention import Attentive

        ears = Attentive(ears, plan.language)
    return StreamEars(ears, lambda: _noted(microphone.chunks(), tape), microphone.reopen), mouth, about


def _noted(pieces: Iterator, tape) -> Iterator:
    """The pieces as they come, each laid down on the conversation's tape."""
    for piece in pieces:
        if tape is not None:
            tape.technician(tape.seconds, piece)
        yield piece


def _pressed(gate, speaker) -> None:
    """A key falls: our voice is cut short, and push-to-talk opens."""
    if speaker is not None:
        speaker.stop()
    gate.key()


def _prompt(scope) -> None:
    click.echo("> ", nl=False)


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
