"""What is forgotten is gone: from lists, from disk, and from the bytes of the database's own files."""

from __future__ import annotations

import gzip
import json
import random
import sqlite3
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import text

from assistant.cli import cli
from assistant.privacy import Privacy
from assistant.records import verifying
from assistant.records.backup import backup, restore
from assistant.records.errors import StoreError
from assistant.records.forgetting import forget, matching, scrub
from assistant.records.importing import Journal, import_events
from assistant.records.packing import canonical, pack
from assistant.records.queries import Wanted, counted, listed, rows_of, visit_copies
from assistant.records.removing import retain
from assistant.records.store import Store, open_store
from assistant.records.verifying import verify_all
from assistant.visit.chain import check
from assistant.visit.details import NAMES
from assistant.visit.expire import expire
from assistant.visit.forget import SENT, note_sent
from assistant.visit.journal import Journal as Written
from assistant.visit.journal import read
from tests.lab.invented.visits import write_journal

NOW = datetime(2026, 3, 2, 14, 5, 6, tzinfo=UTC)


def marked(simulated: list[Journal], name: str, site: str) -> Journal:
    events = [
        {**simulated[0].events[0], "visit": name, "site": site, "technician": f"{site} person"},
        *simulated[0].events[1:],
    ]
    return Journal(events, False, f"/from/{name}")


def bytes_of(store: Store) -> bytes:
    """All files of the database."""
    if store.sqlite:
        base = Path(store.engine.url.database)
        return b"".join(path.read_bytes() for path in base.parent.glob(f"{base.name}*"))
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("CHECKPOINT"))
        folder = Path(connection.execute(text("SHOW data_directory")).scalar_one())
        number = connection.execute(text("SELECT oid FROM pg_database WHERE datname = current_database()")).scalar_one()
    return b"".join(path.read_bytes() for path in (folder / "base" / str(number)).iterdir() if path.is_file())


def test_nothing_is_left_in_the_bytes_of_the_database(store: Store, simulated: list[Journal]) -> None:
    secret = marked(simulated, "20260302-090000-secret", "Hawthorn Cottage 17")
    import_events(store, [*simulated, secret])
    traces = [b"Hawthorn Cottage 17", b"20260302-090000-secret", pack(canonical(secret.events))[40:200]]
    before = bytes_of(store)
    assert [trace in before for trace in traces[:2]] == [True, True]
    if store.sqlite:  # PostgreSQL splits what is large into pieces of its own.
        assert traces[2] in before
    assert forget(store, [secret.visit]) == 1
    scrub(store)
    after = bytes_of(store)
    assert [trace in after for trace in traces] == [False, False, False]
    assert counted(store) == len(simulated)
    assert simulated[3].visit.encode() in after


def test_whose_work_and_which_furnace_are_forgotten_too(store: Store, simulated: list[Journal]) -> None:
    given = {name: f"trace of {name} 0O1l" for name in NAMES}
    secret = marked(simulated, "20260302-090000-secret", "Hawthorn Cottage 17")
    line = {"v": 1, "seq": 2, "at": secret.events[0]["at"], "kind": "details", **given, "read_back": ["licence"]}
    import_events(store, [*simulated[:9], Journal([secret.events[0], line, *secret.events[1:]], False, "")])
    before = bytes_of(store)
    assert all(text.encode() in before for text in given.values())
    assert [one["id"] for one in listed(store, Wanted(text="FURNACE_SERIAL 0O1L"))] == [secret.visit]
    with store.reading() as connection:
        (row,) = rows_of(connection, "visits", Wanted(text="trace of licence"))
    assert {name: row[name] for name in NAMES} == given
    forget(store, [secret.visit])
    scrub(store)
    after = bytes_of(store)
    assert not any(text.encode() in after for text in given.values())


