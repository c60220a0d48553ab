"""Verdicts against figures of the trade, plane geometry and direct simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.errors import CalculationError
from flows.judge import CALCULATIONS, Facts, judge, phase_angle
from flows.measure import Measured, measured, standard_error
from flows.profiles import equipment, meter
from grammar.answers import Reading

METER = meter("dunlin")
FAMILY = equipment("larkspur")
FACTS = Facts(turns_ratio=FAMILY.turns_ratio)


def shown(value: float, quantity: str = "ac_volts", step: float = 0.1) -> Measured:
    return measured(Reading(value, value, value, step, quantity, "volt", True, math.isinf(value), "", str(value)), METER)


def limits(**keys: str):
    return {role: FAMILY.limit(key) for role, key in keys.items()}


SUPPLY = limits(low="supply_low", high="supply_high", good_low="supply_good_low", good_high="supply_good_high")
POLARITY = limits(share="line_to_ground_share", neutral="neutral_to_ground")
PATH = limits(look="ground_path_look", bad="ground_path_bad")
FLAME = limits(minimum="flame_minimum", sound="flame_sound")


# ANSI C84.1-2020 service voltage, 120 V base: range A 114 to 126 V, range B 110 to 127 V (values from memory).
@pytest.mark.parametrize(
    ("volts", "outcome", "finding"),
    [(120, "pass", ""), (115.6, "pass", ""), (112.5, "pass", "edge"), (125.0, "pass", ""), (107, "fail", "low"), (131, "fail", "high"), (110.2, "close", ""), (126.9, "close", "")],
)
def test_supply_band(volts, outcome, finding):
    verdict = judge("band", {"value": shown(volts)}, SUPPLY, FACTS)
    assert (verdict.outcome, verdict.finding) == (outcome, finding)


def test_the_interval_of_the_worked_phasing_reading():
    # Percent of reading plus digits: 84.7 V at 0.9 % + 4 digits of 0.1 V may be off by 1.1623 V.
    bound = 84.7 * 0.009 + 4 * 0.1
    # Rectangular within the bound: a/sqrt(3) (JCGM 100:2008, 4.3.7); display step q: q/sqrt(12) (F.2.2.1).
    assert shown(84.7).u == pytest.approx(math.hypot(bound / math.sqrt(3), 0.1 / math.sqrt(12)), rel=1e-12)


# Common practice, no source: 121 V with 28 V reads about 93 V in phase and about 149 V when not.
@pytest.mark.parametrize(("across", "outcome", "finding"), [(92.0, "pass", ""), (93.0, "pass", ""), (149.0, "fail", "out_of_phase"), (121.0, "fail", "no_reference"), (60.0, "fail", "no_reference")])
def test_phasing_by_the_figures_of_the_trade(across, outcome, finding):
    verdict = judge("phasing", {"supply": shown(121), "secondary": shown(28), "value": shown(across)}, {}, FACTS)
    assert (verdict.outcome, verdict.finding) == (outcome, finding)
    assert dict(verdict.numbers)["in_phase"] == pytest.approx(93)
    assert dict(verdict.numbers)["out_of_phase"] == pytest.approx(149)


def test_phasing_is_too_close_to_call_when_the_secondary_is_lost_in_the_error():
    assert judge("phasing", {"supply": shown(121), "secondary": shown(1.2), "value": shown(121)}, {}, FACTS).outcome == "close"


@given(st.floats(50, 300), st.floats(1, 100), st.floats(0, 180))
def test_phase_angle_inverts_the_law_of_cosines(line, secondary, degrees):
    # Euclid II.12 and 13: c² = a² + b² - 2ab cos(C).
    across = math.sqrt(max(0.0, line**2 + secondary**2 - 2 * line * secondary * math.cos(math.radians(degrees))))
    # Near 0 and 180 degrees the cosine is flat and the rounding of the squares shows.
    assert phase_angle(line, secondary, across) == pytest.approx(degrees, abs=2e-3)


@given(st.floats(50, 300), st.floats(1, 100), st.floats(0, 359))
def test_phase_angle_agrees_with_complex_numbers(line, secondary, degrees):
    difference = abs(line - secondary * np.exp(1j * math.radians(degrees)))
    wanted = min(degrees, 360 - degrees)
    assert phase_angle(line, secondary, difference) == pytest.approx(wanted, abs=2e-3)


def test_phase_angle_needs_two_voltages():
    with pytest.raises(CalculationError, match="two voltages above zero"):
        phase_angle(118, 0, 94)


@pytest.mark.parametrize(
    ("hot_ground", "neutral_ground", "outcome", "finding"),
    [(121, 0.2, "pass", ""), (0.4, 120.8, "fail", "swapped"), (42, 40, "fail", "ground_open"), (0.0, 0.0, "fail", "ground_open"), (113, 8, "fail", "neutral_loose"), (118.5, 2.9, "close", "")],
)
def test_polarity(hot_ground, neutral_ground, outcome, finding):
    verdict = judge("polarity", {"supply": shown(121), "hot_ground": shown(hot_ground), "value": shown(neutral_ground)}, POLARITY, FACTS)
    assert (verdict.outcome, verdict.finding) == (outcome, finding)


@pytest.mark.parametrize(("volts", "outcome", "finding"), [(24.5, "pass", ""), (23.8, "pass", ""), (0.1, "fail", "none"), (18.5, "fail", "low"), (32, "fail", "high"), (22.2, "close", "")])
def test_secondary_against_the_turns_ratio(volts, outcome, finding):
    verdict = judge("ratio", {"supply": shown(120), "value": shown(volts)}, limits(share="secondary_share"), FACTS)
    assert (verdict.outcome, verdict.finding) == (outcome, finding)
    assert dict(verdict.numbers)["expected"] == pytest.approx(120 / 4.9)


# Common practice: leads zero at 0.2 ohm; 0.6 to 0.7 ohm is good; above 1 to 1.5 ohm needs a look.
@pytest.mark.parametrize(("gross", "outcome", "finding"), [(0.8, "pass", ""), (0.9, "close", ""), (1.0, "close", ""), (1.9, "close", "look"), (4.9, "fail", "high"), (math.inf, "fail", "open"), (0.1, "pass", "")])
def test_ground_path_with_the_leads_taken_off(gross, outcome, finding):
    verdict = judge("path", {"leads": shown(0.2, "ohms"), "value": shown(gross, "ohms")}, PATH, FACTS)
    # 0.9 less 0.2 is 0.7 ohm, but two readings may each be 0.2 ohm off, so it could be above 1 ohm: too close.
    assert (verdict.outcome, verdict.finding) == (outcome, finding)


@pytest.mark.parametrize(
    ("amps", "outcome", "finding"),
    [(2.8e-6, "pass", ""), (-2.8e-6, "pass", ""), (1.5e-6, "pass", "thin"), (1.0e-6, "close", ""), (0.5e-6, "fail", "low"), (0.0, "fail", "none"), (math.inf, "close", "too_much")],
)
def test_flame_current(amps, outcome, finding):
    verdict = judge("flame", {"value": shown(amps, "dc_amps", 0.01e-6)}, FLAME, FACTS)
    assert (verdict.outcome, verdict.finding) == (outcome, finding)


def test_a_jumping_reading_that_straddles_the_minimum_is_too_close():
    jumping = Reading(1.5e-6, 0.5e-6, 2.5e-6, 0.1e-6, "dc_amps", "microamp", True, False, "", "1.5")
    assert judge("flame", {"value": measured(jumping, METER)}, FLAME, FACTS).outcome == "close"


@given(st.floats(0, 3))
def test_power_is_never_dead_when_it_could_be_two_volts(volts):
    verdict = judge("band", {"value": shown(volts, step=0.01)}, limits(high="dead_volts"), FACTS)
    if verdict.outcome == "pass":
        assert volts + 2 * standard_error(volts, "ac_volts", METER) <= 2.0
    if volts >= 2:
        assert verdict.outcome != "pass"


@given(st.floats(0, 600))
def test_a_meter_below_ninety_volts_is_never_shown_live(volts):
    verdict = judge("band", {"value": shown(volts)}, limits(low="live_volts"), FACTS)
    assert volts >= 90 or verdict.outcome != "pass"


def test_out_of_range_display_never_passes_an_upper_limit():
    assert judge("band", {"value": shown(math.inf)}, limits(high="dead_volts"), FACTS).outcome == "fail"


def test_the_interval_holds_what_it_promises():
    """Simulated displays (error even within the accuracy figure): 95 % of true values lie inside."""
    rng = np.random.default_rng(20)
    inside = []
    for true in rng.uniform(1, 140, 4000):
        resolution = METER.function("ac_volts").range_for(true).resolution
        bound = true * 0.01 + 3 * resolution
        display = round((true + rng.uniform(-bound, bound)) / resolution) * resolution
        inside.append(abs(display - true) <= 2 * standard_error(display, "ac_volts", METER))
    assert np.mean(inside) >= 0.95


def test_missing_readings_and_limits_are_named():
    with pytest.raises(CalculationError, match="needs the reading 'supply'"):
        judge("ratio", {"value": shown(25)}, limits(share="secondary_share"), FACTS)
    with pytest.raises(CalculationError, match="needs the limit 'share'"):
        judge("ratio", {"value": shown(25), "supply": shown(121)}, {}, FACTS)


def test_every_verdict_carries_its_limits_and_their_source():
    verdict = judge("band", {"value": shown(120)}, SUPPLY, FACTS)
    assert {name for name, _ in verdict.limits} == set(SUPPLY)
    assert all(limit.source and limit.origin for _, limit in verdict.limits)
    assert set(CALCULATIONS) == {"band", "polarity", "ratio", "phasing", "path", "flame"}
