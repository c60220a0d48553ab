"""The figures of the reasoning bench, and a handful of its furnaces from end to end."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from flows.faults import catalog
from flows.reason.knowledge import Knowledge
from tests.lab.measure.reasoning_judge import Judge
from tests.lab.measure.reasoning_table import bootstrap, calibration_error, named_right, table, wilson
from tests.lab.measure.reasoning_world import Outcome, cycles, draw, fixed_order, reasoner, rule_of_thumb, thresholds

GUIDED = [
    "supply_hot_neutral", "supply_hot_ground", "supply_neutral_ground", "secondary_r_c", "line_to_r", "rod_to_ground",
    "leads_together", "ground_path", "flame_current", "board_proves_flame",
]  # fmt: skip


@pytest.mark.parametrize(("hits", "n"), [(0, 40), (3, 40), (39, 40), (40, 40), (4987, 10000)])
def test_wilson_against_scipy(hits: int, n: int) -> None:
    due = binomtest(hits, n).proportion_ci(confidence_level=0.95, method="wilson")
    assert wilson(hits, n) == pytest.approx((due.low, due.high), abs=1e-6)


def test_bootstrap_of_a_mean_against_the_normal_interval() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(10, 2, 4000)
    low, high = bootstrap(values, rng)
    reach = 1.96 * 2 / np.sqrt(4000)
    assert (high - low) / 2 == pytest.approx(reach, rel=0.15)
    assert low < values.mean() < high


def test_calibration_error_by_hand() -> None:
    # Two in the bin 0.9 to 1 (said 0.95 and 0.95, one right): gap 0.45 with weight 2/4; two said 0.5, one right: gap 0.
    rows = np.array([[0.95, 1], [0.95, 0], [0.5, 1], [0.5, 0]])
    assert calibration_error(rows) == pytest.approx(0.225)


def test_the_fixed_order_is_that_of_the_visit() -> None:
    assert fixed_order()[: len(GUIDED)] == GUIDED


def test_the_plain_thresholds_find_what_they_are_made_for(known: Knowledge) -> None:
    e, m = known.equipment, known.meter
    cases = [
        case
        for case in draw(e, m, 31, 400)
        if case.truth in ("polarity_reversed", "secondary_swapped", "transformer_wrong_tap")
    ]
    assert len(cases) >= 10
    assert all(thresholds(e)(case).named == case.truth for case in cases)


def test_the_rule_of_thumb_condemns_sound_boards(known: Knowledge) -> None:
    cases = [
        case
        for case in draw(known.equipment, known.meter, 32, 200)
        if case.truth in ("burner_loose", "polarity_reversed", "secondary_swapped", "rod_wire_open")
        and case.shown["board_proves_flame"] == "goes"
    ]
    assert cases and all(rule_of_thumb(case).named == "board_not_sensing" for case in cases)


def test_a_handful_from_end_to_end(known: Knowledge) -> None:
    cases = draw(known.equipment, known.meter, 33, 24)
    way = reasoner(known)
    found = [way(case) for case in cases]
    assert [one.truth for one in found] == [case.truth for case in cases]
    right = sum(named_right(one) for one in found) / sum(one.named is not None for one in found)
    assert right > 0.8
    assert all(len(set(one.taken)) == len(one.taken) <= len(catalog.probes()) for one in found)
    text = table(
        "head",
        {"reasoner": found, "thresholds": [thresholds(known.equipment)(case) for case in cases]},
        np.random.default_rng(1),
    )
    assert "| furnaces | 24 | 24 |" in text


def test_a_named_part_of_a_pair_is_right_and_a_wrong_one_is_not() -> None:
    ranked = (("rod_coated", 1.0),)
    assert named_right(Outcome("rod_coated+supply_low", ranked, "rod_coated", ()))
    assert not named_right(Outcome("supply_low", ranked, "rod_coated", ()))
    assert not named_right(Outcome("rod_coated", ranked, None, ()))


def test_the_second_worlds_words_are_judged_by_what_they_mend() -> None:
    second = Judge("second")
    assert second.there("rod_insulator_damp", "insulator_leaking") and second.there(
        "rod_coated", "supply_reversed+rod_coated"
    )
    assert not second.exact("rod_coated", "supply_reversed+rod_coated") and second.exact(
        "rod_coated+polarity_reversed", "supply_reversed+rod_coated"
    )
    assert second.mended("connector_resistance", "plug_fails_warm") and not second.there(
        "connector_resistance", "plug_fails_warm"
    )
    assert second.sound_board("board_rod_supply_low", "rod_coated") and not second.sound_board(
        "board_not_sensing", "board_threshold_high"
    )
    assert not second.there("meter_fuse_blown", "rod_coated")


def test_power_cycles_of_an_order_by_hand() -> None:
    # Off to pull the rod wire, off again for the dead reading, and off no more for the meter in series.
    assert cycles(["supply_hot_neutral", "rod_to_ground", "ground_path", "flame_current"]) == 2
    assert cycles(["leads_together", "ground_path", "burner_to_chassis"]) == 1
    assert cycles(["supply_hot_neutral", "board_proves_flame"]) == 0
