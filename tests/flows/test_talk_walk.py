"""The walk at the levels that tell less; and each of their rules broken on purpose, to see that it is found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from flows.procedure.session import Listen, Save, Say, Tone
from flows.talk.dialogue import advance
from flows.walk import talk_rules
from flows.walk.rules import broken
from flows.walk.safety import walk
from grammar.answers import Choice, Command
from tests.flows.test_safety_walk import (
    AIR,
    OFF,
    OHMS,
    PROOF,
    SMALL,
    TO_LIVE,
    last,
    moves,
    tampered,
    texts_in,
    without,
)
from tests.lab.measure.talk import confirmations, plain

ACCEPTED = (*TO_LIVE, "118")
"""At a level that tells less, the supply is taken with no question of its own."""


@pytest.fixture(scope="module")
def plan() -> Plan:
    return replace(load_plan(SMALL, equipment("larkspur"), meter("dunlin")), level="usual")


def test_no_rule_is_broken_where_less_is_told(plan, monkeypatch, capsys):
    """What is taken unasked, and taken back, is walked too. The flame-sensing circuit is walked so by
    `python -m tests.lab walk flame_sensing --in-order --talk usual`; "brief" has other words and the same ways."""
    seen = set()

    def watching(plan, before, given, after, effects):
        if talk_rules.kept_unasked(before, after, effects):
            seen.add(("taken", before.step))
        if len(after.taken) == len(before.taken) - 1:
            seen.add(("taken back", before.unasked, given.id))
        yield from broken(plan, before, given, after, effects)

    monkeypatch.setattr("flows.walk.safety.broken", watching)
    walked = walk(plan)
    with capsys.disabled():
        print(f"\n  walked {walked.states} states, {walked.moves} answers of the small procedure, telling less")
    assert (walked.breaches, walked.steps_never, walked.stuck) == ((), (), ())
    for name in ("live", "path", "current"):
        assert {("taken", name), ("taken back", name, "no"), ("taken back", name, "change")} <= seen
    assert not {one for one in seen if one[1] in ("meter_first_live", "nothing_there", "meter_last_live")}


def test_the_same_answers_are_asked_twice_and_the_same_proofs_asked_about_at_every_level():
    """No change of the power, no thing that is only believed twice, and no proof of dead power comes by fewer
    answers: shown on the whole visit of the flame-sensing circuit."""
    found = {
        level: confirmations(
            plain(replace(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin")), level=level))
        )
        for level in ("learner", "usual", "brief")
    }
    assert found["learner"].count("proof yes") == 5 and len(found["learner"]) == 5 + 12
    assert found["usual"] == found["learner"] == found["brief"]


def test_the_small_procedure_breaks_no_rule_with_readings_taken_unasked_and_taken_back(plan):
    said = (*ACCEPTED, "no", "119", "yes", *OFF, *PROOF, *OHMS[:2], "change that", "0.4", "yes")
    assert {rule for move in moves(plan, *said) for rule in broken(plan, *move)} == set()


# Each of these breaks one rule: what the dialogue made of an answer, put otherwise.


def a_learner_is_not_asked(plan):
    move = last(plan, *ACCEPTED)
    return tampered(plan, move, before=replace(move[0], level="learner"), after=replace(move[2], level="learner"))


def a_proof_unasked(plan):
    """The proof's answer as if it had been taken at once."""
    move = last(plan, *TO_LIVE, "118", *OFF, "118", "yes")
    return tampered(plan, move, before=replace(move[0], mode="ask"), after=replace(move[2], unasked="meter_first_live"))


def a_fail_unasked(plan):
    move = last(plan, *TO_LIVE, "90", "yes")
    return tampered(plan, move, before=replace(move[0], mode="ask"), after=replace(move[2], unasked="live"))


def a_doubt_unasked(plan):
    move = last(plan, *ACCEPTED)
    return tampered(plan, move, before=replace(move[0], misses=1))


def the_second_one_unasked(plan):
    """What was read before, and is read anew, decides which of the two is right."""
    move = last(plan, *ACCEPTED)
    return tampered(plan, move, before=replace(move[0], taken=move[2].taken))


def power_moves_with_it(plan):
    move = last(plan, *ACCEPTED)
    return tampered(plan, move, before=replace(move[0], power="doubt"))


def not_read_back(plan):
    move = last(plan, *ACCEPTED)
    return tampered(plan, move, effects=without(move[3], "taken_as"))


def another_one_is_the_last(plan):
    move = last(plan, *ACCEPTED)
    return tampered(plan, move, after=replace(move[2], taken=()))


def no_way_to_take_it_back(plan):
    move = last(plan, *ACCEPTED)
    deaf = [
        replace(one, scope=replace(one.scope, commands=("gas",))) if isinstance(one, Listen) else one for one in move[3]
    ]
    return tampered(plan, move, effects=deaf)


def change_that_is_not_done(plan):
    move = last(plan, *ACCEPTED, "say again")
    return tampered(plan, move, given=Command("change", "change that"))


def lost_unasked(plan):
    move = last(plan, *ACCEPTED, "say again")
    return tampered(plan, move, after=replace(move[2], taken=(), unasked=""))


def taken_back_and_counts(plan):
    move = last(plan, *ACCEPTED, "no")
    return tampered(plan, move, after=replace(move[2], done=move[2].done | {"live"}))


