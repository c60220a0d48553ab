"""Shared by the tests of the shell: a room with virtual sound devices."""

from __future__ import annotations

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
