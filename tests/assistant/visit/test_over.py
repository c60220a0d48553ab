"""What may be said over the program's voice, and what becomes of it: with an invented recogniser, sample by sample."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.audio.duplex import Duplex
from assistant.hearing.audio.echo import NoCanceller
from assistant.hearing.audio.played import Played
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.audio.steady import Outgoing
from assistant.hearing.engines.base import Event, Final, Partial, SpeechStarted
from assistant.visit.over import BEFORE, CutIn, Duck, GoOn, Happened, Hold, Overhearing, Passed, over_scope
from assistant.visit.over_ears import item_of
from flows.procedure.session import Listen, Say
from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.language import language
from grammar.parse import understand
from grammar.scope import Asked, Option, Scope

WORDS = language("en")
ASKED = Asked("ac_volts", "volt", 0, 300, 1)
READING = Listen(Scope("supply/ask", ASKED, commands=WORDS.always_open))
CONFIRM = Listen(
    Scope("supply/confirm", ASKED, (WORDS.option("yes"), WORDS.option("no")), WORDS.always_open), at_once=("no",)
)
CAUTION = Say("This is a live test. Touch only the handles.", "caution", "supply/caution")
STEP = Say("Put the red lead on hot. Tell me the value.", "step", "supply/say/0")
READBACK = Say("one two two point nine volts. Is that right?", "readback", "readback")
BLOCK = 480


class Script:
    """A recogniser that hears what it is told to, when it is told to. plan: second -> event."""

    name = description = "script"
    in_speech = False

    def __init__(self) -> None:
        self.plan: list[tuple[float, Event]] = []
        self.fed = 0
        self.scopes: list[Scope] = []

    def open(self, scope: Scope) -> None:
        self.scopes.append(scope)
        self.fed, self.in_speech = 0, False

    def feed(self, chunk: np.ndarray, whole: np.ndarray | None = None) -> list[Event]:
        self.fed += len(chunk)
        due = [event for at, event in self.plan if at * SAMPLE_RATE <= self.fed]
        self.plan = self.plan[len(due) :]
        for event in due:
            self.in_speech = not isinstance(event, Final)
        return due

    def says(self, text: str, begin: float, end: float, free: str | None = None, partial: str = "") -> None:
        """Somebody says `text` between two seconds; the words so far come half-way."""
        heard = Heard(text, 0.99, alternatives=((text, 0.99),), engine="script", free=free)
        self.plan += [(begin + 0.1, SpeechStarted(begin - BEFORE)), ((begin + end) / 2, Partial(partial or text))]
        self.plan.append((end, Final(heard, np.zeros(1600, np.int16))))


class Room:
    """Sentences of a second or more each, spoken into a room without echo."""

    def __init__(self) -> None:
        self.script = Script()
        self.played = Played()
        self.out = Outgoing(self.played)
        self.duplex = Duplex(lambda: iter(()), NoCanceller())
        self.hearing = Overhearing(self.script, self.duplex)

    def speak(self, says: list[Say], listen: Listen, seconds: float = 2.0) -> list[tuple[float, Happened]]:
        """What happened, and when, until somebody cut in or all was said; each sentence takes `seconds`."""
        self.hearing.begin(says, listen, understand)
        happened: list[tuple[float, Happened]] = []
        waiting = list(enumerate(says))
        for block in range(round(30 * SAMPLE_RATE / BLOCK)):
            if self.out.done.is_set():
                if not waiting:
                    self.hearing.ended()
                    if not self.hearing.busy and not self.script.plan:
                        break
                else:
                    order, say = waiting.pop(0)
                    sound = np.full(round(seconds * SAMPLE_RATE), 1000, np.int16)
                    self.hearing.item(item_of(order + 1, say.text, order, sound))
                    self.out.begin(sound, order + 1)
            self.out.block(BLOCK)
            clean = self.duplex.push(np.full(BLOCK, 500, np.int16), self.played.take(BLOCK))
            for one in self.hearing.feed(clean):
                happened.append((block * BLOCK / SAMPLE_RATE, one))
                if isinstance(one, Hold):
                    self.out.hold()
                if isinstance(one, GoOn):
                    self.out.go_on()
                if isinstance(one, CutIn):
                    self.out.cut()
                    return happened
        return happened


@pytest.fixture
def room() -> Room:
    return Room()


def cut_in(happened: list[tuple[float, Happened]]) -> CutIn | None:
    return next((one for _, one in happened if isinstance(one, CutIn)), None)


def of(happened: list[tuple[float, Happened]], kind: type) -> list[float]:
    return [at for at, one in happened if isinstance(one, kind)]


@pytest.mark.parametrize(("text", "id"), [("i smell gas", "gas"), ("stop", "stop"), ("say again", "repeat"),
                                           ("hold on", "pause")])  # fmt: skip
def test_the_alarm_stop_wait_and_say_again_act_at_once_over_a_caution(room, text, id):
    room.script.says(text, 0.5, 1.2)
    found = cut_in(room.speak([CAUTION, STEP], READING))
    assert found is not None and isinstance(found.answer, Command) and found.answer.id == id
    assert found.cut == (CAUTION.line, STEP.line)
    assert found.final.over is not None and found.final.over.line == CAUTION.line
    assert found.final.over.at == pytest.approx(0.5, abs=0.1)


def test_only_a_small_scope_is_open_over_its_voice(room):
    room.speak([STEP], READING)
    assert set(room.script.scopes[0].commands) == {"gas", "stop", "pause", "repeat"}
    assert over_scope(READING.scope).asked == ASKED


@pytest.mark.parametrize("begin", [0.5, 1.9])
def test_an_answer_over_a_caution_does_not_count_and_the_caution_is_said_whole(room, begin):
    room.script.says("one two two point nine", begin, begin + 1.0)
    happened = room.speak([CAUTION, STEP], READING)
    assert cut_in(happened) is None and not of(happened, Hold)
    assert [one.why for _, one in happened if isinstance(one, Passed)] == ["too early"]


def test_an_answer_over_the_last_sentence_counts(room):
    room.script.says("one two two point nine", 2.6, 3.6)
    found = cut_in(room.speak([CAUTION, STEP], READING))
    assert found is not None and isinstance(found.answer, Reading) and found.cut == (STEP.line,)


@pytest.mark.parametrize(("begin", "counts"), [(2.6, False), (4.3, True)])
def test_an_answer_that_moves_the_power_counts_only_after_the_last_word(room, begin, counts):
    opened = Option("opened", ("i opened the switch",))
    listen = Listen(Scope("power_off/ask", None, (opened,), WORDS.always_open), whole=True)
    room.script.says("i opened the switch", begin, begin + 1.0)
    assert (cut_in(room.speak([CAUTION, STEP], listen)) is not None) == counts


def test_an_answer_that_began_too_early_and_ended_in_silence_is_asked_again(room):
    opened = Option("opened", ("i opened the switch",))
    listen = Listen(Scope("power_off/ask", None, (opened,), WORDS.always_open), whole=True)
    room.script.says("i opened the switch", 3.6, 4.6)
    found = cut_in(room.speak([CAUTION, STEP], listen))
    assert found is not None and isinstance(found.answer, Unclear) and found.cut == ()


@pytest.mark.parametrize(("begin", "counts"), [(0.3, False), (1.75, True)])
def test_yes_counts_once_the_value_was_read_back(room, begin, counts):
    room.script.says("correct", begin, begin + 0.5)
    found = cut_in(room.speak([READBACK], CONFIRM))
    assert (found is not None) == counts


def test_no_counts_in_the_middle_of_a_read_back(room):
    room.script.says("no", 0.4, 0.8)
    found = cut_in(room.speak([READBACK], CONFIRM))
    assert found is not None and isinstance(found.answer, Choice) and found.answer.id == "no"


def test_a_number_over_a_number_is_not_taken(room):
    room.script.says("no seven point four", 0.4, 1.4)
    assert cut_in(room.speak([READBACK], CONFIRM)) is None


@pytest.mark.parametrize("text", ["one two two point nine", "two point nine", "volts"])
def test_its_own_words_are_never_an_answer(room, text):
    room.script.says(text, 0.4, 1.9)
    happened = room.speak([READBACK], CONFIRM)
    assert cut_in(happened) is None and not of(happened, Hold)


@pytest.mark.parametrize(("text", "begin"), [("pause", 0.9), ("stop", 1.6)])
def test_commands_that_it_names_itself_are_its_own(room, text, begin):
    help_line = Say("You can say: pause or stop.", "info", "help")
    room.script.says(text, begin, begin + 0.8)
    assert cut_in(room.speak([help_line], READING)) is None


def test_an_alarm_in_its_own_words_is_asked_for_again_where_the_sound_was_plainly_not_its_own(room):
    """Nothing was taken out here, so all of the sound is somebody else's; in doubt it falls silent and asks."""
    line = Say("If you smell gas, say so.", "info", "help")
    room.script.says("smell gas", 0.6, 1.6)
    found = cut_in(room.speak([line], READING))
    assert found is not None and isinstance(found.answer, Unclear) and found.final.heard.text == "smell gas"


