"""What lists, charts and exports say of dangers, missing checks and mended faults, for visits walked by the
dialogue."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from assistant.records import across
from assistant.records.commands import records
from assistant.records.derive import derive
from assistant.records.findings import (
    dangers,
    fixes,
    found_fault,
    moved,
    not_done,
    not_done_words,
    out_of_place,
    standing,
)
from assistant.records.importing import Journal, import_events
from assistant.records.lines import ending, mark
from assistant.records.queries import Wanted, listed
from assistant.records.store import Store
from flows.faults import catalog
from tests import visiting
from tests.flows.technician import Furnace
from tests.lab.invented.visits import invented_visits, write_journal
from tests.visiting import visit_in

Events = list[dict[str, Any]]
FURNACES = {
    "healthy": Furnace(),
    "open ground": visiting.OPEN_GROUND,
    "ground mended": visiting.GROUND_MENDED,
    "phase mended": visiting.PHASE_MENDED,
    "mended and stopped": visiting.MENDED_AND_STOPPED,
    "supply skipped": visiting.SKIPPED,
    "never lit": visiting.NEVER_LIT,
    "corroded": visiting.CORRODED,
    "polarity named, then stopped": Furnace({"polarity_hot": ["0.3"], "polarity_neutral": ["stop"]}),
}
MARKED = {
    "healthy": ("good", "no fault found"),
    "open ground": (
        "DANGER",
        "an open ground wire; stopped before the end; not done: Transformer secondary, Phasing and 9 more checks",
    ),
    "ground mended": ("good", "an open ground wire, mended"),
    "phase mended": ("good", "swapped transformer wires on the low side, mended"),
    "mended and stopped": (
        "open",
        (
            "swapped transformer wires on the low side, mended; stopped before the end; not done: Lead zero, Ground"
            " path and 6 more checks"
        ),
    ),
    "supply skipped": (
        "open",
        "stopped before the end; not done: Supply voltage, Polarity, Transformer secondary, Phasing",
    ),
    "never lit": (
        "fault",
        (
            "a burner that never lights; stopped before the end; not done: Flame current, Does the board see the flame,"
            " Watch one cycle"
        ),
    ),
    "corroded": ("fault", "a corroded burner ground"),
}


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Events]:
    folder = tmp_path_factory.mktemp("walked")
    return {name: visit_in(folder / name.replace(" ", "-"), furnace, site=name) for name, furnace in FURNACES.items()}


def test_lists_name_what_endangers_what_was_found_and_what_is_missing(walked: dict[str, Events]) -> None:
    told = {name: (mark(row), ending(row)) for name, row in ((name, derive(walked[name]).visit) for name in MARKED)}
    assert told == MARKED


def test_a_danger_that_is_named_stands_though_its_own_check_was_not_made(walked: dict[str, Events]) -> None:
    events = walked["polarity named, then stopped"]
    assert events[-1]["safety"] == [] and events[-1]["fault"] == "polarity_reversed"
    [danger] = standing(events)
    assert danger.short == "hot and neutral swapped" and "Open the breaker, lock it" in danger.text
    assert mark(derive(events).visit) == "DANGER"


@pytest.mark.parametrize("name", sorted(catalog.faults().faults))
def test_a_fault_that_is_only_named_is_a_danger_where_it_puts_a_person_at_risk(
    name: str, walked: dict[str, Events]
) -> None:
    """Live metal, no ground, heat, gas and fumes; a supply out of its band is a fault of the furnace's supply and no
    more."""
    events = [*walked["healthy"][:-1], {**walked["healthy"][-1], "fault": name}]
    at_risk = {
        "polarity_reversed",
        "ground_open",
        "ground_bootleg",
        "neutral_high_resistance",
        "hot_high_resistance",
        "neutral_not_bonded",
        "neutral_open",
        "supply_floating",
        "chassis_bond_rusty",
        "flame_lifting",
        "flame_no_carry",
    }
    assert [one.finding for one in standing(events)] == ([name] if name in at_risk else [])
    assert (mark(derive(events).visit) == "DANGER") == (name in at_risk)
    if name in ("supply_low", "supply_high"):
        assert mark(derive(events).visit) == "fault"


def test_no_visit_with_a_danger_or_a_missing_check_passes(walked: dict[str, Events]) -> None:
    simulated = list(invented_visits(300, seed=8))
    assert any(standing(one) for one in simulated) and any(not_done(one) for one in simulated)
    for events in [*walked.values(), *simulated]:
        row = derive(events).visit
        if standing(events):
            assert row["outcome"] == "fail" and row["danger"] and mark(row) == "DANGER"
        if not_done(events) or events[-1].get("how") != "finished":
            assert row["outcome"] != "pass" and mark(row) != "good"
            assert row["not_done"] or not not_done(events)
        for cut in range(1, len(events), 37):
            row = derive(events[:cut]).visit
            assert row["outcome"] != "pass" and mark(row) != "good" and not (row["concluded"] and row["found"] is None)


def test_a_danger_that_was_put_right_no_longer_stands(walked: dict[str, Events]) -> None:
    events = walked["ground mended"]
    assert [(one.finding, one.stands) for one in dangers(events)] == [("ground_open", False)]
    begun = next(place for place, one in enumerate(events) if one["kind"] == "fix")
    assert [one.finding for one in standing(events[:begun])] == ["ground_open"]
    assert [(one.found, one.mended) for one in fixes(events)] == [("ground_open", True)]
    assert [(one.found, one.again) for one in fixes(events[: begun + 1])] == [("ground_open", None)]


def test_what_was_found_is_the_fault_at_the_end_or_what_was_mended(walked: dict[str, Events]) -> None:
    found = {name: found_fault(events) for name, events in walked.items()}
    assert found == {
        "healthy": None, "open ground": "ground_open", "ground mended": "ground_open",
        "phase mended": "secondary_swapped", "mended and stopped": "secondary_swapped", "supply skipped": None,
        "never lit": "never_lit", "corroded": "burner_corroded", "polarity named, then stopped": "polarity_reversed",
    }  # fmt: skip


def test_both_readings_of_a_mended_check_count(walked: dict[str, Events]) -> None:
    rows = [row for row in derive(walked["phase mended"]).readings if row["probe"] == "line_to_r"]
    assert [(row["value"], row["counts"], row["round"]) for row in rows] == [(142.6, True, 1), (94.2, True, 2)]


def test_what_is_missing_is_named_by_its_title_also_where_an_old_end_names_nothing(walked: dict[str, Events]) -> None:
    events = walked["supply skipped"]
    assert not_done(events) == ("Supply voltage", "Polarity", "Transformer secondary", "Phasing")
    old = [*events[:-1], {"kind": "end", "how": "finished", "fault": None, "at": events[-1]["at"]}]
    assert not_done(old) == ("Supply",)
    assert derive(old).visit["outcome"] == "open"
    assert not_done_words(("A", "B", "C", "D", "E")) == "Not done: A, B and 3 more checks."
    assert not_done_words(()) == ""


def test_what_was_moved_is_known_at_every_moment(walked: dict[str, Events]) -> None:
    events = walked["healthy"]
    assert {one.thing for one in moved(events)} == {
        "red_jack",
        "covers",
        "rod_wire",
        "door_switch",
        "leads",
        "jumper",
        "thermostat",
    }
    assert out_of_place(events) == ()
    on = next(place for place, one in enumerate(events) if one["kind"] == "jumper") + 1
    assert "jumper: r to w" in [one.words for one in out_of_place(events[:on])]


def test_charts_count_what_was_mended_and_call_nothing_sound_that_is_not(
    store: Store, walked: dict[str, Events]
) -> None:
    import_events(store, [Journal(events, False, name) for name, events in walked.items()])
    by_family = across.faults(store)["by_family"]
    assert {fault: sum(counts.values()) for fault, counts in by_family.items()} == {
        "": 1, "ground_open": 2, "secondary_swapped": 2, "burner_corroded": 1, "polarity_reversed": 1, "never_lit": 1,
    }  # fmt: skip
    assert {row["site"] for row in listed(store, Wanted(danger=True))} == {
        "open ground",
        "polarity named, then stopped",
    }
    assert {row["site"] for row in listed(store, Wanted(fault="secondary_swapped"))} == {
        "phase mended",
        "mended and stopped",
    }
    assert {row["site"] for row in listed(store, Wanted(outcome="pass"))} == {
        "healthy",
        "ground mended",
        "phase mended",
    }
    assert across.choices(store)["fault"] == [
        "burner_corroded",
        "ground_open",
        "never_lit",
        "polarity_reversed",
        "secondary_swapped",
    ]


def test_the_commands_list_show_and_export_them(tmp_path: Path, walked: dict[str, Events]) -> None:
    for name in ("open ground", "healthy", "mended and stopped"):
        write_journal(tmp_path / "visits", walked[name])
    url = ["--store", str(tmp_path / "s.sqlite")]

    def run(*words: str) -> str:
        done = CliRunner().invoke(records, [*url, *words])
        assert done.exit_code == 0, done.output
        return done.output

    run("import", str(tmp_path / "visits"))
    assert "DANGER: an open ground wire" in run("list", "--danger") and "1 of 1 visits." in run("list", "--danger")
    shown = run("show", "open-ground").splitlines()
    assert shown[2].split()[:1] == ["DANGER"] and "Turn off the breaker" in shown[2]
    assert "not done" in shown[3] and "Transformer secondary" in shown[3]
    assert "stopped to mend it (out of phase)" in run("show", "mended-and-stopped")
    run("export", str(tmp_path / "v.json"))
    rows = {row["id"]: row for row in json.loads((tmp_path / "v.json").read_text())}
    assert rows["open-ground"]["danger"] == "an open ground wire" and rows["open-ground"]["concluded"] is True
    assert rows["mended-and-stopped"]["found"] == "secondary_swapped" and rows["mended-and-stopped"]["mended"] == 1
    assert rows["healthy"]["danger"] is None and rows["healthy"]["not_done"] is None
