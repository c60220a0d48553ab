"""How a visit is talked through, answer by answer."""

from __future__ import annotations

import itertools
import math

import pytest

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from flows.procedure.session import End, Memo, Resumed, Save
from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.parse import understand
from tests.flows.talking import (
    CLOSE_UP,
    DEAD,
    FLAME,
    HEAT,
    LAST,
    LIVE,
    OFF,
    OHMS,
    ON,
    PATH,
    PROOF,
    SERIES,
    START,
    TIDY,
    UNHOOK,
    VOLTS,
    WARM,
    WHOLE,
    Talk,
)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))


def test_a_whole_visit_reaches_its_end(plan):
    talk = Talk(plan).say(*WHOLE)
    assert isinstance(talk.effects[-1], End) and talk.effects[-1].how == "finished"
    assert talk.session.power == "on" and talk.end["left_set"] == [] and talk.end["missing"] == []
    assert {one.probe for one in talk.session.taken} >= {
        "supply_hot_neutral",
        "line_to_r",
        "rod_to_ground",
        "ground_path",
        "flame_current",
    }
    assert all(verdict.outcome == "pass" for _, verdict in talk.session.verdicts)


def test_a_reading_is_read_back_digit_by_digit_and_kept_only_after_yes(plan):
    talk = Talk(plan).say(*START, "121.3")
    assert talk.spoken == ["one two one point three volts. Is that right?"]
    assert talk.saved("reading") == []
    talk.say("yes")
    assert talk.saved("reading")[0]["value"] == 121.3
    kinds = [type(one).__name__ if not isinstance(one, Save) else one.kind for one in talk.effects]
    assert kinds.index("reading") < kinds.index("Say")


def test_a_wrong_read_back_is_put_right_at_once(plan):
    talk = Talk(plan).say(*START, "121.3", "no one twenty four")
    assert talk.spoken == ["one two four volts. Is that right?"]
    assert talk.say("yes").saved("reading")[0]["value"] == 124


def test_a_refused_read_back_weighs_against_what_is_heard_next_at_this_step_alone(plan):
    talk = Talk(plan).say(*START, "121.4", "no")
    assert talk.scope.refused == (121.4,)
    assert talk.say("121.5", "no, 121.7").scope.refused == (121.4, 121.5)
    for _ in range(5):
        talk.say("no", "121.4")
    assert len(talk.scope.refused) <= 4
    assert talk.say("yes").at == "polarity_hot/ask" and talk.scope.refused == ()


def test_the_second_wrong_read_back_changes_the_way_of_asking(plan):
    talk = Talk(plan).say(*START, "121.3", "no")
    assert talk.spoken == ["Then tell me again."]
    talk.say("one twenty four", "no")
    assert talk.at == "supply/digits" and talk.spoken[0].startswith("Say it one digit at a time")
    assert talk.say("one two one point three", "yes").saved("reading")[0]["value"] == 121.3


def test_change_that_in_the_middle_of_a_read_back(plan):
    talk = Talk(plan).say(*START, "121.3", "change that")
    assert talk.at == "supply/ask" and talk.spoken == ["Then tell me again."]


def test_fifteen_is_asked_digit_by_digit(plan):
    talk = Talk(plan).say(*START, "one fifteen")
    assert talk.at == "supply/digits"
    assert talk.spoken == ["Was that one hundred fifteen volts or one hundred fifty volts? Say it one digit at a time."]
    assert talk.say("one one five").saved("reading")[0]["value"] == 115
    other = Talk(plan).say(*START, "one fifteen", "one five zero")
    assert other.saved("reading")[0]["value"] == 150
    neither = Talk(plan).say(*START, "one fifteen", "one two zero")
    assert neither.at == "supply/confirm" and neither.saved("reading") == []


def test_teens_in_a_correction_are_asked_too(plan):
    assert Talk(plan).say(*START, "121", "no one sixteen").at == "supply/digits"


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (
            "nine hundred",
            "I heard nine hundred volts. The meter can't show that here. Look at the dial and tell me again.",
        ),
        ("120 ohms", "You said ohms. I asked for volts. Check the dial, then tell me again."),
        (
            "121.34",
            (
                "I heard one hundred twenty one point three volts. The meter does not show so many digits here. Tell me"
                " again."
            ),
        ),
    ],
)
def test_what_cannot_be_is_asked_again_with_the_reason(plan, words, line):
    talk = Talk(plan).say(*START, words)
    assert talk.spoken == [line] and talk.at == "supply/ask" and talk.saved("reading") == []


def test_millivolts_are_converted_and_read_back_as_spoken(plan):
    talk = Talk(plan).say(*START, "121", "yes", "121", "yes", "200 millivolts")
    assert talk.session.pending.value == pytest.approx(0.2)


