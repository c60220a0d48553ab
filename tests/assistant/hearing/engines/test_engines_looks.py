"""An utterance in other looks: what stays and what goes."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from assistant.hearing.engines.looks import CLOSING, QUIET_DB, above_room_db, looks, quieted, slower
from audio_fixtures.rooms import active, in_quiet_room, mix, noise, padded
from audio_fixtures.voices import say


def power(sound: np.ndarray) -> float:
    return float(np.mean(np.square(sound, dtype=np.float64)))


def test_slower_is_a_tenth_longer_and_as_much_lower():
    tone = (8000 * np.sin(2 * np.pi * 900 * np.arange(RATE) / RATE)).astype(np.int16)
    made = slower(tone)
    assert len(made) == pytest.approx(len(tone) / 0.9, abs=1)
    spectrum = np.abs(np.fft.rfft(made * np.hanning(len(made))))
    assert np.argmax(spectrum) * RATE / len(made) == pytest.approx(810, abs=2)


@pytest.mark.parametrize("kind, times", [("blower", 1.58), ("inducer", 2.0), ("valve", 2.0)])
def test_quieting_takes_out_a_machine_and_leaves_the_voice(kind, times):
    """The voice stands out at least 3 dB more, 2 dB beside a blower."""
    speech = padded(say("ninety three point four volts", "us-m7"), 0.5, 0.5)
    noisy = mix(speech, noise(kind, len(speech), np.random.default_rng(1)), 10.0)
    made = quieted(noisy)
    where = active(speech)
    assert len(made) == len(noisy)
    before, after = power(noisy[where]) / power(noisy[~where]), power(made[where]) / power(made[~where])
    assert after > times * before
    assert power(made[where]) > 0.5 * power(noisy[where])


@pytest.mark.parametrize(
    "sound", [np.zeros(0, np.int16), np.zeros(100, np.int16), np.zeros(8000, np.int16), np.full(8000, -32768, np.int16)]
)
def test_any_sound_has_its_looks(sound):
    assert [one.dtype for one in looks(sound)] == [np.int16] * 3


def test_a_quiet_room_gets_a_little_noise_and_the_same_each_time():
    speech = in_quiet_room(say("ninety three point four volts", "us-m7"), 0.5, 0.5, np.random.default_rng(3))
    assert above_room_db(speech) > QUIET_DB
    best, _, last = looks(speech)
    assert 15 < above_room_db(best) < above_room_db(last) < QUIET_DB
    assert all(np.array_equal(one, other) for one, other in zip(looks(speech), looks(speech), strict=True))


def test_a_loud_room_is_left_in_the_last_look():
    speech = padded(say("ninety three point four volts", "us-m7"), 0.5, 0.5)
    noisy = mix(speech, noise("blower", len(speech), np.random.default_rng(1)), 10.0)
    best, _, last = looks(noisy)
    assert np.array_equal(last[: len(noisy)], noisy) and above_room_db(best) > above_room_db(noisy)


def test_the_closing_silence_is_heard_once_more():
    speech = padded(say("ninety three point four volts", "us-m7"), 0.5, 0.3)
    noisy = mix(speech, noise("blower", len(speech), np.random.default_rng(1)), 10.0)
    *_, last = looks(noisy)
    assert len(last) == len(noisy) + CLOSING
    assert np.array_equal(last[len(noisy) :], noisy[: -CLOSING - 1 : -1])


@pytest.mark.parametrize("lead", [0.05, 0.5])
def test_a_sentence_that_fills_the_utterance_is_not_taken_for_the_room(lead):
    """Somebody who answers at once leaves hardly any silence before the words."""
    speech = in_quiet_room(say("one twenty one point three", "flite-rms"), lead, 0.2, np.random.default_rng(0))
    best, *_ = looks(speech)
    assert above_room_db(speech) > QUIET_DB
    assert power(best[: len(speech)]) == pytest.approx(power(speech), rel=0.05)
