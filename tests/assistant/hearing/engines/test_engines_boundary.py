"""What the sound library and the recognisers raise becomes ours at the door; a new kind of error is found here."""

from __future__ import annotations

import builtins
import threading
import types
from pathlib import Path

import numpy as np
import pocketsphinx
import pytest
import sounddevice
import vosk

from assistant.errors import AudioError, DeviceLost, EngineError, MissingLibrary
from assistant.hearing.audio import live, portaudio
from assistant.hearing.audio.gate import Gate
from assistant.hearing.audio.live import PATIENCE, Loudspeaker, Microphone
from assistant.hearing.engines import sphinx
from assistant.hearing.engines.sphinx import SphinxEngine
from grammar.scope import Option, Scope

SCOPE = Scope("ready", options=(Option("yes", ("yes",)),))


def defined_in(module: types.ModuleType) -> set[str]:
    """Names of the exception classes that a package defines itself."""
    found = set()
    for name, value in vars(module).items():
        if isinstance(value, type) and issubclass(value, BaseException) and not hasattr(builtins, value.__name__):
            found.add(name)
    return found


def test_every_exception_of_sounddevice_is_mapped():
    """A new version with a new exception class must be looked at."""
    assert defined_in(sounddevice) == set(portaudio.FAILURES)


def test_the_recognisers_define_no_exceptions_of_their_own():
    assert defined_in(pocketsphinx) == set()
    assert defined_in(vosk) == set()


SOUND_ERRORS = [
    sounddevice.PortAudioError("Device unavailable", -9985),
    sounddevice.CallbackStop(),
    sounddevice.CallbackAbort(),
    ValueError("No input device matching 'x'"),
    TypeError("bad"),
    OSError("gone"),
]


class FakeSound:
    """A sound library whose parts can be made to fail. names: of its devices, each for hearing and speaking.

    plugged: what it finds when it looks anew; None for the same.
    """

    plugged: tuple[str, ...] | None = None

    PortAudioError, CallbackStop, CallbackAbort = (
        sounddevice.PortAudioError,
        sounddevice.CallbackStop,
        sounddevice.CallbackAbort,
    )

    def __init__(
        self,
        fail_at: str = "",
        error: Exception | None = None,
        rates: tuple[int, ...] = (16_000,),
        own_rate: int = 48_000,
        names: tuple[str, ...] = ("desk",),
    ) -> None:
        self.names = names
        self.fail_at, self.error, self.rates, self.own_rate = fail_at, error, rates, own_rate
        self.default = types.SimpleNamespace(device=[0, 0])
        self.opened: list[FakeStream] = []

    def query_devices(self) -> list[dict]:
        self.perhaps("query")
        return [
            {
                "name": name,
                "default_samplerate": float(self.own_rate),
                "max_input_channels": 1,
                "max_output_channels": 2,
            }
            for name in self.names
        ]

    def InputStream(self, **how) -> FakeStream:
        return self._open(how)

    OutputStream = InputStream

    def _open(self, how: dict) -> FakeStream:
        self.perhaps("open")
        if how["samplerate"] not in self.rates:
            raise self.PortAudioError("Invalid sample rate")
        self.opened.append(FakeStream(self, how))
        return self.opened[-1]

    def perhaps(self, where: str) -> None:
        if where == self.fail_at:
            raise self.error

    def _terminate(self) -> None:
        self.perhaps("again")

    def _initialize(self) -> None:
        self.names = self.names if self.plugged is None else self.plugged


