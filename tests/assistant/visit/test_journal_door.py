"""What comes in as a journal: types at the door, versions, chains, locks, and that one bad file stops no other."""

from __future__ import annotations

import json
import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.errors import InUse, JournalError, NewerJournal
from assistant.visit import chain
from assistant.visit.folders import begin_folder, latest, unfinished
from assistant.visit.journal import FILE, Journal, read
from assistant.visit.journal_door import Broken, line

AT = datetime(2026, 3, 2, 14, 5, 6, tzinfo=UTC)


def write(folder: Path, *lines: object) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / FILE).write_bytes(
        b"".join((one if isinstance(one, bytes) else json.dumps(one).encode()) + b"\n" for one in lines)
    )
    return folder


def visit(name: str, **more: object) -> dict[str, object]:
    return {"v": 1, "seq": 1, "at": AT.isoformat(), "kind": "visit", "visit": name, **more}


def made(folder: Path, *kinds: str) -> Path:
    journal = Journal(folder, lambda: AT)
    journal.write("visit", {"visit": folder.name})
    for kind in kinds:
        journal.write(kind, {"how": "finished"} if kind == "end" else {"step": "supply", "value": 121.3})
    journal.close()
    return folder


BROKEN = {
    "an empty object": b"{}",
    "null": b"null",
    "a list": b"[]",
    "deep": b'{"a":' * 900 + b"1" + b"}" * 900,
    "very deep": b"[" * 20_000,
    "not UTF-8": b'{"kind":"visit\xff\xfe"}',
    "half a character": b'{"v":1,"seq":1,"at":"2026-03-02T14:05:06","kind":"visit","visit":"\\ud800"}',
    "the year 9999": b'{"v":1,"seq":1,"at":"9999-12-31T23:59:59","kind":"visit","visit":"x"}',
    "endless number": b'{"v":1,"seq":1,"at":"2026-03-02T14:05:06","kind":"reading","value":1e999}',
    "a huge whole number": b'{"v":1,"seq":1,"at":"2026-03-02T14:05:06","kind":"reading","value":' + b"9" * 500 + b"}",
    "not a number": b'{"v":1,"seq":1,"at":"2026-03-02T14:05:06","kind":"reading","value":NaN}',
    "a name that is a list": b'{"v":1,"seq":1,"at":"2026-03-02T14:05:06","kind":"visit","visit":["x"]}',
    "measured that is a word": b'{"v":1,"seq":1,"at":"2026-03-02T14:05:06","kind":"reading","measured":"x"}',
    "a true version": b'{"v":true,"seq":1,"at":"2026-03-02T14:05:06","kind":"visit","visit":"x"}',
}


@pytest.mark.parametrize("raw", BROKEN.values(), ids=BROKEN)
def test_a_broken_line_is_refused_with_its_number_and_reason(tmp_path: Path, raw: bytes) -> None:
    write(tmp_path / "v", visit("v"), raw, {**visit("v"), "kind": "end", "how": "stopped"})
    with pytest.raises(JournalError, match=r"Line 2 of the journal in v is broken: it"):
        read(tmp_path / "v")


@pytest.mark.parametrize("raw", BROKEN.values(), ids=BROKEN)
def test_one_broken_journal_hides_no_other(tmp_path: Path, raw: bytes) -> None:
    made(tmp_path / "good")
    write(tmp_path / "bad", raw)
    write(tmp_path / "half", visit("half"), raw, visit("half"))
    found, passed = unfinished(tmp_path)
    assert [one.folder.name for one in found] == ["good"]
    assert len(passed) == 2
    assert latest(tmp_path) == tmp_path / "good"


def test_fields_and_kinds_that_are_not_known_are_let_through() -> None:
    more = {**visit("v"), "kind": "position", "red": {"on": "hot"}, "later": [1, None]}
    assert line(json.dumps(more).encode()) == more
    assert line(json.dumps({**visit("v"), "weather": "wet"}).encode())["weather"] == "wet"


def test_a_journal_of_a_later_version_is_neither_read_nor_written_on(tmp_path: Path) -> None:
    folder = write(tmp_path / "v", {**visit("v"), "v": 3})
    before = (folder / FILE).read_bytes()
    for attempt in (lambda: read(folder), lambda: Journal(folder)):
        with pytest.raises(NewerJournal, match="written by a later version"):
            attempt()
    assert (folder / FILE).read_bytes() == before
    assert unfinished(tmp_path)[0] == []


def test_the_number_decides_which_visit_is_the_latest_and_not_the_clock(tmp_path: Path) -> None:
    times = [AT, AT - timedelta(days=400)]
    for now in times:
        folder, number = begin_folder(tmp_path, now)
        journal = Journal(folder, lambda now=now: now)
        journal.write("visit", {"visit": folder.name, "number": number})
        journal.close()
    assert latest(tmp_path).name == f"{times[1]:%Y%m%d-%H%M%S}"


def test_two_visits_of_one_second_have_two_folders(tmp_path: Path) -> None:
    assert {begin_folder(tmp_path, AT)[0].name for _ in range(3)} == {
        "20260302-140506",
        "20260302-140506-2",
        "20260302-140506-3",
    }


