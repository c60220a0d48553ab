"""The tones measured on their sound alone: short, clickless, in the band, and unlike each other."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from pydantic import ValidationError

from assistant.errors import VoiceError
from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from assistant.speaking.tones import Tone, names, synthesised, tone

FRAME = 80
"""5 ms."""


def bursts(sound: np.ndarray) -> list[np.ndarray]:
    """The pieces between silences of 10 ms and more."""
    frames = sound[: len(sound) // FRAME * FRAME].reshape(-1, FRAME).astype(float)
    loud = np.sqrt(np.mean(frames**2, axis=1)) > 0.03 * np.abs(sound.astype(int)).max()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loud, [False]]).astype(int)))
    joined: list[list[int]] = []
    for start, end in edges.reshape(-1, 2):
        if joined and start - joined[-1][1] < 2:
            joined[-1][1] = end
        else:
            joined.append([start, end])
    return [sound[start * FRAME : end * FRAME] for start, end in joined]


def pitch(piece: np.ndarray) -> float:
    """The fundamental in Hz, by autocorrelation between 450 and 1400 Hz."""
    piece = piece.astype(float) - piece.mean()
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), 16 * len(piece))) ** 2
    again = np.fft.irfft(spectrum)
    fine = np.interp(np.arange(11, 36, 0.02), np.arange(len(piece)), again[: len(piece)])
    lag = np.arange(11, 36, 0.02)
    best = fine.max()
    # the shortest lag that is nearly the best: a period, not two of them
    peak = next(
        at for at in range(1, len(fine) - 1) if fine[at] >= 0.93 * best and fine[at - 1] <= fine[at] >= fine[at + 1]
    )
    return RATE / lag[peak]


def glides(sound: np.ndarray) -> list[float]:
    """Octaves from the first to the last third of each burst."""
    return [
        float(np.log2(pitch(piece[-len(piece) // 3 :]) / pitch(piece[: len(piece) // 3]))) for piece in bursts(sound)
    ]


def turns(sound: np.ndarray) -> int:
    """How often the pitch goes from rising to falling or back, inside bursts; by 12 ms windows."""
    count = 0
    for piece in bursts(sound):
        track = [np.log2(pitch(piece[at : at + 192])) for at in range(0, len(piece) - 192, 96)]
        steps = [np.sign(step) for step in np.diff(track) if abs(step) > 0.06]
        count += sum(one != two for one, two in pairwise(steps))
    return count


def contour(sound: np.ndarray) -> tuple[int, int, int, bool]:
    """(bursts, direction inside bursts, direction across bursts, warbling): what an ear without note names has."""
    warble = turns(sound) >= 3
    pieces = bursts(sound)
    inside = 0 if warble else round(np.sign(np.mean(glides(sound)))) if abs(np.mean(glides(sound))) > 0.15 else 0
    across = np.log2(pitch(pieces[-1]) / pitch(pieces[0])) if len(pieces) > 1 else 0.0
    return len(pieces), inside, round(np.sign(across)) if abs(across) > 0.15 else 0, warble


@pytest.mark.parametrize("name", names())
def test_short(name):
    assert 0.08 <= len(tone(name)) / RATE <= 0.3


@pytest.mark.parametrize("name", names())
def test_no_click_at_the_ends_or_inside(name):
    sound = tone(name).astype(float)
    top = np.abs(sound).max()
    assert abs(sound[0]) < 0.01 * top and abs(sound[-1]) < 0.01 * top
    # A click is energy far above everything that the tone is made of.
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    hertz = np.fft.rfftfreq(len(sound), 1 / RATE)
    assert spectrum[hertz > 3500].sum() < 1e-5 * spectrum.sum()


def test_the_click_measure_finds_a_click():
    sound = tone("listening").astype(float)
    sound[1000:] = np.roll(sound, 5)[1000:]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    assert spectrum[np.fft.rfftfreq(len(sound), 1 / RATE) > 3500].sum() > 1e-5 * spectrum.sum()


@pytest.mark.parametrize("name", names())
def test_energy_lies_where_hearing_lasts(name):
    """500 to 2500 Hz: ISO 7731:2003 for danger signals (from memory); the loss of age begins above."""
    sound = tone(name).astype(float)
    spectrum = np.abs(np.fft.rfft(sound)) ** 2
    hertz = np.fft.rfftfreq(len(sound), 1 / RATE)
    assert spectrum[(hertz >= 500) & (hertz <= 2500)].sum() > 0.97 * spectrum.sum()


def test_contours_are_what_the_design_says():
    assert {name: contour(tone(name)) for name in names()} == {
        "listening": (1, 1, 0, False),
        "heard": (2, 0, 0, False),
        "passed": (3, 0, 1, False),
        "look_again": (2, -1, -1, False),
        "alarm": (1, 0, 0, True),
    }


@pytest.mark.parametrize(("one", "two"), list(combinations(names(), 2)))
def test_any_two_differ_in_more_than_pitch(one, two):
    """In two of four features at least, none of which changes when a tone is played higher or lower."""
    assert sum(a != b for a, b in zip(contour(tone(one)), contour(tone(two)), strict=True)) >= 2


def test_pass_and_look_again_go_opposite_ways():
    def ends(sound):
        return pitch(bursts(sound)[0]), pitch(bursts(sound)[-1])

    (first, last), (begin, end) = ends(tone("passed")), ends(tone("look_again"))
    assert last > 1.5 * first and end < begin / 1.1


def test_the_alarm_is_the_loudest():
    power = {name: float(np.mean(tone(name).astype(float) ** 2)) for name in names()}
    rest = [power[name] for name in power if name != "alarm"]
    assert power["alarm"] > 2 * max(rest)


def test_unknown_tone_is_named():
    with pytest.raises(
        VoiceError, match=r"no tone 'bang'\. Choose one of: listening, heard, passed, look_again, alarm"
    ):
        tone("bang")


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"bursts": [{"ms": 290, "from": 600, "to": 600, "gap": 20}]}, "longer than 0.3 s"),
        ({"bursts": [{"ms": 100, "from": 450, "to": 600}]}, "outside 500 to 2500 Hz"),
        ({"partials": [1, 1, 1]}, "outside 500 to 2500 Hz"),
        ({"level": 1.2}, "level"),
        ({"bursts": []}, "bursts"),
    ],
)
def test_a_bad_design_is_refused(change, problem):
    good = {"about": "x", "level": 0.5, "partials": [1.0], "bursts": [{"ms": 100, "from": 900, "to": 900}]}
    Tone.model_validate(good)
    with pytest.raises(ValidationError, match=problem):
        Tone.model_validate(good | change)


def test_bursts_without_a_gap_run_on_in_phase():
    design = Tone.model_validate(
        {"about": "x", "level": 0.5, "partials": [1.0], "bursts": [{"ms": 50, "from": 800, "to": 800}] * 2}
    )
    whole = Tone.model_validate(
        {"about": "x", "level": 0.5, "partials": [1.0], "bursts": [{"ms": 100, "from": 800, "to": 800}]}
    )
    assert np.array_equal(synthesised(design, 0.008), synthesised(whole, 0.008))
