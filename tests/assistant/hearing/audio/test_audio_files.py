"""Sound files, rates and the conversation's time line."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from assistant.errors import AudioError, DiskFull
from assistant.hearing.audio import files
from assistant.hearing.audio.files import Conversation
from assistant.hearing.audio.resample import StreamResampler


def tone(hertz: float, seconds: float, rate: int) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * hertz * np.arange(round(seconds * rate)) / rate)


def loudest_hertz(sound: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    return float(np.argmax(spectrum) * files.SAMPLE_RATE / len(sound))


@pytest.mark.parametrize("rate", [8_000, 16_000, 22_050, 44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("kind", ["wav", "flac", "ogg"])
def test_any_file_becomes_16_khz_mono(tmp_path, rate, channels, kind):
    path = tmp_path / f"sound.{kind}"
    sound = np.repeat(tone(1000, 1.0, rate)[:, None], channels, axis=1)
    soundfile.write(path, sound, rate)
    got = files.read(path)
    assert got.dtype == np.int16 and got.ndim == 1
    assert len(got) == pytest.approx(16_000, abs=2)
    assert loudest_hertz(got) == pytest.approx(1000, abs=2)
    assert np.sqrt(np.mean(np.square(got[1000:-1000] / 32768.0))) == pytest.approx(0.5 / np.sqrt(2), rel=0.05)


def test_what_lies_above_8_khz_does_not_fold_back(tmp_path):
    soundfile.write(tmp_path / "high.wav", tone(12_000, 1.0, 48_000), 48_000)
    got = files.read(tmp_path / "high.wav")
    assert np.abs(got[1000:-1000]).max() < 33


@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_what_is_written_is_read_back_exactly(tmp_path, kind):
    sound = np.random.default_rng(1).integers(-32768, 32768, 5000).astype(np.int16)
    files.write(tmp_path / f"a.{kind}", sound)
    np.testing.assert_array_equal(files.read(tmp_path / f"a.{kind}"), sound)
    assert [path.name for path in tmp_path.iterdir()] == [f"a.{kind}"]


def test_files_that_cannot_be_read_are_told(tmp_path):
    with pytest.raises(AudioError, match="There is no sound file"):
        files.read(tmp_path / "nothing.wav")
    (tmp_path / "text.wav").write_text("this is no sound")
    with pytest.raises(AudioError, match="cannot be read as sound"):
        files.read(tmp_path / "text.wav")


def test_files_that_cannot_be_written_are_told(tmp_path):
    with pytest.raises(AudioError, match=r"neither \.wav nor \.flac"):
        files.write(tmp_path / "a.mp3", np.zeros(10, np.int16))
    with pytest.raises(AudioError, match="cannot be written"):
        files.write(tmp_path / "no" / "folder.wav", np.zeros(10, np.int16))


def test_a_full_disk_is_its_own_error(tmp_path, monkeypatch):
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(soundfile, "write", full)
    with pytest.raises(DiskFull, match="The disk is full"):
        files.write(tmp_path / "a.wav", np.zeros(10, np.int16))
    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_is_empty_sound(tmp_path):
    files.write(tmp_path / "a.wav", np.zeros(0, np.int16))
    assert len(files.read(tmp_path / "a.wav")) == 0


def test_the_conversation_keeps_each_side_at_its_time(tmp_path):
    conversation = Conversation()
    assert conversation.technician(0.5, np.full(1600, 1000, np.int16)) == pytest.approx(0.6)
    assert conversation.assistant(0.55, np.full(3200, 2000, np.int16)) == pytest.approx(0.75)
    assert conversation.seconds == pytest.approx(0.75)
    both = conversation.mixed()
    assert both.shape == (12_000, 2)
    np.testing.assert_array_equal(np.flatnonzero(both[:, 0])[[0, -1]], [8000, 9599])
    np.testing.assert_array_equal(np.flatnonzero(both[:, 1])[[0, -1]], [8800, 11_999])
    mono = conversation.mixed(stereo=False)
    assert mono.shape == (12_000,) and mono[9000] == 3000
    conversation.save(tmp_path / "talk.wav")
    assert soundfile.info(tmp_path / "talk.wav").channels == 2


def test_two_loud_sides_do_not_wrap_around():
    conversation = Conversation()
    conversation.technician(0.0, np.full(10, 30_000, np.int16))
    conversation.assistant(0.0, np.full(10, 30_000, np.int16))
    assert conversation.mixed(stereo=False).max() == 32_767


def test_an_empty_conversation_is_empty_sound():
    assert Conversation().mixed().shape == (0, 2)


def test_nothing_is_placed_before_the_beginning():
    with pytest.raises(AudioError, match="at 0 or later"):
        Conversation().technician(-1.0, np.zeros(1, np.int16))


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000])
def test_a_stream_is_resampled_as_the_whole_would_be(rate):
    """Against scipy's `resample_poly` over the whole sound at once."""
    sound = (tone(700, 1.0, rate) * 20_000).astype(np.int16)
    resampler = StreamResampler(rate)
    got = np.concatenate([resampler.push(chunk) for chunk in files.chunks(sound, 777)])
    shared = int(np.gcd(rate, 16_000))
    whole = resample_poly(sound.astype(float), 16_000 // shared, rate // shared)
    lag = len(whole) - len(got)
    assert 0 <= lag <= 0.05 * 16_000
    delay = int(np.argmax([np.dot(got[2000:6000], whole[2000 - shift : 6000 - shift]) for shift in range(400)]))
    assert np.abs(got[2000:6000] - whole[2000 - delay : 6000 - delay]).max() < 400


@pytest.mark.parametrize("rate", [0, -16_000, 11_023])
def test_odd_rates_are_refused(rate):
    with pytest.raises(ValueError, match="samples a second"):
        StreamResampler(rate)
