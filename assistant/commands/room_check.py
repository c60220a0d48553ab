"""The work behind `twohands check`: what is here, how loud the room is, what to install."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field

from assistant.commands import echo_check
from assistant.commands.finding import Finding
from assistant.errors import AssistantError, AudioError, MissingLibrary
from assistant.hearing.audio.live import Microphone
from assistant.hearing.audio.portaudio import INSTALL_ALSA_PULSE, find, library, listed, named
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.choose import plan
from assistant.speaking.chosen import open_voice
from assistant.speaking.voice import Voice
from grammar.datafile import Strict, load_yaml

SETTINGS = Path(__file__).with_name("room_check.yaml")
FULL_SCALE = 32_768.0
PULSE_PLUGIN = "*/alsa-lib/libasound_module_pcm_pulse.so"


class Band(Strict):
    """least: dB of the voice above the room from which the words hold."""

    least: float
    good: bool
    words: str


class RoomSettings(Strict):
    """seconds: length of the recording. Levels in dB below full scale, clipped a share of 1."""

    version: int = Field(ge=1, le=1)
    seconds: float = Field(gt=0, le=30)
    speech_dbfs: float = Field(ge=-60, le=0)
    silent_dbfs: float = Field(ge=-150, le=-40)
    clipped: float = Field(gt=0, lt=1)
    bands: tuple[Band, ...] = Field(min_length=1)


def check(
    record: Callable[[float], np.ndarray] | None = None,
    sounddevice: Any = None,
    voice: Callable[[], Voice] = open_voice,
    models: Path | None = None,
    plugins: Path = Path("/usr/lib"),
    microphone: str = "",
    loudspeaker: str = "",
    interrupt: str = "auto",
    listen: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]] | None = None,
) -> list[Finding]:
    """Everything that `twohands check` says, in order.

    record: gives so many seconds of the room, int16 at 16 kHz; the live microphone by
    default. sounddevice, voice, models, plugins: where to look, for tests. microphone, loudspeaker: names
    of devices, "" for the default ones. interrupt: as for `twohands run`. listen: plays a sound and gives what the
    microphone heard meanwhile, and what was played beside it; the live devices by default.
    """
    data = load_yaml(SETTINGS, RoomSettings)
    sound = _sound(data, record, sounddevice, plugins, {"input": microphone, "output": loudspeaker})
    devices = all(one.good for one in sound if one.what in ("microphone", "loudspeaker"))
    if listen is None and devices and record is None:
        listen = echo_check.with_devices(microphone, loudspeaker)
    return [
        *sound,
        *([echo_check.finding(interrupt, listen)] if listen is not None else []),
        _engine(models),
        _voice(voice),
    ]


def judge_room(sound: np.ndarray, data: RoomSettings | None = None) -> Finding:
    """What the recorded room means for hearing. sound: int16, shape (n,), nobody speaking."""
    data = data or load_yaml(SETTINGS, RoomSettings)
    if not len(sound):
        return Finding(
            "room", False, "The microphone gave no sound.", "Check that it is switched on, and run the check again."
        )
    level = dbfs(sound)
    if level < data.silent_dbfs:
        return Finding(
            "room", False, "The microphone gives only silence; it may be muted.", "Switch it on in the sound settings."
        )
    if float(np.mean(np.abs(sound.astype(np.int32)) >= 32_767)) > data.clipped:
        return Finding("room", False, "The microphone is overdriven.", "Turn it down in the sound settings.")
    band = next(band for band in data.bands if data.speech_dbfs - level >= band.least or band is data.bands[-1])
    return Finding("room", band.good, f"The noise level is {level:.0f} dBFS. {band.words}")


def dbfs(sound: np.ndarray) -> float:
    """Level of int16 sound without its constant part, dB below full scale; -200 for exact silence."""
    floats = sound / FULL_SCALE
    power = float(np.var(floats))
    return max(-200.0, 10 * float(np.log10(power))) if power > 0 else -200.0


def _sound(
    data: RoomSettings,
    record: Callable[[float], np.ndarray] | None,
    sounddevice: Any,
    plugins: Path,
    wanted: dict[str, str],
) -> list[Finding]:
    try:
        sounddevice = sounddevice or library()
    except MissingLibrary as error:
        return [
            Finding("microphone", False, error.problem, error.remedy),
            Finding("loudspeaker", False, error.problem, error.remedy),
        ]
    microphone = _device("input", "microphone", sounddevice, plugins, wanted["input"])
    loudspeaker = _device("output", "loudspeaker", sounddevice, plugins, wanted["output"])
    if not microphone.good and record is None:
        return [microphone, loudspeaker]
    try:
        room = judge_room((record or _from_microphone(sounddevice, wanted["input"]))(data.seconds), data)
    except AudioError as error:
        room = Finding("room", False, error.problem, error.remedy)
    return [microphone, loudspeaker, room]


def _device(kind: str, what: str, sounddevice: Any, plugins: Path, wanted: str) -> Finding:
    todo = "Plug one in, or choose one in the sound settings."
    if not any(plugins.glob(PULSE_PLUGIN)):
        todo = f"Plug one in; on a desktop with PulseAudio or PipeWire also run: {INSTALL_ALSA_PULSE}"
    try:
        found = find(kind, sounddevice)
    except AudioError as error:
        return Finding(what, False, error.problem, todo)
    if not found:
        return Finding(what, False, f"No {what} is found.", todo)
    try:
        device = named(kind, wanted, sounddevice) if wanted else found[0]
    except AudioError as error:
        return Finding(what, False, error.problem, error.remedy)
    return Finding(what, True, f"The {what} is '{device.name}'.", devices=tuple(listed(found)))


def _from_microphone(sounddevice: Any, name: str) -> Callable[[float], np.ndarray]:
    def record(seconds: float) -> np.ndarray:
        microphone = Microphone(device=name, sounddevice=sounddevice)
        microphone.open()
        try:
            got: list[np.ndarray] = []
            for chunk in microphone.chunks():
                got.append(chunk)
                if sum(map(len, got)) >= seconds * SAMPLE_RATE:
                    break
            return np.concatenate(got)
        finally:
            microphone.close()

    return record


def _engine(models: Path | None) -> Finding:
    chosen = plan(models)
    if chosen.engine != "pocketsphinx":
        return Finding("engine", True, chosen.reason)
    return Finding(
        "engine", True, chosen.reason, "Vosk listens as soon as a small English model is placed: twohands model list"
    )


def _voice(voice: Callable[[], Voice]) -> Finding:
    try:
        speaking = voice()
    except AssistantError as error:
        return Finding("voice", False, error.problem, error.remedy)
    name = speaking.name
    speaking.close()
    return Finding("voice", True, f"The voice is {name}.")
