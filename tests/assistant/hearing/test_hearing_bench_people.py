"""The parts of the benchmarks with people and with whole visits."""

from __future__ import annotations

import json
from collections import Counter

import numpy as np
import pytest
import soundfile

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from tests.lab.measure import hearing_people, hearing_visits
from tests.lab.measure.hearing_natural import names
from tests.lab.train import people


@pytest.mark.parametrize(
    ("text", "scope", "meant"),
    [("six", "dead", 6.0), ("three", "flame", 3e-6), ("no", "readback", "no"), ("yes", "readback", "yes")],
)
def test_what_a_short_answer_means(text, scope, meant):
    found = hearing_people.truth(text, scope)
    assert found == (pytest.approx(meant) if isinstance(meant, float) else meant)


def test_stop_means_a_command():
    assert isinstance(hearing_people.truth("stop", "readback"), str)


@pytest.fixture
def recordings(tmp_path):
    lines, rng = [], np.random.default_rng(0)
    tone = 0.3 * np.sin(2 * np.pi * 300 * np.arange(8000) / RATE) + rng.normal(0, 0.001, 8000)
    for n in range(40):
        lines.append(json.dumps({"speaker": f"s{n}", "text": "six", "start": 8000 * n, "end": 8000 * (n + 1)}))
    soundfile.write(tmp_path / "commands-00.ogg", np.tile(tone, 40), RATE, format="OGG", subtype="OPUS")
    (tmp_path / "commands-00.jsonl").write_text("\n".join(lines) + "\n")
    return tmp_path


def test_only_the_part_asked_for_is_heard_in_every_noise(recordings):
    said = list(hearing_people.short_answers(recordings, "tune"))
    assert said and {people.part_of("commands", one.utterance.speaker) for one in said} == {"tune"}
    assert set(Counter(one.case.snr for one in said).values()) == {len(said) // len(hearing_people.SNRS)}


def test_the_noise_is_as_loud_as_the_row_says(recordings):
    said = next(one for one in hearing_people.short_answers(recordings, "tune") if one.case.snr == 10)
    sound = hearing_people.sound(said).astype(float)
    room = sound[: round(said.lead * RATE) - 800]
    speech = sound[round(said.lead * RATE) + 800 : round(said.lead * RATE) + 7200]
    # speech with its noise over the noise alone: 10 log10(1 + 10)
    assert 10 * np.log10(np.mean(speech**2) / np.mean(room**2)) == pytest.approx(10.4, abs=1.5)


def test_pink_noise_falls_by_three_decibels_an_octave():
    power = np.abs(np.fft.rfft(hearing_people.pink(1 << 18, np.random.default_rng(1)))) ** 2
    hertz = np.fft.rfftfreq(1 << 18, 1 / RATE)
    low, high = (power[(hertz > f) & (hertz < 2 * f)].mean() for f in (200, 1600))
    assert 10 * np.log10(low / high) == pytest.approx(9.0, abs=0.7)


def test_visits_are_balanced_over_voices_noises_and_levels():
    made = [hearing_visits.setting(number, "test") for number in range(96)]
    assert set(Counter((one.voice, one.noise, one.snr) for one in made).values()) == {1}
    assert {one.voice for one in made} == set(names("test"))
    assert made[3] == hearing_visits.setting(3, "test")


def test_visits_come_in_turns_so_that_a_run_may_be_broken_off():
    made = hearing_visits.in_turn(0, 96, (20, 10, 5), "test")
    assert len(made) == 72 and {one.snr for one in made} == {20, 10, 5}
    for some in range(3, 73, 3):
        assert set(Counter(one.snr for one in made[:some]).values()) == {some // 3}
    assert set(Counter(one.voice for one in made[:24]).values()) == {6}


def test_the_page_of_visits_counts_what_ended_rightly_and_names_what_did_not():
    here = hearing_visits.Setting(0, "test", "am_puck", "blower", 20, 1, 1.0, 0.5)
    good = hearing_visits.Ended(here, "finished", True, 75, 60, 4.0, 0, 14, 0, "")
    lost = hearing_visits.Ended(here, "interrupted", False, 20, 60, 1.0, 1, 6, 1, "supply/digits")
    made = hearing_visits.page([good, lost], (20, 10), "test")
    assert "| 20 dB | 2 | 50.0 % (9.5–90.5) | 1.25 / 1.25 | 1 of 20: 5.0 %" in made
    assert "| 1: 50.0 %" in made and "10 dB" not in made
    assert "- am_puck, blower, 20 dB: interrupted at supply/digits" in made


def test_a_visit_understood_at_once_ends_rightly_in_the_fewest_turns():
    here = hearing_visits.Setting(0, "test", "am_puck", "blower", 20, 1, 1.0, 0.5)
    held = hearing_visits.held(here, hearing_visits._Typed())
    assert held.rightly and held.how == "finished" and held.wrong == 0 and held.alarms == 0
    assert held.turns == hearing_visits.least_turns("am_puck", 1)


def test_a_reading_that_was_not_said_counts_as_wrong(monkeypatch):
    here = hearing_visits.Setting(0, "test", "am_puck", "blower", 20, 1, 1.0, 0.5)
    lips = hearing_visits._Typed()
    said = hearing_visits.words("am_puck", 1)
    monkeypatch.setattr(
        hearing_visits, "words", lambda voice, furnace: {**said, "meter_live": "one twenty one point nine"}
    )
    judged_by = {**said, "meter_live": "one twenty one point eight"}
    seen = hearing_visits._meant(
        judged_by["meter_live"],
        121.9,
        hearing_visits.ready_plan("flame_sensing", "larkspur", "dunlin"),
        "meter_live",
    )
    assert not seen and hearing_visits.held(here, lips).wrong == 0


def test_every_sentence_of_a_visit_can_be_spoken_beforehand():
    texts = hearing_visits.spoken_texts("test")
    assert {voice for _, voice, _ in texts} == set(names("test"))
    assert ("the air is clear", "am_michael", 1.0) in texts
