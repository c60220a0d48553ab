"""The walk of every shipped procedure; and each rule of safety broken on purpose, to see that it is found."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from flows.errors import FlowError
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan, make_plan
from flows.procedure.schema import PROCEDURES, Answer, Go, Procedure, Sets, Step, load_procedure
from flows.procedure.session import Effect, End, Listen, Save, Say, Session, Tone
from flows.talk.dialogue import advance, begin
from flows.walk import rules as safety_rules
from flows.walk.rules import broken, proof_breaches
from flows.walk.safety import walk
from grammar.answers import Command, Heard
from grammar.parse import understand

SHIPPED = sorted(path.stem for path in PROCEDURES.glob("*.yaml") if path.stem.count(".") == 0)
SMALL = str(Path(__file__).with_name("small_procedure.yaml"))

AIR = ("the air is clear",)
VOLTS = ("dial is on volts", "red sits in the volt hole")
LIVE = ("118", "yes")
OFF = ("i opened the switch", "everything is shut down")
PROOF = ("118", "yes", "0", "yes", "118", "yes")
OHMS = ("now it reads ohms", "0.5", "yes")
SERIES = ("it is on microamps", "clips are on")
ON = ("furnace is running", "it has woken up")
CURRENT = ("3.5", "yes")
UNCLIP = ("clips are in my hand", "the rod is bare")
TO_LIVE = (*AIR, *VOLTS)
TO_DEAD = (*TO_LIVE, *LIVE, *OFF, *PROOF)
TO_CLIPS = (*TO_DEAD, *OHMS, *SERIES)
WHOLE = (*TO_CLIPS, *ON, *CURRENT, *OFF, *UNCLIP, *VOLTS)
DANGER = (*TO_LIVE, "140", "yes")


@pytest.fixture(scope="module", params=[*SHIPPED, SMALL], ids=[*SHIPPED, "small_procedure"])
def walked(request):
    return walk(load_plan(request.param, equipment("larkspur"), meter("dunlin")))


def test_no_rule_is_broken_anywhere(walked, capsys):
    with capsys.disabled():
        print(f"\n  walked {walked.states} states, {walked.moves} answers")
    assert walked.breaches == ()


def test_every_step_can_be_reached_and_every_state_can_end(walked):
    assert walked.steps_never == ()
    assert walked.stuck == ()
    # What only asks is walked once for each step, what moves a visit in every state: some ten answers a state at least.
    assert walked.states > 100 and walked.moves > 10 * walked.states


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan(SMALL, equipment("larkspur"), meter("dunlin"))


def steps_of(**changed: Step) -> Plan:
    """The small procedure with some steps replaced, compiled without the checks that would refuse it."""
    return whole(steps={**load_procedure(SMALL).steps, **changed})


def whole(**changed: object) -> Plan:
    return make_plan(load_procedure(SMALL).model_copy(update=changed), equipment("larkspur"), meter("dunlin"))


def step(name: str, **changed: object) -> Step:
    return load_procedure(SMALL).steps[name].model_copy(update=changed)


Move = tuple[Session, object, Session, list[Effect]]


def moves(plan: Plan, *said: str) -> Iterator[Move]:
    """(before, given, after, effects) of every move of a visit, as each of `said` is understood where it is said."""
    session, effects = begin(plan)
    yield session, None, session, effects
    for text in said:
        scope = next(one.scope for one in reversed(effects) if isinstance(one, Listen))
        given = understand(Heard(text), scope)
        after, effects = advance(plan, session, given)
        yield session, given, after, effects
        session = after


def last(plan: Plan, *said: str) -> Move:
    return list(moves(plan, *said))[-1]


def found(plan: Plan, *said: str) -> set[str]:
    """Every rule that a visit breaks on its way."""
    return {rule for move in moves(plan, *said) for rule in broken(plan, *move)}


def tampered(plan: Plan, move: Move, before=None, given=None, after=None, effects=None) -> set[str]:
    """The rules that a move breaks when some of it is put otherwise; sound as it was."""
    was, answer, then, done = move
    assert set(broken(plan, *move)) == set()
    return set(broken(plan, before or was, given or answer, after or then, done if effects is None else effects))


def without(effects: list[Effect], *kinds: type | str) -> list[Effect]:
    """Effects without those of a class, or without the lines and journal entries so named."""
    names = {one for one in kinds if isinstance(one, str)}
    classes = tuple(one for one in kinds if not isinstance(one, str))
    return [
        one
        for one in effects
        if not (classes and isinstance(one, classes))
        and not (isinstance(one, Say) and one.line in names)
        and not (isinstance(one, Save) and one.kind in names)
    ]


def placed(session: Session, **places: str) -> Session:
    return replace(session, things=tuple((thing, places.get(thing, place)) for thing, place in session.things))


def test_the_small_procedure_breaks_none_when_it_is_done_as_written(plan):
    assert found(plan, *WHOLE) == set()
    *_, (_, _, session, effects) = moves(plan, *WHOLE)
    assert isinstance(effects[-1], End) and effects[-1].how == "finished" and session.where("leads") == "in_hand"


# Each of these breaks one rule: a step of the procedure, or what the dialogue made of an answer.


def spoken_with_things_elsewhere(plan):
    return tampered(plan, last(plan, *TO_LIVE), after=placed(last(plan, *TO_LIVE)[2], red_jack="microamps"))


def spoken_on_other_power(plan):
    return tampered(
        plan, last(plan, *TO_LIVE, *LIVE, *OFF), after=replace(last(plan, *TO_LIVE, *LIVE, *OFF)[2], power="on")
    )


def no_ears_for_gas(plan):
    move = last(plan, *AIR)
    deaf = [replace(one, scope=replace(one.scope, commands=())) if isinstance(one, Listen) else one for one in move[3]]
    return tampered(plan, move, effects=deaf)


def ohms_on_live_power(plan):
    """The step says that it may be spoken at any power."""
    bold = steps_of(
        path=step("path", power="any"),
        dial_ohms=step("dial_ohms", power="any"),
        live=step("live", next=[Go(go="path")]),
    )
    return found(bold, *TO_LIVE, *LIVE, "now it reads ohms")


def volts_with_the_jack_unknown(plan):
    loose = step("live", at={"leads": "in_hand", "red_jack": "any", "dial": "any"})
    return found(steps_of(live=loose), *AIR)


def volts_in_the_microamp_jack(plan):
    """The jack is not put back after the current: mains through the meter's fuse."""
    loose = step("meter_first_live", at={"leads": "in_hand", "red_jack": "any", "dial": "any"})
    jack = step("meter_microamps", power="any", next=[Go(go="path")])
    return found(
        steps_of(meter_first_live=loose, meter_microamps=jack, live=step("live", next=[Go(go="meter_microamps")])),
        *TO_LIVE,
        *LIVE,
        "it is on microamps",
        *OFF,
    )


