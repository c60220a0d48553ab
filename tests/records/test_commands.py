"""`twohands records` as a person uses it, and its files read back by other libraries."""

from __future__ import annotations

import copy
import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from pyarrow import parquet

from assistant.records.commands import records
from assistant.records.importing import Journal
from tests.lab.invented.visits import write_journal


@pytest.fixture
def folder(tmp_path: Path, simulated: list[Journal]) -> Path:
    for journal in simulated[:12]:
        write_journal(tmp_path / "visits", journal.events)
    return tmp_path / "visits"


@pytest.fixture
def told(tmp_path: Path, folder: Path):
    def run(*words: str, code: int = 0) -> Result:
        result = CliRunner().invoke(records, ["--store", str(tmp_path / "s.sqlite"), *words])
        assert result.exit_code == code, result.output
        return result

    run("import", str(folder))
    return run


def test_import_says_what_it_did(told, folder: Path) -> None:
    assert "0 new, 0 grown longer, 12 known already, 0 in conflict." in told("import", str(folder)).output


def test_a_torn_journal_is_imported_and_said(told, folder: Path, simulated: list[Journal]) -> None:
    path = write_journal(folder, simulated[20].events)
    path.write_bytes(path.read_bytes()[:-25])
    result = told("import", str(path))
    assert "1 new" in result.output
    assert f"torn: the last line of {simulated[20].visit}" in result.output
    assert "[torn]" in told("list", "--limit", "50").output


def test_a_file_that_is_no_journal_does_not_stop_the_rest(told, folder: Path, simulated: list[Journal]) -> None:
    bad = folder / "bad" / "journal.jsonl"
    bad.parent.mkdir()
    bad.write_text(
        '{"v":1,"seq":1,"at":"2026-01-01T00:00:00+00:00","kind":"said","text":"x","role":"step","line":""}\n'
    )
    write_journal(folder, simulated[21].events)
    result = told("import", str(folder))
    assert "1 new" in result.output
    assert "not imported" in result.output


def test_list_narrows(told, simulated: list[Journal]) -> None:
    assert "12 of 12 visits." in told("list").output
    family = simulated[0].events[0]["equipment"]
    expected = sum(one.events[0]["equipment"] == family for one in simulated[:12])
    lines = [json.loads(line) for line in told("list", "--family", family, "--json").output.splitlines()]
    assert len(lines) == expected
    assert {line["equipment"] for line in lines} == {family}


def test_show_gives_verdicts_and_conflicts(told, tmp_path: Path, simulated: list[Journal]) -> None:
    events = copy.deepcopy(simulated[0].events)
    events[0]["site"] = "\x1b[2Jwiped"
    write_journal(tmp_path / "other", events)
    assert "1 in conflict" in told("import", str(tmp_path / "other")).output
    shown = told("show", simulated[0].visit).output
    assert "Supply" in shown or "supply" in shown
    assert "parts from this one at line 1" in shown
    assert "\x1b" not in shown
    assert [json.loads(line)["kind"] for line in told("show", simulated[0].visit, "--json").output.splitlines()] == [
        one["kind"] for one in events
    ]


def test_export_in_three_formats_agrees(told, tmp_path: Path, simulated: list[Journal]) -> None:
    for what in ("visits", "readings", "verdicts"):
        for kind in ("csv", "json", "parquet"):
            told("export", str(tmp_path / f"{what}.{kind}"), "--what", what)
        with (tmp_path / f"{what}.csv").open(encoding="utf-8", newline="") as file:
            from_csv = list(csv.DictReader(file))
        from_json = json.loads((tmp_path / f"{what}.json").read_text(encoding="utf-8"))
        from_parquet = parquet.read_table(tmp_path / f"{what}.parquet").to_pylist()
        assert from_json == from_parquet
        assert [
            {key: "" if value is None else str(value) for key, value in row.items()} for row in from_json
        ] == from_csv
    spoken = sum(one["kind"] == "reading" for journal in simulated[:12] for one in journal.events)
    assert len(json.loads((tmp_path / "readings.json").read_text())) == spoken


def test_show_and_export_tell_whose_work_and_which_furnace(told, tmp_path: Path, simulated: list[Journal]) -> None:
    first, *rest = simulated[20].events
    line = {"kind": "details", "v": 1, "seq": 2, "at": first["at"], "furnace_serial": "SN 4471", "company": "Elm Row"}
    write_journal(tmp_path / "more", [first, {**line, "read_back": ["furnace_serial"]}, *rest])
    told("import", str(tmp_path / "more"))
    shown = told("show", first["visit"]).output
    assert "Furnace, serial number: SN 4471 (typed and read back)\n" in shown and "Company: Elm Row\n" in shown
    told("export", str(tmp_path / "v.csv"), "--text", "sn 4471")
    (row,) = csv.DictReader((tmp_path / "v.csv").open())
    assert (row["furnace_serial"], row["company"], row["licence"]) == ("SN 4471", "Elm Row", "")


def test_a_formula_in_a_name_is_not_one_in_the_spreadsheet(
    told, folder: Path, tmp_path: Path, simulated: list[Journal]
) -> None:
    events = copy.deepcopy(simulated[22].events)
    events[0]["technician"] = "=HYPERLINK(1)"
    write_journal(folder, events)
    told("import", str(folder))
    told("export", str(tmp_path / "v.csv"), "--technician", "=HYPERLINK(1)")
    with (tmp_path / "v.csv").open(newline="") as file:
        assert [row["technician"] for row in csv.DictReader(file)] == ["'=HYPERLINK(1)"]


def test_export_of_nothing_is_an_empty_file(told, tmp_path: Path) -> None:
    for kind, empty in (("csv", ""), ("json", "[\n]\n")):
        told("export", str(tmp_path / f"none.{kind}"), "--family", "no such family")
        assert (tmp_path / f"none.{kind}").read_text() == empty
    told("export", str(tmp_path / "none.parquet"), "--family", "no such family")
    assert parquet.read_table(tmp_path / "none.parquet").num_rows == 0


def test_an_unknown_ending_asks_for_a_format(told, tmp_path: Path) -> None:
    assert "--format" in told("export", str(tmp_path / "out.doc"), code=2).output


def test_a_visit_that_was_not_finished_is_not_called_good(told, folder: Path, simulated: list[Journal]) -> None:
    whole = next(one for one in simulated[23:] if one.events[-1]["how"] == "finished")
    events = [
        {**whole.events[0], "visit": "cut-off"},
        *whole.events[1:30],
        {**whole.events[30], "kind": "interrupted", "why": "ended from outside"},
    ]
    write_journal(folder, events)
    told("import", str(folder))
    assert "open: interrupted" in told("list", "--text", "cut-off").output