def test_visits_are_found_by_name_customer_and_age(store: Store, simulated: list[Journal]) -> None:
    import_events(store, [*simulated[:5], marked(simulated, "a", "Elm  Row"), marked(simulated, "b", "ELM  ROW ")])
    assert {one.id for one in matching(store, customer=" elm  row")} == {"a", "b"}
    assert [one.id for one in matching(store, ids=["a", "nobody"])] == ["a"]
    assert matching(store) == []
    newest = max(row["ended_at"] for row in listed(store))
    assert len(matching(store, before=newest)) < len(matching(store, before=newest + 1)) == 7


@pytest.fixture
def home(tmp_path: Path, store_url: str, simulated: list[Journal]) -> tuple[list[str], Path]:
    """A folder with visits, received ones and a store that knows them; the options that say so."""
    for machine, journals in (("visits", simulated[:3]), ("received/m-1", simulated[2:5])):
        for journal in journals:
            path = write_journal(tmp_path / machine, journal.events)
            (path.parent / "audio").mkdir()
            (path.parent / "audio" / "0001.flac").write_bytes(b"sound")
    with open_store(store_url) as store:
        import_events(store, simulated[1:6])
    return ["--visits", str(tmp_path / "visits"), "--received", str(tmp_path / "received")], tmp_path


def told(store_url: str, *words: str) -> str:
    done = CliRunner().invoke(cli, ["records", "--store", store_url, *words])
    assert not isinstance(done.exception, Exception), done.exception
    return done.output


def test_the_command_forgets_everywhere_and_names_what_went_away(
    home, store_url: str, simulated: list[Journal]
) -> None:
    where, folder = home
    both = simulated[2].visit
    note_sent(folder / "visits" / both, "https://desk.example:8765")
    assert (
        both in told(store_url, "forget", both, *where) and (folder / "visits" / both).is_dir()
    )  # it asked, and nobody said yes
    said = told(store_url, "forget", both, "--yes", *where)
    assert not (folder / "visits" / both).exists() and not (folder / "received" / "m-1" / both).exists()
    assert "a copy was sent to https://desk.example:8765" in said and "Backups and exports keep what they have" in said
    with open_store(store_url) as store:
        assert both not in {row["id"] for row in listed(store)} and counted(store) == 4
    assert not [path for path in folder.rglob("*") if both in path.name]
    assert f"There is no visit '{both}' here." in told(store_url, "forget", both, "--yes", *where)


def test_a_customer_and_an_age_find_visits_on_disk_as_in_the_store(
    home, store_url: str, simulated: list[Journal]
) -> None:
    where, folder = home
    site = simulated[0].events[0]["site"]  # only on disk
    told(store_url, "forget", "--customer", site.upper(), "--yes", *where)
    assert not (folder / "visits" / simulated[0].visit).exists()
    told(store_url, "forget", "--older-than", "1", "--yes", *where)
    assert list((folder / "visits").iterdir()) == [] and list((folder / "received" / "m-1").iterdir()) == []
    with open_store(store_url) as store:
        assert counted(store) == 0


def test_a_visit_that_somebody_is_on_is_not_forgotten(home, store_url: str, simulated: list[Journal]) -> None:
    where, folder = home
    name = simulated[1].visit
    journal = Written(folder / "visits" / name)
    assert "Another Twohands is on the visit" in told(store_url, "forget", name, "--yes", *where)
    journal.close()
    assert (folder / "visits" / name).is_dir()
    with open_store(store_url) as store:
        assert visit_copies(store, name)


def settings(**given: int) -> Privacy:
    return Privacy(**{"format": 1, "keep_sound": "doubtful", "keep_days": None, "keep_sound_days": None, **given})