def current_without_the_clips(plan):
    loose = step("current", at={"leads": "any", "red_jack": "microamps", "dial": "dc_microamps"})
    return found(steps_of(current=loose), *TO_DEAD, *OHMS, "it is on microamps", *ON)


def dead_without_its_readings(plan):
    return tampered(
        plan, last(plan, *TO_LIVE, *LIVE, *OFF), after=replace(last(plan, *TO_LIVE, *LIVE, *OFF)[2], power="dead")
    )


def dead_by_the_last_proof_alone(plan):
    move = last(plan, *TO_DEAD)
    return tampered(plan, move, before=replace(move[0], proofs=frozenset()))


def on_by_one_answer(plan):
    once = step(
        "power_on",
        answers={
            "running": Answer.model_construct(
                phrases=["furnace is running"], sets=Sets(power="on"), evidence={}, mended={}
            )
        },
    )
    return found(steps_of(power_on=once), *TO_CLIPS, "furnace is running")


def moved_by_nobody(plan):
    move = last(plan, *TO_LIVE, "118")
    return tampered(plan, move, after=placed(move[2], leads="clipped"))


def moved_by_one_answer(plan):
    once = step(
        "clips_off",
        answers={"unhooked": Answer(phrases=["clips are in my hand"], sets=Sets(things={"leads": "in_hand"}))},
    )
    return found(steps_of(clips_off=once), *TO_CLIPS, *ON, *CURRENT, *OFF, "clips are in my hand")