class FakeStream:
    """Calls back only when told to."""

    latency = 0.0

    def __init__(self, library: FakeSound, how: dict) -> None:
        self.library, self.how = library, how

    def start(self) -> None:
        self.library.perhaps("start")

    def abort(self, ignore_errors: bool = True) -> None:
        pass

    close = abort

    def bring(self, samples: np.ndarray) -> None:
        self.how["callback"](samples[:, None], len(samples), None, None)


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize("error", SOUND_ERRORS, ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("where", ["query", "open", "start"])
def test_a_device_that_cannot_be_used_is_our_error_with_a_remedy(where, error):
    for use in (
        lambda sound: Microphone(sounddevice=sound).open(),
        lambda sound: Loudspeaker(sounddevice=sound).play(np.zeros(10, np.int16)),
    ):
        with pytest.raises(AudioError) as caught:
            use(FakeSound(where, error))
        assert "cannot be used" in caught.value.problem and "twohands check" in caught.value.remedy


@pytest.mark.parametrize("error", SOUND_ERRORS, ids=lambda error: type(error).__name__)
def test_a_device_that_does_not_come_back_is_no_error(error):
    assert Microphone(sounddevice=FakeSound("again", error)).reopen() is False
    assert Loudspeaker(sounddevice=FakeSound("again", error)).reopen() is False


def test_a_loudspeaker_that_worked_and_does_not_open_again_is_lost():
    clock, sound = Clock(), FakeSound()
    loudspeaker = Loudspeaker(clock=clock, sounddevice=sound)
    threading.Timer(0.1, loudspeaker.stop).start()
    loudspeaker.play(np.zeros(1000, np.int16))
    sound.fail_at, sound.error = "open", SOUND_ERRORS[0]
    with pytest.raises(DeviceLost, match="The loudspeaker is gone"):
        loudspeaker.play(np.zeros(1000, np.int16))


def test_a_device_that_never_opens_is_lost_and_no_hang(monkeypatch):
    monkeypatch.setattr(live, "OPENING", 0.1)
    never = threading.Event()
    sound = FakeSound()
    sound.query_devices = lambda: never.wait(30)
    with pytest.raises(DeviceLost, match="The microphone is gone"):
        Microphone(sounddevice=sound).open()
    never.set()


def test_a_missing_sound_library_gives_the_command(no_portaudio):
    with pytest.raises(MissingLibrary) as caught:
        Microphone().open()
    assert caught.value.text == "The sound library PortAudio is missing. sudo apt-get install libportaudio2"


def test_a_microphone_that_brings_nothing_for_two_seconds_is_lost():
    clock, sound = Clock(), FakeSound()
    microphone = Microphone(clock=clock, sounddevice=sound)
    microphone.open()
    sound.opened[0].bring(np.ones(480, np.int16))
    chunks = microphone.chunks()
    assert len(next(chunks)) == 480
    clock.now += PATIENCE + 0.1
    with pytest.raises(DeviceLost, match="The microphone is gone"):
        next(chunks)
    assert microphone.reopen() is True
    sound.opened[1].bring(np.ones(480, np.int16))
    assert len(next(microphone.chunks())) == 480


def test_a_device_that_ends_by_itself_is_lost_at_once():
    sound = FakeSound()
    microphone = Microphone(clock=Clock(), sounddevice=sound)
    microphone.open()
    sound.opened[0].how["finished_callback"]()
    with pytest.raises(DeviceLost):
        next(microphone.chunks())


def test_a_microphone_that_does_not_know_16_khz_is_resampled():
    sound = FakeSound(rates=(48_000,))
    microphone = Microphone(clock=Clock(), sounddevice=sound)
    microphone.open()
    assert sound.opened[0].how["samplerate"] == 48_000
    second = (8000 * np.sin(2 * np.pi * 500 * np.arange(48_000) / 48_000)).astype(np.int16)
    for start in range(0, 48_000, 1440):
        sound.opened[0].bring(second[start : start + 1440])
    chunks = microphone.chunks()
    got = np.concatenate([next(chunks) for _ in range(30)])
    assert np.argmax(np.abs(np.fft.rfft(got[1000:9000]))) == 250, "8000 samples of 16 kHz hold 250 waves of 500 Hz"


def test_what_comes_while_the_gate_is_shut_is_never_heard():
    clock, sound = Clock(), FakeSound()
    gate = Gate(clock=clock)
    microphone = Microphone(gate, clock=clock, sounddevice=sound)
    microphone.open()
    with gate.speaking():
        sound.opened[0].bring(np.full(480, 1, np.int16))
    clock.now += 0.2
    sound.opened[0].bring(np.full(480, 2, np.int16))
    clock.now += 0.1
    sound.opened[0].bring(np.full(480, 3, np.int16))
    assert next(microphone.chunks())[0] == 3, "our voice and a quarter of a second after it are thrown away"


@pytest.mark.parametrize("error", [RuntimeError("x"), ValueError("x"), KeyError("x"), TypeError("x")])
def test_what_pocketsphinx_raises_is_our_error(monkeypatch, error):
    assert type(error) in sphinx.FAILURES

    class Broken:
        def __init__(self, *_: object, **__: object) -> None:
            raise error

    monkeypatch.setattr(pocketsphinx, "Decoder", Broken)
    with pytest.raises(EngineError, match="PocketSphinx could not start"):
        SphinxEngine()


def test_a_decoder_that_breaks_while_listening_is_our_error():
    engine = SphinxEngine(acoustic={})
    engine.open(SCOPE)

    class Broken:
        def __getattr__(self, name):
            def fail(*_: object, **__: object) -> None:
                raise RuntimeError("Failed to process data")

            return fail

    engine._decoder = engine._searches.decoder = Broken()
    for use in (
        engine.begin,
        lambda: engine.hear(np.zeros(480, np.int16)),
        lambda: engine.conclude(np.zeros(480, np.int16)),
        lambda: engine.open(SCOPE),
    ):
        with pytest.raises(EngineError, match="PocketSphinx stopped working"):
            use()


def test_no_module_but_the_door_names_sounddevice():
    """Only `portaudio.py` imports it, and late, so that a machine without it still reads files."""
    named = [
        path.name
        for path in Path(portaudio.__file__).parents[2].rglob("*.py")
        if "import sounddevice" in path.read_text()
    ]
    assert named == ["portaudio.py"]
