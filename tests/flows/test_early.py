"""Who is not understood at the start is told what helps, once."""

from __future__ import annotations

from math import comb

import pytest

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan, on_keyboard
from flows.talk.early import early
from grammar.answers import Unclear
from tests.flows.talking import AIR, START, VOLTS, Talk

NOTHING, WORDS, DOUBT = Unclear("nothing", ""), Unclear("not_open", "and"), Unclear("doubtful", "")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))


def told(talk: Talk) -> bool:
    return talk.plan.lines.line("hard_to_hear") in talk.spoken


def test_the_third_miss_of_any_kind_before_a_reading_tells_what_helps_and_asks_again(plan):
    talk = Talk(plan)
    assert not told(talk.give(NOTHING))
    talk.say(*AIR)
    assert not told(talk.give(WORDS))
    talk.say(*VOLTS)
    assert told(talk.give(DOUBT))
    assert len(talk.spoken) == 2 and talk.at == "power_off/ask", "what helps comes first, then the question"


def test_it_is_told_once_and_nothing_is_counted_further(plan):
    talk = Talk(plan)
    assert [told(talk.give(WORDS)) for _ in range(9)].count(True) == 1
    assert talk.session.unheard == early().misses


def test_who_was_understood_up_to_the_first_reading_is_not_told(plan):
    talk = Talk(plan).say(*START, "121.4", "yes")
    assert not any(told(talk.give(WORDS)) for _ in range(6))
    assert talk.session.unheard == 0


def test_what_was_heard_well_and_cannot_be_is_no_miss(plan):
    talk = Talk(plan).say(*START)
    for _ in range(4):
        assert not told(talk.say("five hundred ohms"))
        assert not told(talk.say("nine thousand volts"))
    assert talk.session.unheard == 0


def test_a_procedure_that_reads_nothing_has_a_beginning_too(plan):
    talk = Talk(plan)
    talk.session = talk.session.__class__(
        talk.session.step, done=frozenset(str(number) for number in range(early().answers)), things=talk.session.things
    )
    assert not any(told(talk.give(WORDS)) for _ in range(5))


def test_who_types_is_told_for_keys_and_an_empty_line_is_no_miss(plan):
    talk = Talk(on_keyboard(plan))
    assert not any(told(talk.give(NOTHING)) for _ in range(5))
    talk.give(WORDS).give(WORDS).give(WORDS)
    assert told(talk) and "microphone" not in " ".join(talk.spoken)
    assert "Type: help" in talk.plan.lines.line("hard_to_hear")


def test_it_is_told_in_spanish():
    talk = Talk(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"), "es"))
    talk.give(NOTHING).give(NOTHING).give(NOTHING)
    assert told(talk) and "micro" in talk.spoken[0]


def test_the_third_refused_read_back_at_a_step_tells_what_helps_once(plan):
    talk = Talk(plan).say(*START)
    told_at = []
    for number in range(6):
        talk.say("one two one point four")
        talk.say("no")
        if told(talk):
            told_at.append(number)
    assert told_at == [2] and talk.at == "supply/digits"
    talk.say("one two one point four", "yes")
    assert talk.at == "polarity_hot/ask" and not told(talk.say("121.4", "no"))


def test_a_correction_counts_as_a_refused_read_back(plan):
    talk = Talk(plan).say(*START, "121.4", "no, 121.5")
    assert not told(talk) and not told(talk.say("no, 121.7")) and told(talk.say("no, 121.9"))
    assert talk.at == "supply/confirm" and talk.say("yes").session.taken[-1].reading.digits == "121.9"


def test_the_rule_says_how_often_it_tells_for_nothing():
    rule = early()
    for where, share in rule.asked_again.items():
        seldom = sum(
            comb(rule.turns, number) * share**number * (1 - share) ** (rule.turns - number)
            for number in range(rule.misses)
        )
        assert 1 - seldom == pytest.approx(rule.told[where], abs=5e-4)
    assert rule.turns == len(START) + 2, "up to the first reading and its yes"