@pytest.mark.parametrize(("free", "id"), [("small gas", "gas"), ("hot leads", "")])
def test_an_alarm_that_one_alone_heard_over_its_voice_is_asked_for_again(room, free, id):
    room.script.says("gas leak", 0.5, 1.3, free=free)
    found = cut_in(room.speak([STEP], READING))
    assert found is not None and getattr(found.answer, "id", "") == id


def test_the_alarm_is_not_begun_again_by_the_same_words(room):
    alarm = Say("Get all people out now.", "alarm", "alarm")
    room.script.says("i smell gas", 0.5, 1.3)
    assert cut_in(room.speak([alarm], Listen(Scope("supply/alarm", commands=("gas",))))) is None


def test_an_open_word_silences_it_before_the_utterance_is_over(room):
    room.script.says("stop", 0.5, 1.5)
    happened = room.speak([STEP], READING)
    assert of(happened, Hold)[0] == pytest.approx(1.0, abs=0.06) and of(happened, CutIn)[0] > 1.4


def test_a_noise_makes_it_softer_and_it_goes_on(room):
    room.script.says("[unk]", 0.5, 1.0)
    happened = room.speak([STEP], READING)
    assert [one.low for _, one in happened if isinstance(one, Duck)] == [True, False]
    assert not of(happened, Hold) and cut_in(happened) is None


def test_words_that_were_none_after_all_let_it_say_the_sentence_from_its_beginning(room):
    room.script.says("[unk]", 0.5, 1.0, partial="stop")
    happened = room.speak([STEP], READING)
    assert of(happened, Hold) and of(happened, GoOn) and cut_in(happened) is None
    spans = [one for one in room.duplex.said(0, room.duplex.position) if one.item == 1]
    assert sum(one.place == 0 for one in spans) == 2, "it was begun twice"


def test_an_utterance_that_outlasts_its_voice_is_heard_to_its_end(room):
    room.script.says("one two two point nine", 1.8, 3.5)
    found = cut_in(room.speak([STEP], READING))
    assert found is not None and isinstance(found.answer, Reading) and found.cut == ()
