"""`twohands practice`: whole exercises typed, guided and spoken; what is stopped, said and kept."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import textstat
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.cli import cli
from assistant.errors import DeviceLost, JournalError
from assistant.hearing.audio.files import write
from assistant.hearing.engines.base import Final
from assistant.practice import record
from assistant.practice.exercise import Exercise, free_exercise, guided_exercise
from assistant.practice.phrases import answering_scope, phrases, probing_scope, slots
from assistant.practice.probing import Probing, advance, scope_for
from assistant.practice.shared_grammar import SharedGrammars
from assistant.speaking.voice import EspeakVoice
from assistant.visit.journal import read as read_journal
from assistant.visit.mouth import SilentMouth
from audio_fixtures.rooms import in_quiet_room
from flows.circuit import readings
from flows.faults import catalog
from flows.judge.profiles import equipment, meter
from flows.practice.furnace import start
from flows.practice.furnace import touch as touch_furnace
from flows.procedure.compile import load_plan
from flows.procedure.session import End, Say
from grammar.answers import Choice, Heard
from grammar.emit import accepts
from grammar.language import language
from grammar.numbers import digits_spoken
from grammar.parse import understand
from grammar.phonetics import check_apart
from grammar.scope import Option
from grammar.words import plain_words
from tests.flows.talking import START

PROOF = ["volts at a live outlet", "volts from line to neutral", "volts from line to ground wire", "volts from neutral to ground wire", "volts at a live outlet"]
DEAD = ["turn the power off", *PROOF]


def practise(folder: Path, *lines: str, **options: object) -> str:
    """A typed free exercise through the command line; what it printed."""
    wanted = {"fault": "burner_corroded", "seed": 7, "trainee": "Robin", "record": folder} | options
    arguments = ["practice", "--free", "--typed", *(part for name, value in wanted.items() if value is not None for part in (f"--{name}", str(value)))]
    done = CliRunner().invoke(cli, arguments, input="\n".join(lines) + "\n", standalone_mode=False)
    assert done.exception is None, done.exception
    return done.output


def kept(folder: Path) -> list[dict]:
    return [json.loads(line) for line in (folder / record.FILE).read_text().splitlines()]


def shown(output: str) -> list[str]:
    return re.findall(r"Your meter shows ([^\n]+?)\.(?:\n| )", output)


def ohms(display: str) -> float:
    """The value of a display of ohms, by the prefix that it was spoken with."""
    number, unit = display.split()
    return float(number) * {"ohms": 1.0, "kilohms": 1e3, "megohms": 1e6}[unit]


def test_the_right_answer_in_a_real_process(tmp_path):
    lines = [*DEAD, "ohms from burner to board ground", "my answer is corroded burner ground"]
    command = [sys.executable, "-m", "assistant", "practice", "--free", "--typed", "--fault", "burner_corroded", "--seed", "7", "--trainee", "Robin", "--record", str(tmp_path)]
    done = subprocess.run(command, input="\n".join(lines) + "\n", capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0 and done.stderr == ""
    assert "Right. It was a corroded burner ground." in done.stdout and "You were safe all the way." in done.stdout
    # Held against the circuit itself: what the display showed is what is there, within the meter's accuracy.
    true = float(readings.ohms(start(equipment("larkspur"), meter("dunlin"), 7, "easy", "burner_corroded").circuit, "burner", "board_ground")[0])
    assert ohms(shown(done.stdout)[-1]) == pytest.approx(true, rel=0.02, abs=0.4)
    [line] = kept(tmp_path)
    assert (line["trainee"], line["seed"], line["level"], line["fault"], line["answer"], line["mark"]) == ("Robin", 7, "easy", "burner_corroded", "burner_corroded", "right")
    assert line["readings"] == 4 and line["fewest"] >= 1 and line["slips"] == [] and line["how"] == "answered" and line["invented"]
    assert datetime.fromisoformat(line["at"]).tzinfo is not None


def test_a_wrong_answer_says_what_it_was_and_what_to_learn(tmp_path):
    output = practise(tmp_path, "volts from line to neutral", "my answer is coated rod")
    assert "No. It was a corroded burner ground." in output
    assert f"Learn next: {catalog.fault('burner_corroded').learn}" in output
    assert kept(tmp_path)[0]["mark"] == "wrong" and kept(tmp_path)[0]["lessons"] == [catalog.fault("burner_corroded").learn]


def test_touching_the_wrong_thing_live_is_stopped_with_the_reason_and_counted(tmp_path):
    output = practise(
        tmp_path, "ohms from line to neutral", "clip the meter in series", "pull the wire off the rod",
        "turn the power off", "ohms from burner to board ground", "my answer is corroded burner ground",
    )  # fmt: skip
    stops = re.findall(r"caution  Stop\. (.+)", output)
    assert len(stops) == 4 and "live part" in stops[0] and "before you put the meter" in stops[1] and "rod wire is live" in stops[2] and "Prove it dead" in stops[3]
    assert kept(tmp_path)[0]["slips"] == ["ohms_live_part", "series_live", "rod_wire_live", "not_proven"]
    assert "I stopped you 4 times: " in output and "and ohms before it was proven dead." in output and shown(output) == []


@pytest.mark.parametrize("power", ["turn the power off", "turn off the breaker"])
def test_zeros_through_a_broken_lead_never_prove_dead(tmp_path, power):
    output = practise(tmp_path, power, *PROOF, *PROOF, "ohms from burner to board ground", "my answer is broken meter lead", fault="meter_lead_open")
    assert "proved it dead" not in output and "That is too low for a live part. Check the leads and the dial" in output
    assert len(shown(output)) == 10 and all(float(one.removesuffix(" volts")) < 2 for one in shown(output))
    assert kept(tmp_path)[0]["slips"] == ["not_proven"] and "Right. It was a broken meter lead." in output


def test_the_proof_in_free_practice_takes_the_five_readings_of_a_visit(tmp_path):
    output = practise(tmp_path, *DEAD, "ohms from burner to board ground", "i do not know")
    assert output.count("And you have proved it dead.") == 1
    for left_out in range(5):
        folder = tmp_path / str(left_out)
        output = practise(folder, "turn the power off", *PROOF[:left_out], *PROOF[left_out + 1 :], "ohms from burner to board ground", "i do not know")
        assert "proved it dead" not in output and kept(folder)[0]["slips"] == ["not_proven"]


def test_volts_with_the_red_lead_in_the_microamp_jack_are_stopped(tmp_path):
    output = practise(
        tmp_path, "turn the power off", "clip the meter in series", "volts at a live outlet", "take the meter out", "volts from line to neutral",
        "red lead in the volts jack", *PROOF, "ohms from burner to board ground", "i do not know",
    )  # fmt: skip
    stops = re.findall(r"caution  Stop\. (.+)", output)
    assert len(stops) == 2 and all("microamp jack" in one and "short" in one for one in stops)
    assert kept(tmp_path)[0]["slips"] == ["microamp_jack"] * 2 and "proved it dead" in output and len(shown(output)) == 6


def test_giving_up_is_kept_and_tells_the_truth(tmp_path):
    output = practise(tmp_path, "i do not know")
    assert "You gave no answer. It was a corroded burner ground." in output
    assert (kept(tmp_path)[0]["answer"], kept(tmp_path)[0]["mark"], kept(tmp_path)[0]["how"]) == (None, "none", "stopped")


def test_two_faults_are_asked_one_after_the_other(tmp_path):
    pair = next(name for name in catalog.pairs() if {"rod_coated", "ground_open"} == set(catalog.parts(name)))
    output = practise(tmp_path, "my answer is open ground wire", "my answer is coated rod", fault=pair, level="double")
    assert "It hides two faults." in output and "And what is the other fault?" in output and "Right. It was" in output
    output = practise(tmp_path, "my answer is open ground wire", "my answer is bad plug", fault=pair, level="double")
    assert "Half right. It was" in output


def test_the_same_seed_gives_the_same_exercise_word_for_word(tmp_path):
    lines = ["volts from line to neutral", "volts from line to r", "volts from r to c", "leads together", "i do not know"]
    first, again, other = (practise(tmp_path / name, *lines, fault=None, level="medium", seed=seed) for name, seed in (("a", 31), ("b", 31), ("c", 32)))
    assert first == again
    assert shown(first) != shown(other)
    one, two = (kept(tmp_path / name)[0] for name in "ab")
    assert {key: value for key, value in one.items() if key not in ("at", "seconds")} == {key: value for key, value in two.items() if key not in ("at", "seconds")}


def test_the_easy_level_offers_only_easy_faults(tmp_path):
    output = practise(tmp_path, "what faults are there", "my answer is poor hot joint", "i do not know", fault=None, level="easy")
    listed = re.search(r"These are the faults to choose from: (.+)\.", output)[1].split("; ")
    assert listed == [phrases().faults[name].phrases[0] for name, one in catalog.faults().faults.items() if one.easy]
    assert "I did not get that." in output


def test_gas_ends_the_exercise_with_the_alarm_and_without_a_score(tmp_path):
    output = practise(tmp_path, "volts from line to r", "wait i smell gas here", "my answer is coated rod")
    assert "ALARM   Stop. Gas. Do not touch any switch." in output and "If the smell is real, go out now" in output
    assert "It was" not in output.split("ALARM")[-1]
    assert (kept(tmp_path)[0]["how"], kept(tmp_path)[0]["answer"]) == ("gas", None)


def test_an_exercise_that_breaks_off_is_kept_without_a_score(tmp_path):
    done = CliRunner().invoke(cli, ["practice", "--free", "--typed", "--seed", "1", "--record", str(tmp_path)], input="volts from line to r\n", standalone_mode=False)
    assert done.return_value == 130 and "It was" not in done.output
    assert kept(tmp_path)[0]["how"] == "interrupted"


def test_help_repeat_and_the_readings_so_far(tmp_path):
    output = practise(tmp_path, "help", "volts from line to r", "say again", "what have i got so far", "what does my meter show", "i do not know")
    assert "Like this: volts from line to R." in output
    assert output.count(f"Your meter shows {shown(output)[0]}.") >= 2
    assert f"So far: line to R, {shown(output)[0]}" in output
    assert len(shown(output)) == 3 and kept(tmp_path)[0]["readings"] == 2


# ---- progress


def test_progress_over_sessions(tmp_path):
    practise(tmp_path, "ohms from line to neutral", "my answer is coated rod")
    practise(tmp_path, *DEAD, "ohms from burner to board ground", "my answer is corroded burner ground")
    practise(tmp_path, "i do not know", trainee="Sam")
    output = CliRunner().invoke(cli, ["practice", "--progress", "Robin", "--record", str(tmp_path)]).output
    assert "Exercises: 2. Faults found: 1 of 2 answered." in output
    assert "Slips stopped: 1 in all; 1.0 an exercise in the first half, 0.0 since." in output
    assert "Missed: a corroded burner ground." in output and "Sam" not in output
    rows = [line for line in output.splitlines() if re.match(r"\d{4}-", line)]
    assert len(rows) == 2 and "wrong" in rows[0] and "right" in rows[1]


def test_progress_of_nobody_names_who_is_there(tmp_path):
    practise(tmp_path, "i do not know")
    done = CliRunner().invoke(cli, ["practice", "--progress", "Nobody", "--record", str(tmp_path)], standalone_mode=False)
    assert isinstance(done.exception, JournalError) and done.exception.text == "There is no exercise by 'Nobody' on record. On record: Robin."
    with pytest.raises(JournalError, match=r"no practice record in .* Practise first"):
        record.read(tmp_path / "elsewhere")


def test_a_torn_line_costs_only_itself(tmp_path):
    practise(tmp_path, "i do not know")
    path = tmp_path / record.FILE
    with path.open("a") as file:
        file.write('{"v": 1, "trainee": "Rob')
    practise(tmp_path, "i do not know")
    sessions, torn = record.read(tmp_path)
    assert len(sessions) == 2 and torn == 1
    output = CliRunner().invoke(cli, ["practice", "--progress", "Robin", "--record", str(tmp_path)]).output
    assert "1 line of the record could not be read and is left out." in output


def test_lines_are_forced_to_the_disk_and_never_rewritten(tmp_path, monkeypatch):
    synced = []
    real = record.os.fsync
    monkeypatch.setattr(record.os, "fsync", lambda handle: (synced.append(handle), real(handle)))
    record.add(tmp_path, {"trainee": "Robin"})
    before = (tmp_path / record.FILE).read_bytes()
    record.add(tmp_path, {"trainee": "Sam"})
    assert len(synced) == 2 and (tmp_path / record.FILE).read_bytes().startswith(before)


def test_a_record_that_cannot_be_written_is_one_plain_sentence(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(JournalError, match=r"can't be written \(.+\)\. Check the folder and its rights, or choose another with --record\."):
        record.add(tmp_path / "file", {"trainee": "Robin"})


@pytest.mark.parametrize(("arguments", "words"), [(["--fault", "gremlins"], "There is no fault called 'gremlins'. Choose one of:"), (["--seed", "-1"], "Invalid value for '--seed'")])
def test_mistakes_on_the_command_line_are_told_without_a_traceback(arguments, words, tmp_path):
    command = [sys.executable, "-m", "assistant", "practice", "--free", "--typed", "--record", str(tmp_path), *arguments]
    done = subprocess.run(command, input="", capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode not in (0, 130) and words in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / record.FILE).exists()


def test_gas_in_the_guided_order_ends_it_too(tmp_path):
    done = CliRunner().invoke(cli, ["practice", "--typed", "--seed", "1", "--record", str(tmp_path)], input="the air is clear\nI smell gas\ni am ready\n", standalone_mode=False)
    assert done.return_value == 0 and "ALARM   Stop. Gas." in done.output and "If the smell is real, go out now" in done.output
    assert "It was" not in done.output and kept(tmp_path)[0]["how"] == "gas" and kept(tmp_path)[0]["lessons"] == []
    assert read_journal(next((tmp_path / "visits").iterdir()))[0][-1]["how"] == "gas"


# ---- the guided order, with a trainee made of a few lines


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
        (r"You can say: next check please", "next check please"),
        (r"You can say: once more please", "stop"),
        (r"Is that right\?", "yes"),
    )

    def __init__(self, answer: str, misread: int | None = None) -> None:
        """misread: the display of this number, counted from 1, is read with its first two digits exchanged."""
        self.answer, self.misread, self.looked, self.watching = answer, misread, 0, False

    def hears(self, line: str) -> str | None:
        """What to type after a printed line, if anything."""
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
    command = [sys.executable, "-m", "assistant", "practice", "--typed", "--fault", fault, "--seed", str(seed), "--trainee", "Robin", "--record", str(folder)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1)
    printed = []
    # Both sides wait for each other when the trainee has nothing to say to a line.
    patience = threading.Timer(120, process.kill)
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
    end = guided_exercise(exercise, desk, SilentMouth(), {"engine": "typed", "voice": "none"}, folder / "visits", desk.out)
    record.add(folder, end.session)
    end.tell(SilentMouth())
    return ended(folder, desk.printed)


def test_a_guided_exercise_from_first_to_last(tmp_path):
    output, line, journal = guided_process(tmp_path, Trainee("corroded burner ground"), "burner_corroded")
    assert "Right. It was a corroded burner ground." in output and "You read the display right each time." in output
    assert (line["way"], line["mark"], line["misread"], line["unseen"], line["slips"]) == ("guided", "right", 0, 0, [])
    assert journal[0]["kind"] == "visit" and journal[0]["invented"] is True and journal[0]["technician"] == "Robin"
    # The board loses the flame, so it locks out at the last look and is left off: all is done, nothing is missing.
    assert journal[-1]["kind"] == "end" and journal[-1]["how"] == "stopped" and journal[-1]["missing"] == [] and journal[-1]["power"] == "said_off"
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
    true = float(readings.ohms(start(equipment("larkspur"), meter("dunlin"), 5, "easy", "burner_corroded").circuit, "burner", "board_ground")[0])
    assert ground["value"] == pytest.approx(true, rel=0.02, abs=0.4) and ground["power"] == "dead"


def test_a_sound_furnace_is_walked_to_its_end(tmp_path):
    _, line, journal = guided(tmp_path, Trainee("no fault"), "healthy")
    assert journal[-1]["how"] == "finished" and journal[-1]["missing"] == [] and line["mark"] == "right" and line["slips"] == []
    moved = [(event["thing"], event["to"]) for event in journal if event["kind"] == "moved"]
    left = dict(moved)
    assert {thing: left[thing] for thing in ("leads", "jumper", "rod_wire", "red_jack", "door_switch", "covers")} == {
        "leads": "in_hand", "jumper": "none", "rod_wire": "fitted", "red_jack": "volts", "door_switch": "free", "covers": "fitted",
    }  # fmt: skip


def test_a_burner_that_never_lights_ends_as_ignition(tmp_path):
    output, line, journal = guided(tmp_path, Trainee("burner never lights"), "never_lit")
    assert "There is no flame at the burner." in output and "not flame sensing" in output
    assert "flame_current" not in [event["probe"] for event in journal if event["kind"] == "reading"] and line["slips"] == []


def test_the_dialogue_does_not_give_the_fault_away(tmp_path):
    output, _, journal = guided(tmp_path, Trainee("board does not see the flame"), "board_not_sensing")
    before = output.split("Now name the fault")[0]
    assert catalog.spoken_name("board_not_sensing") not in before and catalog.fault("board_not_sensing").says not in before
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
    end = guided_exercise(exercise, desk, SilentMouth(), {"engine": "typed", "voice": "none"}, tmp_path / "visits", desk.out)
    assert end.session["slips"] == ["not_proven"] and end.session["unseen"] == 3 and end.session["how"] == "interrupted"
    journal, _ = read_journal(next((tmp_path / "visits").iterdir()))
    assert [event["slip"] for event in journal if event["kind"] == "slip"] == ["not_proven"]
    assert "ground_path" not in [event["probe"] for event in journal if event["kind"] == "reading"]


def test_the_furnace_follows_every_answer_that_changes_something():
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    changing = {f"{step}/{answer}" for step, one in plan.procedure.steps.items() for answer, what in one.answers.items() if what.sets.power or what.sets.things or what.mended}
    followed = phrases().guided["flame_sensing"]
    assert set(followed.does) == changing
    assert set(followed.sees) <= set(plan.procedure.steps)


# ---- what can be said


def test_phrases_that_compete_sound_apart():
    for name, scope in slots():
        assert [one.text for one in check_apart(scope)] == [], name


def test_the_check_of_sound_would_find_a_bad_phrase():
    near = dict(slots())["actions"]
    spoiled = near.__class__(near.name, None, (*near.options, Option("do:on2", ("turn the power on",))), near.commands)
    assert {one.first for one in check_apart(spoiled)} | {one.second for one in check_apart(spoiled)} == {"turn the power off", "turn the power on"}


@pytest.mark.parametrize("typed", [False, True])
def test_every_phrase_is_understood_as_what_it_stands_for(typed):
    lang = language("en")
    for scope in (probing_scope(tuple(catalog.faults().faults), typed), answering_scope(tuple(catalog.faults().faults), typed)):
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


# ---- the pure part


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_no_row_of_answers_breaks_it_or_shows_ohms_on_a_live_furnace(data):
    fault = data.draw(st.sampled_from(["healthy", "polarity_reversed", "rod_shorted", "meter_lead_open"]))
    state = Probing(start(equipment("larkspur"), meter("dunlin"), 3, "medium", fault), tuple(catalog.faults().faults), typed=data.draw(st.booleans()))
    chance = np.random.default_rng(1)
    for _ in range(25):
        scope = scope_for(state)
        said = data.draw(st.sampled_from([option.phrases[0] for option in scope.options if not option.id.startswith("answer")] or ["yes", "no"]) | st.just("mumble"))
        before = state
        state, effects = advance(state, understand(Heard(said), scope), chance)
        assert any(isinstance(one, Say | End) for one in effects)
        if len(state.furnace.taken) > len(before.furnace.taken) and state.furnace.taken[-1].value is not None and state.furnace.taken[-1].value.quantity == "ohms" and "leads" not in state.furnace.taken[-1].what:
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
    exercise = Exercise.make("Robin", "easy", None, 4, "larkspur", "dunlin", False, clock=lambda: datetime(2026, 3, 2, tzinfo=UTC))
    ended = free_exercise(exercise, Lost(), SilentMouth(), printed.append)
    assert ended.session["how"] == "interrupted" and ended.code == 130
    assert any("The microphone is gone. Plug it in again." in line for line in printed)


# ---- by voice, through the real recogniser


def by_voice(folder: Path, said: list[str], *arguments: str, engine: tuple[str, ...] = ()) -> subprocess.CompletedProcess:
    """A real process that hears `said`, spoken by eSpeak NG, through the real recogniser."""
    voice = EspeakVoice()
    try:
        pieces = [in_quiet_room(voice.render(text), 0.6, 1.2, np.random.default_rng(number), steps=40.0) for number, text in enumerate(said)]
    finally:
        voice.close()
    write(folder / "trainee.wav", np.concatenate(pieces))
    command = [
        sys.executable, "-m", "assistant", "practice", "--no-voice", *engine, "--audio-in", str(folder / "trainee.wav"),
        "--record", str(folder), "--trainee", "Robin", *arguments,
    ]  # fmt: skip
    return subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)


def heard(done: subprocess.CompletedProcess) -> list[str]:
    """What each utterance was taken for: the engine's first words, or those that were chosen over them."""
    lines = [line for line in done.stdout.splitlines() if 'heard  "' in line]
    return [(re.search(r'taken as "(.+?)"', line) or re.search(r'heard  "(.+?)"', line))[1] for line in lines]


