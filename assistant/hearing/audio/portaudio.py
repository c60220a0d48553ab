"""The one door to the sound library: loads it late and turns its errors into ours."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from assistant.errors import AudioError, DeviceLost, MissingLibrary
from assistant.hearing.audio.rate import SAMPLE_RATE

INSTALL_PORTAUDIO = "sudo apt-get install libportaudio2"
INSTALL_ALSA_PULSE = "sudo apt-get install libasound2-plugins"
FAILURES = ("PortAudioError", "CallbackStop", "CallbackAbort")
"""All exceptions that sounddevice defines; it also lets ValueError, TypeError and OSError through."""


@dataclass(frozen=True)
class Device:
    """A microphone or loudspeaker. rate: samples a second that it likes best."""

    name: str
    rate: int
    default: bool


def library() -> ModuleType:
    """The module `sounddevice`. Raises MissingLibrary."""
    try:
        import sounddevice
    except OSError as error:
        raise MissingLibrary("The sound library PortAudio is missing.", INSTALL_PORTAUDIO) from error
    except ImportError as error:
        raise MissingLibrary("The Python package sounddevice is missing.", "pip install sounddevice") from error
    return sounddevice


def again(sounddevice: Any) -> None:
    """Look for devices anew; PortAudio lists them only when it starts. Closes every stream."""
    with mapped(sounddevice, "sound system"):
        sounddevice._terminate()
        sounddevice._initialize()


@contextmanager
def mapped(sounddevice: Any, what: str, lost: bool = False) -> Iterator[None]:
    """Errors of sounddevice inside become AudioError, or DeviceLost where it had worked.

    what: "microphone" or "loudspeaker", for the sentence.
    """
    try:
        yield
    except (
        sounddevice.PortAudioError,
        sounddevice.CallbackStop,
        sounddevice.CallbackAbort,
        ValueError,
        TypeError,
        OSError,
    ) as error:
        if lost:
            raise gone(what) from error
        raise AudioError(
            f"The {what} cannot be used ({_reason(error)}).",
            "Plug it in, choose it in the sound settings, and run: twohands check",
        ) from error


def gone(what: str) -> DeviceLost:
    """The error for a device that worked and stopped."""
    return DeviceLost(f"The {what} is gone.", "Plug it in again; the visit goes on where it was.")


def find(kind: str, sounddevice: Any = None) -> list[Device]:
    """Devices of a kind, "input" or "output", the default first. Raises AudioError, MissingLibrary."""
    sounddevice = sounddevice or library()
    what = "microphone" if kind == "input" else "loudspeaker"
    with mapped(sounddevice, what):
        chosen = sounddevice.default.device[0 if kind == "input" else 1]
        found = [
            Device(item["name"], round(item["default_samplerate"]), place == chosen)
            for place, item in enumerate(sounddevice.query_devices())
            if item[f"max_{kind}_channels"] > 0
        ]
    return sorted(found, key=lambda device: not device.default)


def rates(kind: str, device: str | None, sounddevice: Any) -> list[int]:
    """Rates to try on a device, ours first: 16 kHz, then its own. Raises AudioError."""
    own = [one.rate for one in find(kind, sounddevice) if (one.default if device is None else device in one.name)]
    return list(dict.fromkeys([SAMPLE_RATE, *(rate for rate in own[:1] if rate % 25 == 0)]))


def _reason(error: Exception) -> str:
    text = str(error.args[0]) if error.args else type(error).__name__
    return text.splitlines()[0].rstrip(".") if text else type(error).__name__
