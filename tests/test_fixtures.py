"""The recordings that ship: complete, licensed, at the stated levels, and made again from their lists."""

from __future__ import annotations

import math
import shutil

import numpy as np
import pytest
import soundfile
from pydantic import ValidationError

from assistant.errors import AudioError, VoiceError
from assistant.visit.demo.clips import CLIPS, VisitList, visit_list, visit_sound
from audio_fixtures import make
from audio_fixtures.listing import (
    HERE,
    HearingList,
    Means,
    hearing_list,
    hearing_set,
    judged,
    manifest,
    place,
    sound,
)
from audio_fixtures.rooms import active
from audio_fixtures.voices import PROGRAMS, voices
from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.parse import understand

NEED_SPEAKERS = pytest.mark.skipif(
    any(shutil.which(PROGRAMS[engine][0]) is None for engine in ("espeak", "flite")),
    reason="needs espeak-ng and flite: sudo apt-get install espeak-ng flite",
)


def decibels(ratio: float) -> float:
    return 10 * math.log10(ratio)


def power(samples: np.ndarray) -> float:
    return float(np.mean(samples.astype(float) ** 2))


def test_the_manifest_is_what_the_lists_ask_for():
    """A list changed without making the recordings again shows here."""
    planned = [one.model_copy(update={"seconds": 0.0}) for one in make.planned()]
    assert [one.model_copy(update={"seconds": 0.0}) for one in manifest().recordings] == planned


def test_every_recording_is_there_and_no_other():
    listed = {one.file for one in manifest().recordings}
    there = {*HERE.rglob("*.flac"), *CLIPS.rglob("*.flac")}
    assert there == {place(file) for file in listed} and len(listed) == len(manifest().recordings)


def test_every_recording_plays():
    assert len(manifest().recordings) > 200
    for one in manifest().recordings:
        info = soundfile.info(place(one.file))
        assert (info.format, info.subtype, info.samplerate, info.channels) == ("FLAC", "PCM_16", 16_000, 1), one.file
        samples = sound(one)
        assert abs(len(samples) / 16_000 - one.seconds) < 0.001, one.file
        assert 300 < np.abs(samples.astype(int)).max() < 32_000, one.file


def test_they_stay_small():
    assert sum(path.stat().st_size for path in (HERE / "hearing").rglob("*.flac")) < 6_000_000
    assert max(path.stat().st_size for folder in (HERE, CLIPS) for path in folder.rglob("*.flac")) < 100_000


def test_the_hearing_set_covers_what_the_table_reports():
    data = hearing_list()
    assert len(data.utterances) >= 60
    assert {one.means.kind for one in data.utterances} == {
        "reading",
        "range",
        "over_limit",
        "command",
        "choice",
        "outside",
    }
    assert {one.scope for one in data.utterances} == set(data.scopes)
    for level in (None, 20, 10, 5):
        assert [one.recording.text for one in hearing_set(level)] == [one.text for one in data.utterances]


def test_the_hearing_set_is_spoken_by_voices_that_nothing_is_tuned_on():
    sides = {one.id: one.split for one in voices()}
    used = {one.voice for one in hearing_list().utterances}
    assert {sides[voice] for voice in used} == {"test"}
    assert {one.engine for one in voices() if one.id in used} == {"espeak", "flite"}
    assert len(used) >= 10


def test_every_licence_is_named():
    for one in manifest().recordings:
        assert one.licence.startswith(("GPL-3.0", "BSD-like")), one.file


@pytest.mark.parametrize("level", [20, 10, 5])
def test_speech_stands_as_far_over_the_noise_as_stated(level):
    """The noise is what the noisy file has more than the clean one of the same utterance."""
    for noisy, clean in zip(hearing_set(level), hearing_set(None), strict=True):
        speech, mixed = sound(clean.recording), sound(noisy.recording)
        difference = mixed.astype(float) - speech
        measured = decibels(power(speech[active(speech)]) / power(difference))
        assert abs(measured - level) < 0.5, (noisy.recording.file, measured)


def test_visits_stand_about_as_far_over_the_noise_as_stated():
    """Without a clean file: the noise is taken from the part before the first word, so only roughly."""
    noisy = [one for one in manifest().recordings if not one.scope and one.snr_db is not None]
    assert len(noisy) > 20
    for one in noisy:
        samples = sound(one)
        lead = power(samples[: round(make.BEFORE * 16_000) - 480])
        loud = active(samples, under_peak_db=min(30.0, one.snr_db))
        measured = decibels((power(samples[loud]) - lead) / lead)
        assert abs(measured - one.snr_db) < 5, (one.file, measured)


def test_clean_recordings_have_true_silence_around_them():
    for one in hearing_set(None):
        samples = sound(one.recording)
        assert (
            not samples[: round(make.BEFORE * 16_000) - 1].any()
            and not samples[-round(make.AFTER * 16_000) + 1 :].any()
        )


@pytest.mark.parametrize("said", hearing_list().utterances, ids=lambda one: one.id)
def test_each_sentence_means_what_the_list_says(said):
    """Written out and given to the parser, without a recogniser between."""
    scope = next(one.scope for one in hearing_set(None) if one.recording.file == f"hearing/{said.id}_clean.flac")
    assert judged(said.means, understand(Heard(said.text, engine="recorded"), scope)) == "right"