def moved_on_live_power(plan):
    """Clips taken off by hand while the furnace runs."""
    hot = step("clips_off", power="any")
    return found(
        steps_of(clips_off=hot, power_off=step("power_off", at={"leads": "in_hand", "red_jack": "any", "dial": "any"})),
        *TO_CLIPS,
        *ON,
        *CURRENT,
        *UNCLIP,
    )


def touched_after_a_danger(plan):
    move = last(plan, *TO_CLIPS)
    danger = (("live", "high"),)
    before = replace(move[0], safety=danger, power="said_off")
    return tampered(plan, move, before=before, after=replace(move[2], safety=danger, power="said_off"))


def off_by_one_answer(plan):
    move = last(plan, *TO_LIVE, *LIVE, *OFF)
    return tampered(plan, move, before=replace(move[0], mode="ask"))


def on_past_a_danger(plan):
    move = last(plan, *TO_LIVE, *LIVE)
    danger = (("live", "high"),)
    after = replace(move[2], safety=danger, step="power_off", mode="ask", agenda=())
    return tampered(plan, move, before=replace(move[0], safety=danger), after=after)


def gas_without_alarm(plan):
    session, _, after, effects = last(plan, *AIR, "say again")
    return set(broken(plan, session, Command("gas", "i smell gas"), after, effects))


def alarm_left_at_once(plan):
    move = last(plan, *TO_LIVE, "i smell gas", "that was a false alarm", "the air is clear")
    return tampered(plan, move, before=replace(move[0], pending_answer=None))


def kept_unconfirmed(plan):
    move = last(plan, *TO_LIVE, *LIVE)
    return tampered(plan, move, before=replace(move[0], mode="ask"))


def spoken_before_it_is_on_disk(plan):
    move = last(plan, *TO_LIVE, *LIVE)
    return tampered(plan, move, effects=[Say("Good.", "verdict", "live/pass"), *move[3]])


def nobody_listens(plan):
    return tampered(plan, last(plan, *AIR), effects=without(last(plan, *AIR)[3], Listen))


def danger_unsaid(plan):
    return tampered(plan, last(plan, *DANGER), effects=without(last(plan, *DANGER)[3], "live/danger/high"))


def danger_unwritten(plan):
    return tampered(plan, last(plan, *DANGER), effects=without(last(plan, *DANGER)[3], "safety"))


def danger_dropped(plan):
    move = last(plan, *DANGER, "once more please")
    return tampered(plan, move, after=replace(move[2], safety=()))


def danger_of_a_proof_dropped_by_its_own_pass(plan):
    """Power found with the switch off is taken back by the whole proof, not by one good reading."""
    found_live = (("nothing_there", "high"),)
    move = last(plan, *TO_LIVE, *LIVE, *OFF, *PROOF[:4])
    return tampered(plan, move, before=replace(move[0], safety=found_live))


def danger_not_standing(plan):
    move = last(plan, *DANGER)
    return tampered(plan, move, after=replace(move[2], safety=()))


def done_without_a_verdict(plan):
    move = last(plan, *TO_LIVE, *LIVE)
    return tampered(plan, move, effects=without(move[3], "verdict"))


def on_past_what_was_not_judged(plan):
    move = last(plan, *TO_LIVE, *LIVE)
    after = replace(move[2], done=move[2].done - {"live"}, verdicts=())
    return tampered(plan, move, after=after, effects=without(move[3], "verdict"))


def ends_with_the_clips_on(plan):
    """The end does not ask for the leads."""
    loose = step("finished", at="anywhere")
    return found(steps_of(finished=loose), *TO_CLIPS, *ON, *CURRENT, *OFF)


def ends_live_with_a_danger(plan):
    loose = step("stopped", power="any")
    return found(steps_of(stopped=loose), *DANGER, "stop")


def ends_without_a_word_on_the_danger(plan):
    move = last(plan, *DANGER, "stop", *OFF)
    return tampered(plan, move, effects=without(move[3], "live/danger/high"))


def ends_as_if_all_were_done(plan):
    move = last(plan, *TO_LIVE, "stop", *OFF)
    good = [End("finished") if isinstance(one, End) else one for one in without(move[3], "not_done")]
    return tampered(plan, move, effects=good)