def test_what_is_old_goes_as_the_settings_say(tmp_path: Path) -> None:
    for name, days in (("old", 400), ("middle", 40), ("new", 4)):
        journal = Written(tmp_path / name, lambda days=days: NOW - timedelta(days=days))
        journal.write("visit", {"visit": name})
        (tmp_path / name / "audio" / "0001.flac").write_bytes(b"sound")
        (tmp_path / name / "report.html").write_bytes(b"report with sound")
        journal.close()
    assert list(expire(tmp_path, settings(), NOW)) == []
    said = list(expire(tmp_path, settings(keep_days=365, keep_sound_days=30), NOW))
    assert said == ["Sound forgotten after 30 days: middle", "Forgotten after 365 days: old"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["middle", "new"]
    assert [path.name for path in (tmp_path / "middle").rglob("*") if path.is_file()] == ["journal.jsonl"]
    assert (tmp_path / "new" / "audio" / "0001.flac").is_file()
    assert check(read(tmp_path / "middle")[0]).state == "whole"


def test_the_store_keeps_no_longer_either(store: Store, simulated: list[Journal]) -> None:
    import_events(store, simulated)
    last = max(row["ended_at"] for row in listed(store, limit=None)) / 1000
    assert retain(store, settings(), last) == 0
    gone = retain(store, settings(keep_days=365), last)
    assert 0 < gone < 40 and counted(store) == 40 - gone


def test_a_backup_brings_back_the_same_into_either_kind(store: Store, simulated: list[Journal], tmp_path: Path) -> None:
    edit = Journal([*simulated[0].events[:-1], {**simulated[0].events[-1], "summary": "another"}], True, "elsewhere")
    import_events(store, [*simulated, edit], now=lambda: 1_700_000_000)
    assert backup(store, tmp_path / "b.gz") == 41
    assert stat.S_IMODE((tmp_path / "b.gz").stat().st_mode) == 0o600
    with open_store(str(tmp_path / "again.sqlite")) as other:
        done = restore(other, tmp_path / "b.gz")
        assert len(done.new) == 39 or len(done.new) == 40
        assert listed(other, limit=None) == listed(store, limit=None)
        assert [
            (one.digest, one.origin, one.imported_at, one.torn) for one in visit_copies(other, simulated[0].visit)
        ] == [(one.digest, one.origin, one.imported_at, one.torn) for one in visit_copies(store, simulated[0].visit)]
    assert len(restore(store, tmp_path / "b.gz").same) == 41


@pytest.mark.parametrize(
    "spoil",
    [
        lambda raw: raw[:-1],
        lambda raw: raw[: len(raw) // 2],
        lambda raw: raw[:200] + bytes([raw[200] ^ 1]) + raw[201:],
        lambda raw: b"",
        lambda raw: b"text",
    ],
)
def test_a_damaged_backup_restores_nothing(simulated: list[Journal], tmp_path: Path, spoil) -> None:
    with open_store(str(tmp_path / "one.sqlite")) as store:
        import_events(store, simulated[:9])
        backup(store, tmp_path / "b.gz")
    (tmp_path / "b.gz").write_bytes(spoil((tmp_path / "b.gz").read_bytes()))
    with open_store(str(tmp_path / "two.sqlite")) as other:
        with pytest.raises(StoreError, match="Nothing was restored"):
            restore(other, tmp_path / "b.gz")
        assert counted(other) == 0


@pytest.mark.parametrize("at", ["1e999", "NaN", '"x"', "[]"])
def test_a_backup_with_a_time_that_is_none_restores_nothing(simulated: list[Journal], tmp_path: Path, at: str) -> None:
    with open_store(str(tmp_path / "one.sqlite")) as store:
        import_events(store, simulated[:2], now=lambda: 1_700_000_000)
        backup(store, tmp_path / "b.gz")
        lines = gzip.decompress((tmp_path / "b.gz").read_bytes())
        assert b'"imported_at":1700000000000,' in lines
        (tmp_path / "b.gz").write_bytes(gzip.compress(lines.replace(b"1700000000000", at.encode(), 1)))
        with pytest.raises(StoreError, match="damaged at line 2"):
            restore(store, tmp_path / "b.gz")
        assert counted(store) == 2


def test_verify_finds_a_change_wherever_it_was_made(tmp_path: Path, store: Store) -> None:
    visits, received = tmp_path / "visits", tmp_path / "received"
    for name in ("good", "edited", "cut"):
        for place in (visits, received / "m-1"):
            journal = Written(place / name, lambda: NOW)
            journal.write("visit", {"visit": name, "procedure": "flame_sensing"})
            journal.write("reading", {"step": "supply", "value": 121.3})
            journal.write("end", {"how": "finished"})
            journal.close()
        import_events(store, [Journal(read(visits / name)[0], False, "")])
    assert [(one.visit, one.state) for one in verify_all(visits, received, store)] == [
        (name, "whole") for _ in range(3) for name in ("cut", "edited", "good")
    ]
    path = visits / "edited" / "journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"121.3", b"111.3"))
    path = visits / "cut" / "journal.jsonl"
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))
    bad = [(one.visit, one.where, one.words) for one in verify_all(visits, received, store) if not one.good]
    assert [one[:2] for one in bad] == [("edited", "here"), ("cut", "here")]
    assert "line 2" in bad[0][2] and "longer copy" in bad[1][2]