@NEED_SPEAKERS
def test_a_recording_made_again_is_the_same():
    wanted = manifest().made_with
    here = make.versions(set(wanted))
    if here != wanted:
        pytest.skip(f"made with {wanted}, here are {here}")
    recordings = manifest().recordings
    sample = recordings[:: len(recordings) // 12]
    assert len({one.noise for one in sample}) >= 3 and len({one.voice for one in sample}) >= 5
    for one in sample:
        again, kept = make.rendered(one), sound(one)
        assert len(again) == len(kept)
        # another machine's floating point may round a sample to the next step
        assert np.abs(again.astype(int) - kept).max() <= make.STEP, one.file


@NEED_SPEAKERS
def test_another_seed_gives_other_noise():
    """So that the test above could fail."""
    one = next(one for one in manifest().recordings if one.snr_db == 10)
    other = make.rendered(one.model_copy(update={"seed": one.seed + 1}))
    assert np.abs(other.astype(int) - sound(one)).max() > 10 * make.STEP


@NEED_SPEAKERS
def test_a_broken_file_is_made_anew_and_a_right_one_left(tmp_path):
    samples = np.array([0, 100, -100] * 50, np.int16)
    file = tmp_path / "deep" / "one.flac"
    assert make._put(file, samples) is True
    assert make._put(file, samples) is False
    file.write_bytes(b"no sound")
    assert make._put(file, samples) is True
    assert np.array_equal(sound(str(file)), samples)


def test_visit_sound_is_found_by_id():
    first = visit_list().utterances[0]
    assert len(visit_sound(first.id)) > 8_000
    with pytest.raises(AudioError, match=r"no recording 'nobody/nothing'\. Add it to assistant/visit/demo/clips.yaml"):
        visit_sound("nobody/nothing")


def reading(value: float, low: float | None = None, high: float | None = None, over: bool = False) -> Reading:
    return Reading(value, low or value, high or value, 0.1, "ac_volts", "volt", False, over, "", "")


JUDGED = [
    (Means(kind="reading", digits="84.7", unit="volt"), reading(84.7), "right"),
    (Means(kind="reading", digits="84.7", unit="volt"), reading(87.4), "wrong and accepted"),
    (Means(kind="reading", digits="84.7", unit="volt"), Command("gas", ""), "wrong and accepted"),
    (Means(kind="reading", digits="84.7", unit="volt"), reading(math.inf, over=True), "wrong and accepted"),
    (Means(kind="reading", digits="84.7", unit="volt"), Unclear("nothing", ""), "asked again"),
    (Means(kind="reading", digits="5.3", unit="microamp"), reading(5.3e-6), "right"),
    (Means(kind="range", digits="2.1", to="2.4", unit="volt"), reading(2.25, 2.1, 2.4), "right"),
    (Means(kind="range", digits="2.1", to="2.4", unit="volt"), reading(2.1), "wrong and accepted"),
    (Means(kind="over_limit"), reading(math.inf, over=True), "right"),
    (Means(kind="over_limit"), reading(0.5), "wrong and accepted"),
    (Means(kind="command", id="gas"), Command("gas", ""), "right"),
    (Means(kind="command", id="gas"), Command("back", ""), "wrong and accepted"),
    (Means(kind="choice", id="yes"), Choice("yes", ""), "right"),
    (Means(kind="choice", id="no"), Choice("no", "", reading(3.0)), "wrong and accepted"),
    (Means(kind="outside"), Unclear("not_open", ""), "right"),
    (Means(kind="outside"), Choice("yes", ""), "wrong and accepted"),
]


@pytest.mark.parametrize(("means", "answer", "outcome"), JUDGED)
def test_answers_are_judged(means, answer, outcome):
    assert judged(means, answer) == outcome


@pytest.mark.parametrize(
    ("entry", "problem"),
    [
        ({"noise": "blower"}, "come together"),
        ({"snr_db": 10}, "come together"),
        ({"id": "Upper Case"}, "pattern"),
        ({"id": "../out"}, "pattern"),
        ({"noise": "thunder", "snr_db": 10}, "noise"),
    ],
)
def test_a_bad_visit_entry_is_refused(entry, problem):
    good = {"id": "a/b", "text": "x", "voice": "flite-slt"}
    VisitList.model_validate({"format": 1, "utterances": [good]})
    with pytest.raises(ValidationError, match=problem):
        VisitList.model_validate({"format": 1, "utterances": [good | entry]})


def test_doubles_and_unknown_scopes_are_refused():
    good = hearing_list().model_dump()
    with pytest.raises(ValidationError, match="the id v01 stands twice"):
        HearingList.model_validate(good | {"utterances": [good["utterances"][0]] * 2})
    with pytest.raises(ValidationError, match="the scope nowhere is not listed"):
        HearingList.model_validate(good | {"utterances": [good["utterances"][0] | {"scope": "nowhere"}]})
    with pytest.raises(ValidationError, match="a reading needs digits and unit"):
        Means(kind="reading")


def test_an_unknown_voice_is_named(monkeypatch):
    wrong = VisitList.model_validate({"format": 1, "utterances": [{"id": "a", "text": "x", "voice": "nobody"}]})
    monkeypatch.setattr(make, "visit_list", lambda: wrong)
    with pytest.raises(VoiceError, match="No test voice is called 'nobody'"):
        list(make.planned())