def test_the_way_of_asking_changes_every_time(plan):
    talk, asked = Talk(plan).say(*START), []
    for _ in range(5):
        talk.give(Unclear("nothing", ""))
        asked.append(talk.spoken[-1])
    assert all(one != other for one, other in itertools.pairwise(asked))
    assert len(set(asked[:4])) == 4


def test_whose_single_digits_are_not_heard_may_say_the_number_as_a_whole_again(plan):
    talk = Talk(plan).say(*START)
    modes = []
    for _ in range(4):
        talk.give(Unclear("not_open", "and"))
        modes.append(talk.session.mode)
    assert modes == ["ask", "digits", "digits", "ask"]
    assert talk.spoken == [plan.lines.line("miss_whole")]
    assert talk.say("one hundred twenty one point four").at == "supply/confirm"


def test_a_number_like_another_said_as_a_whole_is_asked_digit_by_digit_again(plan):
    talk = Talk(plan).say(*START, "fifteen")
    assert talk.at == "supply/digits"
    while talk.session.mode == "digits":
        talk.give(Unclear("not_open", "and"))
    assert talk.say("fifteen").at == "supply/digits" and not talk.session.taken


def test_what_may_be_said_is_told_without_the_questions_for_each_earlier_reading(plan):
    talk = Talk(plan).say(*START, *LIVE)
    assert talk.at == "power_off/ask" and any(one.id.startswith("said_for:") for one in talk.scope.options)
    talk.give(Unclear("not_open", "and"))
    assert talk.spoken[-1] == "I heard you, but that does not fit here. Say: i opened the switch."


def test_two_readings_in_doubt_are_offered(plan):
    talk = Talk(plan).say(*START)
    first, second = (understand(Heard(text), talk.scope) for text in ("one twenty four", "one twenty one"))
    talk.give(Unclear("doubtful", "", first, (first, second)))
    assert talk.spoken == ["Was that one hundred twenty four volts or one hundred twenty one volts?"]
    assert talk.say("one twenty one").at == "supply/confirm"


def test_what_is_heard_twice_in_doubt_is_read_back(plan):
    talk = Talk(plan).say(*START)
    doubted = understand(Heard("one twenty four"), talk.scope)
    assert talk.give(Unclear("doubtful", "", doubted)).at == "supply/ask"
    assert talk.give(Unclear("doubtful", "", doubted)).at == "supply/confirm"
    assert "one two four" in talk.spoken[-1] and not talk.session.taken, "nothing is kept before its yes"


def test_a_reading_heard_often_however_weakly_is_read_back(plan):
    talk = Talk(plan).say(*START)
    one, other = (understand(Heard(text), talk.scope) for text in ("one twenty four", "one twenty one"))
    modes = [talk.give(Unclear("doubtful", "", weak=weak)).session.mode for weak in (one, other, one, other)]
    assert "confirm" not in modes
    assert talk.give(Unclear("doubtful", "", weak=one)).at == "supply/confirm" and not talk.session.taken
    assert talk.say("no").session.weak == (), "refused, it has to be heard as often again"
    assert talk.give(Unclear("doubtful", "", weak=one)).session.mode != "confirm"


def test_what_is_heard_weakly_counts_at_its_own_step_alone(plan):
    talk = Talk(plan).say(*START)
    one = understand(Heard("one twenty four"), talk.scope)
    talk.give(Unclear("doubtful", "", weak=one)).give(Unclear("doubtful", "", weak=one))
    assert talk.say("121.4", "yes").session.weak == ()


def test_two_different_doubts_are_no_reading(plan):
    talk = Talk(plan).say(*START)
    one, other = (understand(Heard(text), talk.scope) for text in ("one twenty four", "one twenty one"))
    for doubted in (one, other, one):
        talk.give(Unclear("doubtful", "", doubted))
        assert talk.at.startswith("supply/") and talk.session.mode != "confirm"


def test_a_doubt_is_forgotten_at_the_next_step(plan):
    talk = Talk(plan).say(*START)
    doubted = understand(Heard("one twenty one"), talk.scope)
    talk.give(Unclear("doubtful", "", doubted)).say("121", "yes", "next check please")
    assert talk.session.step != "supply" and talk.session.doubtful is None


def test_a_teen_in_doubt_is_never_settled_by_doubt(plan):
    """Asked digit by digit, it takes a sure answer: nothing reads it back after that."""
    talk = Talk(plan).say(*START, "one fifteen")
    assert talk.at == "supply/digits"
    doubted = talk.session.pending
    for _ in range(2):
        talk.give(Unclear("doubtful", "", doubted))
        assert not talk.session.taken


