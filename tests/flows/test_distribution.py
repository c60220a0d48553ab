"""Sums of even and normal errors against closed formulas and direct simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from flows.errors import CalculationError
from flows.judge.distribution import Distribution


def test_one_rectangle_ends_at_its_bound():
    # JCGM 100:2008, 4.3.7: nothing lies outside the bounds; half-width of 95 % is 0.95 a.
    one = Distribution(10.0, bounds=(2.0,))
    assert one.interval(0.95) == pytest.approx((8.1, 11.9), abs=1e-6)
    assert one.below(8.0) == 0 and one.below(12.0) == 1 and one.below(9.0) == pytest.approx(0.25)
    assert one.std == pytest.approx(2 / math.sqrt(3))


def test_two_equal_rectangles_are_a_triangle():
    # JCGM 100:2008, 4.3.9: the triangle; its 95 % half-width is a (1 - sqrt(0.05)).
    two = Distribution(0.0, bounds=(1.0, 1.0))
    assert two.interval(0.95)[1] == pytest.approx(2 * (1 - math.sqrt(0.05)), abs=1e-4)
    assert two.below(1.0) == pytest.approx(stats.triang(0.5, -2, 4).cdf(1.0), abs=1e-5)


@settings(deadline=None, max_examples=50)
@given(st.lists(st.floats(0.05, 3), min_size=3, max_size=4), st.floats(-6, 6))
def test_equal_to_the_closed_formula_of_summed_rectangles(bounds, at):
    # The generalised Irwin-Hall formula (inclusion and exclusion over the corners of the box).
    n, total = len(bounds), sum(bounds)
    corners = np.array(np.meshgrid(*[[0, 1]] * n)).reshape(n, -1)
    reach = at + total - 2 * np.array(bounds) @ corners
    exact = np.sum((-1.0) ** corners.sum(0) * np.maximum(reach, 0) ** n) / (
        math.factorial(n) * np.prod(2 * np.array(bounds))
    )
    assert Distribution(0.0, bounds=tuple(bounds)).below(at) == pytest.approx(min(max(exact, 0), 1), abs=2e-4)


@pytest.mark.parametrize(
    ("sigma", "bounds"), [(0.5, (1.0,)), (0.1, (2.0, 0.3)), (1.0, (0.2, 0.2, 0.2)), (0.0, (1.0, 0.4, 0.05))]
)
def test_equal_to_direct_simulation(sigma, bounds):
    # JCGM 101:2008: propagation of distributions by Monte Carlo.
    rng, n = np.random.default_rng(101), 400_000
    draws = rng.normal(0, 1, n) * sigma + sum(rng.uniform(-one, one, n) for one in bounds)
    ours = Distribution(0.0, sigma, bounds)
    for at in (-1.0, 0.0, 0.3, 1.5):
        assert ours.below(at) == pytest.approx(np.mean(draws <= at), abs=5 / math.sqrt(n))
    low, high = ours.interval(0.95)
    assert np.mean((draws >= low) & (draws <= high)) == pytest.approx(0.95, abs=0.003)
    assert ours.std == pytest.approx(np.std(draws), rel=0.01)


@given(st.floats(-100, 100), st.lists(st.floats(0, 10), max_size=4), st.floats(0.5, 0.999))
def test_never_past_the_sum_of_the_bounds(value, bounds, coverage):
    one = Distribution(value, bounds=tuple(bounds))
    low, high = one.interval(coverage)
    assert value - one.reach - 1e-6 <= low <= value <= high <= value + one.reach + 1e-6


@pytest.mark.parametrize("bad", [math.inf, math.nan, -1.0])
def test_an_error_without_end_is_refused_in_words(bad):
    with pytest.raises(CalculationError, match="take the reading again"):
        Distribution(1.0, bounds=(bad,))
    with pytest.raises(CalculationError):
        Distribution(math.inf)
