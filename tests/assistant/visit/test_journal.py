"""The record: on disk at once, whole after any sudden end."""

from __future__ import annotations

import errno
import json
import math
import os
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import DiskFull, JournalError
from assistant.visit.answers import from_data, to_data
from assistant.visit.folders import latest
from assistant.visit.journal import FILE, RESERVE, Journal, read
from grammar.answers import Choice, Command, Reading, Unclear


def clock() -> datetime:
    return datetime(2026, 3, 2, 14, 5, 6, tzinfo=UTC)


@pytest.fixture
def journal(tmp_path):
    one = Journal(tmp_path / "v1", clock)
    yield one
    one.close()


def test_every_line_is_whole_json_with_version_number_and_time(journal):
    journal.write("visit", {"visit": "v1"})
    journal.write("note", {"value": math.inf})
    lines = [json.loads(line) for line in (journal.folder / FILE).read_text().splitlines()]
    assert [line["seq"] for line in lines] == [1, 2]
    assert {line["v"] for line in lines} == {2}
    assert lines[0]["at"] == "2026-03-02T14:05:06+00:00"
    assert lines[1]["value"] == "over limit"


def test_each_line_is_forced_to_the_disk(journal, monkeypatch):
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(handle), real(handle)))
    journal.write("power", {"state": "on"})
    assert len(synced) == 1


@pytest.mark.parametrize("cut", range(1, 40))
def test_a_torn_last_line_is_passed_over_and_cut_off(tmp_path, cut):
    one = Journal(tmp_path / "v", clock)
    one.write("visit", {"visit": "v"})
    one.write("power", {"state": "on"})
    one.close()
    path = tmp_path / "v" / FILE
    raw = path.read_bytes()
    path.write_bytes(raw[:-cut])
    events, torn = read(tmp_path / "v")
    assert torn and [event["kind"] for event in events] == ["visit"]
    again = Journal(tmp_path / "v", clock)
    assert again.was_torn
    again.write("resumed", {})
    again.close()
    events, torn = read(tmp_path / "v")
    assert not torn and [(event["seq"], event["kind"]) for event in events] == [(1, "visit"), (2, "resumed")]


def test_a_broken_line_in_the_middle_is_not_passed_over(journal):
    journal.write("visit", {"visit": "v"})
    path = journal.folder / FILE
    path.write_bytes(b"{broken\n" + path.read_bytes())
    with pytest.raises(JournalError, match="Line 1 of the journal in v1 is broken"):
        read(journal.folder)


def test_a_full_disk_costs_the_reserve_and_not_the_reading(journal, monkeypatch):
    real = os.write

    def full(handle, data):
        if (journal.folder / RESERVE).exists():
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data)

    monkeypatch.setattr(os, "write", full)
    journal.write("reading", {"value": 121.3})
    assert journal.is_full
    assert read(journal.folder)[0][0]["value"] == 121.3


def test_a_disk_that_stays_full_is_told_plainly(journal, monkeypatch):
    def full(handle, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(DiskFull, match=r"The disk is full\. I can't keep the record\. Make room"):
        journal.write("reading", {"value": 121.3})
    monkeypatch.undo()
    assert read(journal.folder) == ([], False)


def test_half_a_line_is_taken_back_when_the_disk_refuses_the_rest(journal, monkeypatch):
    journal.write("visit", {"visit": "v"})
    real, calls = os.write, []

    def half(handle, data):
        calls.append(data)
        if len(calls) == 1:
            return real(handle, data[: len(data) // 2])
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(JournalError, match="can't be written"):
        journal.write("reading", {"value": 121.3})
    monkeypatch.undo()
    events, torn = read(journal.folder)
    assert not torn and len(events) == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs root")
def test_a_really_full_disk(tmp_path):
    """A 256 KiB file system of its own, filled to the last byte."""
    import shutil
    import subprocess

    small = tmp_path / "small"
    small.mkdir()
    if not shutil.which("mount"):
        pytest.skip("the program mount is not installed")
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", small], check=False, capture_output=True
    ).returncode:
        pytest.skip("no file system can be mounted here")
    try:
        journal = Journal(small / "v", clock)
        with (small / "filler").open("wb", buffering=0) as filler, pytest.raises(OSError):
            while True:
                filler.write(b"x" * 4096)
        written = 0
        while not journal.is_full:
            journal.write("reading", {"value": float(written), "note": "y" * 500})
            written += 1
        journal.close()
        events, torn = read(small / "v")
        assert not torn and [event["value"] for event in events] == [float(number) for number in range(written)]
    finally:
        subprocess.run(["umount", small], check=True)


def test_sound_is_kept_beside_the_words(journal):
    assert journal.snippet(np.zeros(0, np.int16)) is None
    assert journal.snippet(np.arange(1600, dtype=np.int16)) == "audio/0001.flac"
    assert (journal.folder / "audio" / "0001.flac").is_file()


def test_the_latest_visit_is_the_newest_that_is_not_over(tmp_path):
    for name, ended in (("a", False), ("b", False), ("c", True)):
        one = Journal(tmp_path / name, lambda name=name: datetime(2026, 3, ord(name) - 90, tzinfo=UTC))
        one.write("visit", {"visit": name})
        if ended:
            one.write("end", {"how": "finished"})
        one.close()
    assert latest(tmp_path) == tmp_path / "b"


numbers = st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.just(math.inf))
readings = st.builds(
    Reading,
    numbers,
    numbers,
    numbers,
    st.floats(0, 1),
    st.just("ohms"),
    st.just("ohm"),
    st.booleans(),
    st.booleans(),
    st.text(),
    st.text(),
    st.none() | numbers,
)
answers = st.one_of(
    readings,
    st.builds(Command, st.text(), st.text()),
    st.builds(Choice, st.text(), st.text(), st.none() | readings),
    st.builds(Unclear, st.text(), st.text(), st.none() | readings, st.lists(readings, max_size=2).map(tuple)),
)


@given(answers)
def test_answers_survive_the_journal(answer):
    assert from_data(json.loads(json.dumps(to_data(answer), allow_nan=False))) == answer


def test_an_unknown_answer_is_refused_with_a_remedy():
    with pytest.raises(JournalError, match="unknown kind of answer"):
        from_data({"type": "shrug"})


def test_closing_twice_closes_nobody_elses_file(journal, tmp_path):
    """The number of a closed file is given to the next one that is opened."""
    journal.close()
    with (tmp_path / "other").open("w") as other:
        journal.close()
        other.write("still open")
    assert (tmp_path / "other").read_text() == "still open"


def test_a_closed_record_takes_no_line_and_writes_to_nobody_elses_file(journal, tmp_path):
    journal.close()
    with (tmp_path / "other").open("w"), pytest.raises(JournalError, match="is closed"):
        journal.write("power", {"state": "on"})
    assert (tmp_path / "other").read_bytes() == b""
    assert (journal.folder / FILE).read_bytes() == b""
