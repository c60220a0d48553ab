"""What is killed: visits typed and sounding, a resume, imports, forgetting, a desk that takes journals. And what must
hold afterwards.

Each scenario does its work in a folder and notes what it has promised to a
person (spoken, printed, answered) in the file PROMISED there. Each check
looks at the folder after a sudden end and raises AssertionError when a
promise was not kept. `python -m tests.lab.measure.kill_scenarios NAME FOLDER` runs one.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from assistant import private
from assistant.desk.received import Received
from assistant.errors import JournalError
from assistant.hearing.audio.files import read as read_sound
from assistant.hearing.engines.base import Final
from assistant.records.forgetting import scrub
from assistant.records.importing import Journal as InHand
from assistant.records.importing import import_events, import_journals
from assistant.records.queries import known_ids
from assistant.records.removing import found_everywhere, remove
from assistant.records.store import open_store
from assistant.records.verifying import verify_all
from assistant.visit import chain
from assistant.visit.folders import begin_folder, unfinished
from assistant.visit.journal import FILE, Journal, read, utc_now
from assistant.visit.kept_plan import keep
from assistant.visit.replay import standing
from assistant.visit.visit import Visit, opening
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from flows.procedure.session import Resumed
from flows.talk.dialogue import advance, begin
from grammar.answers import Heard
from tests.lab.invented.visits import invented_visits

PROMISED = "PROMISED"
ANSWERS = (
    "the air is clear",
    "i am ready",
    "121.3",
    "yes",
    "one fifteen",
    "one two one",
    "yes",
    "0.2",
    "no point three",
    "yes",
    "why",
    "28",
    "yes",
    "149.2",
    "yes",
    "next check please",
    "take a note",
    "the burner looks rusty",
    "end note",
    "pause",
    "continue",
    "97",
    "yes",
    "go back",
    "96",
    "yes",
    "i opened the switch",
    "everything is shut down",
    "120.8",
    "yes",
    "zero",
    "yes",
    "zero",
    "yes",
    "zero",
    "yes",
    "120.7",
    "yes",
    "0.2",
    "yes",
    "stop",
)


@functools.cache
def plan() -> Plan:
    """Without the fault reasoning, which keeps nothing on disk and takes most of the time."""
    return replace(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin")), assess=None)


def promise(root: Path, text: str) -> None:
    handle = os.open(root / PROMISED, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.write(handle, f"{text}\n".encode())
    os.close(handle)


class Lines:
    """Ears that hear a list."""

    def __init__(self, given: tuple[str, ...], sounding: bool) -> None:
        self._given, self._sounding = list(given), sounding

    def hear(self, scope: Any) -> Final | None:
        if not self._given:
            return None
        return Final(
            Heard(self._given.pop(0), 1.0), np.arange(3200, dtype=np.int16) if self._sounding else np.zeros(0, np.int16)
        )

    def reopen(self) -> bool:
        return False


class Promising:
    """A mouth: what it speaks, somebody has heard, so every line before it is promised."""

    def __init__(self, root: Path, journal: Journal) -> None:
        self._root, self._journal = root, journal

    def say(self, text: str) -> None: ...

    def tone(self, name: str) -> None: ...

    def pace(self, rate: str) -> None: ...

    def speak(self) -> None:
        promise(self._root, f"{self._journal.folder.name} {self._journal._at.number - 1}")


def begun(root: Path, answers: tuple[str, ...], sounding: bool) -> None:
    folder, number = begin_folder(root / "visits", utc_now())
    digests = keep(folder, plan(), "flame_sensing")
    journal = Journal(folder)
    journal.write(
        "visit",
        opening(
            plan(),
            visit=folder.name,
            engine="typed",
            voice="none",
            program="bench",
            invented=True,
            site="Elm Row",
            technician="A",
        )
        | {"number": number, "kept": digests},
    )
    Visit(plan(), Lines(answers, sounding), Promising(root, journal), journal, keep_sound="all").run(*begin(plan()))
    journal.close()


def typed(root: Path) -> None:
    begun(root, ANSWERS, sounding=False)


def sounding(root: Path) -> None:
    begun(root, ANSWERS[:24], sounding=True)


def resumed(root: Path) -> None:
    """Three processes' worth of one visit: cut off twice without a word."""
    begun(root, ANSWERS[:9], sounding=False)
    for part in (ANSWERS[9:16], ANSWERS[16:]):
        _go_on(root, part)


