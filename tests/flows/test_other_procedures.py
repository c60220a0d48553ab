"""The 24-volt circuit and the igniter, by typed words: whole visits, and those that must not go on.

Figures are invented.
"""

from __future__ import annotations

import pytest

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.session import End
from tests.flows.talking import AIR, LAST, OFF, ON, PROOF, VOLTS, WARM, Talk

DOOR_FREE = ("door switch is free", "it comes out again")
TO_24V = (*AIR, *VOLTS, *OFF, "covers are off", "door switch is held", "the pipe is shut", "it calls for heat", *ON)
ACROSS = ("0.02", "yes", "0.01", "yes", "0.02", "yes")
LIVE_24V = ("26.1", "yes", *ACROSS, "25.8", "yes", "its posts are bare", "0.03", "yes")
TO_FUSE = (*TO_24V, *LIVE_24V, *OFF, *PROOF, "now it reads ohms", "0.2", "yes", "fuse is in my hand")
FUSE_BACK = ("a good fuse sits there", "it will not move")
TIDY_24V = (*FUSE_BACK, *DOOR_FREE, "covers are shut", "the pipe is open", "thermostat is down", *ON)

TO_COLD = (*AIR, *OFF, *VOLTS, "covers are off", *PROOF, "now it reads ohms", "0.2", "yes", "plug is apart")
PLUG_BACK = ("pins are all seated", "it holds fast")
TO_GLOW = (*PLUG_BACK, "clamp is shut", "now it reads amps", "door switch is held", "it calls for heat", *ON)
CLAMP_OFF = (*OFF, "the flame is gone", "clamp is in my hand", "nothing is left inside")
TIDY_IGNITER = (*CLAMP_OFF, *DOOR_FREE, "covers are shut", "thermostat is down")


def talk(name: str) -> Talk:
    return Talk(load_plan(name, equipment("larkspur"), meter("dunlin")))


@pytest.fixture
def control() -> Talk:
    return talk("control_circuit_24v")


@pytest.fixture
def igniter() -> Talk:
    return talk("igniter_check")


def test_a_sound_24_volt_circuit_takes_two_power_cycles_and_one_proof(control):
    control.say(*TO_FUSE, "0.3", "yes", *TIDY_24V, *LAST)
    end = control.end
    assert (end["how"], end["missing"], end["safety"], end["left_set"], end["power"]) == ("finished", [], [], [], "on")
    assert (control.offs, control.turns) == (2, 54)


def test_no_burner_can_light_while_the_covers_are_off(control):
    """Heat is called for with the covers off only while the gas valve is shut."""
    control.say(*TO_24V)
    assert control.session.where("covers") == "removed" and control.session.where("gas") == "shut"
    moved = [(one["thing"], one["to"]) for one in control.all_saved("moved")]
    assert moved.index(("gas", "shut")) < moved.index(("thermostat", "calling"))
    control.say(*LIVE_24V, "stop", *OFF)
    control.say(*DOOR_FREE, "covers are shut", "the pipe is open", "thermostat is down", *WARM, *ON)
    assert control.end["how"] == "stopped" and control.end["left_set"] == []


def test_an_open_fuse_is_mended_on_dead_power_and_read_again(control):
    control.say(*TO_FUSE, "over limit", "yes", "fix it now", "the fix is made", "0.2", "yes", "0.3", "yes")
    readings = [one["over_limit"] for one in control.all_saved("reading") if one["step"] == "fuse_ohms"]
    assert readings == [True, False]
    control.say(*TIDY_24V, *LAST)
    assert control.end["how"] == "finished"


def test_a_stop_with_the_fuse_out_puts_it_back_first(control):
    control.say(*TO_FUSE, "stop")
    assert control.session.step == "fuse_back"
    control.say(*TIDY_24V[:-2], *WARM, *ON)
    assert control.end["how"] == "stopped" and control.end["left_set"] == []
    assert control.spoken[-1].startswith("Not all is proven.")


def test_power_that_is_still_there_is_a_danger_and_keeps_hands_out(control):
    live = ("118.4", "yes", "118.2", "yes")
    control.say(*TO_24V, *LIVE_24V, *OFF, *live)
    assert control.session.power == "on" and control.session.safety == (("hot_neutral_dead", "high"),)
    assert any(text.startswith("Danger. There is power on hot and neutral") for text in control.all_spoken)
    control.say("stop")
    control.say(*OFF)
    assert control.session.step == "meter_live", "the door switch waits for the proof"


def test_a_sound_igniter_takes_two_power_cycles_and_one_proof(igniter):
    igniter.say(*TO_COLD, "55.2", "yes", "over limit", "yes", *TO_GLOW, "4.2", "yes", "i see a flame", *TIDY_IGNITER)
    igniter.say(*ON, *LAST)
    end = igniter.end
    assert (end["how"], end["missing"], end["safety"], end["left_set"], end["power"]) == ("finished", [], [], [], "on")
    assert (igniter.offs, igniter.turns) == (2, 49)


def test_a_leak_to_the_metal_never_meets_mains(igniter):
    igniter.say(*TO_COLD, "55.2", "yes", "0.2", "yes")
    assert igniter.session.safety == (("leak_ohms", "low"),)
    igniter.say("next check please")
    assert igniter.at == "leak_ohms/offer", "no way on but a fix"
    igniter.say("stop", *PLUG_BACK, "covers are shut", *WARM)
    end = igniter.end
    assert (end["how"], end["power"], end["left_set"]) == ("stopped", "dead", [])
    assert igniter.spoken[0].startswith("Take care. The igniter leaks")


def test_a_burner_that_never_lights_is_left_off(igniter):
    igniter.say(*TO_COLD, "55.2", "yes", "over limit", "yes", *TO_GLOW, "4.2", "yes", "no flame at all", "yes")
    igniter.say(*TIDY_IGNITER, *WARM)
    assert isinstance(igniter.effects[-1], End) and igniter.end["power"] == "said_off"
    assert any("Look at the gas valve" in text or "look at the gas valve" in text for text in igniter.all_spoken)
