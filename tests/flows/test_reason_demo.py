"""Cases of the trade from the readings of a guided visit, and when the board may be named."""

from __future__ import annotations

import pytest

from flows.faults import catalog
from flows.reason.assess import assess
from flows.reason.knowledge import Knowledge

BOARD_NEEDS = catalog.fault("board_not_sensing").needs


def top(said, n: int = 1) -> list[str]:
    return [name for name, _ in said.ranked[:n]]


def as_read(amps: float, known: Knowledge):
    from flows.faults.display import as_measured

    return as_measured(amps, "dc_amps", known.meter)


def test_a_sound_furnace(known: Knowledge, evidence) -> None:
    said = assess(evidence(proves=True), known)
    assert top(said) == ["healthy"] and said.safety == () and "no fault" in said.sentence
    assert ("rod_coated", "flame_current") in said.ruled_out
    assert ("polarity_reversed", "line_to_r") in said.ruled_out or (
        "polarity_reversed",
        "supply_hot_ground",
    ) in said.ruled_out


def test_what_a_guided_visit_cannot_see_is_asked_for_before_no_fault_is_named(known: Knowledge, evidence) -> None:
    # A plug of some hundred kilohms and a ground that a gas pipe stands in for pass every guided step.
    from flows.faults.display import as_measured

    ohms = {
        "rod_connector": 0.3,
        "ground_wire_to_chassis": 0.3,
        "burner_to_chassis": 0.4,
        "common_to_chassis": 0.3,
        "chassis_to_board_ground": 0.3,
        "rod_through": 0.3,
        "rod_wire": 0.3,
    }
    more = {name: as_measured(value, "ohms", known.meter) for name, value in ohms.items()}
    before, after = assess(evidence(proves=True), known), assess({**evidence(proves=True), **more}, known)
    assert before.next_probe in {*ohms, "flame_current_wiggled", "flame_current_watched", "flame_seen"}
    assert dict(after.ranked)["healthy"] > dict(before.ranked)["healthy"]
    assert dict(after.ranked)["connector_resistance"] < 0.01


def test_secondary_swapped_is_named_at_the_phasing_step(known: Knowledge, evidence) -> None:
    # Out of phase, supply and secondary add up: 119.6 V and 24.4 V (common practice).
    said = assess(
        evidence(
            only=("supply_hot_neutral", "supply_hot_ground", "supply_neutral_ground", "secondary_r_c", "line_to_r"),
            line_to_r=144.0,
        ),
        known,
    )
    assert said.named == "secondary_swapped"
    assert ("healthy", "line_to_r") in said.ruled_out
    assert "Line to R at 144 volts" in said.sentence


def test_corroded_burner_ground(known: Knowledge, evidence) -> None:
    # Right rod voltage, low current, ground path above 1.5 ohm: ground path (common practice).
    said = assess(evidence(proves=False, ground_path=4.4, flame_current=0.9e-6), known)
    assert top(said) == ["burner_corroded"] and said.next_probe == "burner_to_chassis"
    assert "burner to the board's ground at 4.4 ohms" in said.sentence.lower()


def test_low_rod_volts_point_between_board_and_rod(known: Knowledge, evidence) -> None:
    # Low rod voltage: resistance between the board and the rod, such as a multi-pin connector (common practice).
    said = assess(evidence(without=("leads_together", "ground_path", "flame_current"), rod_to_ground=50.0), known)
    assert top(said)[0] in ("connector_resistance", "board_plug_loose")
    assert said.named is None and said.next_probe is not None


def test_right_volts_and_low_current_is_rod_or_flame_with_a_good_ground_path(known: Knowledge, evidence) -> None:
    said = assess(evidence(proves=False, flame_current=0.7e-6), known)
    assert top(said)[0] == "rod_coated"
    # The window costs little and tells a thin or lifting flame from a coat; the coat itself is named once cleaning
    # has shown it.
    assert said.next_probe == "flame_seen" and said.named is None
    cleaned = assess(
        {
            **evidence(proves=False, flame_current=0.7e-6),
            "flame_seen": "steady",
            "flame_current_after_cleaning": as_read(3.3e-6, known),
        },
        known,
    )
    assert cleaned.named == "rod_coated"
    same = assess(
        {
            **evidence(proves=False, flame_current=0.7e-6),
            "flame_seen": "steady",
            "flame_current_after_cleaning": as_read(0.7e-6, known),
        },
        known,
    )
    assert "rod_coated" not in top(same) and ("rod_coated", "flame_current_after_cleaning") in same.ruled_out