def _go_on(root: Path, answers: tuple[str, ...]) -> None:
    journal = Journal(unfinished(root / "visits")[0][-1].folder)
    where = standing(plan(), journal.before)
    for save in where.unsaved:
        journal.write(save.kind, save.data)
    journal.write("resumed", {"engine": "typed"})
    Visit(plan(), Lines(answers, False), Promising(root, journal), journal).run(
        *advance(plan(), where.session, Resumed())
    )
    journal.close()


WALKED: dict[str, Any] = {}
"""Where a visit stands by the seal of its lines: most sudden ends leave lines that others have left too."""


def _walked(events: list[dict[str, Any]]) -> Any:
    seal = chain.seal_of(events)
    if seal not in WALKED:
        WALKED[seal] = standing(plan(), events)
    return WALKED[seal]


def check_visits(root: Path, promised: list[str]) -> None:
    """No line that somebody has heard the consequence of is lost; what is there verifies, can be gone on with, and
    its sound is whole."""
    lines: dict[str, int] = {}
    for one in promised:
        name, count = one.split()
        lines[name] = max(lines.get(name, 0), int(count))
    if not (root / "visits").is_dir():
        assert not lines, "the folder of visits is gone"
        return
    unfinished(root / "visits")
    for name, count in lines.items():
        events, _ = read(root / "visits" / name)
        assert len(events) >= count, f"{count} lines were promised, {len(events)} are there"
    for path in (root / "visits").glob(f"*/{FILE}"):
        events, _ = read(path)
        assert chain.check(events).state != "broken"
        for event in events:
            for key in ("snippet", "file"):
                if event["kind"] in ("heard", "memo") and event.get(key):
                    assert len(read_sound(path.parent / event[key])) > 0
        if not events:
            continue
        journal = Journal(path.parent)
        where = _walked(journal.before)
        confirmed = sum(event["kind"] == "reading" for event in events)
        assert len(where.session.taken) >= confirmed, "a reading is lost"
        for save in where.unsaved:
            journal.write(save.kind, save.data)
        journal.close()
        events, torn = read(path)
        assert not torn and chain.check(events).state == "whole"
        assert sum(event["kind"] == "reading" for event in events) == len(where.session.taken)


# --- the store


@functools.cache
def simulated() -> tuple[list[dict[str, Any]], ...]:
    return tuple(
        [
            {**events[0], "site": f"place {number % 3}"},
            *(one for one in events[1:] if one["kind"] in ("reading", "verdict", "end", "heard")),
        ]
        for number, events in enumerate(invented_visits(12, seed=8))
    )


def lay(root: Path, events: list[dict[str, Any]]) -> Path:
    """A journal that came from somewhere, safely on disk."""
    folder = root / "visits" / str(events[0]["visit"])
    private.make_folder(folder)
    private.write_whole(folder / FILE, b"".join(chain.ENCODE(one).encode() + b"\n" for one in events))
    return folder


def importing(root: Path) -> None:
    for number, events in enumerate(simulated()):
        folder = lay(root, events)
        with open_store(str(root / "store.sqlite")) as store:
            import_journals(store, [folder])
            promise(root, f"stored {folder.name}")
            if number % 4 == 3:
                import_events(
                    store, [InHand([*events, {**events[-1], "seq": 9000, "how": "finished"}], False, "longer")]
                )
                promise(root, f"stored {folder.name}")