def test_a_failing_check_offers_a_way_on(plan):
    talk = Talk(plan).say(*START, "101", "yes")
    assert talk.at == "supply/offer" and "The supply is low" in talk.spoken[0]
    assert "one hundred four volts" in talk.spoken[0]
    assert talk.say("once more please").at == "supply/ask"
    assert talk.say("101", "yes", "next check please").at == "polarity_hot/ask"


def test_too_close_to_call_is_said_and_offered_again(plan):
    talk = Talk(plan).say(*START, "104.2", "yes")
    assert talk.session.outcome == "close" and talk.spoken[0].startswith("The supply is too close")


def test_a_dead_test_that_fails_means_power_is_on_and_the_proof_starts_again(plan):
    talk = Talk(plan).say(*START, *LIVE, "i opened the switch", "everything is shut down", "120.8", "yes", "118", "yes")
    assert talk.session.power == "on" and talk.at == "power_off/ask"
    assert any("There is still power" in one for one in talk.spoken)
    assert talk.session.proofs == frozenset()


def test_a_meter_that_dies_in_between_voids_the_proof(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD[:-2], "zero", "yes")
    assert talk.session.power == "said_off" and talk.at == "meter_live/ask" and talk.session.proofs == frozenset()


def test_the_word_off_alone_never_opens_an_ohms_step(plan):
    talk = Talk(plan).say(*START, *LIVE, "i opened the switch")
    assert talk.session.power == "on"
    talk.say("everything is shut down")
    assert talk.session.power == "said_off" and talk.at == "meter_live/ask"


def test_stop_with_the_jumper_on_leads_through_its_removal(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *PATH, *HEAT, "stop")
    assert talk.at == "power_off/ask" and talk.session.leaving
    talk.say("stop")
    assert "on the way out" in talk.spoken[0] and talk.at == "power_off/ask"
    talk.say(*OFF, *UNHOOK, *VOLTS, *CLOSE_UP, *WARM, *ON)
    assert talk.end["how"] == "stopped" and talk.end["left_set"] == []


def test_the_red_lead_is_home_before_the_meter_meets_mains_again(plan):
    """After the microamps, nothing sends the meter to a live part before its red lead is back in the volts jack."""
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *PATH, *HEAT, "i see a flame", "2.6", "yes", "pause", "continue")
    while talk.session.mode != "ended" and talk.session.where("red_jack") == "microamps":
        assert talk.scope.asked is None or talk.scope.asked.quantity == "dc_amps"
        words = {
            "power_off": OFF,
            "flame_out": UNHOOK[:1],
            "jumper_off": UNHOOK[1:3],
            "clips_off": UNHOOK[3:],
            "meter_volts": VOLTS,
            "board_proof": ("it dropped out", "yes"),
        }
        talk.say(*words[talk.session.step])
    assert talk.session.where("leads") == "in_hand"


def test_pause_takes_the_proof_away_and_comes_back_to_its_branch(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *OHMS, "0.2", "yes")
    assert talk.at == "ground_path/ask" and talk.session.power == "dead"
    talk.say("pause", "continue")
    assert talk.session.power == "doubt" and talk.at == "power_off/ask" and talk.session.agenda == ("ground_path",)
    talk.say(*OFF)
    assert talk.at == "meter_volts/ask", "the dial was on ohms: the proof needs volts"
    talk.say(*VOLTS, *PROOF, *OHMS)
    assert talk.at == "ground_path/ask"


@pytest.mark.parametrize("done", range(len(HEAT)))
def test_a_pause_anywhere_on_the_way_to_the_flame_skips_nothing(plan, done):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *PATH, *HEAT[:done], "pause", "continue")
    words = {
        "power_off": OFF,
        "meter_microamps": SERIES[:1],
        "clip_in": SERIES[1:2],
        "jumper_on": SERIES[2:],
        "power_on_heat": ON,
        "flame_seen": FLAME[:1],
    }
    while talk.session.step != "flame_current":
        talk.say(*words[talk.session.step])
    talk.say(*FLAME[1:], *TIDY, *LAST)
    assert talk.end["how"] == "finished" and talk.end["missing"] == []


def test_a_resumed_visit_does_not_trust_old_proof(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD).give(Resumed())
    assert talk.session.power == "doubt" and talk.at == "power_off/ask"
    assert len(talk.session.taken) == 11


def test_go_back_and_change_that(plan):
    talk = Talk(plan).say(*START, "121", "yes", "120", "yes", "go back")
    assert talk.at == "polarity_hot/ask"
    assert talk.say("121", "yes").saved("retaken") == [{"step": "polarity_hot", "probe": "supply_hot_ground"}]
    assert Talk(plan).say(*START, "121", "yes", "change that").at == "supply/ask"