def taken_back_and_not_written(plan):
    move = last(plan, *ACCEPTED, "no")
    return tampered(plan, move, effects=without(move[3], "retaken"))


def taken_back_and_not_asked(plan):
    move = last(plan, *ACCEPTED, "no")
    return tampered(
        plan, move, after=replace(move[2], step="power_off", agenda=()), effects=[*_told(move[3]), move[3][-1]]
    )


def taken_back_and_left_out(plan):
    move = last(plan, *ACCEPTED, "no")
    after = replace(move[2], step="power_off", agenda=(), skipped=("live",))
    return tampered(plan, move, after=after, effects=[*_told(move[3]), move[3][-1]])


def _told(effects):
    return [one for one in effects if isinstance(one, Save | Tone)]


def less_told_unasked(plan):
    move = last(plan, *AIR)
    return tampered(
        plan, move, after=replace(move[2], level="brief"), effects=[*move[3][:-1], _talk("brief"), move[3][-1]]
    )


def _talk(level):
    return Save("talk", {"level": level, "step": "live"})


def less_told_unwritten(plan):
    move = last(plan, *AIR, "short words please")
    return tampered(plan, move, effects=without(move[3], "talk"))


def never_warned_in_full(plan):
    move = last(plan, *AIR)
    short = [
        replace(one, text="Look.") if isinstance(one, Say) and one.line == "meter_volts/caution" else one
        for one in move[3]
    ]
    return tampered(plan, move, effects=short)


CASES = {
    a_learner_is_not_asked: "a learner is not asked about a reading",
    a_proof_unasked: "a reading that proves something is taken at 'meter_first_live' without a question",
    a_fail_unasked: "a reading that is no plain pass is taken at 'live' without a question",
    a_doubt_unasked: "a reading in doubt is taken at 'live' without a question",
    the_second_one_unasked: "a reading that decides something is taken at 'live' without a question",
    power_moves_with_it: "power, things or dangers change with what is taken at 'live' without a question",
    not_read_back: "what is taken at 'live' without a question is not read back first",
    another_one_is_the_last: "what may be taken back is not the last reading",
    no_way_to_take_it_back: "what was taken without a question cannot be taken back",
    change_that_is_not_done: "a reading is not taken back when that is asked for",
    lost_unasked: "a reading is lost that nobody took back",
    taken_back_and_counts: "'live' was taken back and still counts",
    taken_back_and_not_written: "'live' was taken back and that is not on disk before something is spoken",
    taken_back_and_not_asked: "'live' was taken back and is not asked for again",
    taken_back_and_left_out: "'live' was taken back and left out, and could be taken again",
    less_told_unasked: "less or more is told and nobody asked for it",
    less_told_unwritten: "less or more is told and that is not written down",
    never_warned_in_full: "the danger at 'meter_volts' was never told in full",
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_a_rule_that_is_broken_is_found(case, plan):
    assert CASES[case] in case(plan)


def test_every_rule_of_telling_less_is_broken_above():
    rules = texts_in(Path(talk_rules.__file__).read_text(encoding="utf-8"))
    assert len(rules) == len(CASES)
    assert [rule.pattern for rule in rules if not any(rule.fullmatch(text) for text in CASES.values())] == []


# Breaking what decides, so that the walk itself must come upon it.


def test_the_walk_finds_a_failed_reading_that_goes_unasked(plan, monkeypatch):
    monkeypatch.setattr("flows.talk.accepting._plainly_good", lambda *_: True)
    rules = {one.rule for one in walk(plan, first_breach=True).breaches}
    assert any("no plain pass" in rule or "change with what is taken" in rule for rule in rules)


def test_a_proof_that_goes_unasked_is_found_on_the_way(plan, monkeypatch):
    monkeypatch.setattr("flows.talk.accepting._may_be", lambda plan, session, reading: session.mode == "ask")
    monkeypatch.setattr("flows.talk.accepting._plainly_good", lambda plan, before, after: after.mode == "ask")
    on_the_way = (*ACCEPTED, *OFF, "118", "0", "118")
    rules = {rule for move in moves(plan, *on_the_way) for rule in broken(plan, *move)}
    assert "a reading that proves something is taken at 'nothing_there' without a question" in rules
    assert "power counts as dead without its readings" in rules


def test_the_walk_finds_a_reading_that_counts_after_it_was_taken_back(plan, monkeypatch):
    def forgetful(plan, session, correction=None):
        return replace(session, unasked="", taken=session.taken[:-1]), [Save("retaken", {}), Tone("listening")]

    monkeypatch.setattr("flows.talk.accepting.take_back", forgetful)
    assert any("still counts" in one.rule for one in walk(plan, first_breach=True).breaches)


def test_no_power_changes_while_a_reading_is_taken_back(plan):
    """Taken back with the power off, the reading is come to by turning the power on, said twice as ever."""
    *_, (_, _, session, _) = moves(plan, *ACCEPTED, *OFF)
    assert session.power == "said_off" and session.unasked == "live"
    after, _ = advance(plan, session, Choice("no", "no"))
    assert after.power == "said_off" and after.step == "power_on" and after.agenda == ("live",)
    assert "live" not in after.done and "live" not in dict(after.verdicts) and after.taken == ()
