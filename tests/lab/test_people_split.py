"""People and natural voices: everybody is on one side as a whole, by a rule that can be worked out by hand."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from grammar.errors import GrammarError
from tests.lab.train import people, speakers


# `printf commands/0c540988 | sha256sum` begins 78b8ef5b: 2,025,385,819, remainder 19 by 100; read/0001: d23404bd,
# 3,526,624,445.
@pytest.mark.parametrize(
    ("set_name", "speaker", "part"), [("commands", "0c540988", "train"), ("read", "0001", "train")]
)
def test_the_rule_agrees_with_sha256sum(set_name, speaker, part):
    assert people.part_of(set_name, speaker) == part


@given(st.text(min_size=1, max_size=20))
def test_every_speaker_has_exactly_one_part(speaker):
    parts = {people.part_of("commands", speaker) for _ in range(3)}
    assert len(parts) == 1 and parts <= {"train", "tune", "test"}


def test_the_shares_are_as_written():
    found = [people.part_of("commands", f"{n:08x}") for n in range(4000)]
    below = people.people_file().below
    assert found.count("train") / 40 == pytest.approx(below.train, abs=3)
    assert found.count("tune") / 40 == pytest.approx(below.tune - below.train, abs=3)


def test_sets_without_named_speakers_are_whole_on_one_side():
    whole = {name: one for name, one in people.people_file().sets.items() if one.speakers != "speaker"}
    assert whole
    for name, one in whole.items():
        assert {people.part_of(name, speaker) for speaker in ("unknown", "a", "b")} == {one.speakers}


def test_an_unknown_set_is_refused():
    with pytest.raises(GrammarError, match="no set 'radio'"):
        people.part_of("radio", "x")


@pytest.fixture
def recordings(tmp_path) -> Path:
    """60 speakers, two utterances each, one word of which has no pronunciation."""
    folder = tmp_path / "recordings"
    folder.mkdir()
    lines, at = [], 0
    for n in range(60):
        for text in ("seven", "xqzt" if n == 0 else "yes"):
            lines.append(json.dumps({"speaker": f"s{n}", "text": text, "start": at, "end": at + 1600}))
            at += 1600
    soundfile.write(
        folder / "commands-00.ogg",
        np.random.default_rng(0).normal(0, 0.1, at).astype(np.float32),
        RATE,
        format="OGG",
        subtype="OPUS",
    )
    (folder / "commands-00.jsonl").write_text("\n".join(lines) + "\n")
    return folder


def test_only_training_people_are_written_for_training(recordings, tmp_path):
    written, left_out = people.write_part(recordings, tmp_path / "out", "train")
    rows = [json.loads(line) for line in (tmp_path / "out" / "commands-00.jsonl").read_text().splitlines()]
    assert len(rows) == written and written + left_out == 2 * len(
        {one.speaker for one in people.utterances(recordings, "train")}
    )
    assert {people.part_of(*row["voice"].split("/")) for row in rows} == {"train"}
    assert all(row["targets"] and row["weight"] == people.people_file().sets["commands"].digits_weight for row in rows)


def test_the_three_parts_make_up_the_whole(recordings):
    parts = [
        {(one.speaker, one.start) for one in people.utterances(recordings, part)} for part in ("train", "tune", "test")
    ]
    assert sum(map(len, parts)) == len(set.union(*parts)) == 120
    assert all(parts)


def test_the_sound_is_that_of_the_lines(recordings):
    whole, _ = soundfile.read(recordings / "commands-00.ogg", dtype="int16")
    one = list(people.utterances(recordings))[7]
    assert len(people.samples(one)) == 1600
    assert np.abs(people.samples(one).astype(int) - whole[one.start : one.end]).mean() < 500


def test_a_folder_without_recordings_says_so(tmp_path):
    with pytest.raises(GrammarError, match="No recordings"):
        list(people.utterances(tmp_path))


def test_a_noise_is_on_one_side(tmp_path):
    data = yaml.safe_load(Path(people.__file__).with_name("people.yaml").read_text())
    data["noises"]["test"].append(data["noises"]["train"][0])
    with pytest.raises(ValueError, match="on two sides"):
        people.PeopleFile.model_validate(data)


def test_natural_voices_are_on_one_side_and_in_no_blend():
    data = speakers.voice_file()
    trained = {voice for one in data.engines if one.engine == "natural" for voice in one.voices}
    tuned, tested = set(data.tuning["natural"]), set(data.test["natural"])
    assert tested == {"am_michael", "am_puck", "af_nicole", "bf_emma"}
    assert len(tuned) >= 4 and not trained & tuned and not trained & tested and not tuned & tested
    from tests.lab.train.natural import drawn

    rng = np.random.default_rng(1)
    voices = tuple(sorted(trained))
    assert {name for _ in range(500) for name in drawn(str(rng.choice(voices)), voices, rng)} <= trained
