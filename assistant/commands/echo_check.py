"""Whether the microphone hears the loudspeaker, and which way of interrupting fits."""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from assistant.commands.finding import Finding
from assistant.errors import AudioError
from assistant.hearing.audio.echo import INSTALL, Echo, measured
from assistant.hearing.audio.live import Microphone
from assistant.hearing.audio.played import Played
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.audio.steady import SteadyLoudspeaker
from assistant.visit.interrupting import Interrupting, interrupting

Listen = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
SECONDS = 1.2
"""Length of the sound."""
AFTER = 0.8
"""Seconds that are listened for after it."""
LOUD = 0.2
"""Its loudest sample, as a share of full scale."""


def probe(seed: int = 1) -> np.ndarray:
    """A short rush of noise, 300 to 4,000 Hz, soft at both ends: int16 at 16 kHz."""
    count = round(SECONDS * SAMPLE_RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=count))
    pitch = np.fft.rfftfreq(count, 1 / SAMPLE_RATE)
    spectrum[(pitch < 300) | (pitch > 4000)] = 0
    wave = np.fft.irfft(spectrum, count) * np.hanning(count) ** 0.25
    return np.rint(wave / np.abs(wave).max() * LOUD * 32767).astype(np.int16)


def finding(wanted: str, listen: Listen) -> Finding:
    """What was found, and which way of interrupting fits."""
    try:
        near, far = listen(probe())
    except AudioError as error:
        return Finding("interrupt", False, error.problem, error.remedy)
    return judged(wanted, measured(near, far), interrupting(wanted))


def judged(wanted: str, echo: Echo, how: Interrupting) -> Finding:
    """In words. how: what `wanted` comes to on this machine."""
    if not echo.found:
        heard = "The microphone does not hear the loudspeaker."
        if how.canceller is not None:
            return Finding("interrupt", True, f"{heard} {how.reason}")
        return Finding("interrupt", True, f"{heard} It does not listen while it speaks.", "Fits: --interrupt headset")
    assert echo.gain_db is not None, "an echo that is found has a level"
    heard = f"The microphone hears the loudspeaker ({echo.gain_db:+.0f} dB of what was played)."
    if wanted == "headset":
        return Finding("interrupt", False, heard, "It would hear itself with --interrupt headset; use auto.")
    if how.canceller is not None:
        return Finding("interrupt", True, f"{heard} Its own voice is taken out. {how.reason}")
    if wanted == "off":
        return Finding("interrupt", True, f"{heard} {how.reason}")
    return Finding(
        "interrupt", True, f"{heard} It does not listen while it speaks.", f"To be heard then too: {INSTALL}"
    )


def with_devices(microphone: str, loudspeaker: str) -> Listen:
    """Play on these devices and listen meanwhile; "" for the default ones."""

    def listen(sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        played = Played()
        speaker = SteadyLoudspeaker(played, None, loudspeaker)
        hearing = Microphone(device=microphone, played=played)
        hearing.open()
        failed: list[AudioError] = []

        def play() -> None:
            try:
                speaker.play(np.concatenate([sound, np.zeros(round(AFTER * SAMPLE_RATE), np.int16)]))
            except AudioError as error:
                failed.append(error)

        playing = threading.Thread(target=play, daemon=True)
        near: list[np.ndarray] = []
        far: list[np.ndarray] = []
        try:
            playing.start()
            for heard, given in hearing.pairs():
                near.append(heard)
                far.append(given.sound)
                if not playing.is_alive():
                    break
        finally:
            speaker.close()
            hearing.close()
        if failed:
            raise failed[0]
        return np.concatenate(near), np.concatenate(far)

    return listen