@pytest.mark.parametrize("engine", [(), ("--engine", "pocketsphinx")], ids=["both", "pocketsphinx"])
def test_an_exercise_by_voice(tmp_path, engine):
    """eSpeak NG speaks, the recogniser hears: a few tests, one mistake that is stopped, the answer and its yes."""
    said = ["volts from line to r", "ohms from burner to board ground", "turn the power off", "volts from line to neutral", "my answer is corroded burner ground", "yes"]
    done = by_voice(tmp_path, said, "--free", "--fault", "burner_corroded", "--seed", "7", engine=engine)
    assert heard(done) == said, done.stdout + done.stderr
    assert "Volts from hot to R. Your meter shows" in done.stdout and "Your answer is: a corroded burner ground. Is that right?" in done.stdout
    [line] = kept(tmp_path)
    assert line["mark"] == "right" and line["slips"] == ["ohms_power_on"] and line["typed"] is False and line["how"] == "answered"
    # The display is the furnace's own at that seed, whatever way it was asked.
    volts, _ = touch_furnace(start(equipment("larkspur"), meter("dunlin"), 7, "easy", "burner_corroded"), "ac_volts", ("hot", "r"), np.random.default_rng([7, 1]))
    assert shown(done.stdout)[0] == f"{volts.taken[0].value.value:.1f} volts"


