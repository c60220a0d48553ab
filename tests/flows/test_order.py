"""What the fault reasoning may put forward, how a visit goes then, and the walk of every such order."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from assistant.visit.plans import order_of, ready_plan
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Pick, Plan, load_plan, make_plan
from flows.procedure.route import way_to
from flows.procedure.schema import Go, Procedure, Step, load_procedure
from flows.procedure.session import Session
from flows.talk import moving, order
from flows.talk.order import admissible, checks_at_hand, first_checks, probes_of, suspected
from flows.walk.rules import broken
from flows.walk.safety import walk
from tests.flows.hard_visits import GOOD as NOT_GOOD
from tests.flows.hard_visits import VISITS
from tests.flows.talking import LIVE, START, Talk
from tests.flows.technician import GOOD, Furnace, Technician, go_on, visited

SMALL = str(Path(__file__).with_name("small_procedure.yaml"))
EXTRA = {
    "volts_c_metal": ["0.1"],
    "volts_metal_earth": ["0.2"],
    "rod_voltage_wired": ["88"],
    "rod_post_volts": ["89"],
    "burner_metal": ["0.5"],
    "metal_board": ["0.4"],
    "wire_metal": ["0.4"],
    "c_metal": ["0.4"],
    "rod_wire_through": ["0.5"],
    "rod_wire_metal": ["over limit"],
    "rod_burner": ["over limit"],
}
"""What the extra tests read on a sound furnace of the family larkspur. Invented."""


@pytest.fixture(scope="module")
def in_order() -> Plan:
    return ready_plan("flame_sensing", "larkspur", "dunlin", typed=True)


@pytest.fixture(scope="module")
def adaptive() -> Plan:
    return ready_plan("flame_sensing", "larkspur", "dunlin", typed=True, order="adaptive")


def reads(**readings: list[str]) -> dict[str, list[str]]:
    return {**EXTRA, **readings}


def steps_read(talk: Talk) -> list[str]:
    return [one["step"] for one in talk.all_saved("reading")]


def times_proven(talk: Talk) -> int:
    return sum(one["state"] == "dead" for one in talk.all_saved("power"))


# A visit


def test_a_sound_visit_is_the_same_in_both_orders(in_order, adaptive):
    plain, plain_words = visited(in_order)
    free, free_words = visited(adaptive)
    assert free_words == plain_words and not free.all_saved("order")
    assert (free.turns, free.offs, times_proven(free)) == (68, 3, 1)
    assert free.end["summary"] == plain.end["summary"]


def test_a_sound_visit_ends_with_a_plain_verdict(adaptive):
    summary = visited(adaptive)[0].end["summary"]
    assert (
        summary.startswith("Every check is good. The circuit is sound.")
        and "So far" not in summary
        and "next" not in summary
    )
    spanish = ready_plan("flame_sensing", "larkspur", "dunlin", "es", typed=True)
    said = visited(spanish)[0].end["summary"]
    assert said.startswith("Todas las pruebas están bien. El circuito está sano.")


@pytest.mark.parametrize(
    "furnace",
    [Furnace(reads(), says={"rod_voltage": "skip this check"}), Furnace(reads(flame_current=["0.4"]))],
    ids=["skipped", "low current"],
)
def test_only_a_whole_and_good_visit_is_called_sound(in_order, furnace):
    assert "sound" not in visited(in_order, furnace)[0].end["summary"]


@pytest.mark.parametrize("visit", [one for one in VISITS if NOT_GOOD in one.never], ids=lambda one: one.name)
def test_no_visit_with_something_wrong_is_called_sound(in_order, visit):
    assert not any("circuit is sound" in text for text in Talk(in_order).say(*visit.words).all_spoken)


def test_a_poor_path_is_followed_at_once_by_its_own_test(in_order, adaptive):
    furnace = Furnace(
        reads(ground_path=["7.4"], burner_metal=["6.9"], flame_current=["0.7"]), answers={"board_proof": "drops"}
    )
    plain, free = visited(in_order, furnace)[0], visited(adaptive, furnace)[0]
    assert "burner_metal" not in steps_read(plain)
    read = steps_read(free)
    assert read[read.index("ground_path") + 1] == "burner_metal"
    assert (free.offs, times_proven(free)) == (plain.offs, times_proven(plain)) == (3, 1)
    assert plain.end["fault"] is None and free.end["fault"] == "burner_corroded"
    (put,) = free.all_saved("order")
    assert put["step"] == "burner_metal" and put["probe"] == "burner_to_chassis" and put["why"] in free.all_spoken


def test_a_low_current_is_looked_into_until_cleaning_tells(adaptive):
    furnace = Furnace(reads(flame_current=["0.4", "2.6"]), answers={"board_proof": "drops"})
    free = visited(adaptive, furnace)[0]
    put = [one["step"] for one in free.all_saved("order")]
    assert put[0] == "flame_look" and put[-1] == "clean_rod"
    assert steps_read(free)[-1] == "flame_current" and free.end["fault"] == "rod_coated" and not free.end["missing"]


def test_a_low_rod_voltage_brings_both_ends_of_the_wire_and_the_wire_on(adaptive):
    furnace = Furnace(reads(rod_voltage=["41"], flame_current=["0.3"]), answers={"board_proof": "drops"})
    free = visited(adaptive, furnace)[0]
    put = {one["step"] for one in free.all_saved("order")}
    assert {"rod_wire_through", "rod_wire_metal", "rod_post_volts", "rod_voltage_wired"} <= put
    assert not free.end["missing"] and free.end["how"] == "finished"


FOUND = {
    "low secondary": {"secondary": ["17.0"]},
    "out of phase": {"phasing": ["142.5"]},
    "low rod": {"rod_voltage": ["41"]},
    "no rod": {"rod_voltage": ["0.0"]},
    "poor path": {"ground_path": ["9.1"]},
    "low current": {"flame_current": ["0.4"]},
    "low supply": {
        "supply": ["99"],
        "polarity_hot": ["98.8"],
        "secondary": ["20.2"],
        "phasing": ["78.9"],
        "rod_voltage": ["74"],
    },
}


@pytest.mark.parametrize("found", FOUND)
def test_a_visit_breaks_no_rule_and_leaves_no_check_out(adaptive, found):
    talk = Talk(adaptive)
    technician = Technician(adaptive, Furnace(reads(**FOUND[found]), answers={"board_proof": "drops"}))
    moves, was = [], talk.session
    for _ in go_on(talk, technician):
        moves.append((was, talk.session))
        was = talk.session
    read = steps_read(talk)
    assert read[:3] == ["supply", "polarity_hot", "polarity_neutral"]
    assert set(GOOD) <= set(read) and not talk.end["missing"] and talk.end["how"] == "finished"


def test_every_move_of_an_adaptive_visit_keeps_the_rules(adaptive):
    from flows.procedure.session import Listen
    from flows.talk.dialogue import advance, begin
    from grammar.answers import Heard
    from grammar.parse import understand

    furnace = Furnace(reads(rod_voltage=["41"], flame_current=["0.4", "2.6"]), answers={"board_proof": "drops"})
    technician, (session, effects) = Technician(adaptive, furnace), begin(adaptive)
    count = 0
    while listen := next((one for one in effects if isinstance(one, Listen)), None):
        given = understand(Heard(technician.answer(listen.scope)), listen.scope)
        after, effects = advance(adaptive, session, given)
        assert list(broken(adaptive, session, given, after, effects)) == []
        session, count = after, count + 1
    assert count > 100


# What may be put forward


def test_nothing_is_put_forward_before_supply_polarity_and_ground(adaptive):
    assert first_checks(adaptive) == ("supply", "polarity_hot", "polarity_neutral")
    talk = Talk(adaptive).say(*START, "99", "yes", "next check please", "118.2", "yes")
    assert suspected(adaptive, talk.session) and talk.session.step == "polarity_neutral"
    assert admissible(adaptive, replace(talk.session, agenda=()), "polarity_neutral") == {}


def test_nothing_is_put_forward_while_all_is_good_or_a_danger_stands(adaptive):
    talk = Talk(adaptive).say(*START, *LIVE[:6])
    assert not suspected(adaptive, talk.session)
    session = replace(talk.session, step="polarity_neutral", named=("a fault",))
    assert admissible(adaptive, session, "secondary")
    assert admissible(adaptive, replace(session, safety=(("polarity_neutral", "swapped"),)), "secondary") == {}
    assert admissible(adaptive, replace(session, leaving=True), "secondary") == {}


def test_a_trip_of_the_power_waits_for_the_checks_at_hand(adaptive):
    session = replace(Talk(adaptive).say(*START, *LIVE[:6]).session, step="polarity_neutral", named=("a fault",))
    assert checks_at_hand(adaptive, session) == ("secondary", "rod_voltage")
    now = admissible(adaptive, session, "secondary")
    assert set(now) == {"secondary_r_c", "rod_to_ground", "secondary_c_ground", "chassis_to_earth"}
    done = replace(
        Talk(adaptive).say(*START, *LIVE[:10], "89").session, step="rod_voltage", named=("a fault",), agenda=()
    )
    later = admissible(adaptive, replace(done, done=done.done | {"rod_voltage"}), "lead_zero")
    assert {"board_rod_terminal", "rod_plugged_to_ground", "burner_to_chassis"} <= set(later)


def test_an_unknown_wish_of_the_reasoning_changes_nothing(in_order):
    for wish in (lambda *_: Pick("known_live_before"), lambda *_: Pick("flame_current"), lambda *_: None):
        talk = visited(replace(in_order, choose=wish), Furnace(reads(secondary=["17.0"])))[0]
        assert not talk.all_saved("order") and set(GOOD) <= set(steps_read(talk))


def test_a_skipped_test_is_not_put_forward_again(adaptive):
    furnace = Furnace(
        reads(ground_path=["7.4"], flame_current=["0.7"]),
        says={"burner_metal": "skip this check"},
        answers={"board_proof": "drops"},
    )
    free = visited(adaptive, furnace)[0]
    assert [one["step"] for one in free.all_saved("order")].count(
        "burner_metal"
    ) == 1 and "burner_metal" not in steps_read(free)


# The walk of every order


def step(name: str, **changed: object) -> Step:
    return load_procedure(SMALL).steps[name].model_copy(update=changed)


def asking(name: str, probe: str, **changed: object) -> Step:
    ask = load_procedure(SMALL).steps[name].ask
    return step(name, ask=ask.model_copy(update={"probe": probe}), judge=None, **changed)


def wide(**changed: Step) -> Plan:
    """The small procedure with supply, polarity and ground, two checks that can change places, and extra tests live
    and dead."""
    small = load_procedure(SMALL)
    more = {
        "live": step("live", next=[Go(go="polarity")]),
        "polarity": asking("live", "supply_hot_ground", check=1, next=[Go(go="neutral")]),
        "neutral": asking("live", "supply_neutral_ground", check=1, next=[Go(go="low_side")]),
        "low_side": asking("live", "secondary_r_c", check=2, next=[Go(go="rod")]),
        "rod": asking("live", "rod_to_ground", check=2, next=[Go(go="path")]),
        "path": step("path", next=[Go(go="zero")]),
        "zero": asking("path", "leads_together", check=2, next=small.steps["path"].next),
        "outside": asking("live", "chassis_to_earth", check=None, extra=True, next=[]),
        "burner": asking("path", "burner_to_chassis", check=None, extra=True, next=[]),
    }
    # The checks stand in the file in the order in which they are made.
    steps = (
        {name: one for name, one in small.steps.items() if name not in {*more, "current"}}
        | {**more, "current": small.steps["current"]}
        | changed
    )
    return make_plan(small.model_copy(update={"steps": steps}), equipment("larkspur"), meter("dunlin"))


def test_no_order_of_the_checks_breaks_a_rule(capsys):
    plan = wide()
    one, every = walk(plan), walk(plan, orders=True)
    with capsys.disabled():
        print(f"\n  in order {one.states} states, every order {every.states} states, {every.moves} answers")
    assert every.breaches == () and every.stuck == () and every.steps_never == ()
    assert every.states > one.states


def rules_of(plan: Plan) -> set[str]:
    """The rules broken in the first place where any is; all that is broken there, whatever is tried first."""
    return {one.rule for one in walk(plan, first_breach=True, orders=True).breaches}


def test_a_chooser_that_jumps_over_polarity_is_found(monkeypatch):
    monkeypatch.setattr(order, "first_checks", lambda plan: ())
    assert "'rod' comes before 'polarity'" in rules_of(wide())


def test_a_chooser_that_pays_a_trip_of_the_power_too_soon_is_found(monkeypatch):
    monkeypatch.setattr(order, "checks_near", lambda plan, session: ())
    assert any("'burner' is put forward across the power" in rule for rule in rules_of(wide()))


def test_a_chooser_that_asks_for_ohms_with_the_power_on_is_found(monkeypatch):
    monkeypatch.setattr(order, "checks_near", lambda plan, session: ())
    ways = moving.first_step
    monkeypatch.setattr(
        moving, "first_step", lambda routes, name, session: name if name == "burner" else ways(routes, name, session)
    )
    assert "ohms are asked for while power is on" in rules_of(wide())


def test_a_chooser_that_goes_past_a_danger_is_found(monkeypatch):
    allowed = order.admissible
    monkeypatch.setattr(
        order, "admissible", lambda plan, session, target: allowed(plan, replace(session, safety=()), target)
    )
    danger = load_procedure(SMALL).steps["live"]
    loose = danger.judge.model_copy(
        update={"danger": {name: one.model_copy(update={"stops": False}) for name, one in danger.judge.danger.items()}}
    )
    assert any(
        "while a danger stands" in rule
        for rule in rules_of(wide(live=step("live", judge=loose, next=[Go(go="polarity")])))
    )


def test_a_way_in_a_circle_is_found():
    """Clips before the board end, and the board end only with free leads: the one undoes the other for ever."""
    whole = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    clip = whole.step("clip_in")
    loose = {**clip.at, "board_end": "any"}
    procedure: Procedure = whole.procedure.model_copy(
        update={"steps": {**whole.procedure.steps, "clip_in": clip.model_copy(update={"at": loose})}}
    )
    things = {
        "burner": "out",
        "jumper": "none",
        "leads": "in_hand",
        "red_jack": "microamps",
        "dial": "dc_microamps",
        "rod_wire": "pulled",
        "door_switch": "held",
        "covers": "removed",
        "gas": "open",
        "board_end": "pulled",
        "thermostat": "low",
    }
    here = Session(
        "clip_in",
        power="said_off",
        things=tuple((name, things[name]) for name in procedure.kinds()),
        agenda=("jumper_on",),
    )
    assert way_to(whole.routes, "jumper_on", here) == ("wire_end_back", "clip_in", "jumper_on")
    assert way_to(make_plan(procedure, equipment("larkspur"), meter("dunlin")).routes, "jumper_on", here) is None


def test_the_dial_waits_for_the_proof_that_would_turn_it_back():
    """After a danger the door switch is held on proven dead power only, and the proof needs the dial on volts."""
    plan = load_plan("igniter_check", equipment("larkspur"), meter("dunlin"))
    stands = {
        "burner": "out",
        "leads": "in_hand",
        "red_jack": "volts",
        "dial": "ac_volts",
        "door_switch": "free",
        "covers": "removed",
        "gas": "open",
        "plug": "fitted",
        "clamp": "around",
        "thermostat": "low",
    }
    here = Session(
        "dial_amps",
        power="said_off",
        things=tuple((name, stands[name]) for name in plan.procedure.kinds()),
        safety=(("hot_neutral_dead", "high"),),
    )
    way = way_to(plan.routes, "warm_amps", here)
    assert way is not None and way[-1] == "warm_amps"
    assert (
        way.index("meter_still_live") < way.index("dial_amps") < way.index("hold_door") and way.count("dial_amps") == 1
    )


def test_the_way_depends_on_where_things_stand_and_on_nothing_else(adaptive):
    """What was done, read, skipped or named does not move the way: so the walk need not hold it."""
    session = Talk(adaptive).say(*START, *LIVE).session
    for name, one in adaptive.procedure.steps.items():
        if one.end or not probes_of(one):
            continue
        plain = moving.first_step(adaptive.routes, name, session)
        for other in (
            replace(session, done=frozenset(), taken=(), trail=(), spoken=frozenset()),
            replace(
                session,
                done=frozenset(adaptive.procedure.steps),
                skipped=("supply",),
                named=("a fault",),
                mended=(("a", "b"),),
            ),
        ):
            assert moving.first_step(adaptive.routes, name, other) == plain


def test_the_plan_says_which_order_it_goes_by(in_order, adaptive):
    assert (order_of(in_order), order_of(adaptive)) == ("file", "adaptive")
    assert order_of(ready_plan("control_circuit_24v", "larkspur", "dunlin", order="adaptive")) in ("file", "adaptive")
