"""The visit loop: order on disk, devices that go away, memos, sudden ends."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import DeviceLost
from assistant.hearing.engines.base import Final
from assistant.visit.journal import FILE, Journal, read
from assistant.visit.plans import ready_plan
from assistant.visit.replay import standing
from assistant.visit.visit import Visit, opening
from flows.procedure.session import Resumed
from flows.talk.dialogue import advance, begin
from grammar.answers import Heard
from tests.flows.talking import OFF, PROOF, START


@pytest.fixture(scope="module")
def plan():
    return ready_plan("flame_sensing", "larkspur", "dunlin")


class Scripted:
    """Ears that hear a list; an exception in the list is raised."""

    def __init__(self, *given) -> None:
        self.given = list(given)
        self.reopened = 0

    def hear(self, scope):
        if not self.given:
            return None
        one = self.given.pop(0)
        if isinstance(one, Exception):
            raise one
        return Final(Heard(one), np.full(1600, 7, np.int16))

    def reopen(self) -> bool:
        self.reopened += 1
        return self.reopened >= 2


class Noted:
    """A mouth that notes what is on disk whenever it really speaks."""

    def __init__(self, journal: Journal) -> None:
        self.journal, self.queue, self.spoken, self.on_disk = journal, [], [], []

    def say(self, text: str) -> None:
        self.queue.append(text)

    def tone(self, name: str) -> None:
        self.queue.append(f"<{name}>")

    def pace(self, rate: str) -> None:
        self.queue.append(f"[{rate}]")

    def speak(self) -> None:
        self.on_disk.append({event["kind"] for event in read(self.journal.folder)[0]})
        self.spoken += self.queue
        self.queue = []


@pytest.fixture
def visit(plan, tmp_path):
    journal = Journal(tmp_path / "v")
    journal.write("visit", opening(plan, visit="v", engine="typed", voice="none", program="test", invented=True))
    made = Visit(plan, Scripted(), Noted(journal), journal, wait=lambda: None)
    yield made
    journal.close()


def go(visit, *given):
    visit.ears = Scripted(*given)
    return visit.run(*begin(visit.plan))


def kinds(visit) -> list[str]:
    return [event["kind"] for event in read(visit.journal.folder)[0]]


def test_a_confirmed_reading_is_on_disk_before_the_next_sentence(visit):
    go(visit, *START, "121.3", "yes")
    before_yes, after_yes = visit.mouth.on_disk[-2:]
    assert "reading" not in before_yes and {"reading", "verdict", "assessment"} <= after_yes
    reading = next(event for event in read(visit.journal.folder)[0] if event["kind"] == "reading")
    assert (
        reading["value"] == 121.3
        and reading["measured"]["low"] < 121.3 < reading["measured"]["high"]
        and reading["power"] == "on"
    )


def test_what_was_heard_is_kept_with_its_sound(visit):
    visit.keep_sound = "all"
    go(visit, *START, "121.3")
    heard = [event for event in read(visit.journal.folder)[0] if event["kind"] == "heard"]
    assert [one["text"] for one in heard] == [*START, "121.3"]
    assert all((visit.journal.folder / one["snippet"]).is_file() for one in heard)


def test_a_microphone_that_goes_away_is_told_and_comes_back(visit):
    outcome = go(
        visit, *START, "121.3", "yes", DeviceLost("The microphone is gone.", "Plug it in again."), "121", "yes"
    )
    assert "The microphone is gone. Plug it in again." in visit.mouth.spoken
    assert len(outcome.session.taken) == 2
    assert kinds(visit).count("trouble") == 1


def test_a_microphone_that_stays_away_leaves_a_visit_that_can_go_on(visit):
    visit.reopen_tries = 1
    outcome = go(visit, *START, "121.3", "yes", DeviceLost("The microphone is gone.", "Plug it in again."))
    assert outcome.how == "interrupted"
    where = standing(visit.plan, read(visit.journal.folder)[0])
    assert where.session == outcome.session and where.unsaved == ()


def test_a_full_disk_keeps_the_reading_says_so_and_stops(visit, monkeypatch):
    import errno

    real = os.write

    def full(handle, data):
        if b'"kind": "reading"' in data and (visit.journal.folder / ".reserve").exists():
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data)

    monkeypatch.setattr(os, "write", full)
    outcome = go(visit, *START, "121.3", "yes", "121", "yes")
    assert outcome.how == "interrupted" and len(outcome.session.taken) == 1
    assert any("The disk is full. The last reading is kept" in one for one in visit.mouth.spoken)
    assert "reading" in kinds(visit)


def test_a_memo_is_a_sound_file_without_its_closing_words(visit):
    go(visit, *START, "take a note", "the burner looks rusty", "and the screw is loose", "end note")
    memo = next(event for event in read(visit.journal.folder)[0] if event["kind"] == "memo")
    assert memo["step"] == "supply" and memo["seconds"] == pytest.approx(0.2)
    assert (visit.journal.folder / memo["file"]).is_file()


def test_slower_reaches_the_voice(visit):
    go(visit, "slower")
    assert "[slow]" in visit.mouth.spoken


def test_gas_ends_the_visit_unless_it_is_called_a_false_alarm(visit):
    outcome = go(visit, "i smell gas", "121")
    assert outcome.how == "gas" and outcome.session.taken == ()
    assert "<alarm>" in visit.mouth.spoken and kinds(visit)[-1] == "end"


ANSWERS = (
    *START,
    "119.6",
    "yes",
    "one fifteen",
    "one two zero",
    "yes",
    "0.2",
    "no point three",
    "yes",
    "why",
    "24.4",
    "yes",
    "143.9",
    "yes",
    "next check please",
    "pause",
    "continue",
    "88",
    "yes",
    "go back",
    "87",
    "yes",
    *OFF,
    *PROOF,
    "now it reads ohms",
    "0.3",
    "yes",
    "stop",
)


def test_a_visit_replayed_from_its_journal_stands_where_it_stood(visit):
    outcome = go(visit, *ANSWERS)
    events = read(visit.journal.folder)[0]
    assert standing(visit.plan, events).session == outcome.session


def test_cut_off_after_any_line_nothing_confirmed_is_lost(visit):
    """Every prefix of the journal replays, and what it lacks is exactly what the dialogue would write next."""
    go(visit, *ANSWERS)
    events = read(visit.journal.folder)[0]
    for length in range(1, len(events) + 1):
        part = events[:length]
        where = standing(visit.plan, part)
        kept = [event for event in part if event["kind"] == "reading"]
        missing = [save for save in where.unsaved if save.kind == "reading"]
        assert len(where.session.taken) == len(kept) + len(missing)
        assert [one.probe for one in where.session.taken][: len(kept)] == [event["probe"] for event in kept]
        session, _ = advance(visit.plan, where.session, Resumed())
        # Whatever was off or proven before the break is not believed after it.
        assert session.power in ("on", "doubt")


PATIENCE = 300
"""Seconds after which a process is taken for hung."""


def reached(process: subprocess.Popen, visits: Path, lines: int) -> None:
    """Wait until so many lines that were heard stand in the record."""
    deadline = time.monotonic() + PATIENCE
    while sum(path.read_bytes().count(b'"kind": "heard"') for path in visits.glob(f"*/{FILE}")) < lines:
        assert process.poll() is None, "it ended before"
        assert time.monotonic() < deadline, "it hangs"
        time.sleep(0.01)


@pytest.mark.parametrize(("seed", "level"), [(0, "learner"), (1, "learner"), (2, "learner"), (0, "usual")])
def test_kill_nine_at_any_moment(tmp_path, seed, level):
    """A real process, killed outright at a random moment, resumed by a second one."""
    rng = random.Random(seed)
    command = [sys.executable, "-m", "assistant", "run", "--typed", "--talk", level, "--visits", str(tmp_path)]
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, text=True
    )
    lines = [*START, "119.6", "yes", "119.7", "yes", "0.1", "yes", "24.4", "yes"]
    sent = rng.randrange(3, len(lines) + 1)
    process.stdin.write("\n".join(lines[:sent]) + "\n")
    process.stdin.flush()
    want = rng.randrange(1, sent + 1)
    reached(process, tmp_path, want)
    process.send_signal(signal.SIGKILL)
    process.wait()
    folder = next(tmp_path.glob("*"))
    events, _ = read(folder)
    confirmed = [event["value"] for event in events if event["kind"] == "reading"]
    heard_yes = sum(event["kind"] == "heard" and event["text"] == "yes" for event in events)
    heard_number = sum(event["kind"] == "heard" and event["answer"]["type"] == "reading" for event in events)
    resumed = subprocess.run(
        [*command, "--resume"], input="stop\n", capture_output=True, text=True, timeout=120, check=False
    )
    assert "Welcome back" in resumed.stdout, resumed.stderr
    after, torn = read(folder)
    values = [event["value"] for event in after if event["kind"] == "reading"]
    assert not torn and values[: len(confirmed)] == confirmed
    # What confirmed a reading counts once it reached the disk, even if the reading's line did not: a "yes", or the
    # reading itself where none is asked for.
    assert len(values) == (heard_yes if level == "learner" else heard_number)


def test_sigterm_ends_cleanly_with_the_record_kept(tmp_path):
    command = [sys.executable, "-m", "assistant", "run", "--typed", "--visits", str(tmp_path)]
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    process.stdin.write("the air is clear\n")
    process.stdin.flush()
    reached(process, tmp_path, 1)
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=PATIENCE)
    assert process.returncode == 130 and "Traceback" not in err
    assert "All that was confirmed is kept" in out and "--resume" in out
    assert read(next(tmp_path.glob("*")))[0][-1]["kind"] == "interrupted"