def test_gas_is_heard_while_probing(tmp_path):
    done = by_voice(tmp_path, ["i smell gas"], "--free", "--seed", "7")
    assert "ALARM   Stop. Gas." in done.stdout and kept(tmp_path)[0]["how"] == "gas", done.stdout + done.stderr


def test_the_display_is_asked_for_and_read_out_by_voice(tmp_path):
    """The guided order: the furnace's question stands in the dialogue's own scope of numbers."""
    start_of_it = start(equipment("larkspur"), meter("dunlin"), 5, "easy", "rod_coated")
    volts, _ = touch_furnace(start_of_it, "ac_volts", ("hot", "neutral"), np.random.default_rng([5, 1]))
    display = f"{volts.taken[0].value.value:.1f}"
    said = [*START, "what does my meter show", f"{digits_spoken(display)} volts", "yes"]
    done = by_voice(tmp_path, said, "--fault", "rod_coated", "--seed", "5")
    assert [text.removesuffix("s") for text in heard(done)] == [text.removesuffix("s") for text in said], done.stdout + done.stderr
    assert shown(done.stdout) == [f"{display} volts"]
    journal, _ = read_journal(next((tmp_path / "visits").iterdir()))
    assert [event["value"] for event in journal if event["kind"] == "reading"] == [float(display)] and journal[0]["invented"] is True
    assert kept(tmp_path)[0]["how"] == "interrupted" and kept(tmp_path)[0]["misread"] == 0
