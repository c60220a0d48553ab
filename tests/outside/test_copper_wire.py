"""Copper wire against ASTM B258 gauge figures and NEC chapter 9, table 8. Figures are from memory."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.circuit.conductor import COPPER_COEFFICIENT, area, at_temperature, diameter, resistance
from flows.errors import CalculationError

MIL = 25.4e-6
FOOT = 0.3048


# NEC (NFPA 70) chapter 9, table 8, direct current resistance at 75 °C, uncoated copper, solid, ohms per 1000 ft; from
# memory.
@pytest.mark.parametrize(
    ("awg", "per_thousand_feet"), [(18, 7.77), (16, 4.89), (14, 3.07), (12, 1.93), (10, 1.21), (8, 0.764)]
)
def test_table_8_at_75_degrees(awg: int, per_thousand_feet: float) -> None:
    assert resistance(awg, 1000 * FOOT, celsius=75) == pytest.approx(per_thousand_feet, rel=0.005)


# ASTM B258, nominal diameters in mils; from memory.
@pytest.mark.parametrize(
    ("awg", "mils"), [(-3, 460.0), (0, 324.9), (10, 101.9), (14, 64.1), (18, 40.3), (24, 20.1), (36, 5.0)]
)
def test_gauge_diameters(awg: int, mils: float) -> None:
    assert diameter(awg) == pytest.approx(mils * MIL, abs=0.06 * MIL)


def test_area_of_18_gauge() -> None:
    # NEC chapter 9, table 8: 1620 circular mils; from memory.
    assert area(18) / (math.pi / 4 * MIL**2) == pytest.approx(1620, rel=0.005)


def test_temperature_coefficient_agrees_with_the_code_s_own() -> None:
    # NEC chapter 9, table 8, note 2: R2 = R1·[1 + 0.00323·(T2 − 75)] for copper; from memory.
    from_75 = COPPER_COEFFICIENT / (1 + COPPER_COEFFICIENT * 55)
    assert from_75 == pytest.approx(0.00323, abs=0.000005)
    assert at_temperature(1.0, 75) / at_temperature(1.0, 20) == pytest.approx(1 / (1 + 0.00323 * (20 - 75)), rel=0.002)


@settings(deadline=None)
@given(st.integers(-3, 47), st.floats(0, 1000))
def test_three_gauges_are_half_the_copper_and_length_counts_in_proportion(awg: int, metres: float) -> None:
    # The gauge's known rule of thumb: three steps halve the area (92^(6/39) = 2.005).
    assert area(awg) / area(awg + 3) == pytest.approx(2.005, abs=0.001)
    assert resistance(awg, 2 * metres) == pytest.approx(2 * resistance(awg, metres))


def test_what_is_no_wire_is_refused() -> None:
    with pytest.raises(CalculationError, match="no wire gauge 99"):
        diameter(99)
    with pytest.raises(CalculationError, match="length of 0 m or more"):
        resistance(14, -1.0)
