"""Practice in the guided order, with a trainee made of a few lines."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from assistant.cli import cli
from assistant.hearing.engines.base import Final
from assistant.practice import record
from assistant.practice.exercise import Exercise, guided_exercise
from assistant.practice.phrases import phrases
from assistant.visit.journal import read as read_journal
from assistant.visit.mouth import SilentMouth
from flows.circuit import readings
from flows.faults import catalog
from flows.judge.profiles import equipment, meter
from flows.practice.drawn import start
from flows.procedure.compile import load_plan
from grammar.answers import Heard
from tests.assistant.practice.practising import kept


def test_gas_in_the_guided_order_ends_it_too(tmp_path):
    done = CliRunner().invoke(
        cli,
        ["practice", "--typed", "--seed", "1", "--record", str(tmp_path)],
        input="the air is clear\nI smell gas\ni am ready\n",
        standalone_mode=False,
    )
    assert (
        done.return_value == 0
        and "ALARM   Stop. Gas." in done.output
        and "If the smell is real, go out now" in done.output
    )
    assert "It was" not in done.output and kept(tmp_path)[0]["how"] == "gas" and kept(tmp_path)[0]["lessons"] == []
    assert read_journal(next((tmp_path / "visits").iterdir()))[0][-1]["how"] == "gas"


class Trainee:
    """Looks at the display whenever a reading is wanted, reads it out, and does as it is told.

    Knows nothing of the program but the sentences that it prints, the way a person does.
    """

    SAYS = (
        (r"say: the air is clear", "the air is clear"),
        (r"say: I am ready", "i am ready"),
        (r"Tell me the (A C )?(volts|ohms|microamps)", "what does my meter show"),
        (r"say: I opened the switch", "i opened the switch"),
        (r"Say: everything is shut down", "everything is shut down"),
        (r"say: dial is on volts", "dial is on volts"),
        (r"Say: red sits in the volt hole", "red sits in the volt hole"),
        (r"say: covers are off", "covers are off"),
        (r"say: rod wire is off", "rod wire is off"),
        (r"say: door switch is held", "door switch is held"),
        (r"say: now it reads ohms", "now it reads ohms"),
        (r"say: it is on microamps", "it is on microamps"),
        (r"say: clips are on", "clips are on"),
        (r"say: jumper is in place", "jumper is in place"),
        (r"say: furnace is running", "furnace is running"),
        (r"Say: it has woken up", "it has woken up"),
        (r"If it burns, say: I see a flame", "what do i see"),
        (r"You see a flame", "i see a flame"),
        (r"say: flame stays lit", "what do i see"),
        (r"The gas stays on", "flame stays lit"),
        (r"The gas goes off", "it dropped out"),
        (r"say: the flame is gone", "what do i see"),
        (r"say: jumper is in my hand", "jumper is in my hand"),
        (r"Say: both posts are bare", "both posts are bare"),
        (r"say: clips are in my hand", "clips are in my hand"),
        (r"Say: the rod is bare", "the rod is bare"),
        (r"say: wire is back on", "wire is back on"),
        (r"Say: it holds fast", "it holds fast"),
        (r"say: door switch is free", "door switch is free"),
        (r"Say: it comes out again", "it comes out again"),
        (r"say: covers are shut", "covers are shut"),
        (r"say: thermostat is set back", "thermostat is set back"),
        (r"say: cycle is complete", "what do i see"),
        (r"lights, runs and stops", "cycle is complete"),
        (r"locks out\.$", "it locked out"),
        (r"You can (?:say|type): next check please", "next check please"),
        (r"You can (?:say|type): once more please", "stop"),
        (r"Is that right\?", "yes"),
    )

    def __init__(self, answer: str, misread: int | None = None) -> None:
        """misread: the display of this number, counted from 1, is read with its first two digits exchanged."""
        self.answer, self.misread, self.looked, self.watching = answer, misread, 0, False

    def hears(self, line: str) -> str | None:
        """What to type after a printed line, if anything."""
        line = line.replace("type: ", "say: ").replace("Type: ", "Say: ")  # from the keyboard it is told to type
        if "Now name the fault" in line:
            return f"my answer is {self.answer}"
        self.watching = self.watching or "say: no flame at all" in line
        if "There is no flame at the burner" in line:
            dark, self.watching = self.watching, False
            return "no flame at all" if dark else "the flame is gone"
        if "You see a flame" in line:
            self.watching = False
        if "over limit. Is" not in line and (display := re.search(r"Your meter shows (.+)\.$", line)):
            self.looked += 1
            return self.read_out(display[1])
        return next((reply for pattern, reply in self.SAYS if re.search(pattern, line)), None)

    def read_out(self, display: str) -> str:
        if display == "over limit":
            return display
        digits, unit = display.split()
        if self.looked == self.misread:
            digits = digits[1] + digits[0] + digits[2:]
        return f"{digits} {unit}"


def ended(folder: Path, printed: list[str]) -> tuple[str, dict, list[dict]]:
    """What was printed, the line in the record, the journal."""
    journal, torn = read_journal(next((folder / "visits").iterdir()))
    assert not torn
    return "".join(printed), kept(folder)[-1], journal


def guided_process(folder: Path, trainee: Trainee, fault: str, seed: int = 5) -> tuple[str, dict, list[dict]]:
    """A whole guided exercise in a real process."""
    command = [
        sys.executable,
        "-m",
        "assistant",
        "practice",
        "--typed",
        "--fault",
        fault,
        "--seed",
        str(seed),
        "--trainee",
        "Robin",
        "--record",
        str(folder),
    ]
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1
    )
    printed = []
    # Both sides wait for each other when the trainee has nothing to say to a line.
    patience = threading.Timer(120, process.kill)
    patience.daemon = True
    patience.start()
    for line in process.stdout:
        printed.append(line)
        if not line.startswith("    heard") and (reply := trainee.hears(line.rstrip())):
            process.stdin.write(reply + "\n")
            process.stdin.flush()
    patience.cancel()
    assert process.wait(timeout=60) == 0, "".join(printed[-20:])
    return ended(folder, printed)


class Desk:
    """Ears and screen of a trainee in this process."""

    def __init__(self, trainee: Trainee) -> None:
        self.trainee, self.printed, self.reply = trainee, [], None

    def out(self, line: str) -> None:
        self.printed.append(line + "\n")
        if not line.startswith("    heard"):
            self.reply = self.trainee.hears(line) or self.reply

    def hear(self, scope):
        assert self.reply is not None, self.printed[-5:]
        text, self.reply = self.reply, None
        return Final(Heard(text, 1.0, alternatives=((text, 1.0),)), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False


def guided(folder: Path, trainee: Trainee, fault: str, seed: int = 5) -> tuple[str, dict, list[dict]]:
    """The same without a process of its own."""
    desk = Desk(trainee)
    exercise = Exercise.make("Robin", "easy", fault, seed, "larkspur", "dunlin", True)
    end = guided_exercise(
        exercise, desk, SilentMouth(), {"engine": "typed", "voice": "none"}, folder / "visits", desk.out
    )
    record.add(folder, end.session)
    end.tell(SilentMouth())
    return ended(folder, desk.printed)


def test_a_guided_exercise_from_first_to_last(tmp_path):
    output, line, journal = guided_process(tmp_path, Trainee("corroded burner ground"), "burner_corroded")
    assert "Right. It was a corroded burner ground." in output and "You read the display right each time." in output
    assert (line["way"], line["mark"], line["misread"], line["unseen"], line["slips"]) == ("guided", "right", 0, 0, [])
    assert journal[0]["kind"] == "visit" and journal[0]["invented"] is True and journal[0]["technician"] == "Robin"
    # The board loses the flame, so it locks out at the last look and is left off: all is done, nothing is missing.
    assert (
        journal[-1]["kind"] == "end"
        and journal[-1]["how"] == "stopped"
        and journal[-1]["missing"] == []
        and journal[-1]["power"] == "said_off"
    )
    # Every reading kept is the one displayed at that step.
    display = {}
    compared = 0
    for event in journal:
        if event["kind"] == "display" and event["value"] is not None:
            display[event["step"]] = event["value"]
        elif event["kind"] == "reading":
            assert event["value"] == pytest.approx(display[event["step"]], rel=1e-9, abs=1e-12)
            compared += 1
    assert compared >= 14
    ground = next(event for event in journal if event["kind"] == "reading" and event["probe"] == "ground_path")
    true = float(
        readings.ohms(
            start(equipment("larkspur"), meter("dunlin"), 5, "easy", "burner_corroded").circuit,
            "burner",
            "board_ground",
        )[0]
    )
    assert ground["value"] == pytest.approx(true, rel=0.02, abs=0.4) and ground["power"] == "dead"


def test_a_sound_furnace_is_walked_to_its_end(tmp_path):
    _, line, journal = guided(tmp_path, Trainee("no fault"), "healthy")
    assert (
        journal[-1]["how"] == "finished"
        and journal[-1]["missing"] == []
        and line["mark"] == "right"
        and line["slips"] == []
    )
    moved = [(event["thing"], event["to"]) for event in journal if event["kind"] == "moved"]
    left = dict(moved)
    assert {thing: left[thing] for thing in ("leads", "jumper", "rod_wire", "red_jack", "door_switch", "covers")} == {
        "leads": "in_hand",
        "jumper": "none",
        "rod_wire": "fitted",
        "red_jack": "volts",
        "door_switch": "free",
        "covers": "fitted",
    }


def test_a_burner_that_never_lights_ends_as_ignition(tmp_path):
    output, line, journal = guided(tmp_path, Trainee("burner never lights"), "never_lit")
    assert "There is no flame at the burner." in output and "not flame sensing" in output
    assert (
        "flame_current" not in [event["probe"] for event in journal if event["kind"] == "reading"]
        and line["slips"] == []
    )


def test_the_dialogue_does_not_give_the_fault_away(tmp_path):
    output, _, journal = guided(tmp_path, Trainee("board does not see the flame"), "board_not_sensing")
    before = output.split("Now name the fault")[0]
    assert (
        catalog.spoken_name("board_not_sensing") not in before and catalog.fault("board_not_sensing").says not in before
    )
    assert "I find no fault" not in before
    assert "The gas goes off." in before and "Right." in output
    # The record of the visit holds the reasoning all the same.
    assert journal[-1]["fault"] == "board_not_sensing"


def test_a_switch_in_the_wrong_wire_needs_the_breaker(tmp_path):
    """Hot and neutral swapped: the dead test fails once, the breaker is opened, the checks go on."""
    output, line, journal = guided(tmp_path, Trainee("hot and neutral swapped"), "polarity_reversed")
    assert "Stop. There is still power." in output and line["mark"] == "right" and line["slips"] == []
    assert "dead" in [event["state"] for event in journal if event["kind"] == "power"]


def test_a_display_read_wrong_is_counted_and_taught(tmp_path):
    output, line, _ = guided(tmp_path, Trainee("corroded burner ground", misread=4), "burner_corroded")
    assert line["misread"] == 1 and "You read the display wrong once." in output
    assert phrases().line("learn_read") in line["lessons"]


def test_zeros_that_were_never_measured_do_not_open_the_way_to_ohms(tmp_path):
    """Dead proofs made up: the dialogue has to believe them, the furnace does not."""

    class Liar(Desk):
        def hear(self, scope):
            if scope.name in ("hot_neutral_dead/ask", "hot_ground_dead/ask", "neutral_ground_dead/ask"):
                self.reply = "0"
            if scope.name == "ground_path/ask" and any("Stop. Off is not dead." in line for line in self.printed):
                return None
            return super().hear(scope)

    desk = Liar(Trainee("coated rod"))
    exercise = Exercise.make("Robin", "easy", "rod_coated", 5, "larkspur", "dunlin", True)
    end = guided_exercise(
        exercise, desk, SilentMouth(), {"engine": "typed", "voice": "none"}, tmp_path / "visits", desk.out
    )
    assert end.session["slips"] == ["not_proven"] and end.session["unseen"] == 3 and end.session["how"] == "interrupted"
    journal, _ = read_journal(next((tmp_path / "visits").iterdir()))
    assert [event["slip"] for event in journal if event["kind"] == "slip"] == ["not_proven"]
    assert "ground_path" not in [event["probe"] for event in journal if event["kind"] == "reading"]


def test_the_furnace_follows_every_answer_that_changes_something():
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    changing = {
        f"{step}/{answer}"
        for step, one in plan.procedure.steps.items()
        for answer, what in one.answers.items()
        if what.sets.power or what.sets.things or what.mended
    }
    followed = phrases().guided["flame_sensing"]
    assert set(followed.does) == changing
    assert set(followed.sees) <= set(plan.procedure.steps)
