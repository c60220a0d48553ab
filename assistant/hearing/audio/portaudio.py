"""The one door to the sound library: loads it late and turns its errors into ours."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from assistant.errors import AudioError, DeviceLost, MissingLibrary
from assistant.hearing.audio.rate import SAMPLE_RATE

INSTALL_PORTAUDIO = "sudo apt-get install libportaudio2"
INSTALL_ALSA_PULSE = "sudo apt-get install libasound2-plugins"
WHAT = {"input": "microphone", "output": "loudspeaker"}
LOOKING = 5.0
"""Seconds that a look for devices may take; a dying sound server may never answer."""
FAILURES = ("PortAudioError", "CallbackStop", "CallbackAbort")
"""All exceptions that sounddevice defines; it also lets ValueError, TypeError and OSError through."""


@dataclass(frozen=True)
class Device:
    """A microphone or loudspeaker. rate: samples a second that it likes best.

    number: among its kind, from 1, as `twohands check` lists it. place: in the sound library's own list.
    """

    name: str
    rate: int
    default: bool
    number: int
    place: int


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
    with mapped(sounddevice, WHAT[kind]):
        chosen = sounddevice.default.device[0 if kind == "input" else 1]
        every = [
            (place, item) for place, item in enumerate(sounddevice.query_devices()) if item[f"max_{kind}_channels"] > 0
        ]
        found = [
            Device(item["name"], round(item["default_samplerate"]), place == chosen, number, place)
            for number, (place, item) in enumerate(every, 1)
        ]
    return sorted(found, key=lambda device: not device.default)


def named(kind: str, name: str, sounddevice: Any = None) -> Device:
    """The device of that kind that `name` means: its whole name, its number, or a part that no other has.

    Upper and lower case are one. Raises AudioError, which lists the names, when it means none or several;
    MissingLibrary.
    """
    found, wanted = find(kind, sounddevice), name.strip().casefold()
    whole = [one for one in found if one.name.casefold() == wanted]
    counted = [one for one in found if str(one.number) == wanted]
    part = [one for one in found if wanted in one.name.casefold()]
    meant = whole or counted or part
    if len(meant) == 1:
        return meant[0]
    if not found:
        raise AudioError(f"No {WHAT[kind]} is found, and '{name}' was wanted.", "Plug it in, and run: twohands check")
    raise AudioError(
        f"'{name}' names more than one {WHAT[kind]}." if meant else f"There is no {WHAT[kind]} '{name}'.",
        f"Give more of the name, or the number, of one of these: {'; '.join(listed(meant or found))}",
    )


def listed(devices: list[Device]) -> list[str]:
    """Each device's number and name, in the order of the numbers."""
    return [
        f"{one.number} {one.name}{' (default)' if one.default else ''}"
        for one in sorted(devices, key=lambda one: one.number)
    ]


class Chosen:
    """The device that a person named, or the default one where `name` is None or "". kind: "input" or "output".

    Once found, it is looked for by its whole name, so that a number or a part never means another one later. The
    place of the card at the name's end ("(hw:1,0)") may change when it is plugged in again.
    """

    def __init__(self, kind: str, name: str | None) -> None:
        self._kind = kind
        self._wanted = name or None
        self._known: Device | None = None

    @property
    def is_default(self) -> bool:
        return self._wanted is None

    def look(self, sounddevice: Any) -> Device | None:
        """The device as it is plugged in now; None where the default one is meant and there is none.

        Raises AudioError when a named one is not there.
        """
        if self._wanted is None:
            return next((one for one in find(self._kind, sounddevice) if one.default), None)
        self._known = (
            self._again(self._known, sounddevice) if self._known else named(self._kind, self._wanted, sounddevice)
        )
        return self._known

    def is_among(self, names: Sequence[str]) -> bool:
        """Whether the device is one of those, wherever it is plugged in now."""
        wanted = self._known.name if self._known else self._wanted or ""
        part = _without_place(wanted).strip().casefold()
        return any(part in one.casefold() for one in names) or (part.isdigit() and 0 < int(part) <= len(names))

    def _again(self, known: Device, sounddevice: Any) -> Device:
        same = [one for one in find(self._kind, sounddevice) if one.name == known.name]
        if same:
            return next((one for one in same if one.place == known.place), same[0])
        return named(self._kind, _without_place(known.name), sounddevice)


def names_elsewhere(kind: str) -> list[str]:
    """Names of the devices of a kind that are plugged in now, found by a process of its own: looking anew in this one
    would close every stream. None where it cannot be told."""
    code = (
        f"from assistant.hearing.audio.portaudio import find; print(*(one.name for one in find({kind!r})), sep='\\n')"
    )
    try:
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, timeout=LOOKING, cwd=Path(__file__).parents[3]
        )
    except (OSError, subprocess.TimeoutExpired):
        return []
    return done.stdout.splitlines() if done.returncode == 0 else []


def _without_place(name: str) -> str:
    """A device's name without the place of its card."""
    return re.sub(r"\s*\(hw:[0-9]+,[0-9]+\)$", "", name)


def rates(device: Device | None) -> list[int]:
    """Rates to try on a device, ours first: 16 kHz, then its own."""
    return list(dict.fromkeys([SAMPLE_RATE, *([device.rate] if device and device.rate % 25 == 0 else [])]))


def _reason(error: Exception) -> str:
    text = str(error.args[0]) if error.args else type(error).__name__
    return text.splitlines()[0].rstrip(".") if text else type(error).__name__
