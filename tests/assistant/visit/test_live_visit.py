"""A whole small visit through a virtual microphone and loudspeaker, with a device taken away in the middle."""

from __future__ import annotations

import queue
import threading
import time

import numpy as np
import pytest

from assistant.hearing.audio import files
from assistant.visit.journal import read
from audio_fixtures.rooms import in_quiet_room
from audio_fixtures.voices import say
from tests.assistant.soundroom import MIC, SPEAKER, SoundRoom, stop_recording

# Two readings and short lines: what is tested is the way through the devices, in real time.
PROCEDURE = """
format: 2
id: two_readings
version: 1
title: Two readings
about: Invented, for a test of the live path.
start: supply
reason: false
things: {leads: {begin: in_hand}, red_jack: {begin: volts}, dial: {begin: ac_volts}}
stands:
  set: {leads: in_hand, red_jack: volts, dial: ac_volts}
leave: [{go: done}]
limits:
  low: {value: 110, origin: invented, source: invented for this test}
steps:
  supply:
    title: Supply voltage
    power: "on"
    at: set
    say: ["The dial is on A C volts. Red lead on hot, black lead on neutral. Tell me the volts."]
    ask: {probe: supply_hot_neutral, quantity: ac_volts, unit: volt, high: 600, decimals: 1}
    judge:
      check: band
      limits: {low: low}
      say: {pass: "Good.", low: "Low.", high: "High.", edge: "Good.", close: "Too close.", jumps: "It jumps."}
    next: [{go: second}]
  second:
    title: Secondary
    power: "on"
    at: set
    say: ["Red lead on R, black lead on C. Tell me the volts."]
    ask: {probe: secondary_r_c, quantity: ac_volts, unit: volt, high: 600, decimals: 1}
    next: [{go: done}]
  done: {title: Done, power: any, at: set, say: ["That is all."], end: finished}
"""
LIMIT = 300
"""Seconds without a line that is waited for, after which the visit is taken for hung."""
TRIES = 4
"""A busy machine loses pieces of what is played; then a person says it again."""


class RunningVisit:
    """The lines of a running visit, with a limit on waiting."""

    def __init__(self, process) -> None:
        self.process, self.lines, self._queue = process, [], queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        for line in self.process.stdout:
            self._queue.put(line)

    def until(self, *texts: str) -> list[str]:
        """The lines up to the first that holds one of `texts`."""
        found, deadline = [], time.monotonic() + LIMIT
        while time.monotonic() < deadline:
            try:
                found.append(self._queue.get(timeout=1))
            except queue.Empty:
                assert self.process.poll() is None, self.process.stderr.read()
                continue
            self.lines.append(found[-1])
            if any(text in found[-1] for text in texts):
                return found
        raise AssertionError(f"{texts} never came; the last lines were {self.lines[-8:]}")


@pytest.fixture
def clip(tmp_path):
    def made(text: str):
        path = tmp_path / f"{text.replace(' ', '_')}.wav"
        files.write(path, in_quiet_room(say(text, "flite-rms"), 0.2, 0.6, np.random.default_rng(0)))
        return path

    return made


def test_a_visit_by_microphone_and_loudspeaker(sound_room: SoundRoom, clip, tmp_path):
    (tmp_path / "two.yaml").write_text(PROCEDURE)
    spoken = tmp_path / "spoken.wav"
    recorder = sound_room.record(spoken)
    code = "import sys; from assistant.cli import main; main(sys.argv[1:])"
    process = sound_room.python(
        code,
        "run",
        "--procedure",
        str(tmp_path / "two.yaml"),
        "--rate",
        "fast",
        "--keep-sound",
        "all",
        "--visits",
        str(tmp_path / "visits"),
    )
    visit = RunningVisit(process)

    def answer(text: str, then: str) -> None:
        visit.until("(listening)")
        for _ in range(TRIES):
            sound_room.play(clip(text))
            if then in visit.until(then, "(listening)")[-1]:
                return
        raise AssertionError(f"'{text}' was not understood in {TRIES} tries; the last lines were {visit.lines[-8:]}")

    answer("one twenty one point three", "one two one point three volts")
    answer("yes that is correct", "Good.")
    visit.until("(listening)")
    sound_room.take_away(SPEAKER)
    sound_room.take_away(MIC)
    visit.until("The microphone is gone")
    sound_room.give_back(SPEAKER)
    sound_room.give_back(MIC)
    answer("twenty eight point one", "two eight point one volts")
    answer("yes that is correct", "That is all.")
    _out, err = process.communicate(timeout=LIMIT)
    stop_recording(recorder)
    assert process.returncode == 0, err
    assert "Traceback" not in err

    events, torn = read(next((tmp_path / "visits").iterdir()))
    assert not torn and events[-1]["kind"] == "end"
    assert [event["value"] for event in events if event["kind"] == "reading"] == [121.3, 28.1]
    assert any(event["kind"] == "trouble" and event["what"] == "microphone" for event in events)
    assert all(
        (tmp_path / "visits" / events[0]["visit"] / event["snippet"]).is_file()
        for event in events
        if event["kind"] == "heard"
    )
    # What was spoken back did leave through the loudspeaker.
    assert np.abs(files.read(spoken).astype(np.int32)).max() > 1000