def missing_is_not_the_last_word(plan):
    move = last(plan, *TO_LIVE, "stop", *OFF)
    return tampered(plan, move, effects=[*move[3][:-1], Say("Goodbye.", "info", "bye"), move[3][-1]])


def no_caution_first(plan):
    return tampered(plan, last(plan, *AIR), effects=without(last(plan, *AIR)[3], "meter_volts/caution"))


def put_forward(plan: Plan, step: str, **after: object) -> set[str]:
    """A step put next by the reasoning, after the supply was read."""
    choosing = replace(plan, choose=lambda *_: None)
    move = last(choosing, *TO_LIVE, *LIVE)
    pick = Save("order", {"step": step, "probe": "", "why": ""})
    return tampered(choosing, move, after=replace(move[2], **after), effects=[pick, *move[3]])


def a_check_before_the_supply(plan):
    choosing = replace(plan, choose=lambda *_: None)
    move = last(choosing, *TO_LIVE, *LIVE)
    return tampered(choosing, move, after=replace(move[2], done=frozenset()))


def put_forward_past_a_danger(plan):
    return put_forward(plan, "path", safety=(("live", "high"),))


def put_forward_and_nothing_read(plan):
    return put_forward(plan, "clip_in")


def put_forward_across_the_power(plan):
    return put_forward(plan, "path", done=frozenset())


def limit(plan: Plan, key: str, value: float) -> Plan:
    return replace(plan, limits={**plan.limits, key: plan.limits[key].model_copy(update={"value": value})})


def a_live_part_passes_as_dead(plan):
    return {rule for _, rule in proof_breaches(limit(plan, "dead_volts", 200.0))}


def a_dead_part_passes_as_live(plan):
    return {rule for _, rule in proof_breaches(limit(plan, "live_volts", -10.0))}


