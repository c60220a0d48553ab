"""Shared by the tests of the shell: a room with virtual sound devices."""

from __future__ import annotations

import builtins
import os
from collections.abc import Iterator

import pytest

from tests.assistant.soundroom import SoundRoom, lacking


@pytest.fixture
def sound_room() -> Iterator[SoundRoom]:
    """A started `SoundRoom`. Skipped where PulseAudio is not installed, except in CI, where that is an error."""
    missing = lacking()
    if missing and not os.environ.get("CI"):
        pytest.skip(
            f"not installed: {', '.join(missing)} (sudo apt-get install pulseaudio pulseaudio-utils libasound2-plugins)"
        )
    assert not missing, f"not installed: {', '.join(missing)}"
    room = SoundRoom()
    try:
        room.start()
        yield room
    finally:
        room.end()


@pytest.fixture
def no_portaudio(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine on which the sound library cannot be loaded."""
    real = builtins.__import__

    def without(name, *rest, **more):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