def test_blown_meter_fuse(known: Knowledge, evidence) -> None:
    assert assess(evidence(proves=True, flame_current=0.0), known).named == "meter_fuse_blown"


def test_reversed_polarity(known: Knowledge, evidence) -> None:
    said = assess(
        evidence(
            only=("supply_hot_neutral", "supply_hot_ground", "supply_neutral_ground"),
            supply_hot_ground=0.2,
            supply_neutral_ground=119.5,
        ),
        known,
    )
    assert said.named == "polarity_reversed"


def test_the_board_is_named_on_a_proven_furnace(known: Knowledge, evidence) -> None:
    said = assess(evidence(proves=False), known)
    assert said.named == "board_not_sensing" and said.unproven == ()


@pytest.mark.parametrize("missing", BOARD_NEEDS)
def test_the_board_is_not_named_before_all_that_feeds_it_is_proven(known: Knowledge, evidence, missing: str) -> None:
    said = assess(evidence(proves=False, without=(missing,)), known)
    assert said.named != "board_not_sensing"
    if said.unproven:
        assert said.unproven == (missing,) and said.next_probe == missing
        assert "prove" in said.sentence


@pytest.mark.parametrize(
    "wrong",
    [
        {
            "supply_hot_neutral": 104.0,
            "supply_hot_ground": 104.1,
            "secondary_r_c": 21.2,
            "line_to_r": 82.8,
            "rod_to_ground": 76.3,
        },
        {"ground_path": 4.0},
        {"line_to_r": 144.0},
        {"rod_to_ground": 64.0},
        {"flame_current": 0.8e-6},
    ],
)
def test_the_board_is_not_named_over_a_reading_that_is_not_sound(
    known: Knowledge, evidence, wrong: dict[str, float]
) -> None:
    said = assess(evidence(proves=False, **wrong), known)
    assert said.named is None or "board" not in {catalog.fault(one).family for one in catalog.parts(said.named)}


def test_good_current_alone_does_not_condemn_the_board(known: Knowledge, evidence) -> None:
    said = assess(evidence(proves=False, only=("flame_current",)), known)
    # A board that senses against the phase looks the same until polarity and phase were read.
    assert top(said) == ["board_not_sensing"] and said.named is None and said.next_probe == said.compulsory[0]
    assert {"secondary_swapped", "polarity_reversed"} <= {name for name, chance in said.ranked[:3]}


def test_faults_that_a_meter_cannot_tell_apart_are_said_so(known: Knowledge, evidence) -> None:
    # A clean rod with every ohm right: only the eye sees whether the flame or the rod's place is wrong.
    ohms = {"rod_surface": 1.2, "rod_through": 0.3, "rod_wire": 0.3, "burner_to_chassis": 0.5}
    from flows.faults.display import as_measured

    taken = evidence(proves=False, flame_current=0.8e-6) | {
        name: as_measured(value, "ohms", known.meter) for name, value in ohms.items()
    }
    taken["rod_insulation"] = as_measured(float("inf"), "ohms", known.meter)
    taken |= {
        "rod_connector": as_measured(0.3, "ohms", known.meter),
        "flame_current_after_cleaning": as_read(0.8e-6, known),
    }
    taken |= {"flame_seen": "steady", "flame_current_watched": "holds", "flame_current_wiggled": "still"}
    said = assess(taken, known)
    assert {"flame_thin", "rod_misplaced"} <= {name for name, _ in said.ranked[:4]} and said.named is None
    if said.cannot_tell:
        assert {"flame_thin", "rod_misplaced"} <= set(
            said.cannot_tell
        ) and "can't tell these apart with a meter" in said.sentence
        assert said.tell_by is None or said.tell_by not in taken


def test_only_allowed_probes_are_asked_for(known: Knowledge, evidence) -> None:
    taken = evidence(without=("flame_current",), rod_to_ground=50.0)
    assert assess(taken, known, allowed={"flame_current"}).next_probe in (None, "flame_current")
    assert assess(taken, known, allowed=set()).next_probe is None