CASES = {
    spoken_with_things_elsewhere: "'live/say/0' is spoken while red_jack is microamps",
    spoken_on_other_power: "'meter_first_live/say/0' is spoken while power is on",
    no_ears_for_gas: "the gas alarm cannot be heard",
    ohms_on_live_power: "ohms are asked for while power is on",
    volts_with_the_jack_unknown: "ac_volts are asked for with red_jack at unset",
    volts_in_the_microamp_jack: "ac_volts are asked for with red_jack at microamps",
    current_without_the_clips: "dc_amps are asked for with leads at in_hand",
    dead_without_its_readings: "power counts as dead without its readings",
    dead_by_the_last_proof_alone: "power counts as dead without its readings",
    on_by_one_answer: "power counts as on without a second asking",
    moved_by_nobody: "'leads' comes to 'clipped' and nobody moved it",
    moved_by_one_answer: "'leads' comes to 'in_hand' by a single answer",
    moved_on_live_power: "'leads' is moved while power is on",
    off_by_one_answer: "power counts as off without a second asking",
    on_past_a_danger: "the visit goes on past the danger at 'live'",
    touched_after_a_danger: "'leads' is touched after a failed safety check on power that is not proven dead",
    gas_without_alarm: "gas does not raise the alarm",
    alarm_left_at_once: "the alarm is left without being called false, and the air clear",
    kept_unconfirmed: "a reading is kept that nobody confirmed",
    spoken_before_it_is_on_disk: "something is spoken before the reading is on disk",
    nobody_listens: "nobody listens after this answer",
    danger_unsaid: "the danger 'high' is found and not said",
    danger_unwritten: "the danger 'high' is found and not written down",
    danger_dropped: "the danger 'high' is dropped without a check that passed",
    danger_of_a_proof_dropped_by_its_own_pass: "the danger 'high' is dropped without a check that passed",
    danger_not_standing: "the danger 'high' does not stand after its check failed",
    done_without_a_verdict: "'live' counts as done, and its reading was not judged",
    on_past_what_was_not_judged: "the visit goes on past 'live', whose reading was not judged, unasked",
    ends_with_the_clips_on: "the visit ends with 'leads' at 'clipped'",
    ends_live_with_a_danger: "the visit ends with the power on and a danger standing",
    ends_without_a_word_on_the_danger: "the visit ends without a word on the danger 'high'",
    ends_as_if_all_were_done: "the visit ends as if all checks were done",
    missing_is_not_the_last_word: "what is missing is not the last word",
    no_caution_first: "'meter_volts' is spoken without its caution first",
    a_check_before_the_supply: "'path' comes before 'live'",
    put_forward_past_a_danger: "'path' is put forward while a danger stands",
    put_forward_and_nothing_read: "'clip_in' is put forward and takes no reading",
    put_forward_across_the_power: "'path' is put forward across the power while 'live' is left",
    a_live_part_passes_as_dead: "12 V passes as dead",
    a_dead_part_passes_as_live: "0 V passes as live",
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_a_rule_that_is_broken_is_found(case, plan):
    assert CASES[case] in case(plan)


def texts_in(source: str) -> list[re.Pattern[str]]:
    """Every text that the rules can give, with anything for what is filled in."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Yield) and node.value is not None:
            text = node.value.elts[1] if isinstance(node.value, ast.Tuple) else node.value
            parts = text.values if isinstance(text, ast.JoinedStr) else [text]
            found.append(
                re.compile("".join(re.escape(part.value) if isinstance(part, ast.Constant) else ".*" for part in parts))
            )
    return found


def test_every_rule_there_is_is_broken_above():
    rules = texts_in(Path(safety_rules.__file__).read_text(encoding="utf-8"))
    assert len(rules) >= 24
    assert [rule.pattern for rule in rules if not any(rule.fullmatch(text) for text in CASES.values())] == []


# The walk itself: it comes to the breaches, to steps that nobody reaches and to states that nobody leaves.


def test_the_walk_comes_to_a_reading_with_the_jack_unknown():
    loose = step("live", at={"leads": "in_hand", "red_jack": "any", "dial": "any"})
    seen = walk(steps_of(live=loose), first_breach=True)
    assert [one.rule for one in seen.breaches if "red_jack at unset" in one.rule] != []
    assert all("live/" in one.state or "welcome/" in one.state for one in seen.breaches)


def test_the_walk_comes_to_ohms_on_live_power():
    bold = steps_of(path=step("path", power="any"), dial_ohms=step("dial_ohms", power="any"))
    assert any(one.rule == "ohms are asked for while power is on" for one in walk(bold, first_breach=True).breaches)


def test_the_walk_shows_a_live_part_to_every_proof():
    seen = walk(limit(steps_of(), "dead_volts", 200.0), first_breach=True)
    assert {(one.state, one.rule) for one in seen.breaches} == {
        ("nothing_there", f"{volts} V passes as dead") for volts in (12, 60, 120)
    }


def test_the_walk_finds_an_endless_loop():
    loop = whole(
        steps={**load_procedure(SMALL).steps, "welcome": step("welcome", next=[Go(go="welcome")])},
        leave=[Go(go="welcome")],
    )
    seen = walk(loop)
    assert seen.stuck and {"live", "path", "finished"} <= set(seen.steps_never)


def test_a_thing_that_nobody_puts_back_is_no_way_out():
    """The compiler refuses it first; without it the visit is not led on by a guess."""
    lost = steps_of(clips_off=step("clips_off", answers={"unhooked": Answer(phrases=["clips are in my hand"])}))
    with pytest.raises(FlowError, match="Nothing brings leads to in_hand"):
        found(lost, *TO_CLIPS, *ON, *CURRENT, *OFF)


def test_an_answer_that_changes_power_must_be_asked_twice():
    with pytest.raises(ValueError, match="ask it twice"):
        Answer(phrases=["power is off"], sets=Sets(power="said_off"))


def test_a_resistance_step_that_does_not_need_dead_power_is_refused():
    data = load_procedure(SMALL).model_dump()
    data["steps"]["path"]["power"] = "any"
    with pytest.raises(ValueError, match="asks for ohms needs 'power: dead'"):
        Procedure.model_validate(data)


def test_a_tone_alone_is_no_listening(plan):
    assert "nobody listens after this answer" in set(broken(plan, *last(plan, *AIR)[:3], [Tone("listening")]))