def test_the_latest_is_found_without_reading_what_lies_between(tmp_path: Path) -> None:
    """A broken middle cannot matter to what is never read."""
    folder = made(tmp_path / "v")
    raw = (folder / FILE).read_bytes()
    filler = b'{"v":1,"seq":2,"at":"2026-03-02T14:05:06","kind":"said","text":"' + b"x" * 900 + b'"}\n'
    (folder / FILE).write_bytes(raw + b"{broken}\n" + filler * 200)
    assert latest(tmp_path) == folder


def test_a_second_process_gets_a_plain_line(tmp_path: Path) -> None:
    first = Journal(tmp_path / "v", lambda: AT)
    first.write("visit", {"visit": "v"})
    with pytest.raises(InUse, match=r"Another Twohands is on the visit v\."):
        Journal(tmp_path / "v", lambda: AT)
    first.close()
    Journal(tmp_path / "v", lambda: AT).close()


def test_an_interrupt_while_a_line_is_written_leaves_a_whole_chain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = Journal(tmp_path / "v", lambda: AT)
    journal.write("visit", {"visit": "v"})
    real = os.fsync

    def interrupted(handle: int) -> None:
        real(handle)
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        journal.write("reading", {"value": 1.0})
    monkeypatch.undo()
    journal.write("interrupted", {"why": "ended from outside"})
    journal.close()
    events, torn = read(tmp_path / "v")
    assert not torn and [one["kind"] for one in events] == ["visit", "interrupted"]
    assert chain.check(events).state == "whole"


def test_every_change_of_a_line_is_found(tmp_path: Path) -> None:
    events, _ = read(made(tmp_path / "v", "reading", "reading", "end"))
    assert chain.check(events).state == "whole"
    for place, event in enumerate(events):
        for key in event:
            changed = [dict(one) for one in events]
            changed[place][key] = "0" * 64 if key == "chain" else "other"
            assert chain.check(changed) == chain.Checked("broken", place + 1)
        if place < len(events) - 1:
            assert chain.check(events[:place] + events[place + 1 :]).state == "broken"
    assert chain.check([events[0], events[2], events[1], events[3]]).line == 2


def test_a_journal_from_before_the_chain_goes_on_chained(tmp_path: Path) -> None:
    folder = write(tmp_path / "v", visit("v"), {**visit("v"), "seq": 2, "kind": "power", "state": "on"})
    assert chain.check(read(folder)[0]).state == "unchained"
    journal = Journal(folder, lambda: AT)
    journal.write("interrupted", {})
    journal.close()
    events, _ = read(folder)
    assert chain.check(events).state == "whole"
    assert chain.check([{**events[0], "visit": "w"}, *events[1:]]).line == 3


def test_a_journal_that_was_changed_is_not_written_on(tmp_path: Path) -> None:
    folder = made(tmp_path / "v", "reading")
    raw = (folder / FILE).read_bytes().replace(b"121.3", b"111.3")
    (folder / FILE).write_bytes(raw)
    with pytest.raises(JournalError, match="was changed since it was written"):
        Journal(folder)
    assert (folder / FILE).read_bytes() == raw


def test_sounds_never_take_the_place_of_others(tmp_path: Path) -> None:
    """Not after a resume, and not where files were lost meanwhile."""
    names = []
    for _ in range(3):
        journal = Journal(tmp_path / "v", lambda: AT)
        names += [
            journal.snippet(np.ones(160, np.int16)),
            journal.memo(np.ones(160, np.int16)),
            journal.snippet(np.ones(160, np.int16)),
        ]
        journal.write("visit" if len(names) == 3 else "resumed", {"visit": "v"})
        journal.close()
    assert len(set(names)) == 9
    (tmp_path / "v" / names[0]).unlink()
    assert sum(1 for _ in (tmp_path / "v" / "audio").glob("*.flac")) == 8


def test_what_is_kept_is_the_owners_alone(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        folder, _ = begin_folder(tmp_path / "home" / "visits", AT)
        journal = Journal(folder, lambda: AT)
        journal.write("visit", {"visit": "v"})
        journal.snippet(np.ones(160, np.int16))
    finally:
        os.umask(old)
    for path in [tmp_path / "home", *(tmp_path / "home").rglob("*")]:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path
    journal.close()


def test_a_new_visit_is_on_disk_with_the_folders_above_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder's name is safe only once the folder above it was synced."""
    synced: list[str] = []
    real = os.fsync
    monkeypatch.setattr(
        os, "fsync", lambda handle: (synced.append(os.readlink(f"/proc/self/fd/{handle}")), real(handle))[1]
    )
    folder, _ = begin_folder(tmp_path / "home" / "visits", AT)
    Journal(folder, lambda: AT).close()
    assert {str(tmp_path), str(tmp_path / "home"), str(tmp_path / "home" / "visits"), str(folder)} <= set(synced)


@settings(max_examples=300, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
        max_leaves=12,
    )
)
def test_any_json_is_a_line_or_refused(value: object) -> None:
    try:
        event = line(json.dumps(value).encode())
    except Broken as error:
        assert error.reason
    else:
        assert isinstance(event["kind"], str)
