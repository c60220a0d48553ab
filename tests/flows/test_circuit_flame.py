"""The rectifying flame's exact periodic state, against integration in time and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from flows.circuit import OPEN, board_proves_flame, flame_current, nominal, sense_current, volts
from flows.circuit.flame import Half, RodCircuit, Source, crossings, rod_circuit
from flows.judge.profiles import equipment

LARKSPUR = nominal(equipment("larkspur"))
CURRENT = equipment("larkspur").circuit.flame_current


def circuit(t_positive: float, t_negative: float) -> RodCircuit:
    """1 V peak, 1 F, 1 rad/s, so that the loads' ohms are the time constants; the sense takes all current."""
    one = np.ones(())
    source = Source(one, np.zeros(()), one, one)
    return RodCircuit(source, Half(np.asarray(t_positive), one, one), Half(np.asarray(t_negative), 0 * one, 0 * one))


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 6), st.floats(0.05, 6))
def test_direct_current_against_integration_in_time(t_positive: float, t_negative: float) -> None:
    def capacitor(angle: float, state: np.ndarray) -> list[float]:
        across = np.sin(angle) - state[0]
        current = across / (t_positive if across > 0 else t_negative)
        return [current, max(current, 0.0)]

    # Ten time constants to settle, then one cycle's forward charge.
    settle = 2 * np.pi * np.ceil(10 * max(t_positive, t_negative) / (2 * np.pi) + 1)
    run = solve_ivp(
        capacitor,
        (0, settle + 2 * np.pi),
        [0.0, 0.0],
        rtol=1e-9,
        atol=1e-11,
        max_step=0.02,
        t_eval=[settle, settle + 2 * np.pi],
    )
    charge = run.y[1, 1] - run.y[1, 0]
    assert float(circuit(t_positive, t_negative).charge_rate()) * 2 * np.pi == pytest.approx(charge, rel=2e-5)


@settings(deadline=None)
@given(st.floats(-3, 6), st.floats(-3, 6))
def test_the_crossings_close_the_cycle(log_positive: float, log_negative: float) -> None:
    tp, tn = 10**log_positive, 10**log_negative
    a, b = (float(one) for one in crossings(tp, tn))
    assert a < b < a + 2 * np.pi

    def carried(start: float, stop: float, t: float) -> float:
        """Capacitor volts at `stop`, met at `start`: the linear equation's own solution."""

        def steady(angle: float) -> float:
            return (np.sin(angle) - t * np.cos(angle)) / (1 + t * t)

        return steady(stop) + (np.sin(start) - steady(start)) * np.exp(-(stop - start) / t)

    assert carried(a, b, tp) == pytest.approx(np.sin(b), abs=1e-9)
    assert carried(b, a + 2 * np.pi, tn) == pytest.approx(np.sin(a), abs=1e-9)


@settings(deadline=None)
@given(st.floats(-2, 4))
def test_equal_halves_are_plain_alternating_current(log_t: float) -> None:
    t = 10**log_t
    one = circuit(t, t)
    a, b = one.crossings()
    assert b - a == pytest.approx(np.pi)
    # 1 V peak on T Ω and 1 F at 1 rad/s: a sine of peak 1/√(1 + T²) A, whose half cycle carries 2/√(1 + T²) C.
    assert float(one.charge_rate()) * 2 * np.pi == pytest.approx(2 / np.sqrt(1 + t * t), rel=1e-6)
    _, rms = one.moments(np.ones(()), np.ones(()))
    assert rms == pytest.approx(1 / np.sqrt(2 * (1 + t * t)), rel=1e-6)


@settings(deadline=None)
@given(st.floats(0.01, 0.9))
def test_conduction_angle_of_the_classic_diode_detector(share: float) -> None:
    # Endless capacitor: tan χ − χ = π·r/R, χ half the conduction angle, r the diode path, R the load (textbook
    # envelope detector; from memory).
    # Here r = flame forward, R = sense, flame reverse endless: both loads differ by the flame only in the positive
    # half.
    big = 1e5
    forward, sense = share * big, big
    a, b = crossings(forward * sense / (forward + sense), sense)
    half = float(b - a) / 2
    wanted = brentq(lambda chi: np.tan(chi) - chi - np.pi * forward / sense, 1e-6, np.pi / 2 - 1e-9)
    assert half == pytest.approx(wanted, rel=1e-4)


