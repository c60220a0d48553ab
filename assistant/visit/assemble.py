"""The ears and the mouth that the options of a speaking command ask for."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, fields
from functools import wraps
from pathlib import Path
from typing import Any, get_args

import click

from assistant.errors import LanguageNotHeard
from assistant.hearing.engines.base import ENGINES
from assistant.speaking.settings import NATURAL, VOICES
from assistant.visit.buttons import ButtonEars, told_at_start
from assistant.visit.ears import TypedEars
from assistant.visit.loop import Ears, Mouth
from assistant.visit.mouth import SilentMouth
from assistant.visit.typed import typed_lines
from flows.procedure.session import Level

REOPEN_EVERY = 1.0
"""Seconds between two tries to get a lost device back."""


def pause_before_retry() -> None:
    """Give a device that was lost time to come back."""
    time.sleep(REOPEN_EVERY)


@dataclass(frozen=True)
class Sound:
    """How to hear and to speak, as the options say it.

    spoken: speak aloud; None for the default, which is off when typing. voice: "natural" or "espeak".
    audio_in, audio_out: sound files in place of the microphone, and for the conversation.
    microphone, loudspeaker: name, part of a name or number of a device; "" for the default one.
    interrupt: how to hear while we speak (`assistant.visit.interrupting`).
    """

    rate: str = "normal"
    typed: bool = False
    spoken: bool | None = None
    voice: str = "natural"
    audio_in: Path | None = None
    audio_out: Path | None = None
    engine: str = "auto"
    push_to_talk: bool = False
    attention: bool = False
    microphone: str = ""
    loudspeaker: str = ""
    interrupt: str = "off"

    @property
    def aloud(self) -> bool:
        return self.spoken if self.spoken is not None else not self.typed


engine_option = click.option(
    "--engine",
    type=click.Choice(["auto", *ENGINES]),
    default="auto",
    show_default=True,
    help="The recogniser; pair: Vosk and PocketSphinx together.",
)


device_options = (
    click.option(
        "--microphone", default="", metavar="NAME", help="Hear with this one: part of its name in `twohands check`."
    ),
    click.option(
        "--loudspeaker", default="", metavar="NAME", help="Speak with this one: part of its name in `twohands check`."
    ),
)


def talk_option(default: str) -> Callable:
    """The click option that says how much is told. default: how its help names what holds without it."""
    return click.option(
        "--talk",
        type=click.Choice(get_args(Level)),
        default=None,
        help=f"How much is told: all of it to a learner, the usual, or in brief. By default: {default}.",
    )


def choosing_devices(command: Callable) -> Callable:
    """The click options that name the microphone and the loudspeaker."""
    return _with(device_options, command)


def sound_options(command: Callable) -> Callable:
    """The click options behind `Sound`, all but `attention`, which a command may have of its own.

    The command gets them together, as `sound`.
    """

    @wraps(command)
    def gathered(*given: Any, **named: Any) -> Any:
        spoken, voice = _voice(click.get_current_context(), named.pop("voice"), named.pop("no_voice"))
        mine = {one.name: named.pop(one.name) for one in fields(Sound) if one.name in named}
        return command(*given, sound=Sound(spoken=spoken, voice=voice, **mine), **named)

    options = [
        click.option(
            "--rate",
            type=click.Choice(["slow", "normal", "fast"]),
            default="normal",
            show_default=True,
            help="Speaking rate.",
        ),
        click.option("--typed", is_flag=True, help="Type the answers, through the same grammar."),
        click.option(
            "--voice",
            is_flag=False,
            flag_value="",
            default=NATURAL,
            callback=_known_voice,
            metavar=f"[{'|'.join(VOICES)}]",
            help="Speak aloud, in this voice; the natural one by default. Off when typing, on otherwise.",
        ),
        click.option("--no-voice", is_flag=True, help="Only show what would be said."),
        click.option(
            "--audio-in",
            type=click.Path(exists=True, dir_okay=False, path_type=Path),
            help="Hear this sound file instead of a microphone.",
        ),
        click.option(
            "--audio-out",
            type=click.Path(dir_okay=False, path_type=Path),
            help="Write the two-sided conversation to this WAV or FLAC file.",
        ),
        engine_option,
        click.option(
            "--push-to-talk",
            is_flag=True,
            help="Listen only after a key, a headset button or a foot switch that acts as a key.",
        ),
        *device_options,
    ]
    return _with(options, gathered)


def _known_voice(context: click.Context, option: click.Parameter, value: str) -> str:
    if value and value not in VOICES:
        raise click.BadParameter(f"'{value}' is none of {', '.join(VOICES)}.")
    return value


def _voice(context: click.Context, voice: str, silent: bool) -> tuple[bool | None, str]:
    """Whether to speak, None for the default, and the voice. A voice out of the settings makes nobody speak."""
    told = context.get_parameter_source("voice") is click.core.ParameterSource.COMMANDLINE
    spoken = False if silent else True if told else None
    return spoken, voice or (context.default_map or {}).get("voice") or NATURAL


def _with(options: Sequence[Callable], command: Callable) -> Callable:
    for option in reversed(options):
        command = option(command)
    return command


def assemble(
    stack: ExitStack,
    sound: Sound,
    language: str,
    words: frozenset[str],
    grammars: Any = None,
    acoustic: Mapping[str, str] | None = None,
) -> tuple[Ears, Mouth, dict[str, str]]:
    """The ears, the mouth, and what the record says of them ("engine", "voice").

    stack: what must be closed again is put on it. words: all that can be said, for the choice
    of a recogniser. grammars: in place of `grammar.emit`, for the recogniser. acoustic: PocketSphinx's
    settings of a learnt voice. Raises AssistantError.
    """
    from assistant.hearing.audio.files import Conversation
    from assistant.hearing.audio.files import stream as stream_sound

    tape = Conversation() if sound.audio_out else None
    if tape and sound.audio_out:
        stack.callback(tape.save, sound.audio_out)
    live = not sound.typed and sound.audio_in is None
    mouth: Mouth = SilentMouth()
    voice_name = "none"
    gate = canceller = played = None
    if live:
        from assistant.hearing.audio.gate import Gate
        from assistant.hearing.audio.played import Played
        from assistant.visit.interrupting import interrupting

        gate = Gate(sound.push_to_talk)
        if sound.aloud:
            how = interrupting(sound.interrupt, sound.push_to_talk)
            canceller = how.canceller
            if sound.interrupt != "off":
                click.echo(how.reason)
        played = Played() if canceller else None
    speaker = sink = None
    if sound.aloud:
        from assistant.speaking.chosen import open_voice
        from assistant.speaking.speaker import Sink
        from assistant.visit.mouth import Taped, VoiceMouth

        voice = open_voice(language, sound.voice)
        stack.callback(voice.close)
        voice_name = voice.name
        if live or sound.typed:
            from assistant.hearing.audio.live import Loudspeaker
            from assistant.hearing.audio.steady import SteadyLoudspeaker

            # Where we hear while we speak, the microphone is never shut.
            sink = (
                SteadyLoudspeaker(played, None, sound.loudspeaker) if played else Loudspeaker(gate, sound.loudspeaker)
            )
            stack.callback(sink.close)
            if sound.loudspeaker:
                # A name that means nothing is told before the visit begins.
                sink.look()
        # Without a sink the sentences only go to the conversation file.
        onto: Sink = sink if played and sink else Taped(tape or Conversation(), sink)
        spoken = VoiceMouth(voice, onto, sound.rate)
        mouth, speaker = spoken, spoken.speaker
    if sound.typed and language != "en":
        return ButtonEars(typed_lines(sys.stdin), click.echo), mouth, {"engine": "typed", "voice": voice_name}
    if sound.typed:
        return (
            TypedEars(typed_lines(sys.stdin), _prompt if sys.stdin.isatty() else None),
            mouth,
            {"engine": "typed", "voice": voice_name},
        )
    from assistant.hearing.engines.choose import recognizer
    from assistant.visit.ears import StreamEars

    try:
        ears, chosen = recognizer(
            wanted="" if sound.engine == "auto" else sound.engine, words=words, language=language, acoustic=acoustic
        )
    except LanguageNotHeard as error:
        if not live:
            raise
        click.echo(f"{error.text}\n{told_at_start(language)}")
        return ButtonEars(typed_lines(sys.stdin), click.echo), mouth, {"engine": "typed", "voice": voice_name}
    stack.callback(ears.close)
    if grammars is not None:
        ears.use(grammars)
    click.echo(chosen.reason)
    about = {"engine": ears.description, "voice": voice_name}
    if sound.audio_in is not None:
        pieces = stream_sound(sound.audio_in)
        return StreamEars(ears, lambda: _noted(pieces, tape)), mouth, about
    from assistant.hearing.audio.live import Microphone
    from assistant.hearing.audio.steady import SteadyLoudspeaker
    from assistant.visit.lost import Devices
    from assistant.visit.over_ears import OverEars, duplex

    microphone = Microphone(gate, sound.microphone, played=played)
    microphone.open()
    stack.callback(microphone.close)
    without_echo = duplex(microphone, canceller, played, tape) if canceller and played else None
    devices = Devices(microphone, sink, without_echo.forget if without_echo else lambda: None)
    if sink is not None:
        sink.again = devices.loudspeaker_again
    if sound.push_to_talk or sys.stdin.isatty():
        from assistant.hearing.audio.keys import Keys

        stack.enter_context(Keys(lambda: _pressed(gate, speaker)))
    if sound.attention:
        from assistant.hearing.engines.attention import Attentive

        ears = Attentive(ears, language)
    if without_echo and speaker and isinstance(sink, SteadyLoudspeaker):
        return OverEars(ears, without_echo, sink, speaker, devices.again), mouth, about
    return StreamEars(ears, lambda: _noted(microphone.chunks(), tape), devices.again), mouth, about


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
