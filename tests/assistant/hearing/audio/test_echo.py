"""What is played beside what is heard, how it is found and taken out, and what the loudspeaker is given."""

from __future__ import annotations

import importlib.util
import os

import numpy as np
import pytest

from assistant.commands.echo_check import finding, judged, probe
from assistant.errors import MissingLibrary
from assistant.hearing.audio import echo as echo_module
from assistant.hearing.audio.duplex import Duplex
from assistant.hearing.audio.echo import Echo, NoCanceller, TwoCancellers, measured, share_of
from assistant.hearing.audio.endpoint import Endpointer
from assistant.hearing.audio.played import CUSHION, Cleaned, Played
from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from assistant.hearing.audio.steady import SOFT, Outgoing
from assistant.hearing.weigh.own_speech import Spoken, is_own, words_between
from assistant.visit.interrupting import Interrupting, interrupting
from audio_fixtures.voices import say
from grammar.answers import Heard

needs_cancellers = pytest.mark.skipif(
    not os.environ.get("CI") and not all(importlib.util.find_spec(one) for one in ("pyaec", "pywebrtc_audio")),
    reason="not installed: pip install 'twohands[interrupt]'",
)


def voice(text: str, name: str = "us-m1") -> np.ndarray:
    return say(text, name)


def echoed(far: np.ndarray, delay: float, gain: float = 0.5, noise: float = 12.0) -> np.ndarray:
    late = np.concatenate([np.zeros(round(delay * RATE)), far])[: len(far)] * gain
    return np.rint(late + np.random.default_rng(1).normal(0, noise, len(far))).astype(np.int16)


LONG = "This is a live test. Touch only the lead handles, and keep one hand off the metal. Tell me the volts."


def test_what_was_played_comes_sample_by_sample_with_its_items():
    played = Played()
    played.push(np.full(480, 7, np.int16), item=3, place=100)
    quiet = round(CUSHION * RATE)
    far = played.take(quiet + 200)
    assert not far.sound[:quiet].any() and (far.sound[quiet:] == 7).all()
    assert [(one.start, one.length, one.item, one.place) for one in far.spans] == [(quiet, 200, 3, 100)]
    rest = played.take(400)
    assert [(one.length, one.place) for one in rest.spans] == [(280, 300)]
    assert not rest.sound[280:].any(), "what was not played is silence"


@pytest.mark.parametrize("samples", [300, -300])
def test_what_was_played_can_be_put_in_step(samples):
    played = Played()
    played.push(np.arange(1, 2001, dtype=np.int16))
    played.shift(samples)
    start = round(CUSHION * RATE) - samples
    assert np.flatnonzero(played.take(1200).sound)[0] == start


@pytest.mark.parametrize("delay", [0.03, 0.2, 0.45])
@pytest.mark.parametrize("gain", [1.0, 0.1])
def test_an_echo_is_found_with_its_delay_and_level(delay, gain):
    far = probe()
    found = measured(echoed(np.concatenate([far, np.zeros(RATE, np.int16)]), delay, gain), far)
    assert found.delay == pytest.approx(delay, abs=0.001)
    assert found.gain_db == pytest.approx(20 * np.log10(gain), abs=1.0)


def test_an_echo_that_comes_before_what_was_played_is_out_of_step():
    far = voice(LONG)
    found = measured(far[3200:], far[: len(far) - 3200])
    assert found.delay == pytest.approx(-0.2, abs=0.001)


def test_no_echo_is_found_in_a_room_or_in_another_voice():
    room = np.random.default_rng(2).normal(0, 300, 3 * RATE).astype(np.int16)
    assert not measured(room, probe()).found and not measured(room, np.zeros(RATE, np.int16)).found
    assert not measured(voice("one hundred twenty one point three volts", "flite-rms"), voice(LONG)).found