def test_no_way_back_to_ohms_once_the_power_is_on(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *PATH, *HEAT, "i see a flame")
    talk.say("change that")
    assert talk.at == "flame_current/ask" and "I can't change that one from here" in talk.spoken[0]
    talk.say("go back")
    assert talk.session.power == "on" and plan.step(talk.session.step).power == "on"


def test_questions_on_the_way(plan):
    talk = Talk(plan).say(*START)
    assert talk.say("where do the leads go").spoken == ["Red lead on hot. Black lead on neutral. Both at the furnace."]
    assert talk.say("why").spoken == ["All that comes next leans on a good supply."]
    assert talk.say("what have i got so far").spoken == ["There are no readings so far."]
    talk.say("121.3", "yes")
    assert talk.say("what have i got so far").spoken == [
        "So far: Supply voltage, one hundred twenty one point three volts."
    ]
    again = talk.say("say again").spoken
    assert again[0] == "Live test." and again[-1] == "Tell me the volts."
    assert talk.say("slower").spoken[0] == "I will speak slower."


def test_cautions_are_full_once_and_short_after(plan):
    talk = Talk(plan).say(*START)
    assert "This is a live test. Touch only the lead handles" in " ".join(talk.spoken)
    assert talk.say("say again").spoken[0] == "Live test. Only touch the handles."


def test_a_memo_hears_nothing_but_its_end_and_gas(plan):
    talk = Talk(plan).say(*START, "take a note")
    assert Memo("start") in talk.effects
    talk.give(Reading(99, 99, 99, 1, "ac_volts", "volt", True, False, "99", "99"))
    assert talk.session.mode == "memo" and talk.session.taken == ()
    assert Memo("end") in talk.say("end note").effects
    assert talk.at == "supply/ask"


def test_skipping_is_on_the_record_and_said_at_the_end(plan):
    talk = Talk(plan).say(*START, "skip this check")
    assert talk.saved("skipped") == [{"step": "supply", "why": "asked for"}]
    talk.say("121", "yes", "0.2", "yes")
    assert talk.spoken[0] == "I can't judge this, for a reading is missing: Supply voltage."
    talk.say("stop", *OFF, *CLOSE_UP, *WARM, *ON)
    assert any("You skipped: Supply voltage." in one for one in talk.spoken)
    assert talk.spoken[-1].startswith(
        "Not all is proven. These checks are not done: Supply voltage, Polarity, Transformer secondary"
    )


def test_gas_in_the_middle_of_anything(plan):
    talk = Talk(plan).say(*START, "121", "wait i smell gas here")
    assert talk.session.mode == "alarm"
    assert (
        talk.spoken[0].startswith("Stop. Gas. Do not touch any switch.") and "Get all people out now" in talk.spoken[0]
    )
    assert talk.saved("alarm") == [{"what": "gas", "step": "supply"}]
    assert talk.give(Choice("yes", "yes")).spoken[0].startswith("Leave now. Touch no switch. Call from outside.")
    assert talk.session.mode == "alarm"


def test_a_false_alarm_is_called_off_in_two_ways_and_power_is_not_trusted_after(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, "gas leak", "the air is clear")
    assert talk.session.mode == "alarm"
    talk.say("that was a false alarm", "i smell gas", "the air is clear")
    assert talk.session.mode == "alarm"
    talk.say("that was a false alarm", "the air is clear")
    assert talk.at == "power_off/ask" and talk.session.power == "doubt" and talk.saved("alarm_over")


def test_over_limit_and_jumping_displays(plan):
    talk = Talk(plan).say(*START, *LIVE, *DEAD, *OHMS, "0.2", "yes", "open line")
    assert talk.spoken == ["The meter shows over limit. Is that right?"]
    talk.say("yes")
    assert math.isinf(talk.session.taken[-1].measured.value) and "The path home is open" in talk.spoken[0]
    jumping = Talk(plan).say(*START, "it is jumping between 110 and 120")
    assert jumping.spoken == ["Between one hundred ten volts and one hundred twenty volts. Is that right?"]


def test_no_answer_that_is_not_open_moves_a_visit(plan):
    talk = Talk(plan).say(*START)
    before = talk.session
    for given in (Choice("removed", ""), Command("resume", ""), Command("end_note", ""), Choice("carry_on", "")):
        after = Talk(plan).say(*START).give(given).session
        assert (after.step, after.power, after.things, after.taken) == (
            before.step,
            before.power,
            before.things,
            before.taken,
        )
