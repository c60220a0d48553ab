"""What is told at each level, what goes without a question and is taken back, and the ways to say it.

Reading back without a question against asking: E. Krahmer, M. Swerts, M. Theune, M. Weegels, "Error detection in
spoken human-machine interaction", International Journal of Speech Technology 4 (1), 2001, 19-29 (title and abstract
looked up). They compare explicit and implicit verification; that people find the implicit one harder to correct is
told from memory. So only what passes plainly goes without a question here, and the laboratory counts what stands
wrong at the end (tests/lab/measure/talk.py).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, beginning, load_plan, on_keyboard
from flows.procedure.schema import Answer, Caution, load_procedure
from flows.procedure.session import Save, Say, Session
from flows.procedure.spoken.check import spoken_problems
from flows.talk.believed import evidence_of
from flows.talk.dialogue import advance
from flows.talk.prompts import scope_for, told_anew
from grammar.answers import Choice, Command, Reading, Unclear
from grammar.phonetics import check_apart
from tests.flows.talking import AIR, DEAD, LIVE, OFF, START, VOLTS, Talk
from tests.lab.measure.talk import plain

LIVE_ONCE = LIVE[::2]
"""The live readings, with no yes between them."""


@pytest.fixture(scope="module")
def learner() -> Plan:
    return load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))


@pytest.fixture(scope="module")
def usual(learner) -> Plan:
    return replace(learner, level="usual")


@pytest.fixture(scope="module")
def brief(learner) -> Plan:
    return replace(learner, level="brief")


def lines(talk: Talk) -> list[str]:
    return [one.line for one in talk.effects if isinstance(one, Say)]


def test_a_good_reading_is_read_back_with_its_verdict_and_the_visit_goes_on(usual):
    talk = Talk(usual).say(*START, "118.4")
    assert talk.at == "polarity_hot/ask"
    assert talk.spoken[:2] == ["one one eight point four.", "The supply is good."]
    assert talk.saved("reading")[0]["confirmed"]["how"] == "joined"
    kinds = [one.kind if isinstance(one, Save) else type(one).__name__ for one in talk.effects]
    assert kinds.index("reading") < kinds.index("Say"), "it is on disk before anything is spoken"


def test_in_brief_what_is_good_is_called_good_and_the_record_has_it_all(brief):
    talk = Talk(brief).say(*START, "118.4")
    assert talk.spoken[:2] == ["one one eight point four.", "Good."]
    assert talk.saved("verdict")[0]["text"] == "The supply is good."


def test_a_learner_is_asked_about_every_reading(learner):
    assert Talk(learner).say(*START, "118.4").at == "supply/confirm"


@pytest.mark.parametrize("level", ["usual", "brief"])
@pytest.mark.parametrize(
    ("given", "why"),
    [
        ("101", "it fails"),
        ("104.2", "too close to call"),
        ("105", "near an edge"),
        ("131", "far from what is expected"),
        ("between 118 and 119", "a display that moves"),
        ("over limit", "no number"),
    ],
)
def test_what_decides_something_is_asked_about_first(learner, level, given, why):
    talk = Talk(replace(learner, level=level)).say(*START, given)
    assert talk.at == "supply/confirm" and talk.saved("reading") == [], why


def test_a_teen_is_still_asked_digit_by_digit(usual):
    assert Talk(usual).say(*START, "one eighteen").at == "supply/digits"


def test_after_a_doubt_or_a_miss_the_reading_is_asked_about(usual):
    doubted = Reading(118.4, 118.4, 118.4, 0.1, "ac_volts", "volt", False, False, "", "118.4")
    talk = Talk(usual).say(*START)
    assert talk.give(Unclear("doubtful", "", doubted)).say("118.4").at == "supply/confirm"
    assert Talk(usual).say(*START).give(Unclear("nothing", "")).say("118.4").at == "supply/confirm"


def test_the_proof_of_dead_power_is_asked_about_reading_by_reading(brief):
    talk = Talk(brief).say(*START, *LIVE_ONCE, *OFF)
    assert talk.at == "meter_live/ask"
    for number, (given, yes) in enumerate(zip(DEAD[2::2], DEAD[3::2], strict=True)):
        talk.say(given)
        assert talk.session.mode == "confirm" and talk.saved("reading") == []
        talk.say(yes)
        assert (talk.session.power == "dead") == (number == 4)


def test_a_reading_after_a_mending_or_a_going_back_is_asked_about(usual):
    assert Talk(usual).say(*START, "118.4", "go back", "118.4").at == "supply/confirm"


@pytest.mark.parametrize("words", ["no", "that is wrong", "change that"])
def test_what_was_taken_is_taken_back_and_asked_again(usual, words):
    talk = Talk(usual).say(*START, "118.4", words)
    assert talk.at == "supply/ask" and talk.session.taken == () and talk.session.verdicts == ()
    assert "supply" not in talk.session.done and evidence_of(talk.session) == {}
    assert talk.spoken[0] == "I take that back. We take it again: Supply voltage."
    assert talk.saved("retaken") == [{"step": "supply", "probe": "supply_hot_neutral"}]
    talk.say("119.1")
    assert talk.at == "supply/confirm", "what was taken back once is asked about"
    assert talk.say("yes").at == "polarity_hot/ask"
    assert [one["value"] for one in talk.all_saved("reading")] == [118.4, 119.1], "the record has both"
    assert {name: one.value for name, one in evidence_of(talk.session).items()} == {"supply_hot_neutral": 119.1}


def test_no_with_the_right_value_takes_it_back_and_asks_about_that(usual):
    talk = Talk(usual).say(*START, "118.4", "no one one nine point one")
    assert talk.at == "supply/confirm" and talk.session.taken == ()
    assert talk.spoken[-1] == "one one nine point one volts. Is that right?"
    assert talk.say("yes").saved("reading")[0]["value"] == 119.1


def test_until_what_was_taken_back_is_there_again_every_reading_is_asked_about(usual):
    talk = Talk(usual).say(*START, *LIVE_ONCE, *OFF, "change that", "furnace is running", "it has woken up", "89")
    assert talk.at == "rod_voltage/confirm", "also where the way back to it was long"
    assert talk.say("yes").session.recalled == ""


def test_a_correction_meant_for_another_quantity_is_asked_for_anew(usual):
    talk = Talk(usual).say(*START, *LIVE_ONCE, *DEAD, "now it reads ohms", "0.2", "0.7")
    assert talk.session.unasked == "ground_path"
    assert talk.say("no").at == "ground_path/ask"


def test_it_can_be_taken_back_until_the_next_reading_is_confirmed(usual):
    talk = Talk(usual).say(*START, *LIVE_ONCE)
    assert talk.session.unasked == "rod_voltage" and talk.at == "power_off/ask"
    asked = Talk(usual).say(*START, *LIVE_ONCE, *OFF)
    assert asked.at == "meter_live/ask" and asked.session.unasked == "rod_voltage"
    confirmed = asked.say("118.4", "yes")
    assert confirmed.session.unasked == "" and "no" not in {one.id for one in confirmed.scope.options}
    talk.say("no")
    assert talk.at == "rod_voltage/ask" and talk.session.power == "on", "the power is still on: it is read at once"


def test_taken_back_with_the_power_off_the_way_to_it_is_said_and_confirmed(usual):
    talk = Talk(usual).say(*START, *LIVE_ONCE, *OFF, "change that")
    assert talk.session.power == "said_off" and talk.at == "power_on_test/ask"
    assert talk.say("furnace is running", "it has woken up").at == "rod_voltage/ask"


def test_a_second_reading_read_back_is_no_longer_the_first_ones_no(usual):
    talk = Talk(usual).say(*START, "118.4", "131")
    assert talk.at == "polarity_hot/confirm"
    talk.say("no")
    assert talk.at == "polarity_hot/ask" and [one.step for one in talk.session.taken] == ["supply"]


def test_a_yes_out_of_habit_does_no_harm(usual):
    talk = Talk(usual).say(*START, "118.4", "yes")
    assert talk.at == "polarity_hot/ask" and talk.spoken == [] and talk.session.unasked == "supply"
    assert Talk(usual).say(*START, *LIVE).say(*OFF).session.power == "said_off"


def test_what_was_still_open_is_come_back_to_after_what_was_taken_back(usual):
    talk = Talk(usual).say(*START, *LIVE_ONCE, *OFF, "change that", "furnace is running", "it has woken up")
    again = talk.say(LIVE_ONCE[-1], "yes")
    assert again.session.done >= {"rod_voltage"} and again.at == "power_off/ask"
    assert again.session.agenda == Talk(usual).say(*START, *LIVE_ONCE).session.agenda


def test_what_no_way_leads_back_to_is_left_out_and_that_is_said(usual, monkeypatch):
    monkeypatch.setattr("flows.talk.accepting.reachable", lambda *_: False)
    talk = Talk(usual).say(*START, "118.4", "change that")
    assert talk.at == "polarity_hot/ask" and talk.session.skipped == ("supply",) and talk.session.taken == ()
    assert talk.spoken[0] == "I take that back. We can't take it again now, so it is left out: Supply voltage."
    assert [one["step"] for one in talk.saved("skipped")] == ["supply"]


def test_a_danger_that_holds_the_visit_holds_it_where_only_a_thing_moves_next_too():
    """The leak of an igniter was found when it was measured again, on the way to closing the clamp."""
    igniter = replace(load_plan("igniter_check", equipment("larkspur"), meter("dunlin")), level="usual")
    apart = {"leads": "in_hand", "red_jack": "volts", "dial": "ohms", "covers": "removed", "plug": "apart"}
    session = replace(
        beginning(igniter),
        step="plug_back",
        mode="again",
        pending_answer="closed",
        power="dead",
        proofs=frozenset(igniter.procedure.dead_proof),
        things=tuple((thing, apart.get(thing, place)) for thing, place in beginning(igniter).things),
        safety=(("leak_ohms", "low"),),
        agenda=("clamp_around",),
    )
    after, effects = advance(igniter, session, Choice("closed", "it holds fast"))
    assert after.safety and (after.step, after.mode) == ("leak_ohms", "offer")
    assert "clamp_around" not in {one.line.split("/")[0] for one in effects if isinstance(one, Say)}


def test_a_test_that_looks_for_a_fault_is_always_asked_about(usual):
    name, extra = next((name, one) for name, one in usual.procedure.steps.items() if one.extra and one.ask)
    expected = extra.ask.expect[0].value if extra.ask.expect else 1.0
    reading = Reading(expected, expected, expected, 0.1, extra.ask.quantity, extra.ask.unit, True, False, "", "1")
    after, _ = advance(usual, Session(name, level="usual", things=beginning(usual).things), reading)
    assert after.mode == "confirm" and after.unasked == ""


def test_on_the_way_out_what_is_taken_back_is_missing(usual):
    talk = Talk(usual).say(*START, "118.4", "stop", "no")
    assert talk.session.leaving and talk.session.taken == () and "supply" not in talk.session.done
    assert talk.at == "power_off/ask"


def test_where_an_answer_begins_with_no_only_change_that_takes_back(usual):
    session = Session("flame_seen", level="usual", unasked="ground_path")
    scope = scope_for(usual, session)
    assert "no" not in {one.id for one in scope.options} and "change" in scope.commands


def test_answers_open_with_a_reading_to_take_back_sound_nothing_alike(usual):
    alike = []
    taken = Talk(usual).say(*START, *LIVE_ONCE).session.taken
    for name, step in usual.procedure.steps.items():
        if not step.end:
            session = Session(name, level="usual", unasked="supply", taken=taken)
            alike += [(name, one.first, one.second) for one in check_apart(scope_for(usual, session))]
    assert [one for one in alike if not all(part.startswith("what did i say") for part in one[1:])] == []


# What is said.


def test_a_phrase_is_taught_once(usual):
    talk = Talk(usual).say(*AIR, *VOLTS)
    assert "Then say: I opened the switch." in talk.spoken
    talk.say(*OFF, "covers are off", "rod wire is off", "door switch is held", "furnace is running", "it has woken up")
    talk.say(*LIVE_ONCE)
    assert talk.at == "power_off/ask" and "Then say: I opened the switch." not in talk.spoken
    assert talk.say("i opened the switch").spoken == ["To be sure, is it locked out?"]
    talk.say("say again")
    assert talk.spoken == ["To be sure, is it locked out?"]
    talk.give(Unclear("not_open", "what"))
    assert "everything is shut down" in talk.spoken[0], "who does not know it is told"


def test_asked_again_a_step_is_told_in_full(brief):
    talk = Talk(brief).say(*START, "118.4")
    assert "Tell me the volts." not in talk.spoken
    assert talk.say("say again").spoken[-1] == "Tell me the volts."


def test_the_full_caution_comes_once_for_each_danger(usual, learner):
    def cautions(plan):
        talk = Talk(plan).say(*START, *(LIVE if plan.level == "learner" else LIVE_ONCE))
        return [one.text for one in talk.everything if isinstance(one, Say) and one.role == "caution"]

    assert cautions(learner).count("Still live. Only touch the handles.") == 2
    told = cautions(usual)
    assert any(one.startswith("This is a live test.") for one in told)
    assert told.count("Live test.") == 2 and "Still live. Only touch the handles." not in told
    assert "The end of the rod wire is live. It can bite. Touch it with the lead tip only." in told


def test_who_has_not_heard_the_fullest_caution_hears_the_next_one_in_full(brief):
    talk = Talk(brief).say(*START[:-2])
    jumped = replace(talk.session, spoken=frozenset({"polarity_hot"}), step="polarity_neutral", power="on")
    told = [one.text for one in told_anew(brief, jumped) if one.role == "caution"]
    assert told == [brief.step("polarity_neutral").caution.full]


def test_who_has_finished_a_visit_and_wants_little_is_not_taught_again(brief):
    known = Talk(replace(brief, knows=True)).say(*AIR)
    assert not [one for one in known.spoken if one.startswith("Then say")]
    assert known.spoken[-1].startswith("Tips touch nothing.")


def test_short_words_by_voice_and_more_again(learner):
    talk = Talk(learner).say(*AIR, "short words please")
    assert talk.session.level == "usual" and talk.saved("talk") == [{"level": "usual", "step": "meter_volts"}]
    assert talk.say("use few words").session.level == "brief"
    assert talk.say("short words please").session.level == "brief"
    talk.say("tell me the details")
    assert talk.session.level == "usual" and "Then say: dial is on volts." in talk.spoken
    assert talk.say("tell me more").session.level == "learner"


def test_a_visit_that_went_well_is_offered_fewer_words(usual, brief):
    assert any("short words please" in one for one in plain(usual).sentences)
    assert not any("If you want to hear less" in one for one in plain(brief).sentences)


def test_the_quantity_is_asked_for_in_a_sentence_of_its_own_unless_it_is_known(brief):
    asking = "Tell me the volts."
    assert plain(brief).sentences.count(asking) == 1
    assert asking not in plain(replace(brief, knows=True)).sentences


# Ways to say it.


@pytest.mark.parametrize(
    "words", ["ready", "ok", "okay", "clear", "done", "go ahead", "yep", "i am ready", "ready to go"]
)
def test_a_plain_go_ahead_in_many_ways(learner, words):
    assert Talk(learner).say("the air is clear", words).at == "meter_volts/ask"


@pytest.mark.parametrize("words", ["ok", "done", "yes", "ready", "go ahead", "clear", "yep"])
def test_none_of_them_answers_what_is_safe(learner, words):
    for before in ((), AIR, (*AIR, "dial is on volts"), (*AIR, *VOLTS), (*AIR, *VOLTS, "i opened the switch")):
        talk = Talk(learner).say(*before)
        at = talk.at
        assert talk.say(words).at == at, before


def test_none_of_them_calls_a_gas_alarm_off(learner):
    talk = Talk(learner).say(*START, "i smell gas")
    for words in ("yes", "ok", "clear", "done", "1", "next"):
        assert talk.say(words).session.mode == "alarm" and talk.session.pending_answer is None


@pytest.mark.parametrize("words", ["yes", "yep", "correct", "that's right", "that is right", "yes it is", "ok"])
def test_yes_in_many_ways(learner, words):
    assert Talk(learner).say(*START, "118.4", words).at == "polarity_hot/ask"


@pytest.mark.parametrize("words", ["118,4", "118.4", "118.4 volts"])
def test_a_comma_or_a_point_from_the_keyboard(learner, words):
    assert Talk(learner).say(*START, words).session.pending.value == pytest.approx(118.4)


@pytest.mark.parametrize("words", ["status", "how far are we", "how much is left"])
def test_how_far_it_is(usual, words):
    talk = Talk(usual).say(*START, *LIVE_ONCE, words)
    assert talk.at == "power_off/ask"
    assert talk.spoken == ["Checks done: five. Checks left: six. About so many minutes of talk: five."]


def test_what_was_said_for_a_check(usual):
    talk = Talk(usual).say(*START, "118.4", "118.2")
    assert talk.say("what did i say for supply voltage").spoken == [
        "Supply voltage: you said one hundred eighteen point four volts."
    ]
    assert talk.say("what did i say for hot to ground").spoken[0].startswith("Hot to ground: you said")
    assert talk.at == "polarity_neutral/ask"
    assert "said_for:secondary" not in {one.id for one in talk.scope.options}


def test_next_after_a_check_that_did_not_pass(learner):
    assert Talk(learner).say(*START, "101", "yes", "next").at == "polarity_hot/ask"


def test_what_was_not_heard_is_answered_otherwise_than_what_was_not_understood(learner):
    silent, odd = Talk(learner).say(*START), Talk(learner).say(*START)
    assert silent.give(Unclear("nothing", "")).spoken == ["I did not hear that. Please say it again."]
    assert odd.give(Unclear("not_open", "banana")).spoken[0].startswith("I heard you, but that does not fit here.")


def test_who_types_is_told_to_type(learner):
    talk = Talk(on_keyboard(learner)).say(*AIR)
    assert "Then type: dial is on volts." in talk.spoken
    spoken = []
    for _ in range(6):
        talk.give(Unclear("nothing", ""))
        spoken += talk.spoken
    talk.give(Unclear("not_open", "x"))
    spoken += talk.spoken
    assert set(spoken[:6]) == {"There was nothing in that line. Please type it again."}
    assert spoken[-1] == "I read that, but it does not fit here. Type: dial is on volts."
    assert not any(word in one for one in spoken for word in ("fan", "hear", "microphone", "say"))


def test_spanish_is_told_so_too():
    talk = Talk(on_keyboard(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"), "es")))
    assert "Si alguna vez huele a gas, escribe: huele a gas." in talk.spoken
    assert talk.give(Unclear("nothing", "")).spoken == ["Esa línea vino sin nada. Escribe otra vez, por favor."]
    talk.say("el aire está limpio", "listo")
    assert talk.at == "meter_volts/ask" and talk.say("habla corto").session.level == "usual"
    assert talk.say("cuánto falta").spoken[0].startswith("Ya hechos: cero.")
    assert talk.say("cuéntame más").session.level == "learner"


# The short sentences are held to what the long ones say.


@pytest.mark.parametrize(
    ("step", "short", "words"),
    [
        ("meter_volts", "Red lead in the volts jack, dial on A C volts.", "tips touch nothing"),
        ("meter_volts", "Touch nothing with the tips. Dial on A C volts.", "'set' brings 'red_jack' to 'volts'"),
        (
            "meter_volts",
            "Touch nothing with the tips. Red lead in the volts jack.",
            "'set' brings 'dial' to 'ac_volts'",
        ),
        ("supply", "Dial on A C volts. Red lead on hot.", "the place 'neutral'"),
        ("supply", "Red lead on hot, black lead on neutral.", "'dial'"),
        ("supply", "Dial on A C volts. Red lead on neutral, black lead on hot.", "puts the red lead on"),
        ("jumper_off", "Off R and W.", "'jumper'"),
        ("clips_off", "Both clips off the rod.", "'rod_wire'"),
        ("covers_off", "Out of the way.", "'covers'"),
        ("power_off", "Lock it.", "'power'"),
        (
            "flame_out",
            "Look at the burner. No flame with the switch off, say: the flame is gone. Gas.",
            "how to get out",
        ),
        (
            "supply",
            "Dial on A C volts. Red probe on hot, red lead, black lead on neutral.",
            "'probe' must not be spoken",
        ),
    ],
)
def test_a_short_form_that_drops_something_is_refused(step, short, words):
    procedure = load_procedure("flame_sensing")
    assert spoken_problems(procedure) == []
    broken = procedure.model_copy(
        update={"steps": {**procedure.steps, step: procedure.steps[step].model_copy(update={"short": [short]})}}
    )
    told = " ".join(what for _, what, _ in spoken_problems(broken))
    assert words in told


def test_an_answer_that_counts_keeps_words_of_its_own():
    with pytest.raises(ValueError, match="words of its own"):
        Answer.model_validate({"phrases": ["it burns"], "outcome": "pass", "go_ahead": True})


def test_a_procedure_kept_before_these_fields_is_written_down_as_it_was():
    assert Caution(full="Live part.", short="Live.").model_dump() == {"full": "Live part.", "short": "Live."}
    assert "go_ahead" not in Answer(phrases=["it burns"]).model_dump()
    step = load_procedure("flame_sensing").steps["hold_door"]
    assert "short" not in step.model_dump() and "short" in load_procedure("flame_sensing").steps["supply"].model_dump()


def test_a_late_no_is_no_answer_to_anything_else(usual):
    talk = Talk(usual).say(*AIR)
    assert talk.give(Choice("no", "no")).at == "meter_volts/ask" and talk.saved("retaken") == []


def test_what_is_taken_again_on_the_way_does_not_lose_what_the_visit_was_on_its_way_to(usual):
    """A danger is to be measured again; an earlier reading was taken back on the way, and fails."""
    talk = Talk(usual).say(*START, *LIVE_ONCE[:2], "71", "yes")
    assert talk.at == "polarity_neutral/offer"
    supply = replace(
        talk.session, step="supply", agenda=("polarity_hot", "polarity_neutral"), unasked="", recalled="supply"
    )
    for given in (Choice("take_again", "once more please"), Command("change", "change that")):
        after, _ = advance(usual, supply, given)
        assert (after.step, after.agenda) == ("supply", ("polarity_hot", "polarity_neutral"))
