"""flows.judge.decision against JCGM 106:2012 and against independent arithmetic. Figures of the document are from
memory."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from flows.errors import CalculationError
from flows.judge.decision import (
    Rule,
    Tolerance,
    conforms,
    decide,
    rule,
)
from flows.judge.distribution import Distribution


def test_upper_limit_breakdown_voltage() -> None:
    # JCGM 106:2012, example of a Zener diode's breakdown voltage, limit -5.40 V, measured -5.47 V, u 0.05 V: 0.92
    # (from memory).
    assert conforms(Distribution(-5.47, 0.05), Tolerance(high=-5.40)) == pytest.approx(0.92, abs=0.005)


def test_two_limits_motor_oil() -> None:
    # JCGM 106:2012, example of SAE 40 oil, 12.5 to 16.3 mm²/s, measured 13.6, u 1.8: 0.66 (from memory).
    assert conforms(Distribution(13.6, 1.8), Tolerance(12.5, 16.3)) == pytest.approx(0.66, abs=0.005)


def test_guard_band_of_one_expanded_uncertainty_leaves_two_point_three_percent() -> None:
    # JCGM 106:2012, 8.3.2: w = U with k = 2 keeps the consumer's risk at 2.3 % or less (from memory).
    edge = Distribution(10.0 - 2 * 0.3, 0.3)
    assert 1 - conforms(edge, Tolerance(high=10.0)) == pytest.approx(0.023, abs=0.0005)


@settings(deadline=None)
@given(st.floats(-5, 5), st.floats(0.01, 3), st.floats(-4, 0), st.floats(0.1, 4))
def test_conformance_is_the_normal_integral(value: float, u: float, low: float, width: float) -> None:
    ours = conforms(Distribution(value, u), Tolerance(low, low + width))
    # Reference: scipy.stats' own normal distribution.
    assert ours == pytest.approx(stats.norm(value, u).cdf(low + width) - stats.norm(value, u).cdf(low), abs=1e-12)


@settings(deadline=None)
@given(st.floats(0.51, 0.99), st.floats(0.01, 5))
def test_a_guarded_limit_accepts_from_just_the_probability_asked_for(probability: float, u: float) -> None:
    edge = 100.0 - stats.norm.ppf(probability) * u
    for off, outcome in ((-0.001, "pass"), (0.001, "close")):
        assert decide(Distribution(edge + off * u, u), Tolerance(high=100.0), Rule(probability, 0.999)) == outcome


@pytest.mark.parametrize("u", [-1.0, math.nan, math.inf])
def test_an_uncertainty_below_zero_or_without_end_is_refused(u: float) -> None:
    with pytest.raises(CalculationError, match="cannot be judged"):
        Distribution(1.0, u)


def test_a_tolerance_that_holds_nothing_is_refused() -> None:
    with pytest.raises(CalculationError, match="holds nothing"):
        Tolerance(2, 1)


# The rule that decides is the rule that is tested: each example again, through `decide`, which makes every verdict.
@pytest.mark.parametrize(
    ("value", "u", "tolerance", "by", "outcome"),
    [
        # The Zener diode conforms with 0.92: accepted by simple acceptance (8.2), not yet by 0.95 or by ours of 0.975.
        (-5.47, 0.05, Tolerance(high=-5.40), Rule(0.5, 0.5), "pass"),
        (-5.47, 0.05, Tolerance(high=-5.40), Rule(0.91, 0.91), "pass"),
        (-5.47, 0.05, Tolerance(high=-5.40), Rule(0.95, 0.95), "close"),
        (-5.47, 0.05, Tolerance(high=-5.40), None, "close"),
        # The motor oil with 0.66: by simple acceptance only.
        (13.6, 1.8, Tolerance(12.5, 16.3), Rule(0.5, 0.5), "pass"),
        (13.6, 1.8, Tolerance(12.5, 16.3), None, "close"),
        # Speed control: 107 km/h is beyond doubt at 99.9 %, 106 km/h is not.
        (107.0, 2.14, Tolerance(high=100), Rule(0.999, 0.999), "fail"),
        (106.0, 2.12, Tolerance(high=100), Rule(0.999, 0.999), "close"),
    ],
)
def test_the_worked_examples_through_the_rule_that_decides(value, u, tolerance, by, outcome) -> None:
    assert decide(Distribution(value, u), tolerance, by) == outcome


def test_our_rule_is_the_guard_band_of_about_two_standard_uncertainties() -> None:
    # JCGM 106:2012, 8.3.2 with w = r U (from memory); 0.975 one-sided is 1.96 u.
    assert stats.norm.ppf(rule().accept) == pytest.approx(1.96, abs=0.001)
    for off, outcome in ((1.95, "close"), (1.97, "pass"), (-1.95, "close"), (-1.97, "fail")):
        assert decide(Distribution(10.0 - off, 1.0), Tolerance(high=10.0)) == outcome


def test_a_bounded_error_clear_of_the_limit_is_certain() -> None:
    # Nothing lies outside a bound (JCGM 100:2008, 4.3.7): 1.15 off with a bound of 1.1 is sure,
    # where k = 2 standard uncertainties (1.27) would still have called it too close.
    true = Distribution(8.85, bounds=(1.1,))
    assert conforms(true, Tolerance(high=10.0)) == 1.0 and decide(true, Tolerance(high=10.0)) == "pass"
    assert 2 * true.std > 10.0 - 8.85


@settings(deadline=None)
@given(st.floats(-5, 5), st.floats(0.01, 2), st.floats(0, 2))
def test_pass_and_fail_are_never_both_possible_and_doubt_shrinks_with_the_error(value, bound, sigma) -> None:
    wide, narrow = (Distribution(value, sigma * part, (bound * part,)) for part in (1.0, 0.5))
    order = {"fail": -1, "close": 0, "pass": 1}
    first, second = (order[decide(one, Tolerance(high=0.0))] for one in (wide, narrow))
    assert first * second >= 0 and abs(second) >= abs(first)


def test_a_rule_of_less_than_even_chance_is_refused() -> None:
    with pytest.raises(CalculationError, match="less than even chance"):
        Rule(0.4, 0.9)
