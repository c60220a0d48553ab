"""Model and serial numbers spelled aloud: read back, agreed to, left out, and never louder than a gas alarm."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from assistant import settings as kept
from assistant.cli import cli
from assistant.hearing.audio.files import chunks
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.weigh.policy import weigh
from assistant.visit.ask_details import words
from assistant.visit.details import NUMBERS, Details, details_of
from assistant.visit.ears import StreamEars
from assistant.visit.mouth import SilentMouth
from assistant.visit.spell_details import TRIES, BySpelling, can_ask, words_of
from audio_fixtures.voices import say
from grammar.answers import Answer, Heard
from grammar.language import languages
from grammar.scope import Scope


class Said:
    """Ears that hear these sentences, one after another, and a watcher of what is asked."""

    def __init__(self, *texts: str) -> None:
        self._texts = iter(texts)
        self.told: list[str] = []

    def hear(self, scope: Scope) -> Final | None:
        text = next(self._texts, None)
        if text is None:
            return None
        return Final(Heard(text, 1.0, alternatives=((text, 1.0),), engine=""), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False

    def said(self, say) -> None:
        self.told.append(say.text)

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        """Nothing to see."""

    def listening(self, scope: Scope) -> None:
        """Nothing to see."""

    def saved(self, save) -> None:
        """Nothing to see."""


def asked(*texts: str, known: Details | None = None) -> tuple[Details, BySpelling, Said]:
    ears = Said(*texts)
    asking = BySpelling(ears, SilentMouth(), [ears], weigh, "en")
    return asking.ask(known or Details()), asking, ears


def test_groups_are_read_back_one_by_one_and_all_together():
    found, _, ears = asked(
        "yes", "mike x ray eight zero", "yes", "dash one two", "yes", "that is all", "yes", *["skip it"] * 4
    )
    assert found.given == {"furnace_model": "MX80-12"}
    assert found.read_back == found.spoken == ("furnace_model",)
    assert "I have: mike, x ray, eight, zero. Is that right?" in ears.told
    assert "All of it: mike, x ray, eight, zero, dash, one, two. Is that right?" in ears.told
    assert ("Furnace, model number", "MX80-12", "spoken and read back") in found.told()


def test_one_group_is_read_back_once():
    found, _, ears = asked("yes", "seven seven", "yes", "that's all", *["skip it"] * 4)
    assert found.given == {"furnace_model": "77"}
    assert not any(text.startswith("All of it") for text in ears.told)


def test_what_was_refused_is_spelled_again_and_never_kept():
    found, _, ears = asked("yes", "mike eight", "no", "november eight", "yes", "that is all", *["skip it"] * 4)
    assert found.given == {"furnace_model": "N8"}
    assert ears.told.count(words().said["en"].spoken.again) == 1


def test_the_whole_refused_begins_anew():
    found, _, _ = asked(
        "yes", "one", "yes", "two", "yes", "that is all", "no", "three", "yes", "that is all", *["skip it"] * 4
    )
    assert found.given == {"furnace_model": "3"}


def test_everything_may_be_left_out():
    assert asked("no")[0] == Details()
    assert asked("yes", *["skip it"] * len(NUMBERS))[0] == Details()


def test_nothing_half_agreed_stands_when_the_ears_give_out():
    assert asked("yes", "mike eight", "yes")[0] == Details()
    assert asked("yes", "mike eight")[0] == Details()
    assert asked()[0] == Details()


def test_who_is_not_understood_is_not_kept_for_ever():
    found, _, ears = asked("yes", *["mumble"] * (TRIES * len(NUMBERS)))
    assert found == Details()
    assert ears.told.count(words().said["en"].spoken.left) == len(NUMBERS)


@pytest.mark.parametrize(
    "before",
    [
        (),
        ("yes",),
        ("yes", "mike eight"),
        ("yes", "mike eight", "yes"),
        ("yes", "one", "yes", "two", "yes", "that is all"),
    ],
)
def test_gas_is_heard_at_every_question_and_ends_the_asking(before: tuple[str, ...]):
    found, asking, ears = asked(*before, "i smell gas", "yes", "yes")
    assert asking.alarm == "i smell gas" and found == Details()
    assert next(ears._texts) == "yes", "nothing more is asked after it"


def test_what_is_known_is_not_asked():
    known = Details({name: "A1" for name in NUMBERS if name != "control_serial"})
    found, _, _ = asked("yes", "nine", "yes", "that is all", known=known)
    assert found.given == {**known.given, "control_serial": "9"} and found.spoken == ("control_serial",)
    assert asked(known=Details(dict.fromkeys(NUMBERS, "A1")))[2].told == []


def test_the_journal_line_tells_what_was_spoken():
    details = Details({"furnace_model": "N8", "licence": "4"}, ("furnace_model", "licence"), ("licence",))
    assert details_of([{"kind": "details", **details.data()}]) == details
    assert "spoken" not in Details({"licence": "4"}, ("licence",)).data()


def test_a_language_without_a_table_says_so():
    assert [key for key in languages() if can_ask(key)] == ["en"]
    assert words().said["es"].not_spoken


def spoken(*texts: str) -> Iterator[np.ndarray]:
    """Sentences by a voice with pauses between them, in a room that is nearly quiet."""
    rng = np.random.default_rng(4)
    parts = [np.zeros(16_000)]
    for text in texts:
        parts += [say(text, "us-m2"), np.zeros(24_000)]
    whole = np.concatenate(parts)
    return chunks(np.clip(whole + rng.normal(0, 20, len(whole)), -32768, 32767).astype(np.int16), 1600)


def test_a_number_spelled_by_a_voice_is_heard_by_the_recogniser_that_ships():
    ears, _ = recognizer(wanted="", words=words_of("en") | {"yes", "no"}, language="en")
    said = spoken("yes", "mike x-ray eight zero", "yes", "dash one two", "yes", "that is all", "yes", *["skip it"] * 4)
    watcher = Said()
    try:
        asking = BySpelling(StreamEars(ears, lambda: said), SilentMouth(), [watcher], weigh, "en")
        assert asking.ask(Details()).given == {"furnace_model": "MX80-12"}, watcher.told
    finally:
        ears.close()


def test_a_listening_visit_asks_only_when_it_is_told_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    import soundfile

    monkeypatch.setenv(kept.PLACE, str(tmp_path / "settings.yaml"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    file = tmp_path / "said.wav"
    soundfile.write(file, np.concatenate(list(spoken("no", "stop"))), 16_000, subtype="PCM_16")
    words_ = ["run", "--audio-in", str(file), "--no-voice", "--visits", str(tmp_path / "visits")]
    told = CliRunner().invoke(cli, [*words_, "--details"], standalone_mode=False).output
    assert told.count(words().said["en"].spoken.offer) == 1
    assert "warranty claim" not in CliRunner().invoke(cli, words_, standalone_mode=False).output


def test_a_gas_alarm_while_it_asks_is_answered_before_anything_else_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    import soundfile

    monkeypatch.setenv(kept.PLACE, str(tmp_path / "settings.yaml"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    file = tmp_path / "said.wav"
    said = ("yes", "i smell gas", "that was a false alarm", "continue")
    soundfile.write(file, np.concatenate(list(spoken(*said))), 16_000, subtype="PCM_16")
    words_ = ["run", "--audio-in", str(file), "--no-voice", "--visits", str(tmp_path / "visits"), "--details"]
    told = CliRunner().invoke(cli, words_, standalone_mode=False).output
    after = told[told.index("-> gas") :]
    alarm, welcome = after.index("Stop. Gas."), after.find("We will check")
    assert welcome == -1 or alarm < welcome
    assert "Live parts can kill. Gas and fumes can too." not in after[:alarm]
