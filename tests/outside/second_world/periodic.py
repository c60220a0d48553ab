"""Periodic steady state of a linear circuit with one flame in it. Any one may read it; nothing here knows of the
product.

The linear part is reduced to what the flame sees: an open voltage at the fundamental and an impedance at each
harmonic, zero included. The flame's voltage over one period, sampled at equal steps, then obeys v = v_open - Z i(v),
Z a circulant matrix. Newton's method solves it. This is harmonic balance in the time domain (textbook). A test holds
it against ngspice's transient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.outside.second_world.flame import FlameLaw
from tests.outside.second_world.nodal import Circuit, Solution

SAMPLES = 64
TURNS = 80
_STEPS = (np.arange(SAMPLES)[:, None] - np.arange(SAMPLES)[None, :]) % SAMPLES
_WAVE = np.exp(2j * np.pi * np.arange(SAMPLES) / SAMPLES)


class NoSteadyState(ArithmeticError):
    """Newton's method did not settle; the circuit is wrong."""


@dataclass(frozen=True)
class SteadyState:
    """`mean`: direct potentials and currents; `swing`: phasors (RMS) at the fundamental; `flame`: mean amperes
    through the flame."""

    mean: Solution
    swing: Solution
    flame: float


def steady_state(circuit: Circuit, rod: str, burner: str, law: FlameLaw | None, omega: float) -> SteadyState:
    """Solve with `law` between nodes rod and burner; without a law the circuit is linear and has no direct current."""
    if law is None:
        swing = circuit.solve(omega)
        return SteadyState(Solution(circuit.index, np.zeros(len(circuit.index) - 1)), swing, 0.0)
    n, top = len(circuit.index) - 1, SAMPLES // 2
    sides = np.zeros((top + 1, n, 2), complex)
    sides[1, :, 0] = circuit.right_side()
    for node, sign in ((rod, 1.0), (burner, -1.0)):
        if circuit.node(node):
            sides[:, circuit.node(node) - 1, 1] = sign
    found = np.linalg.solve(circuit.matrices(omega * np.arange(top + 1)), sides)
    at_port = (Solution(circuit.index, found[k]).volts(rod, burner) for k in range(top + 1))
    opened, impedance = np.array(list(at_port)).T
    impedance[[0, top]] = impedance[[0, top]].real
    matrix = np.fft.irfft(impedance, SAMPLES)[_STEPS]
    open_wave = np.real(np.sqrt(2) * opened[1] * _WAVE)
    wave = _newton(open_wave, matrix, law)
    current = law.current(wave)
    mean = float(current.mean())
    first = np.sqrt(2) / SAMPLES * np.sum(current * np.conj(_WAVE))  # RMS phasor of the fundamental
    return SteadyState(
        Solution(circuit.index, -mean * found[0, :, 1].real),
        Solution(circuit.index, found[1, :, 0] - first * found[1, :, 1]),
        mean,
    )


def _newton(open_wave: np.ndarray, matrix: np.ndarray, law: FlameLaw) -> np.ndarray:
    wave = open_wave.copy()
    limit = 1e-7 * (np.abs(open_wave).max() + 1e-3)
    miss = wave - open_wave + matrix @ law.current(wave)
    unit = np.eye(SAMPLES)
    for _ in range(TURNS):
        if np.abs(miss).max() < limit:
            return wave
        step = np.linalg.solve(unit + matrix * law.slope(wave)[None, :], miss)
        if np.abs(step).max() < limit * 1e-3:
            return wave
        share = 1.0
        while True:
            trial = wave - share * step
            trial_miss = trial - open_wave + matrix @ law.current(trial)
            if share < 1e-3 or np.linalg.norm(trial_miss) < np.linalg.norm(miss):
                break
            share /= 2
        wave, miss = trial, trial_miss
    raise NoSteadyState(f"no steady state after {TURNS} turns; largest miss {np.abs(miss).max():.3g} V")
