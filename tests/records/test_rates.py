"""Rates of faults out of a shop's own visits, and a visit that uses them. The visits are invented."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import insert

from assistant.cli import cli
from assistant.records.across import DAY, faults
from assistant.records.errors import StoreError
from assistant.records.importing import Journal, import_events
from assistant.records.lines import ending
from assistant.records.queries import Wanted, listed
from assistant.records.rates import found, learnt
from assistant.records.store import Store, open_store
from assistant.records.tables import visits
from assistant.visit.plans import ready_plan
from flows.faults import catalog
from flows.faults.display import as_measured
from flows.faults.rates import Rates, load_rates, written
from flows.judge.profiles import meter
from grammar.errors import DataFileError
from tests.flows.technician import Furnace
from tests.visiting import MENDED_AND_STOPPED, OPEN_GROUND, SKIPPED, visit_in


def put(store: Store, *rows: dict) -> None:
    """Visits straight into the store."""
    common = {
        "procedure": "flame_sensing",
        "how": "finished",
        "invented": False,
        "torn": False,
        "copies": 1,
        "events": 1,
        "concluded": True,
    }
    with store.writing() as connection:
        connection.execute(
            insert(visits),
            [
                {**common, "id": f"v{number}", "started_at": number * DAY, "found": row.get("fault"), **row}
                for number, row in enumerate(rows)
            ],
        )


def test_only_real_concluded_visits_count_and_a_gainsaid_one_does_not(store: Store) -> None:
    put(
        store,
        {"site": "a", "fault": "board_not_sensing"},
        {"site": "a", "fault": "burner_corroded"},  # so it was not the board
        {"site": "a", "fault": None},  # and now it runs
        {"site": "b", "fault": "rod_coated"},
        {"site": "b", "fault": "rod_coated", "started_at": 400 * DAY},
        {"site": "c", "fault": "rod_open", "invented": True},
        {"site": "d", "fault": None, "how": "stopped", "concluded": False},
        {"site": "e", "fault": None},
        {"site": "f", "fault": "no_such_thing"},
        {"site": None, "fault": "rod_open"},
        {"site": None, "fault": "rod_coated"},  # two visits without a place say nothing of each other
    )
    seen = found(store)
    assert seen.counts == {"burner_corroded": 1, "healthy": 2, "rod_coated": 3, "rod_open": 1}
    assert (seen.visits, seen.gainsaid, seen.unknown) == (9, 1, 1)


def test_a_fault_that_was_mended_on_the_way_counts_though_the_visit_was_stopped(store: Store, tmp_path: Path) -> None:
    for name, furnace in (("m", MENDED_AND_STOPPED), ("s", SKIPPED), ("g", OPEN_GROUND), ("h", Furnace())):
        import_events(store, [Journal(visit_in(tmp_path / name, furnace, invented=False), False, name)])
    seen = found(store)
    assert seen.counts == {"secondary_swapped": 1, "ground_open": 1, "healthy": 1}
    assert (seen.visits, seen.gainsaid, seen.unknown) == (3, 0, 0)


@pytest.mark.parametrize("stopped_at", ["mend", "phasing"])
def test_who_names_a_fault_and_stops_to_mend_it_counts_in_lists_on_the_desk_and_in_run(
    tmp_path: Path, stopped_at: str
) -> None:
    """Stopped while it was being mended, and stopped where the same check is taken again."""
    furnace = Furnace(
        {"phasing": ["142.6", "stop"]}, offers=["fix it now"], says={"mend": "stop"} if stopped_at == "mend" else {}
    )
    events = visit_in(tmp_path / "m", furnace, invented=False)
    assert events[-1]["how"] == "stopped"
    with open_store(str(tmp_path / "s.sqlite")) as store:
        import_events(store, [Journal(events, False, "m")])
        (row,) = listed(store, Wanted(fault="secondary_swapped"), 5)
        assert "swapped transformer wires" in ending(row)
        assert faults(store)["by_family"] == {"secondary_swapped": {"larkspur": 1}}
    file = tmp_path / "rates.yaml"
    done = CliRunner().invoke(cli, ["records", "--store", str(tmp_path / "s.sqlite"), "rates", str(file)])
    assert done.exit_code == 0 and "1 concluded visits" in done.output
    assert load_rates(file).counts == {"secondary_swapped": 1}
    assert load_rates(file).prior()["secondary_swapped"] > catalog.shipped_prior()["secondary_swapped"]


def test_a_fault_named_at_an_early_end_counts_as_in_lists(store: Store) -> None:
    lines = [
        {"kind": "visit", "visit": "x", "procedure": "flame_sensing", "invented": False, "at": "2026-01-05T09:00:00Z"},
        {"kind": "assessment", "named": "rod_coated", "at": "2026-01-05T09:10:00Z"},
        {"kind": "end", "how": "stopped", "fault": "rod_coated", "at": "2026-01-05T09:11:00Z"},
    ]
    import_events(store, [Journal(lines, False, "here")])
    assert learnt(store).counts == {"rod_coated": 1}
    assert [row["found"] for row in listed(store, Wanted(fault="rod_coated"), 5)] == ["rod_coated"]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], "No visits are here to learn rates from. Import your own first: twohands records import FOLDER"),
        ([{"fault": "rod_open", "invented": True}] * 3, "Only invented visits are here (3)"),
        ([{"fault": None, "how": "stopped", "concluded": False}], "No visit of the 1 real ones here found a fault"),
        ([{"fault": "no_such_thing"}], "of 1 concluded, 0 are left out because the next visit"),
    ],
)
def test_where_nothing_counts_one_line_says_so_and_no_file_is_written(
    tmp_path: Path, rows: list[dict], said: str
) -> None:
    with open_store(str(tmp_path / "s.sqlite")) as store:
        if rows:
            put(store, *rows)
    file = tmp_path / "rates.yaml"
    done = CliRunner().invoke(
        cli, ["records", "--store", str(tmp_path / "s.sqlite"), "rates", str(file)], standalone_mode=False
    )
    assert isinstance(done.exception, StoreError)
    assert said in done.exception.text and "\n" not in done.exception.text
    assert "twohands records import" in done.exception.remedy
    assert done.output == "" and not file.exists()


def test_the_command_writes_what_run_reads(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "s.sqlite")) as store:
        put(store, *({"site": f"s{number}", "fault": "rod_coated"} for number in range(30)))
    file = tmp_path / "rates.yaml"
    done = CliRunner().invoke(
        cli, ["records", "--store", str(tmp_path / "s.sqlite"), "rates", str(file)], standalone_mode=False
    )
    assert done.exit_code == 0, done.output
    assert "30 concluded visits" in done.output
    learnt = load_rates(file).prior()
    assert sum(learnt.values()) == pytest.approx(1)
    # Dirichlet mean by hand: 50 visits' worth of the shipped rate, 30 of our own
    assert learnt["rod_coated"] == pytest.approx((50 * catalog.shipped_prior()["rod_coated"] + 30) / 80)


def test_a_file_with_an_unknown_fault_is_refused_by_name(tmp_path: Path) -> None:
    file = tmp_path / "rates.yaml"
    file.write_text(written({"gremlins": 3}, 3))
    with pytest.raises(DataFileError, match="gremlins"):
        load_rates(file)


def test_rates_move_the_verdict() -> None:
    low_flame = {"flame_current": as_measured(0.8e-6, catalog.probes()["flame_current"].quantity, meter("dunlin"))}
    ours = Rates(format=1, visits=500, counts={"rod_coated": 500}).prior()
    shipped, moved = (
        dict(ready_plan("flame_sensing", "larkspur", "dunlin", prior=prior).assess(low_flame).ranked)
        for prior in (None, ours)
    )
    assert moved["rod_coated"] > shipped["rod_coated"]


def test_a_visit_keeps_the_rates_it_was_begun_with(tmp_path: Path) -> None:
    file = tmp_path / "rates.yaml"
    file.write_text(written({"rod_coated": 12}, 12))
    arguments = ["run", "--typed", "--visits", str(tmp_path / "v"), "--rates", str(file)]
    CliRunner().invoke(cli, arguments, input="the air is clear\n", standalone_mode=False)
    [folder] = (tmp_path / "v").iterdir()
    first = json.loads((folder / "journal.jsonl").read_text().splitlines()[0])
    assert first["rates"]["counts"] == {"rod_coated": 12}
    file.unlink()
    again = CliRunner().invoke(
        cli, ["run", "--typed", "--visits", str(tmp_path / "v"), "--resume"], input="stop\n", standalone_mode=False
    )
    assert again.exception is None, again.output
