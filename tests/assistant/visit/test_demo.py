"""The main job from end to end: recorded speech, the real recogniser, the real voice, the record."""

from __future__ import annotations

import subprocess
import sys
import threading
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile

from assistant.hearing.engines.choose import recognizer
from assistant.hearing.weigh.policy import weigh
from assistant.speaking.voice import EspeakVoice
from assistant.visit.demo.show import demo_file, recorded_clip, run_visit
from assistant.visit.journal import read
from assistant.visit.recorded import spelled

SILENCE = 900
"""Seconds without a printed line after which the demonstration is taken for hung."""


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """`twohands demo`, once: its printed output and its folder."""
    out = tmp_path_factory.mktemp("demo")
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "assistant", "demo", "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    printed = []
    while True:
        # Not the whole is limited, for that is the machine's affair, but how long it says nothing.
        hung = threading.Timer(SILENCE, process.kill)
        hung.daemon = True
        hung.start()
        line = process.stdout.readline()
        hung.cancel()
        if not line:
            break
        printed.append(line)
    assert process.wait() == 0, "".join(printed)[-3000:]
    return "".join(printed), {path.name.split("-")[-1]: path for path in out.iterdir()}


SPOKEN = {"secondary_swapped": "swapped transformer wires", "burner_corroded": "corroded burner ground"}


@pytest.mark.parametrize(
    ("visit", "fault", "at_the_end", "how"),
    [
        ("healthy", None, None, "finished"),
        ("swapped", "secondary_swapped", None, "finished"),
        ("corroded", "burner_corroded", "burner_corroded", "stopped"),
    ],
)
def test_each_visit_names_its_fault_and_ends_as_it_should(shown, visit, fault, at_the_end, how):
    """The swapped secondary is mended on the way and read again; the corroded burner locks out and is left off."""
    events, torn = read(shown[1][visit])
    assert not torn and events[-1]["kind"] == "end" and events[-1]["fault"] == at_the_end and events[-1]["how"] == how
    assert events[-1]["missing"] == [] and events[-1]["safety"] == [] and events[-1]["left_set"] == []
    assert events[0]["invented"] is True
    named = {event["named"] for event in events if event["kind"] == "assessment"} - {None, "healthy"}
    assert named == ({fault} if fault else set())
    spoken = [event["text"] for event in events if event["kind"] == "said" and event["role"] == "verdict"]
    assert any((SPOKEN[at_the_end] if at_the_end else "The circuit is sound.") in text for text in spoken[-2:])
    assert fault is None or any(SPOKEN[fault] in text for text in spoken)


def test_what_was_mended_is_read_again_and_both_readings_stand(shown):
    events, _ = read(shown[1]["swapped"])
    phasing = [event["value"] for event in events if event["kind"] == "reading" and event["step"] == "phasing"]
    assert phasing == [146.8, 97.8]
    kinds = [(event["kind"], event.get("step")) for event in events]
    first, second = (number for number, one in enumerate(kinds) if one == ("reading", "phasing"))
    between = events[first:second]
    assert [event["choice"] for event in between if event["kind"] == "choice" and event["step"] == "mend"] == ["made"]
    mend = next(number for number, event in enumerate(between) if event["kind"] == "choice" and event["step"] == "mend")
    assert [event["state"] for event in between[:mend] if event["kind"] == "power"] == ["said_off", "dead"]
    assert [event["state"] for event in between[mend:] if event["kind"] == "power"] == ["on"]


@pytest.mark.parametrize("visit", ["healthy", "swapped", "corroded"])
def test_nothing_is_left_as_it_must_not_be(shown, visit):
    """Wire, clips, jumper, jack, door switch, covers and thermostat, by the moves on the record alone."""
    events, _ = read(shown[1][visit])
    stands = {event["thing"]: event["to"] for event in events if event["kind"] == "moved"}
    assert stands == {
        "rod_wire": "fitted",
        "leads": "in_hand",
        "jumper": "none",
        "red_jack": "volts",
        "dial": "ac_volts",
        "door_switch": "free",
        "covers": "fitted",
        "burner": "out",
        "thermostat": "found",
    }


def test_every_exchange_is_printed(shown):
    text = shown[0]
    for wanted in (
        "heard  ",
        "confidence",
        "read back",
        "verdict",
        "caution",
        "Fault named:",
        "Record:",
        "Conversation:",
        "Summary",
    ):
        assert wanted in text
    assert "NOT AS IT SHOULD BE" not in text