def check_store(root: Path, promised: list[str]) -> None:
    """The database is whole, holds what was said to be stored, and takes what is left."""
    stored = {one.split()[1] for one in promised if one.startswith("stored")}
    gone = {one.split()[1] for one in promised if one.startswith("forgotten")}
    begun_ = {one.split()[1] for one in promised if one.startswith("forgetting")}
    if not (root / "store.sqlite").exists():
        assert not stored, "the store is gone"
        return
    with open_store(str(root / "store.sqlite")) as store:
        with store.reading() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
        held = known_ids(store)
        assert stored - begun_ <= held, f"lost: {sorted(stored - begun_ - held)}"
        assert not gone & held, f"back again in the store: {sorted(gone & held)}"
        assert all(one.good for one in verify_all(None, None, store))
        on_disk = (
            {path.parent.name for path in (root / "visits").glob(f"*/{FILE}")} if (root / "visits").is_dir() else set()
        )
        assert not gone & on_disk, f"back again on disk: {sorted(gone & on_disk)}"
        done = import_journals(store, [root / "visits"])
        assert not done.problems, done.problems


def forgetting(root: Path) -> None:
    with open_store(str(root / "store.sqlite")) as store:
        for events in simulated():
            import_journals(store, [lay(root, events)])
            promise(root, f"stored {events[0]['visit']}")
        for customer in ("place 0", "place 1"):
            found = found_everywhere(store, root / "visits", root / "received", (), customer, None, utc_now())
            for one in found:
                promise(root, f"forgetting {one.id}")
            for line in remove(store, found):
                if "forgotten in" in line:
                    promise(root, f"forgotten {line.split(':')[0]}")
        scrub(store)


# --- the desk


def receiving(root: Path) -> None:
    received = Received(root / "received")
    with open_store(str(root / "store.sqlite")) as store:
        for number, events in enumerate(simulated()[:4]):
            name, at = str(events[0]["visit"]), 0
            while at < len(events):
                count = received.take(f"m-{number % 2}", name, at, events[at : at + 7])
                promise(root, f"count m-{number % 2} {name} {count}")
                at = count
            import_journals(store, [received.path(f"m-{number % 2}", name)])
            promise(root, f"stored {name}")


def check_desk(root: Path, promised: list[str]) -> None:
    """Every line that was answered for is there, the sender can go on, and the rest comes into the store."""
    counts: dict[tuple[str, str], int] = {}
    for one in promised:
        if one.startswith("count"):
            _, sender, name, count = one.split()
            counts[sender, name] = int(count)
    received = Received(root / "received")
    by_name = {str(events[0]["visit"]): events for events in simulated()}
    for (sender, name), count in counts.items():
        have = received.count(sender, name)
        assert have >= count, f"{count} lines were answered for, {have} are there"
        assert read(received.path(sender, name))[0] == by_name[name][:have]
        if have < len(by_name[name]):
            assert received.take(sender, name, have, by_name[name][have:]) == len(by_name[name])
    check_store(root, [one for one in promised if not one.startswith("count")])


@dataclass(frozen=True)
class Scenario:
    """run: the work, in a folder. check: what must hold after a sudden end; promised: what had been promised by
    then."""

    run: Callable[[Path], None]
    check: Callable[[Path, list[str]], None]


SCENARIOS = {
    "typed": Scenario(typed, check_visits),
    "sounding": Scenario(sounding, check_visits),
    "resumed": Scenario(resumed, check_visits),
    "imports": Scenario(importing, check_store),
    "forgets": Scenario(forgetting, check_store),
    "desk": Scenario(receiving, check_desk),
}


def kept_promises(root: Path) -> Iterator[str]:
    try:
        yield from (root / PROMISED).read_text().split("\n")[:-1]
    except OSError:
        return


def failed(scenario: Scenario, root: Path, promised: list[str]) -> str:
    """What does not hold, or ""."""
    try:
        scenario.check(root, promised)
    except (AssertionError, JournalError) as error:
        return str(error) or "a check failed"
    return ""


if __name__ == "__main__":
    SCENARIOS[sys.argv[1]].run(Path(sys.argv[2]))
