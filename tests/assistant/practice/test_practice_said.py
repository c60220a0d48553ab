"""What can be said in practice and what it leads to, without a process."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import numpy as np
import pytest
import textstat
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.errors import DeviceLost
from assistant.practice.exercise import Exercise, free_exercise
from assistant.practice.phrases import answering_scope, phrases, probing_scope, slots
from assistant.practice.probing import Probing, advance, scope_for
from assistant.practice.shared_grammar import SharedGrammars
from assistant.visit.mouth import SilentMouth
from flows.faults import catalog
from flows.judge.profiles import equipment, meter
from flows.practice.drawn import start
from flows.procedure.session import End, Say
from grammar.answers import Choice, Heard
from grammar.emit import accepts
from grammar.language import language
from grammar.parse import understand
from grammar.phonetics import check_apart
from grammar.scope import Option
from grammar.words import plain_words


def test_phrases_that_compete_sound_apart():
    for name, scope in slots():
        assert [one.text for one in check_apart(scope)] == [], name


def test_the_check_of_sound_would_find_a_bad_phrase():
    near = dict(slots())["actions"]
    spoiled = near.__class__(near.name, None, (*near.options, Option("do:on2", ("turn the power on",))), near.commands)
    assert {one.first for one in check_apart(spoiled)} | {one.second for one in check_apart(spoiled)} == {
        "turn the power off",
        "turn the power on",
    }


@pytest.mark.parametrize("typed", [False, True])
def test_every_phrase_is_understood_as_what_it_stands_for(typed):
    lang = language("en")
    for scope in (
        probing_scope(tuple(catalog.faults().faults), typed),
        answering_scope(tuple(catalog.faults().faults), typed),
    ):
        owners: dict[str, str] = {}
        for option in scope.options:
            for phrase in option.phrases:
                assert owners.setdefault(phrase, option.id) == option.id
                assert " ".join(plain_words(phrase, lang)) == phrase
        for option in scope.options[:: 7 if typed else 3]:
            assert understand(Heard(option.phrases[-1]), scope) == Choice(option.id, option.phrases[-1])


def test_the_shared_grammar_holds_the_same_sentences_as_the_plain_one():
    """Read back by a reader of JSGF of the test's own."""
    scope = probing_scope(tuple(catalog.faults().faults), False)
    shared = SharedGrammars()
    for option in scope.options:
        for phrase in option.phrases:
            assert shared.accepts(scope, phrase)
    assert all(accepts(scope, option.phrases[0]) for option in scope.options[::20])
    assert not shared.accepts(scope, "volts from line to") and not shared.accepts(scope, "volts")
    text = shared.jsgf(scope)
    assert len(text) < len(" ".join(phrase for option in scope.options for phrase in option.phrases)) / 2
    assert _language_of(text) == {phrase for option in scope.options for phrase in option.phrases} | {
        phrase for id in (*scope.commands, "gas") for phrase in language("en").command(id).spoken
    }


def _language_of(jsgf: str) -> set[str]:
    """Every sentence of a grammar of words, alternatives, <NULL> and rules: a reader of JSGF of its own."""
    rules = dict(re.findall(r"^(?:public )?<([^>]+)> = (.+);$", jsgf, re.MULTILINE))
    start_rule = re.search(r"^public <([^>]+)>", jsgf, re.MULTILINE)[1]

    def of(name: str) -> list[str]:
        found = []
        for choice in rules[name].split(" | "):
            texts = [""]
            for token in choice.split():
                tails = [""] if token == "<NULL>" else of(token[1:-1]) if token.startswith("<") else [token]
                texts = [f"{head} {tail}".strip() for head in texts for tail in tails]
            found += texts
        return found

    return set(of(start_rule))


def test_spoken_lines_are_plain():
    for name, text in phrases().lines.items():
        filled = re.sub(r"\{(function|a|b|fault|truth|list|lesson|taken|fewest|count)\}", "two", text)
        for sentence in re.split(r"(?<=[.?]) ", filled):
            assert textstat.flesch_kincaid_grade(sentence) <= 6, (name, sentence)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_no_row_of_answers_breaks_it_or_shows_ohms_on_a_live_furnace(data):
    fault = data.draw(st.sampled_from(["healthy", "polarity_reversed", "rod_shorted", "meter_lead_open"]))
    state = Probing(
        start(equipment("larkspur"), meter("dunlin"), 3, "medium", fault),
        tuple(catalog.faults().faults),
        typed=data.draw(st.booleans()),
    )
    chance = np.random.default_rng(1)
    for _ in range(25):
        scope = scope_for(state)
        said = data.draw(
            st.sampled_from(
                [option.phrases[0] for option in scope.options if not option.id.startswith("answer")] or ["yes", "no"]
            )
            | st.just("mumble")
        )
        before = state
        state, effects = advance(state, understand(Heard(said), scope), chance)
        assert any(isinstance(one, Say | End) for one in effects)
        if (
            len(state.furnace.taken) > len(before.furnace.taken)
            and state.furnace.taken[-1].value is not None
            and state.furnace.taken[-1].value.quantity == "ohms"
            and "leads" not in state.furnace.taken[-1].what
        ):
            assert before.furnace.dead
        assert len(state.furnace.slips) >= len(before.furnace.slips) or state.withdrawn > before.withdrawn
        if state.how:
            break


def test_what_was_heard_wrong_can_be_taken_back_and_is_counted():
    furnace = start(equipment("larkspur"), meter("dunlin"), 3, "easy", "rod_coated")
    state = Probing(furnace, tuple(catalog.faults().faults), typed=False)
    chance = np.random.default_rng(1)

    def say(words: str):
        nonlocal state
        state, effects = advance(state, understand(Heard(words, engine="pocketsphinx"), scope_for(state)), chance)
        return [one.text for one in effects if isinstance(one, Say)]

    assert say("ohms from line to neutral")[0].startswith("Ohms from hot to neutral. Stop.")
    assert state.furnace.slips == ("ohms_live_part",)
    assert say("not what i said") == ["Then it does not count. Say it again."]
    assert state.furnace.slips == () and state.withdrawn == 1
    assert say("not what i said") == ["There is nothing to take back."]
    assert say("my answer is coated rod") == ["Your answer is: a coated rod. Is that right?"]
    assert say("no") == ["Then tell me again."] and state.answer is None
    say("my answer is coated rod")
    say("yes")
    assert state.answer == "rod_coated" and state.how == "answered"


def test_a_lost_microphone_ends_the_exercise_with_its_record(tmp_path):
    class Lost:
        def hear(self, scope):
            raise DeviceLost("The microphone is gone.", "Plug it in again.")

        def reopen(self):
            return False

    printed = []
    exercise = Exercise.make(
        "Robin", "easy", None, 4, "larkspur", "dunlin", False, clock=lambda: datetime(2026, 3, 2, tzinfo=UTC)
    )
    ended = free_exercise(exercise, Lost(), SilentMouth(), printed.append)
    assert ended.session["how"] == "interrupted" and ended.code == 130
    assert any("The microphone is gone. Plug it in again." in line for line in printed)
