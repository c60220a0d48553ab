"""Sentences become sound: through the real synthesiser, in its real worker process."""

from __future__ import annotations

import json
import sys
import threading

import numpy as np
import pytest

from assistant.errors import MissingLibrary, VoiceError
from assistant.speaking import EspeakVoice
from assistant.speaking.process import SpeechWorker
from assistant.speaking.settings import settings

SENTENCE = "Put the red lead on R and the black lead on C."


@pytest.fixture(scope="module")
def voice():
    made = EspeakVoice()
    yield made
    made.close()


def seconds(sound: np.ndarray) -> float:
    return len(sound) / 16_000


def test_a_sentence_is_sound(voice):
    sound = voice.render(SENTENCE)
    assert sound.dtype == np.int16 and sound.ndim == 1
    assert 2.0 < seconds(sound) < 6.0
    assert abs(int(np.abs(sound.astype(int)).max()) - round(0.7 * 32767)) <= 1
    assert not sound[-1600:].any(), "it ends in a short silence"


def test_it_begins_at_once(voice):
    sound = voice.render("Ready.").astype(float)
    first = np.flatnonzero(np.abs(sound) > 0.05 * np.abs(sound).max())[0]
    assert first < 0.05 * 16_000


def test_three_rates_differ(voice):
    lengths = [seconds(voice.render(SENTENCE, rate)) for rate in ("slow", "normal", "fast")]
    assert lengths[0] > 1.1 * lengths[1] > 1.1 * 1.1 * lengths[2]


def test_the_rates_step_and_stay_at_the_ends():
    data = settings()
    assert [data.slower("fast"), data.slower("normal"), data.slower("slow")] == ["normal", "slow", "slow"]


def test_an_unknown_rate_is_named(voice):
    with pytest.raises(VoiceError, match=r"no speaking rate 'warp'\. Choose one of: slow, normal, fast"):
        voice.render("hello", "warp")


def test_an_unknown_language_is_named():
    with pytest.raises(VoiceError, match="No voice is set for the language 'xx'"):
        EspeakVoice("xx")


@pytest.mark.parametrize("nothing", ["", "  ", "\n"])
def test_no_words_are_no_sound(voice, nothing):
    assert len(voice.render(nothing)) == 0


@pytest.mark.parametrize("text", ["Line one.\nLine two.", '"Quoted" & <marked> [[up]]', "naïve 3.5 µA — 0.6 Ω", "-5"])
def test_any_text_can_be_spoken(voice, text):
    assert seconds(voice.render(text)) > 0.3


def test_units_and_letters_are_spoken_as_words():
    english = settings().language("en")
    assert english.prepared("3.5 µA AC,  RAC\n0.6 Ω") == "3.5 microamps A C, RAC 0.6 ohms"


def test_a_sentence_said_again_comes_from_memory(voice):
    again = voice.render(SENTENCE)
    assert again is voice.render(SENTENCE)
    assert not again.flags.writeable


def test_memory_is_bounded():
    made = EspeakVoice(cache_bytes=50_000)
    try:
        first = made.render("one")
        for text in ("two", "three", "four", "five", "six"):
            made.render(text)
        assert made.render("one") is not first
    finally:
        made.close()


def test_threads_do_not_mix_sentences(voice):
    texts = [f"reading number {number}" for number in range(8)]
    alone = {text: seconds(voice.render(text, "slow")) for text in texts}
    made = EspeakVoice()
    found: dict[str, float] = {}
    threads = [
        threading.Thread(target=lambda text=text: found.update({text: seconds(made.render(text, "slow"))}))
        for text in texts
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE)
    made.close()
    # Not to the sample: eSpeak NG carries a little state from sentence to sentence.
    assert found == pytest.approx(alone, rel=0.02)


def test_a_dead_worker_is_replaced():
    started: list[SpeechWorker] = []

    def start():
        started.append(SpeechWorker())
        return started[-1]

    made = EspeakVoice(start=start)
    try:
        made.render("first")
        started[0].close()
        assert seconds(made.render("second")) > 0.2
        assert len(started) == 2
    finally:
        made.close()


PATIENCE = 120.0
"""Seconds after which a worker or a thread is taken for hung."""

FAKE = """
import sys, json
print(json.dumps({"id": 0, "ready": True}), flush=True)
for line in sys.stdin:
    %s
"""


def fake(action: str):
    return lambda: SpeechWorker([sys.executable, "-c", FAKE % action])


@pytest.mark.parametrize(
    ("action", "problem"),
    [
        ("sys.exit(3)", "The voice has stopped working"),
        (
            'print(json.dumps({"id": json.loads(line)["id"], "error": "no data"}), flush=True)',
            r"could not speak \(no data\)",
        ),
        ('print(json.dumps({"id": json.loads(line)["id"], "ok": True}), flush=True)', "gave no sound"),
        ("pass", "did not answer within 0.2 seconds"),
    ],
)
def test_a_worker_that_keeps_failing_is_an_error_in_words(action, problem):
    # Only the one that never answers is waited for.
    limit = 0.2 if action == "pass" else PATIENCE
    made = EspeakVoice(data=settings().model_copy(update={"limit": limit}), start=fake(action))
    with pytest.raises(VoiceError, match=problem) as caught:
        made.render("hello")
    assert caught.value.remedy
    made.close()


def test_a_worker_that_does_not_start_is_an_error():
    with pytest.raises(VoiceError, match=r"did not answer within 0\.2 seconds"):
        SpeechWorker([sys.executable, "-c", "import sys; sys.stdin.read()"], start_limit=0.2)


def test_missing_espeak_gives_the_install_command(tmp_path):
    # An empty file under the library's name comes first on the search path:
    # the loader refuses it, as if the library were not there.
    for name in ("libespeak-ng.so.1", "libespeak.so.1"):
        (tmp_path / name).write_bytes(b"")
    with pytest.raises(MissingLibrary) as caught:
        EspeakVoice(start=lambda: SpeechWorker(environment={"LD_LIBRARY_PATH": str(tmp_path)}))
    assert (
        caught.value.text
        == "The voice cannot speak: eSpeak NG is not installed. Run: sudo apt-get install espeak-ng libespeak-ng1"
    )


def test_missing_package_gives_the_install_command():
    answer = json.dumps({"id": 0, "error": "No module named 'pyttsx3'", "missing": True, "package": "pyttsx3"})
    with pytest.raises(MissingLibrary, match="Run: pip install pyttsx3"):
        SpeechWorker([sys.executable, "-c", f"print({answer!r})"])


def test_an_unknown_synthesiser_voice_is_an_error(voice, tmp_path):
    worker = SpeechWorker()
    with pytest.raises(VoiceError, match="could not speak"):
        worker.render("hello", "gmw/no-such-voice", 160, tmp_path / "unused.wav", 10)
    worker.close()


def test_a_file_that_cannot_be_written_does_not_hang():
    worker = SpeechWorker()
    with pytest.raises(VoiceError, match=r"could not speak.*No such file or directory"):
        worker.render("hello", "gmw/en-us", 160, "/nowhere/at/all.wav", 20)
    worker.close()
