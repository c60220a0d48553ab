"""The hearing benchmark's own parts: its cases say what they mean, its sounds and statistics are right."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from audio_fixtures.rooms import BANDS, NOISES, ROOMS, active, band, level, mix, noise, padded, reverb
from audio_fixtures.voices import installed, say, voices
from grammar import emit
from grammar.answers import Heard, Unclear
from grammar.parse import understand
from tests.lab.measure import hearing_scopes, hearing_talk
from tests.lab.measure.hearing_cases import SNRS, case, cases
from tests.lab.measure.hearing_engines import dictated
from tests.lab.measure.hearing_judge import matches, outcome, slips
from tests.lab.measure.hearing_report import BEGIN, END, put_between_markers
from tests.lab.measure.hearing_stats import percentile, wilson

needs_espeak = pytest.mark.skipif(not installed("us-m1"), reason="espeak-ng is not installed")


@pytest.mark.parametrize("split", ["tune", "test"])
def test_what_is_spoken_means_the_truth_and_can_be_heard(split):
    for one in cases(400, split):
        scope = hearing_scopes.scopes()[one.scope]
        if one.kind == "outside":
            assert isinstance(understand(Heard(one.text, engine="x"), scope), Unclear), one.text
        else:
            assert emit.accepts(scope, one.text), one.text
            assert matches(one, understand(Heard(one.text, engine="x"), scope)), one.text


def test_every_block_is_balanced_and_repeatable():
    block = list(cases(288, "test"))
    assert set(Counter((one.noise, one.snr, one.room, one.band) for one in block).values()) == {1}
    assert len(block) == len(NOISES) * len(SNRS) * len(ROOMS) * len(BANDS)
    assert block[17] == case(17, "test")
    spoken = Counter(one.voice for one in cases(1000, "test"))
    assert set(spoken) == {one.id for one in voices("test")} | {"recorded"}


def test_sides_share_no_speaker_and_no_sentence():
    assert not {one.speaker for one in voices("tune")} & {one.speaker for one in voices("test")}
    assert not set(hearing_talk.TUNE) & set(hearing_talk.TEST)
    assert all(one.voice != "recorded" for one in cases(500, "tune"))
    assert {one.engine for one in voices("tune")} == {one.engine for one in voices("test")}


@pytest.mark.parametrize("kind", [one for one in NOISES if one != "babble"])
def test_noise_has_unit_power_and_comes_from_its_seed(kind):
    first, again, other = (noise(kind, 16_000, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert np.mean(first**2) == pytest.approx(1.0)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_valve_buzzes_at_twice_the_mains():
    spectrum = np.abs(np.fft.rfft(noise("valve", 32_000, np.random.default_rng(3))))
    peaks = np.argsort(spectrum)[-5:] * 16_000 / 32_000
    assert all(abs(peak / 120 - round(peak / 120)) < 0.01 for peak in peaks)


@pytest.mark.parametrize("snr", SNRS)
def test_mix_keeps_the_ratio_over_active_speech(snr):
    tone = (3000 * np.sin(2 * np.pi * 300 * np.arange(16_000) / 16_000)).astype(np.int16)
    speech = padded(tone, 0.5, 0.5)
    background = noise("rain", len(speech), np.random.default_rng(4))
    mixed = mix(speech, background, snr).astype(float)
    where = active(speech)
    rest = mixed - speech  # the noise has its power over the whole length
    assert 10 * math.log10(np.mean(speech[where].astype(float) ** 2) / np.mean(rest**2)) == pytest.approx(snr, abs=0.3)


def test_headset_cuts_the_band():
    sweep = noise("rain", 32_000, np.random.default_rng(5)) * 2000
    heard = np.abs(np.fft.rfft(band(sweep.astype(np.int16), "headset").astype(float))) ** 2
    places = np.fft.rfftfreq(32_000, 1 / 16_000)
    inside = heard[(places > 400) & (places < 3300)].mean()
    assert heard[places > 4200].mean() < inside / 1000
    assert heard[places < 150].mean() < inside / 100


@needs_espeak
def test_echo_lasts_as_long_as_the_room():
    """The energy that is left falls by 60 dB in the named time (the definition of reverberation time, ISO 3382-1)."""
    click = np.zeros(16_000, np.int16)
    click[100] = 20_000
    echo = reverb(click, "basement", np.random.default_rng(6)).astype(float)[140:]
    left = 10 * np.log10(np.cumsum(echo[::-1] ** 2)[::-1] + 1e-9)
    at_5, at_25 = (int(np.argmax(left < left[0] - fall)) for fall in (5, 25))
    assert 3 * (at_25 - at_5) / 16_000 == pytest.approx(0.55, rel=0.15)


@needs_espeak
def test_the_same_words_give_the_same_samples_at_the_asked_level():
    first, again = say("eighty four point seven", "us-m1"), say("eighty four point seven", "us-m1")
    assert np.array_equal(first, again)
    quiet = level(first, -30.0)
    assert 20 * math.log10(np.sqrt(np.mean(quiet[active(quiet)].astype(float) ** 2)) / 32768) == pytest.approx(
        -30, abs=0.2
    )


@pytest.mark.parametrize(("hits", "total"), [(0, 20), (1, 20), (97, 100), (20_000, 20_000), (3, 20_000)])
def test_wilson_against_scipy(hits, total):
    outside = binomtest(hits, total).proportion_ci(method="wilson")
    assert wilson(hits, total) == pytest.approx((outside.low, outside.high), abs=1e-6)


def test_percentile_is_a_value_that_occurred():
    assert percentile([3, 1, 2], 0.5) == 2
    assert percentile(range(1, 101), 0.95) == 95
    assert math.isnan(percentile([], 0.5))


@pytest.mark.parametrize(
    ("yes", "no", "chance"), [("yes", "no", 0.01), ("asked", "no", 0.0), ("yes", "yes", 1.0), ("asked", "yes", 0.99)]
)
def test_slip_through_a_read_back(yes, no, chance):
    assert slips(yes, no) == pytest.approx(chance)


def test_outcomes_of_one_case():
    one = next(one for one in cases(400, "test") if one.kind == "reading" and one.scope == "supply")
    scope = hearing_scopes.scopes()["supply"]
    assert outcome(one, understand(Heard(one.text, engine="x"), scope)) == "right"
    assert outcome(one, understand(Heard("three", engine="x"), scope)) == "wrong"
    assert outcome(one, Unclear("doubtful", "x")) == "asked"
    assert outcome(one, None) == "asked"


@pytest.mark.parametrize(
    ("text", "typed"),
    [
        (" 84.7 volts.", "84.7 volts"),
        ("Eighty-four point seven.", "eighty-four point seven"),
        ("I'm ready!", "i'm ready"),
        ("", ""),
    ],
)
def test_dictation_as_typed(text, typed):
    assert dictated(text) == typed


def test_readme_is_changed_between_its_markers_only(tmp_path: Path):
    readme = tmp_path / "README.md"
    readme.write_text(f"above\n{BEGIN}\nold\n{END}\nbelow\n", encoding="utf-8")
    put_between_markers(readme, "new")
    put_between_markers(readme, "newer")
    assert readme.read_text(encoding="utf-8") == f"above\n{BEGIN}\nnewer\n{END}\nbelow\n"
    readme.write_text("no place", encoding="utf-8")
    with pytest.raises(ValueError, match=r"README\.md needs one line"):
        put_between_markers(readme, "x")