def test_its_own_voice_is_known_by_its_sound_and_another_is_not():
    far = voice(LONG)
    own, other = far[RATE : 2 * RATE], voice("i can smell gas in this room", "flite-rms")[:RATE]
    around = far[6_400:40_000]
    assert share_of(own, around) > 0.95
    assert share_of(other, around) < 0.25
    assert share_of((own * 0.5 + other * 0.02).astype(np.int16), around) > 0.6


@needs_cancellers
@pytest.mark.parametrize("delay", [0.05, 0.3])
def test_its_voice_is_taken_out_and_another_is_left(delay):
    far = np.concatenate([voice(LONG)] * 3)
    far = far[: len(far) // 160 * 160]
    person = np.zeros(len(far))
    word, at = voice("i smell gas", "flite-rms").astype(float), len(far) - 3 * RATE
    person[at : at + len(word)] = word
    near = np.clip(echoed(far, delay) + person, -32768, 32767).astype(np.int16)
    cleaned = TwoCancellers().clean(near, far)

    def left(sound: np.ndarray, part: slice) -> float:
        """dB of what was heard."""
        return 10 * np.log10(np.mean(sound[part].astype(float) ** 2) / np.mean(near[part].astype(float) ** 2))

    before, during = slice(at - 5 * RATE, at - RATE // 2), slice(at + 3200, at + len(word))
    assert left(cleaned.others, before) < -20
    assert left(cleaned.others, during) > -9 and left(cleaned.whole, during) > -9
    around = slice(during.start - 1600, during.stop + 1600)
    assert share_of(person[during].astype(np.int16), cleaned.whole[around]) > 0.7, "the other voice is whole"


def test_without_the_packages_it_says_what_to_install(monkeypatch):
    def missing():
        raise MissingLibrary(echo_module.LACKING, f"Run: {echo_module.INSTALL}")

    monkeypatch.setattr(echo_module, "TwoCancellers", missing)
    how = interrupting("auto")
    assert how.canceller is None and "pip install 'twohands[interrupt]'" in how.reason
    assert "--interrupt headset" in how.reason
    assert isinstance(interrupting("headset").canceller, NoCanceller)
    assert interrupting("off").canceller is None and interrupting("headset", push_to_talk=True).canceller is None


def test_what_goes_out_is_what_was_played():
    played = Played()
    out = Outgoing(played)
    sound = np.arange(1, 1001, dtype=np.int16)
    out.begin(sound, 5)
    given = np.concatenate([out.block(480) for _ in range(3)])
    assert (given[:1000] == sound).all() and not given[1000:].any() and out.done.is_set()
    assert (played.take(round(CUSHION * RATE) + 1440).sound[-1440:] == given).all()


def test_a_sentence_that_is_held_is_silent_and_begins_again():
    out = Outgoing(Played())
    out.begin(np.full(1440, 1000, np.int16), 1)
    out.block(480)
    out.hold()
    assert not out.block(480).any() and not out.done.is_set()
    out.go_on()
    assert [out.block(480).any() for _ in range(4)] == [True, True, True, False]


def test_a_softer_voice_goes_on_without_a_click():
    out = Outgoing(Played())
    out.begin(np.full(4800, 10_000, np.int16), 1)
    out.block(480)
    out.duck(True)
    falling, soft = out.block(480).astype(int), out.block(480)
    assert np.abs(np.diff(falling)).max() < 100 and soft[-1] == 10_000 * SOFT


def test_a_device_of_another_rate_is_told_the_same_in_16_khz():
    played = Played()
    out = Outgoing(played, 48_000)
    sound = voice("tell me the volts")
    out.begin(sound, 1)
    given, heard = [], []
    while not out.done.is_set():
        given.append(out.block(1440))
        heard.append(played.take(480).sound)
    heard.append(played.take(480).sound)
    late = round(CUSHION * RATE)
    assert np.abs(np.concatenate(heard)[late : late + len(sound)].astype(int) - sound).max() == 0
    assert len(np.concatenate(given)) == pytest.approx(3 * len(sound), abs=1440)


class Half:
    """Leaves half of the amplitude for telling who speaks, and all of it to be heard."""

    name = "half"

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        return Cleaned(near // 2, near)

    def forget(self) -> None:
        """Nothing is known."""


def test_the_duplex_gives_both_sounds_in_whole_frames_and_knows_what_was_said():
    played = Played()
    duplex = Duplex(lambda: iter(()), Half())
    played.push(np.full(960, 500, np.int16), item=2)
    got = [duplex.push(np.full(count, 1000, np.int16), played.take(count)) for count in (100, 300, 1000, 40)]
    assert [len(one.others) for one in got] == [0, 320, 960, 160] and duplex.position == 1440
    assert (got[1].others == 500).all() and (got[1].whole == 1000).all()
    assert {one.item for one in duplex.said(0, 1440)} == {2}
    assert duplex.left_db(0, 1440) == pytest.approx(-6.02, abs=0.01)


def test_the_endpointer_cuts_by_one_sound_and_keeps_the_other():
    speech = np.concatenate([np.zeros(RATE // 2), voice("one twenty one"), np.zeros(RATE)]).astype(np.int16)
    kept = (speech * 0.5).astype(np.int16)
    one = [piece for piece in (Endpointer().push(speech, kept)) if type(piece).__name__ == "Ended"]
    assert len(one) == 1
    assert np.abs(one[0].sound.astype(int)).max() == pytest.approx(np.abs(kept.astype(int)).max(), abs=20)


def test_its_own_words_are_known_at_their_time():
    text = "one two two point nine volts. Is that right?"
    assert words_between(text, "en", 0.0, 0.3) == ("one", "two", "two", "point")
    assert "right" in words_between(text, "en", 0.7, 1.0) and "two" not in words_between(text, "en", 0.7, 1.0)


@pytest.mark.parametrize(
    ("text", "free", "left", "alarm", "own"),
    [
        ("two two", None, 0.0, False, True),
        ("stop", None, 0.0, False, False),
        ("stop", "two point nine", 0.0, False, True),
        ("stop", "stop", 0.0, False, False),
        ("stop", None, -20.0, False, True),
        ("", None, -3.0, False, False),
        ("nine volts", None, -3.0, True, False),
        ("nine volts", None, -9.0, True, True),
    ],
)
def test_what_is_its_own(text, free, left, alarm, own):
    spoken = Spoken(("one", "two", "point", "nine", "volts"), left)
    assert is_own(Heard(text, free=free), spoken, alarm) == own


CAN, CANNOT = Interrupting("You may speak.", NoCanceller()), Interrupting("It does not listen while it speaks.")


@pytest.mark.parametrize(
    ("wanted", "echo", "how", "good", "words"),
    [
        ("auto", Echo(0.1, -12.0), CAN, True, "-12 dB of what was played). Its own voice is taken out"),
        ("auto", Echo(0.1, -12.0), CANNOT, True, "To be heard then too: pip install"),
        ("auto", Echo(None, None), CANNOT, True, "does not hear the loudspeaker. It does not listen while it speaks."),
        ("auto", Echo(None, None), CANNOT, True, "Fits: --interrupt headset"),
        ("headset", Echo(0.1, -12.0), CAN, False, "It would hear itself"),
        ("headset", Echo(None, None), CAN, True, "does not hear the loudspeaker. You may speak."),
    ],
)
def test_the_check_says_which_way_fits(wanted, echo, how, good, words):
    found = judged(wanted, echo, how)
    assert found.good == good and words in found.text


def test_the_check_plays_a_short_sound_and_measures_it():
    def listen(sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        far = np.concatenate([sound, np.zeros(RATE, np.int16)])
        return echoed(far, 0.1, 0.25), far

    assert "The microphone hears the loudspeaker (-12 dB" in finding("off", listen).text
    quiet = finding("off", lambda sound: (np.random.default_rng(5).normal(0, 20, RATE).astype(np.int16), sound))
    assert "does not hear the loudspeaker" in quiet.text