@settings(max_examples=50, deadline=None)
@given(st.floats(4, 9), st.floats(4, 9), st.floats(0, 7))
def test_direct_currents_meet_at_the_board(log_insulator: float, log_chafe: float, log_coating: float) -> None:
    # Kirchhoff for the average: what goes out along the wire, less what the chafe takes, comes back through the sense
    # resistor.
    f = replace(LARKSPUR, insulator_ohms=10**log_insulator, chafe_ohms=10**log_chafe, coating_ohms=10**log_coating)
    one = rod_circuit(f)
    back, outward = float(one.sense_average()), float(one.series_average())
    at_chafe = -back * (f.board_chassis_ohms + f.sense_ohms + f.wire_ohms / 2 + f.connector_ohms)
    assert outward + at_chafe / f.chafe_ohms == pytest.approx(back, rel=1e-6, abs=1e-15)


def test_a_flame_that_conducts_alike_both_ways_gives_nothing() -> None:
    f = replace(LARKSPUR, forward_ohms=8e6, reverse_ohms=8e6)
    assert float(flame_current(f)) == pytest.approx(0.0, abs=1e-12)
    assert not board_proves_flame(f)


def test_a_flame_that_rectifies_the_other_way_reverses_the_current() -> None:
    turned = replace(LARKSPUR, forward_ohms=LARKSPUR.reverse_ohms, reverse_ohms=LARKSPUR.forward_ohms)
    assert float(flame_current(turned)) == pytest.approx(-float(flame_current(LARKSPUR)), rel=1e-9)
    assert not board_proves_flame(turned)


@settings(deadline=None)
@given(
    st.sampled_from(["coating_ohms", "connector_ohms", "burner_chassis_ohms", "rod_ohms"]),
    st.floats(1, 8),
    st.floats(0.05, 1),
)
def test_resistance_in_the_flame_s_path_lowers_the_current(part: str, log_ohms: float, more: float) -> None:
    less, greater = (replace(LARKSPUR, **{part: 10**power}) for power in (log_ohms, log_ohms + more))
    assert flame_current(greater) < flame_current(less)
    assert sense_current(greater) < sense_current(less)


@settings(deadline=None)
@given(st.sampled_from(["insulator_ohms", "chafe_ohms"]), st.floats(2, 8), st.floats(0.05, 1))
def test_a_worse_leak_lowers_what_the_board_sees(part: str, log_ohms: float, more: float) -> None:
    worse, better = (replace(LARKSPUR, **{part: 10**power}) for power in (log_ohms, log_ohms + more))
    assert sense_current(worse) < sense_current(better)


@settings(deadline=None)
@given(st.floats(60, 140))
def test_the_current_is_in_proportion_to_the_supply(supply: float) -> None:
    f = replace(LARKSPUR, supply_volts=supply)
    assert float(flame_current(f)) == pytest.approx(CURRENT * supply / 120, rel=1e-6)


def test_no_way_back_for_direct_current_means_none() -> None:
    assert float(flame_current(replace(LARKSPUR, board_chassis_ohms=OPEN))) < 0.05e-6


def test_a_rod_shorted_to_the_burner_gives_none() -> None:
    f = replace(LARKSPUR, insulator_ohms=0.5)
    assert abs(float(flame_current(f))) < 1e-9
    assert float(volts(f, "rod_wire_end", "burner")) < 0.01


def test_the_meter_s_burden_hardly_matters_against_megohms() -> None:
    without = float(flame_current(replace(LARKSPUR, burden_ohms=0.0)))
    assert without == pytest.approx(CURRENT, rel=1e-3)
    assert without > CURRENT


def test_lit_and_unlit_rod_volts_agree_for_a_flame_that_does_not_conduct() -> None:
    f = replace(LARKSPUR, forward_ohms=OPEN, reverse_ohms=OPEN, lit_load_ohms=OPEN)
    assert float(volts(f, "rod_wire_end", "burner", lit=True)) == pytest.approx(
        float(volts(f, "rod_wire_end", "burner")), rel=1e-4
    )