def test_few_copies_are_held_in_memory_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Verifying, a backup and forgetting with thirty megabytes of copies, where the database may take twenty-four."""
    monkeypatch.setattr(verifying, "PIECE", 5)
    chance, at = random.Random(3), "2026-03-02T09:00:00+00:00"
    with open_store(str(tmp_path / "large.sqlite")) as store:
        for number in range(100):
            first = {"v": 1, "seq": 1, "at": at, "kind": "visit", "visit": f"v{number:03}"}
            said = [
                {"v": 1, "seq": seq, "at": at, "kind": "said", "text": chance.randbytes(9000).hex()}
                for seq in range(2, 40)
            ]
            import_events(store, [Journal([first, *said], False, "")])
    limits = sqlite3.connect(":memory:")
    limits.execute(f"PRAGMA hard_heap_limit={24 << 20}")
    try:
        with open_store(str(tmp_path / "large.sqlite")) as store:
            found = [(one.visit, one.state) for one in verify_all(None, None, store)]
            few = [one.visit for one in verify_all(None, None, store, frozenset({"v007", "no\x00ne"}))]
            assert backup(store, tmp_path / "b.gz") == 100
            assert forget(store, ["v050"]) == 1 and scrub(store) == ""
            assert counted(store) == 99
    finally:
        limits.execute("PRAGMA hard_heap_limit=0")
        limits.close()
    assert found == [(f"v{number:03}", "unchained") for number in range(100)]
    assert few == ["v007"]
    assert {path.name.removeprefix("large.sqlite") for path in tmp_path.iterdir()} == {"", "b.gz"}


def test_the_verify_command_fails_when_something_does_not_verify(home, store_url: str) -> None:
    where, folder = home
    journal = Written(folder / "visits" / "fresh", lambda: NOW)
    journal.write("visit", {"visit": "fresh"})
    journal.close()
    good = CliRunner().invoke(cli, ["records", "--store", store_url, "verify", *where], standalone_mode=False)
    assert good.return_value == 0 and "ok   fresh" in good.output and "old  " in good.output
    path = folder / "visits" / "fresh" / "journal.jsonl"
    path.write_text(json.dumps({**json.loads(path.read_text()), "technician": "another"}) + "\n")
    bad = CliRunner().invoke(cli, ["records", "--store", store_url, "verify", *where], standalone_mode=False)
    assert bad.return_value == 1 and "BAD  fresh" in bad.output


def test_a_new_store_is_its_owners_alone(tmp_path: Path, simulated: list[Journal]) -> None:
    with open_store(str(tmp_path / "home" / "records.sqlite")) as store:
        import_events(store, simulated[:3])
        for path in [tmp_path / "home", *(tmp_path / "home").iterdir()]:
            assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


def test_sent_notes_name_each_desk_once(tmp_path: Path) -> None:
    for _ in range(3):
        note_sent(tmp_path, "https://one")
    (tmp_path / SENT).open("a").write("{torn")
    assert (tmp_path / SENT).read_text().count("https://one") == 1
