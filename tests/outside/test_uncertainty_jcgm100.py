"""Our error arithmetic against the GUM, JCGM 100:2008. Its figures are from memory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import correlated_values, correlation_matrix, ufloat, umath

from flows.judge.measured import Measured, combined, measured, measured_value
from flows.judge.profiles import Meter, meter
from grammar.answers import Reading


def plain_meter(percent: float = 1e-9, digits: int = 0, resolution: float = 1e-9, anew: int = 0) -> Meter:
    """A meter of one range with just that error. anew: digits that differ from reading to reading."""
    return Meter.model_validate(
        {
            "format": 1,
            "id": "plain",
            "name": "Plain",
            "invented": True,
            "about": "for a test",
            "functions": {
                "ac_volts": {
                    "percent": percent,
                    "digits": digits,
                    "repeat_digits": anew,
                    "ranges": [{"top": 1e6, "resolution": resolution}],
                }
            },
        }
    )


def test_bounds_are_taken_as_rectangular() -> None:
    # JCGM 100:2008, 4.3.7: u = a/√3. Its example: copper's coefficient, bounds ±0.40e-6 per °C, u = 0.23e-6.
    assert measured_value(0.40e-6 * 100, "ac_volts", plain_meter(percent=1.0, resolution=1e-15)).u == pytest.approx(
        0.40e-6 / math.sqrt(3), rel=1e-6
    )
    assert 0.40e-6 / math.sqrt(3) == pytest.approx(0.23e-6, abs=0.005e-6)


def test_resolution_of_a_display() -> None:
    # JCGM 100:2008, F.2.2.1: a digital step δx contributes u = 0.29 δx.
    assert measured_value(0.0, "ac_volts", plain_meter(resolution=0.1)).u == pytest.approx(0.29 * 0.1, rel=0.01)


@settings(deadline=None)
@given(st.floats(0, 600), st.floats(0.1, 3), st.integers(0, 9), st.sampled_from([0.001, 0.01, 0.1, 1.0]))
def test_percent_digits_and_step_add_as_independent_bounds(
    value: float, percent: float, digits: int, resolution: float
) -> None:
    bound = value * percent / 100 + digits * resolution
    expected = math.sqrt(bound**2 / 3 + resolution**2 / 12)
    assert measured_value(value, "ac_volts", plain_meter(percent, digits, resolution)).u == pytest.approx(
        expected, rel=1e-9
    )


def test_a_reading_s_interval_covers_about_95_percent_of_what_it_may_be() -> None:
    # JCGM 100:2008, 6.3.3: k = 2 for about 95 %. Monte Carlo with the two rectangular errors themselves.
    reading = Reading(
        value=84.7,
        quantity="ac_volts",
        unit="volt",
        low=84.7,
        high=84.7,
        step=0.1,
        unit_spoken=True,
        over_limit=False,
        digits="84.7",
        text="eighty four point seven",
    )
    got = measured(reading, meter("dunlin"))
    rng = np.random.default_rng(100)
    bound = 84.7 * 0.009 + 4 * 0.1
    true = 84.7 + rng.uniform(-bound, bound, 200_000) + rng.uniform(-0.05, 0.05, 200_000)
    assert np.std(true) == pytest.approx(got.u, rel=0.01)
    assert np.mean((true >= got.low) & (true <= got.high)) == pytest.approx(0.95, abs=0.002)
    # A rectangle is not stretched: k = 2 standard uncertainties would reach past every value that the error can have.
    assert 2 * got.u > got.true.reach > got.high - got.value


V = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPS = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def test_resistance_and_reactance_measured_together() -> None:
    # JCGM 100:2008, H.2, tables H.2 to H.4: correlated volts, amperes and phase.
    data = np.array([V, AMPS, PHASE])
    covariance = np.cov(data) / data.shape[1]
    volts, amps, phase = correlated_values(data.mean(axis=1), covariance)
    assert correlation_matrix([volts, amps, phase])[[0, 0, 1], [1, 2, 2]] == pytest.approx(
        [-0.36, 0.86, -0.65], abs=0.01
    )
    impedance = volts / amps
    resistance, reactance = impedance * umath.cos(phase), impedance * umath.sin(phase)
    for one, value, u in ((resistance, 127.732, 0.071), (reactance, 219.847, 0.295), (impedance, 254.260, 0.236)):
        assert one.n == pytest.approx(value, abs=0.0015)
        assert one.s == pytest.approx(u, abs=0.0015)
    assert correlation_matrix([resistance, reactance, impedance])[[0, 0, 1], [1, 2, 2]] == pytest.approx(
        [-0.588, -0.485, 0.993], abs=0.002
    )


def test_end_gauge_calibration() -> None:
    # JCGM 100:2008, H.1, table H.1: rectangular bounds on temperature and expansion, combined u 32 nm, length
    # 50.000838 mm.
    def rectangle(value: float, bound: float) -> object:
        return ufloat(value, bound / math.sqrt(3))

    standard = ufloat(50.000623e-3, 25e-9)
    difference = ufloat(215e-9, 9.7e-9)
    expansion, expansion_difference = rectangle(11.5e-6, 2e-6), rectangle(0.0, 1e-6)
    temperature, temperature_difference = ufloat(-0.1, 0.41), rectangle(0.0, 0.05)
    length = (
        standard + difference - standard * (expansion_difference * temperature + expansion * temperature_difference)
    )
    assert length.n == pytest.approx(50.000838e-3, abs=0.5e-9)
    assert length.s == pytest.approx(32e-9, abs=0.5e-9)


def test_a_difference_of_two_readings_of_two_meters() -> None:
    # JCGM 100:2008, 5.1.2: independent errors add in quadrature.
    high, low = (Measured(v, u, v, v, "ac_volts") for v, u in ((121.0, 0.7), (28.0, 0.4)))
    assert combined((1.0, high), (-1.0, low)).std == pytest.approx(math.hypot(0.7, 0.4))
    reference = ufloat(high.value, high.u) - ufloat(low.value, low.u)  # the uncertainties package
    assert combined((1.0, high), (-1.0, low)).std == pytest.approx(reference.s)


@settings(deadline=None, max_examples=40)
@given(
    st.floats(0.1, 3),
    st.integers(0, 9),
    st.integers(0, 3),
    st.floats(0, 500),
    st.floats(0, 500),
    st.sampled_from([1.0, -1.0, 0.25]),
)
def test_common_errors_of_readings_cancel_as_the_uncertainties_package_says(
    percent: float, digits: int, anew: int, one: float, two: float, factor: float
) -> None:
    # JCGM 100:2008, 5.2.2 and F.1.2.3: one meter's gain and offset are fully correlated between its readings.
    kind = plain_meter(percent, digits, 0.1, min(anew, digits))
    first, second = (measured_value(v, "ac_volts", kind) for v in (one, two))
    ours = combined((1.0, first), (factor, second))
    anew = min(anew, digits)
    # One rectangle for what the meter itself is off by: its gain and its offset at their worst together.
    own = ufloat(0, (abs(one + factor * two) * percent / 100 + abs(1 + factor) * (digits - anew) * 0.1) / math.sqrt(3))
    fresh = [ufloat(0, math.hypot(anew * 0.1 / math.sqrt(3), 0.1 / math.sqrt(12))) for _ in range(2)]
    theirs = own + fresh[0] + factor * fresh[1]
    assert ours.std == pytest.approx(theirs.s, rel=1e-9)
    assert ours.value == pytest.approx(one + factor * two)


def test_gauge_blocks_compared_with_one_standard_lose_its_error() -> None:
    # JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm, u = 100 mohm each, all by one standard of that u:
    # fully correlated, in series u is 1 ohm and not 0.32 ohm. The same rule, signs turned, makes a difference exact.
    standard = plain_meter(100 * 0.1 * math.sqrt(3) / 1000, 0, 1e-12)
    one = measured_value(1000.0, "ac_volts", standard)
    assert one.u == pytest.approx(0.1, rel=1e-6)
    assert combined(*[(1.0, one)] * 10).std == pytest.approx(1.0, rel=1e-6)
    assert combined((1.0, one), (-1.0, one)).std == pytest.approx(0.0, abs=1e-9)
