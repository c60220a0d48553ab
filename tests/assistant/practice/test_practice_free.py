"""`twohands practice --free`: whole exercises typed; what is stopped, said and kept."""

from __future__ import annotations

import re
import subprocess
import sys
from datetime import datetime

import pytest
from click.testing import CliRunner

from assistant.cli import cli
from assistant.practice.phrases import phrases
from flows.circuit import readings
from flows.faults import catalog
from flows.judge.profiles import equipment, meter
from flows.practice.drawn import start
from tests.assistant.practice.practising import DEAD, PROOF, kept, ohms, practise, shown


def test_the_right_answer_in_a_real_process(tmp_path):
    lines = [*DEAD, "ohms from burner to board ground", "my answer is corroded burner ground"]
    command = [
        sys.executable,
        "-m",
        "assistant",
        "practice",
        "--free",
        "--typed",
        "--fault",
        "burner_corroded",
        "--seed",
        "7",
        "--trainee",
        "Robin",
        "--record",
        str(tmp_path),
    ]
    done = subprocess.run(
        command, input="\n".join(lines) + "\n", capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0 and done.stderr == ""
    assert "Right. It was a corroded burner ground." in done.stdout and "You were safe all the way." in done.stdout
    # Held against the circuit itself: what the display showed is what is there, within the meter's accuracy.
    true = float(
        readings.ohms(
            start(equipment("larkspur"), meter("dunlin"), 7, "easy", "burner_corroded").circuit,
            "burner",
            "board_ground",
        )[0]
    )
    assert ohms(shown(done.stdout)[-1]) == pytest.approx(true, rel=0.02, abs=0.4)
    [line] = kept(tmp_path)
    assert (line["trainee"], line["seed"], line["level"], line["fault"], line["answer"], line["mark"]) == (
        "Robin",
        7,
        "easy",
        "burner_corroded",
        "burner_corroded",
        "right",
    )
    assert (
        line["readings"] == 4
        and line["fewest"] >= 1
        and line["slips"] == []
        and line["how"] == "answered"
        and line["invented"]
    )
    assert datetime.fromisoformat(line["at"]).tzinfo is not None


def test_a_wrong_answer_says_what_it_was_and_what_to_learn(tmp_path):
    output = practise(tmp_path, "volts from line to neutral", "my answer is coated rod")
    assert "No. It was a corroded burner ground." in output
    assert f"Learn next: {catalog.fault('burner_corroded').learn}" in output
    assert kept(tmp_path)[0]["mark"] == "wrong" and kept(tmp_path)[0]["lessons"] == [
        catalog.fault("burner_corroded").learn
    ]


def test_touching_the_wrong_thing_live_is_stopped_with_the_reason_and_counted(tmp_path):
    output = practise(
        tmp_path, "ohms from line to neutral", "clip the meter in series", "pull the wire off the rod",
        "turn the power off", "ohms from burner to board ground", "my answer is corroded burner ground",
    )  # fmt: skip
    stops = re.findall(r"caution  Stop\. (.+)", output)
    assert (
        len(stops) == 4
        and "live part" in stops[0]
        and "before you put the meter" in stops[1]
        and "rod wire is live" in stops[2]
        and "Prove it dead" in stops[3]
    )
    assert kept(tmp_path)[0]["slips"] == ["ohms_live_part", "series_live", "rod_wire_live", "not_proven"]
    assert (
        "I stopped you 4 times: " in output and "and ohms before it was proven dead." in output and shown(output) == []
    )


@pytest.mark.parametrize("power", ["turn the power off", "turn off the breaker"])
def test_zeros_through_a_broken_lead_never_prove_dead(tmp_path, power):
    output = practise(
        tmp_path,
        power,
        *PROOF,
        *PROOF,
        "ohms from burner to board ground",
        "my answer is broken meter lead",
        fault="meter_lead_open",
    )
    assert "proved it dead" not in output and "That is too low for a live part. Check the leads and the dial" in output
    assert len(shown(output)) == 10 and all(float(one.removesuffix(" volts")) < 2 for one in shown(output))
    assert kept(tmp_path)[0]["slips"] == ["not_proven"] and "Right. It was a broken meter lead." in output


def test_the_proof_in_free_practice_takes_the_five_readings_of_a_visit(tmp_path):
    output = practise(tmp_path, *DEAD, "ohms from burner to board ground", "i do not know")
    assert output.count("And you have proved it dead.") == 1
    for left_out in range(5):
        folder = tmp_path / str(left_out)
        output = practise(
            folder,
            "turn the power off",
            *PROOF[:left_out],
            *PROOF[left_out + 1 :],
            "ohms from burner to board ground",
            "i do not know",
        )
        assert "proved it dead" not in output and kept(folder)[0]["slips"] == ["not_proven"]


def test_volts_with_the_red_lead_in_the_microamp_jack_are_stopped(tmp_path):
    output = practise(
        tmp_path,
        "turn the power off",
        "clip the meter in series",
        "volts at a live outlet",
        "take the meter out",
        "volts from line to neutral",
        "red lead in the volts jack",
        *PROOF,
        "ohms from burner to board ground",
        "i do not know",
    )
    stops = re.findall(r"caution  Stop\. (.+)", output)
    assert len(stops) == 2 and all("microamp jack" in one and "short" in one for one in stops)
    assert (
        kept(tmp_path)[0]["slips"] == ["microamp_jack"] * 2 and "proved it dead" in output and len(shown(output)) == 6
    )


def test_giving_up_is_kept_and_tells_the_truth(tmp_path):
    output = practise(tmp_path, "i do not know")
    assert "You gave no answer. It was a corroded burner ground." in output
    assert (kept(tmp_path)[0]["answer"], kept(tmp_path)[0]["mark"], kept(tmp_path)[0]["how"]) == (
        None,
        "none",
        "stopped",
    )


def test_two_faults_are_asked_one_after_the_other(tmp_path):
    pair = next(name for name in catalog.pairs() if {"rod_coated", "ground_open"} == set(catalog.parts(name)))
    output = practise(tmp_path, "my answer is open ground wire", "my answer is coated rod", fault=pair, level="double")
    assert "It hides two faults." in output and "And what is the other fault?" in output and "Right. It was" in output
    output = practise(tmp_path, "my answer is open ground wire", "my answer is bad plug", fault=pair, level="double")
    assert "Half right. It was" in output


def test_the_same_seed_gives_the_same_exercise_word_for_word(tmp_path):
    lines = [
        "volts from line to neutral",
        "volts from line to r",
        "volts from r to c",
        "leads together",
        "i do not know",
    ]
    first, again, other = (
        practise(tmp_path / name, *lines, fault=None, level="medium", seed=seed)
        for name, seed in (("a", 31), ("b", 31), ("c", 32))
    )
    assert first == again
    assert shown(first) != shown(other)
    one, two = (kept(tmp_path / name)[0] for name in "ab")
    assert {key: value for key, value in one.items() if key not in ("at", "seconds")} == {
        key: value for key, value in two.items() if key not in ("at", "seconds")
    }


def test_the_easy_level_offers_only_easy_faults(tmp_path):
    output = practise(
        tmp_path, "what faults are there", "my answer is poor hot joint", "i do not know", fault=None, level="easy"
    )
    listed = re.search(r"These are the faults to choose from: (.+)\.", output)[1].split("; ")
    assert listed == [phrases().faults[name].phrases[0] for name, one in catalog.faults().faults.items() if one.easy]
    assert "I did not get that." in output


def test_gas_ends_the_exercise_with_the_alarm_and_without_a_score(tmp_path):
    output = practise(tmp_path, "volts from line to r", "wait i smell gas here", "my answer is coated rod")
    assert "ALARM   Stop. Gas. Do not touch any switch." in output and "If the smell is real, go out now" in output
    assert "It was" not in output.split("ALARM")[-1]
    assert (kept(tmp_path)[0]["how"], kept(tmp_path)[0]["answer"]) == ("gas", None)


def test_an_exercise_that_breaks_off_is_kept_without_a_score(tmp_path):
    done = CliRunner().invoke(
        cli,
        ["practice", "--free", "--typed", "--seed", "1", "--record", str(tmp_path)],
        input="volts from line to r\n",
        standalone_mode=False,
    )
    assert done.return_value == 130 and "It was" not in done.output
    assert kept(tmp_path)[0]["how"] == "interrupted"


def test_help_repeat_and_the_readings_so_far(tmp_path):
    output = practise(
        tmp_path,
        "help",
        "volts from line to r",
        "say again",
        "what have i got so far",
        "what does my meter show",
        "i do not know",
    )
    assert "Like this: volts from line to R." in output
    assert output.count(f"Your meter shows {shown(output)[0]}.") >= 2
    assert f"So far: line to R, {shown(output)[0]}" in output
    assert len(shown(output)) == 3 and kept(tmp_path)[0]["readings"] == 2
