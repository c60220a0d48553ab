"""A visit in which the technician speaks over the program: what is said next, and what is on the record."""

from __future__ import annotations

import pytest

from assistant.errors import DeviceLost
from assistant.hearing.engines.base import Final, Over
from assistant.visit.journal import Journal, read
from assistant.visit.over import CutIn, Passed, over_scope
from assistant.visit.plans import ready_plan
from assistant.visit.replay import standing
from assistant.visit.visit import Visit, opening
from flows.talk.dialogue import begin
from tests.assistant.visit.test_visit import Noted, Scripted
from tests.flows.talking import START


class OverScript(Scripted):
    """Ears that hear a list in silence, and over our voice what `over` says: line -> words, each once.

    passed: line -> words that are told to have been heard and not to count.
    """

    def __init__(self, *given, over: dict[str, str], passed: dict[str, str] | None = None) -> None:
        super().__init__(*given)
        self.over, self.passed = dict(over), dict(passed or {})

    def speak(self, mouth, says, listen, understand, passed):
        for number, say in enumerate(says):
            if say.line in self.passed:
                passed(Passed(self._final(self.passed.pop(say.line), say.line), "too early"))
            if say.line in self.over:
                final, scope = self._final(self.over.pop(say.line), say.line), over_scope(listen.scope)
                mouth.queue.clear()
                return CutIn(final, understand(final.heard, scope), scope, tuple(one.line for one in says[number:]))
        mouth.speak()
        return None

    @staticmethod
    def _final(words: str, line: str) -> Final:
        heard = Scripted(words).hear(None)
        return Final(heard.heard, heard.sound, Over(line, 1.25))


@pytest.fixture(scope="module")
def plan():
    return ready_plan("flame_sensing", "larkspur", "dunlin")


@pytest.fixture
def run(plan, tmp_path):
    """Run a visit to the end of what is heard; its lines, what was spoken, and its session."""
    journals: list[Journal] = []

    def ran(*given, kind=OverScript, **over):
        folder = tmp_path / str(len(journals))
        journal = Journal(folder)
        journals.append(journal)
        about = {"engine": "test", "voice": "none", "program": "test", "invented": True}
        journal.write("visit", opening(plan, visit=folder.name, **about))
        ears, mouth = kind(*given, **over), Noted(journal)
        outcome = Visit(plan, ears, mouth, journal, over=ears).run(*begin(plan))
        journal.close()
        return read(folder)[0], mouth.spoken, outcome.session

    yield ran
    for one in journals:
        one.close()


def of(events, *wanted):
    return [one for one in events if one["kind"] in wanted]


def test_what_was_heard_over_its_voice_is_on_the_record_and_what_was_cut_before_it(run):
    events, _, _ = run(*START, over={"supply/caution": "say again"})
    cut, heard = next((one, events[place + 1]) for place, one in enumerate(events) if one["kind"] == "cut")
    assert cut["lines"][0] == "supply/caution" and "supply/say/0" in cut["lines"]
    assert heard["kind"] == "heard" and heard["over"] == {"line": "supply/caution", "at": 1.25}
    assert all("over" not in one for one in of(events, "heard") if one is not heard)


def test_a_caution_that_was_talked_over_is_spoken_in_full_before_an_answer_counts(run, plan):
    _, spoken, _ = run(*START, over={"supply/caution": "say again"})
    assert spoken.count(plan.step("supply").caution.full) == 1
    assert plan.step("supply").caution.short not in spoken


def test_words_that_do_not_count_are_on_the_record_too(run):
    events, _, session = run(*START, over={}, passed={"supply/caution": "one two two point nine"})
    (line,) = of(events, "talked_over")
    assert (line["text"], line["why"], line["line"]) == ("one two two point nine", "too early", "supply/caution")
    assert session.step == "supply" and session.mode == "ask"


def test_gas_over_its_voice_is_the_alarm_at_once(run, plan):
    events, spoken, session = run(*START, over={"supply/say/0": "i smell gas"})
    assert session.mode == "alarm" and of(events, "alarm")
    assert spoken[-3:-1] == [plan.lines.line("alarm"), plan.lines.line("alarm_again")]


def test_a_warning_that_was_cut_short_is_said_before_what_comes_next(run, plan):
    """Polarity is reversed: a danger, said at once; the technician talks over it."""
    found = (*START, "122.9", "yes", "0.3", "yes", "122.9", "yes")
    events, spoken, _ = run(*found, over={})
    warning = next(one for one in of(events, "said") if one["role"] == "alarm")
    assert spoken.count(warning["text"]) == 1
    events, spoken, _ = run(*found, over={warning["line"]: "say again"})
    after = events.index(next(one for one in of(events, "heard") if "over" in one))
    said = of(events[after:], "said")
    assert said[0]["text"] == warning["text"] and len(said) > 1, "then what was asked to be said again"
    assert spoken.count(warning["text"]) == 1, "this time it was heard"


def test_a_warning_that_gas_cut_short_does_not_come_before_the_alarm(run, plan):
    found = (*START, "122.9", "yes", "0.3", "yes", "122.9", "yes")
    warning = next(one for one in of(run(*found, over={})[0], "said") if one["role"] == "alarm")
    _, spoken, session = run(*found, over={warning["line"]: "i smell gas"})
    assert session.mode == "alarm" and warning["text"] not in spoken


def test_a_visit_with_cuts_is_walked_again_to_where_it_stood(run, plan):
    events, _, session = run(*START, "122.9", over={"supply/caution": "say again", "readback": "no"})
    assert of(events, "cut") and standing(plan, events).session == session


class Silenced(OverScript):
    """The loudspeaker goes away at the first sentence."""

    def speak(self, mouth, says, listen, understand, passed):
        if not self.reopened:
            self.reopened = 1
            raise DeviceLost("The loudspeaker is gone.", "Plug it in.")
        return super().speak(mouth, says, listen, understand, passed)


def test_a_lost_loudspeaker_is_told_and_the_visit_listens_on(run):
    events, _, session = run(*START, kind=Silenced, over={})
    assert [one["what"] for one in of(events, "trouble")] == ["loudspeaker"]
    assert session.step == "supply", "the answers were heard all the same"
