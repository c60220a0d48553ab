"""The natural voice: words and their keys, pieces and joints, the run-time voice behind, and the sounds that ship."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from assistant.errors import MissingLibrary, VoiceError
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking import chosen, piper
from assistant.speaking.joined import cover
from assistant.speaking.natural import NaturalVoice
from assistant.speaking.settings import settings
from assistant.speaking.shelf import INDEX, SHIPPED, SOUNDS, Made, open_shelf, opus, shelves, unpacked, write_shelf
from assistant.speaking.stretch import stretched
from assistant.speaking.words import key, sentences, words_of
from flows.procedure.wording import digit_words, quantity_words

MARKER = np.full(1234, 77, np.int16)


class Behind:
    """A run-time voice that is easily told from any other, and remembers what it was given."""

    name = "behind"

    def __init__(self) -> None:
        self.given: list[str] = []

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        self.given.append(text)
        return MARKER

    def close(self) -> None:
        self.given.append("closed")


def hum(seconds: float, hertz: float) -> np.ndarray:
    time = np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE
    return (0.3 * np.sin(2 * np.pi * hertz * time)).astype(np.float32)


def shelf_of(folder, *keys: str, hertz: float = 300.0, language: str = "en"):
    sound = hum(0.4, hertz)
    made = [Made(one, opus(sound, 24), {one: (0, len(sound))}) for one in keys]
    write_shelf(folder, language, f"hum {hertz:g}", "none", made)
    return open_shelf(folder)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("The dial stays on A C volts.", "the dial stays on A C volts ."),
        ("A live part. A C volts next", "a live part . A C volts next ."),
        ("Put it on R, then C.", "put it on R , then C ."),
        ("It is 12.5 volts", "it is twelve point five volts ."),
        ("  Say:   I'm ready;  ", "say : i'm ready ."),
        ("So far: none..", "so far : none ."),
        ("", ""),
        ("Größe.", ""),
        ("a/b", ""),
    ],
)
def test_a_text_becomes_words_and_marks(text, words):
    assert " ".join(words_of(text)) == words


def test_a_key_tells_start_middle_and_end_apart():
    words = words_of("one two three volts. Right?")
    assert [key(words, 0, 1), key(words, 1, 2), key(words, 2, 5), key(words, 5, 7)] == [
        "one …",
        "… two …",
        "… three volts.",
        "right?",
    ]
    assert [" ".join(one) for one in sentences(words)] == ["one two three volts .", "right ?"]


def test_the_fewest_pieces_are_taken_and_none_goes_over_an_end():
    words = words_of("one two volts. right.")
    known = {"one …", "… two …", "… volts.", "… two volts.", "right.", "one two volts. right."}
    found = cover(words, known)
    assert found == [(0, 1, "one …"), (1, 4, "… two volts."), (4, 6, "right.")]
    assert cover(words, known - {"right."}) is None
    found = cover(words, {"one two …", "… volts.", "right."})
    assert [one[:2] for one in found or ()] == [(0, 2), (2, 4), (4, 6)]


def test_a_piece_spoken_after_a_pause_stands_in_only_where_there_is_no_other():
    words = words_of("one two.")
    assert cover(words, {"one …", "two."}) == [(0, 1, "one …"), (1, 3, "two.")]
    assert cover(words, {"one …", "two.", "… two."}) == [(0, 1, "one …"), (1, 3, "… two.")]
    assert cover(words_of("two."), {"… two."}) == [(0, 2, "… two.")]
    assert cover(words, {"one …", "two?"}) is None


def test_a_sentence_comes_out_of_the_pieces(tmp_path):
    behind = Behind()
    voice = NaturalVoice([shelf_of(tmp_path, "it is …", "… two …", "… volts.", "right?")], behind)
    sound = voice.render("It is two volts. Right?")
    joints, pause = settings().joints, settings().pause
    seconds = 4 * 0.4 - 2 * joints.fade + joints.pauses["."] + pause
    assert len(sound) == pytest.approx(seconds * SAMPLE_RATE, abs=4)
    assert sound.dtype == np.int16 and not behind.given
    assert voice.render("It is two volts. Right?") is sound


def test_nothing_clicks_where_pieces_meet(tmp_path):
    voice = NaturalVoice([shelf_of(tmp_path, "it is …", "… two …", "… volts.")], Behind())
    within = np.abs(np.diff(hum(0.4, 300) * 32767)).max()
    sound = voice.render("It is two volts.").astype(float)
    assert np.abs(np.diff(sound))[100:-4000].max() < 1.6 * within


@pytest.mark.parametrize("text", ["It is three volts.", "It is two volts. Then some.", "It is two volts?", "Größe."])
def test_a_sentence_with_an_unknown_word_is_the_run_time_voices_as_a_whole(tmp_path, text):
    behind = Behind()
    voice = NaturalVoice([shelf_of(tmp_path, "it is …", "… two …", "… volts.", "it is two volts.")], behind)
    assert not voice.has(text)
    assert np.array_equal(voice.render(text), MARKER)
    assert behind.given == [text]


def test_two_shelves_never_share_a_sentence(tmp_path):
    first = shelf_of(tmp_path / "a", "it is …", "… two …")
    second = shelf_of(tmp_path / "b", "… volts.", "so long.", hertz=500)
    voice = NaturalVoice([first, second], Behind())
    assert np.array_equal(voice.render("It is two volts."), MARKER)
    assert not np.array_equal(voice.render("So long."), MARKER)


@pytest.mark.parametrize("rate", ["slow", "fast"])
def test_slower_and_faster_keep_the_pitch(rate):
    data = settings()
    factor = data.words_a_minute("normal") / data.words_a_minute(rate)
    sound = hum(2.0, 300)
    done = stretched(sound, factor)
    assert len(done) == pytest.approx(len(sound) * factor, abs=2)
    middle = done[SAMPLE_RATE // 2 : SAMPLE_RATE]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle))))
    assert np.argmax(spectrum) * SAMPLE_RATE / len(middle) == pytest.approx(300, abs=3)
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(0.3 / np.sqrt(2), rel=0.1)


def test_closing_it_closes_the_voice_behind(tmp_path):
    behind = Behind()
    NaturalVoice([shelf_of(tmp_path, "so long.")], behind).close()
    assert behind.given == ["closed"]


def test_a_run_time_voice_is_made_as_loud_as_the_others():
    quiet = np.concatenate([np.zeros(8000), hum(1.0, 300) * 0.05, np.zeros(8000)])
    done = piper.levelled(quiet, -17)
    assert 20 * np.log10(np.sqrt(np.mean(done[2000:-2000] ** 2))) == pytest.approx(-17, abs=0.3)
    assert len(done) < 1.1 * SAMPLE_RATE
    assert len(piper.levelled(np.zeros(8000), -17)) == 0
    assert np.abs(piper.levelled(np.concatenate([[5.0], hum(1, 300) * 0.01]), -6)).max() <= 0.9001


def test_espeak_speaks_where_it_is_wanted_and_where_no_sounds_are(tmp_path, monkeypatch):
    monkeypatch.setattr(piper, "installed", lambda: False)
    for wanted, language in (("espeak", "en"), ("natural", "es")):
        voice = chosen.open_voice(language, wanted, tmp_path)
        assert voice.name.startswith("eSpeak NG")
        voice.close()


def test_the_natural_voice_is_the_default_and_names_both(tmp_path, monkeypatch):
    monkeypatch.setattr(piper, "installed", lambda: False)
    voice = chosen.open_voice(own=tmp_path)
    assert isinstance(voice, NaturalVoice)
    assert "Kokoro" in voice.name and "eSpeak NG" in voice.name
    voice.close()


def test_the_run_time_voice_that_is_not_installed_says_what_to_do(monkeypatch):
    monkeypatch.setattr(piper, "installed", lambda: False)
    with pytest.raises(MissingLibrary, match=r"pip install 'twohands\[voice\]'"):
        piper.PiperVoice()


def test_what_a_trainer_made_stands_behind_what_ships(tmp_path):
    shelf_of(tmp_path / "mine", "only mine.")
    shelf_of(tmp_path / "otra", "solo mía.", language="es")
    (tmp_path / "notes").mkdir()
    found = shelves("en", tmp_path)
    assert [one.folder for one in found] == [SHIPPED / "en", tmp_path / "mine"]


@pytest.mark.parametrize("damage", ["index", "short", "rubbish"])
def test_sounds_that_cannot_be_read_are_told_in_a_line(tmp_path, damage):
    shelf_of(tmp_path, "so long.")
    if damage == "index":
        (tmp_path / INDEX).write_text('{"format": 2}', encoding="utf-8")
    else:
        size = (tmp_path / SOUNDS).stat().st_size
        (tmp_path / SOUNDS).write_bytes(b"x" * (size if damage == "rubbish" else 9))
    with pytest.raises(VoiceError) as told:
        open_shelf(tmp_path).piece("so long.")
    assert "\n" not in told.value.problem and told.value.remedy


@pytest.fixture(scope="module")
def shipped():
    return open_shelf(SHIPPED / "en")


def test_index_and_sounds_belong_together(shipped):
    sounds = (shipped.folder / SOUNDS).read_bytes()
    assert hashlib.sha256(sounds).hexdigest() == shipped.index.sha256
    at = 0
    for take in shipped.index.takes:
        assert take.at == at
        at += take.size
        assert take.keys and all(0 <= a < b for a, b in take.keys.values())
    assert at == len(sounds)
    assert [take.text for take in shipped.index.takes] == sorted({take.text for take in shipped.index.takes})
    for take in shipped.index.takes[::25]:
        sound = unpacked(sounds[take.at : take.at + take.size])
        assert max(b for _, b in take.keys.values()) <= len(sound)


def test_the_sounds_are_small_and_carry_their_licence(shipped):
    assert sum(file.stat().st_size for file in shipped.folder.iterdir()) < 8e6
    notice = (shipped.folder / "NOTICE.md").read_text(encoding="utf-8")
    assert shipped.index.licence == "Apache-2.0" and "Apache-2.0" in notice and "Kokoro-82M" in notice


def test_the_sounds_are_evenly_loud_and_do_not_overdrive(shipped):
    pyloudnorm = pytest.importorskip("pyloudnorm")
    from scipy.signal import resample_poly

    meter = pyloudnorm.Meter(SAMPLE_RATE)
    # A part of a sentence is as loud as it is there: only whole ones are measured.
    whole = sorted(
        name
        for name, (take, begin, end) in shipped.keys.items()
        if end - begin > 1.5 * SAMPLE_RATE and take.text == " ".join(words_of(name))
    )
    sounds = [shipped.piece(name) for name in whole[:: max(1, len(whole) // 40)]]
    levels = [meter.integrated_loudness(sound.astype(float)) for sound in sounds]
    assert np.median(levels) == pytest.approx(-16, abs=0.7)
    assert max(levels) - min(levels) < 3
    assert max(20 * np.log10(np.abs(resample_poly(sound, 4, 1)).max()) for sound in sounds) < -1


def test_every_reading_can_be_read_back_naturally(shipped):
    rng = np.random.default_rng(8)
    for unit, quantity, scale in (("volt", "ac_volts", 1), ("ohm", "ohms", 1), ("microamp", "dc_amps", 1e-6)):
        for _ in range(60):
            value = float(rng.uniform(0, 10 ** rng.integers(1, 4)))
            digits = f"{value:.{rng.integers(0, 3)}f}"
            said = f"{digit_words(digits, unit, 'en')}. Is that right?"
            assert cover(words_of(said), shipped.keys), said
            amount = quantity_words(float(digits) * scale, quantity, "en")
            said = f"Was that {amount} or {amount}?"
            assert cover(words_of(said), shipped.keys), said