@pytest.mark.parametrize("visit", ["healthy", "swapped", "corroded"])
def test_both_sides_are_on_the_conversation(shown, visit):
    sound, rate = soundfile.read(shown[1][visit] / "conversation.wav")
    assert rate == 16_000 and sound.shape[1] == 2
    # Both speak for a good while, and never at the same time.
    loud = np.abs(sound[: len(sound) // 800 * 800]).reshape(-1, 800, 2).max(axis=1) > 0.02
    assert loud[:, 0].sum() > 200 and loud[:, 1].sum() > 1000
    assert (loud[:, 0] & loud[:, 1]).mean() < 0.02


@pytest.mark.parametrize("visit", ["healthy", "swapped", "corroded"])
def test_a_whole_visit_has_every_check_and_its_sound(shown, visit):
    folder = shown[1][visit]
    events, _ = read(folder)
    probes = [event["probe"] for event in events if event["kind"] == "reading"]
    assert set(probes) >= {
        "supply_hot_neutral",
        "supply_hot_ground",
        "supply_neutral_ground",
        "secondary_r_c",
        "line_to_r",
        "rod_to_ground",
        "known_live_before",
        "dead_hot_neutral",
        "dead_hot_ground",
        "dead_neutral_ground",
        "known_live_after",
        "leads_together",
        "ground_path",
        "flame_current",
    }
    heard = [event for event in events if event["kind"] == "heard"]
    assert all((folder / event["snippet"]).is_file() for event in heard)
    jumper = [event["on"] for event in events if event["kind"] == "jumper"]
    assert jumper == [True, False]


def test_the_readings_are_those_that_were_spoken(shown):
    from grammar.numbers import parse

    data, seen, compared = demo_file(), set(), 0
    for visit, folder in shown[1].items():
        for event in read(folder)[0]:
            if event["kind"] == "reading":
                words = data.words(visit)
                again = (visit, event["step"]) in seen and f"{event['step']}/mended"
                seen.add((visit, event["step"]))
                text = words.get(again or event["step"], words[event["step"]])
                spoken = parse(text.removesuffix(" kilohms"))
                scale = {"microamp": 1e-6, "kilohm": 1e3}.get(event["unit"], 1.0)
                assert event["value"] == pytest.approx(float(spoken.digits) * scale), (visit, event["step"])
                compared += 1
    assert compared >= 30


@pytest.fixture(scope="module")
def engines():
    voice, (ears, _) = EspeakVoice(), recognizer()
    yield {"voice": voice, "recognizer": ears}
    voice.close()
    ears.close()


@pytest.mark.parametrize(
    ("phasing", "outcome", "finding"),
    [("ninety eight point three", "pass", ""), ("one forty seven point five", "fail", "out_of_phase")],
)
def test_the_same_speech_with_another_reading_leads_to_another_verdict(engines, tmp_path, phasing, outcome, finding):
    """Nothing is scripted: one recording is exchanged, and the visit goes another way."""
    says = {"phasing": phasing, "rod_voltage": "stop now", "offered": "stop now"}
    done = run_visit(
        "healthy",
        demo_file(),
        tmp_path,
        **engines,
        clip=recorded_clip,
        clock=lambda: datetime(2026, 3, 2, tzinfo=UTC),
        program="test",
        understand=weigh,
        says=says,
    )
    verdict = next(event for event in read(done.folder)[0] if event["kind"] == "verdict" and event["step"] == "phasing")
    assert (verdict["outcome"], verdict["finding"]) == (outcome, finding)
    assert (done.named == "secondary_swapped") == (outcome == "fail")
    assert done.how == "stopped"


def test_the_demonstration_in_brief_has_fewer_words_and_its_sound(engines, tmp_path):
    says = {"phasing": "stop now", "offered": "stop now"}
    told = {}
    for level in ("learner", "brief"):
        done = run_visit(
            "healthy",
            demo_file(),
            tmp_path / level,
            **engines,
            clip=recorded_clip,
            clock=lambda: datetime(2026, 3, 2, tzinfo=UTC),
            program="test",
            understand=weigh,
            says=says,
            talk=level,
        )
        assert done.how == "stopped" and soundfile.info(done.folder / "conversation.wav").duration > 60
        lines = [event["text"] for event in read(done.folder)[0] if event["kind"] == "said"]
        told[level] = sum(len(text.split()) for text in lines)
        assert ("Good." in lines) == (level == "brief")
    assert told["brief"] < 0.8 * told["learner"]


def test_everything_the_technicians_may_say_is_recorded():
    data = demo_file()
    assert (
        spelled("two forty seven kilohms") == "two four seven kilohms"
        and spelled("point three") == "zero point three"
        and spelled("clips are on") is None
    )
    for name, visit in data.visits.items():
        for text in data.words(name).values():
            assert len(recorded_clip(text, visit)) > 8000
            if again := spelled(text):
                assert len(recorded_clip(again, visit)) > 8000
