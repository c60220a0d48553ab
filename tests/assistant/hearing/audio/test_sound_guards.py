"""Sound files from outside: endless, odd, broken. And the same samples in pieces as in one."""

from __future__ import annotations

import tracemalloc
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from assistant.errors import AudioError
from assistant.hearing.audio.files import read, stream, write_new
from grammar import guards


def silence(path: Path, seconds: float, rate: int, channels: int = 1) -> Path:
    with soundfile.SoundFile(path, "w", rate, channels, format="FLAC" if path.suffix == ".flac" else "WAV") as file:
        block = np.zeros((rate * 60, channels), np.int16)
        left = round(seconds * rate)
        while left > 0:
            file.write(block[:left])
            left -= len(block)
    return path


def test_hours_of_silence_are_refused_at_once(tmp_path: Path) -> None:
    path = silence(tmp_path / "long.flac", 3 * 3600, 16_000)
    assert path.stat().st_size < 2_000_000
    with pytest.raises(AudioError, match=r"it is 180 minutes long, and at most 90 are taken"):
        stream(path)


@pytest.mark.parametrize("rate", [1, 999, 1_000_003])
def test_rates_that_no_device_has_are_refused(tmp_path: Path, rate: int) -> None:
    with pytest.raises(AudioError, match=f"it has {rate} samples a second"):
        read(silence(tmp_path / "odd.wav", 2, rate))


def test_a_rate_that_shares_nothing_with_ours_takes_no_longer(tmp_path: Path) -> None:
    assert len(read(silence(tmp_path / "prime.wav", 1, 383_987))) == pytest.approx(16_000, rel=1e-3)


def test_more_channels_than_a_microphone_has_are_refused(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="channels"):
        read(silence(tmp_path / "many.wav", 1, 16_000, guards.SOUND_CHANNELS + 1))


def test_a_long_file_does_not_lie_in_memory(tmp_path: Path) -> None:
    path = silence(tmp_path / "hour.flac", 3600, 8_000)
    tracemalloc.start()
    pieces = stream(path)
    for _ in range(20_000):  # more than half an hour of it
        next(pieces)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 40_000_000


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 16_000])
def test_in_pieces_as_in_one(tmp_path: Path, rate: int) -> None:
    sound = np.random.default_rng(rate).normal(0, 3000, rate * 23 + 11).astype(np.int16)
    soundfile.write(tmp_path / "noise.wav", sound, rate)
    pieces = list(stream(tmp_path / "noise.wav", 777))
    assert {len(one) for one in pieces[:-1]} == {777}
    ratio = Fraction(16_000, rate)
    whole = resample_poly(sound / 32768, ratio.numerator, ratio.denominator) * 32768 if ratio != 1 else sound
    assert np.array_equal(np.concatenate(pieces), np.clip(np.rint(whole), -32768, 32767))


def test_what_is_no_number_becomes_silence(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "nan.wav", np.array([np.nan, np.inf, -np.inf, 0.5]), 16_000, subtype="FLOAT")
    assert read(tmp_path / "nan.wav").tolist() == [0, 32767, -32768, 16384]


def test_a_folder_or_a_pipe_is_no_sound(tmp_path: Path) -> None:
    import os

    os.mkfifo(tmp_path / "pipe.wav")
    for path in (tmp_path, tmp_path / "pipe.wav"):
        with pytest.raises(AudioError, match="is no sound file"):
            read(path)


def test_a_new_sound_takes_no_name_that_was_used(tmp_path: Path) -> None:
    names = [write_new(tmp_path, "0001", ".flac", np.ones(100, np.int16)).name for _ in range(3)]
    assert names == ["0001.flac", "0001-2.flac", "0001-3.flac"]
