"""The flame as a rectifier: the exact periodic state of the rod circuit.

      e·sin θ ── R ── C ──┬── board terminal
      (Thévenin of        │
       service, board,  sense    wire, connector, meter
       return path)       │        ├── chafe to chassis
                        chassis    rod ──┬── insulator ──┐
                                      coating            │
                                       flame             │
                                         └──── burner ───┴── chassis

The flame is forward_ohms while the rod is positive and reverse_ohms while it is
negative. The capacitor lets no direct current back through the board's supply,
so what the flame rectifies returns through the sense resistor, and biases the
rod negative. Behind the capacitor everything is resistive and held to one
reference, so the flame turns over exactly where the source's e·sin θ crosses
the capacitor's voltage. In between, the capacitor follows a linear equation
with a known solution, and the two crossings a (rod turns positive) and b (rod
turns negative) follow from

   cos(a − ψ₊)·exp(−(b − a)/T₊)      = cos(b − ψ₊)
   cos(b − ψ₋)·exp(−(a + 2π − b)/T₋) = cos(a − ψ₋)       ψ = atan T, T = ωC(R + load)

The charge of the positive half is C·e·(sin b − sin a), of the negative half the
same the other way; the two loads share it differently, and that difference is
the direct current. No averaging, no small-signal step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flows.circuit.furnace import OPEN, Furnace
from flows.circuit.network import live
from flows.circuit.nodal import port
from flows.errors import CalculationError

STEPS = 60
CLOSE_ENOUGH = 1e-11
"""Radians."""


@dataclass(frozen=True)
class Half:
    """The load behind the capacitor in one half of the cycle.

    ohms: from the board terminal to chassis. Shares of the source's current:
    through the sense resistor, through the rod wire's end (where the meter goes),
    through the flame. rod_end, terminal: volts there for one ampere of source current.
    """

    ohms: NDArray
    sense: NDArray
    series: NDArray
    flame: NDArray
    rod_end: NDArray


@dataclass(frozen=True)
class RodCircuit:
    """One rod circuit, lit: Thévenin source (peak V, Ω, F, rad/s) and its load with rod positive and negative."""

    peak: NDArray
    ohms: NDArray
    farads: NDArray
    omega: NDArray
    positive: Half
    negative: Half

    def crossings(self) -> tuple[NDArray, NDArray]:
        """Angles (a, b) at which the rod turns positive and negative."""
        scale = self.omega * self.farads
        return crossings(scale * (self.ohms + self.positive.ohms), scale * (self.ohms + self.negative.ohms))

    def charge_rate(self) -> NDArray:
        """A: charge of one positive half, times cycles a second."""
        a, b = self.crossings()
        return self.omega / (2 * np.pi) * self.farads * self.peak * (np.sin(b) - np.sin(a))

    def series_average(self) -> NDArray:
        """A of direct current through the rod wire's end, towards the flame."""
        return (self.positive.series - self.negative.series) * self.charge_rate()

    def sense_average(self) -> NDArray:
        """A of direct current that comes back through the sense resistor."""
        return (self.negative.sense - self.positive.sense) * self.charge_rate()

    def source_current(self, samples: int = 256) -> tuple[NDArray, NDArray]:
        """A at `samples` even angles of one cycle, shape (samples, n), and where the rod is positive (bool)."""
        a, b = self.crossings()
        scale = self.omega * self.farads
        angle = np.arange(samples).reshape(-1, *(1,) * np.ndim(a)) * (2 * np.pi / samples)
        since_a, since_b = np.mod(angle - a, 2 * np.pi), np.mod(angle - b, 2 * np.pi)
        is_positive = since_a < np.mod(b - a, 2 * np.pi)
        t = np.where(is_positive, self.positive.ohms + self.ohms, self.negative.ohms + self.ohms) * scale
        start = np.where(is_positive, a, b)
        since = np.where(is_positive, since_a, since_b)
        drive = (_pull(angle, t) - _pull(start, t) * np.exp(-since / t)) * t
        return scale * self.peak * drive / t, is_positive


def _pull(angle: NDArray, t: NDArray) -> NDArray:
    """(e·sin θ − steady capacitor voltage)/(e·T): what a linear load of time constant T would see."""
    return (np.cos(angle) + t * np.sin(angle)) / (1 + t * t)


def crossings(t_positive: NDArray, t_negative: NDArray) -> tuple[NDArray, NDArray]:
    """Angles (a, b), radians, at which the capacitor voltage meets the source, by Newton's method.

    t_positive, t_negative: ωC·R of the two halves. Raises CalculationError if it does not settle.
    """
    tp, tn = np.broadcast_arrays(np.asarray(t_positive, float), np.asarray(t_negative, float))
    lead = np.arctan(1 / np.sqrt(tp * tn))
    level = _balance(tp, tn)
    a, b = level - lead, np.pi - level - lead
    fp, fn = np.arctan(tp), np.arctan(tn)
    for _ in range(STEPS):
        ep, en = np.exp(-(b - a) / tp), np.exp(-(a + 2 * np.pi - b) / tn)
        f = np.cos(a - fp) * ep - np.cos(b - fp)
        g = np.cos(b - fn) * en - np.cos(a - fn)
        fa = (np.cos(a - fp) / tp - np.sin(a - fp)) * ep
        fb = -np.cos(a - fp) * ep / tp + np.sin(b - fp)
        ga = -np.cos(b - fn) * en / tn + np.sin(a - fn)
        gb = (np.cos(b - fn) / tn - np.sin(b - fn)) * en
        det = fa * gb - fb * ga
        da = np.clip((f * gb - g * fb) / det, -0.3, 0.3)
        db = np.clip((g * fa - f * ga) / det, -0.3, 0.3)
        a, b = a - da, b - db
        if np.all(np.abs(da) + np.abs(db) < CLOSE_ENOUGH * (1 + np.maximum(tp, tn))):
            return a, b
    raise CalculationError("The rod circuit's steady state was not found.", "Check the furnace's rod and flame values for zeros.")


def _balance(tp: NDArray, tn: NDArray) -> NDArray:
    """The crossing angle if the capacitor were endless: both halves carry the same charge."""
    angle = np.zeros_like(tp)
    for _ in range(6):
        c, s = np.cos(angle), np.sin(angle)
        give = (2 * c - s * (np.pi - 2 * angle)) / tp - (2 * c + s * (np.pi + 2 * angle)) / tn
        slope = -c * (np.pi - 2 * angle) / tp - c * (np.pi + 2 * angle) / tn
        angle = np.clip(angle - give / slope, -1.4, 1.4)
    return angle


def rod_circuit(furnace: Furnace, series_ohms: NDArray | float = 0.0, across_ohms: NDArray | float = OPEN) -> RodCircuit:
    """The lit rod circuit. series_ohms: a meter in the rod wire's end. across_ohms: a meter from that end to chassis.

    The return path's reactance (no equipment ground: only the filters return)
    is taken as the capacitance that it has at line frequency.
    """
    volts, impedance = port(live(furnace, lit=True, rod_loaded=False), "board_rod_terminal", "chassis")
    omega = 2 * np.pi * furnace.frequency
    return RodCircuit(
        peak=np.sqrt(2) * np.abs(volts),
        ohms=np.real(impedance),
        farads=-1 / (omega * np.imag(impedance)),
        omega=np.asarray(omega),
        positive=_half(furnace, furnace.forward_ohms, series_ohms, across_ohms),
        negative=_half(furnace, furnace.reverse_ohms, series_ohms, across_ohms),
    )


def _half(f: Furnace, flame_ohms: NDArray | float, series: NDArray | float, across: NDArray | float) -> Half:
    flame = f.coating_ohms + flame_ohms
    at_rod = 1 / (1 / flame + 1 / f.insulator_ohms)
    to_chassis = f.rod_ohms + series + at_rod + f.burner_chassis_ohms
    at_end = 1 / (1 / to_chassis + 1 / across)
    beyond = f.wire_ohms / 2 + at_end
    at_connector = 1 / (1 / beyond + 1 / f.chafe_ohms)
    wire = f.wire_ohms / 2 + f.connector_ohms + at_connector
    sense = f.sense_ohms + f.board_chassis_ohms
    ohms = 1 / (1 / sense + 1 / wire)
    into_end = (ohms / wire) * (at_connector / beyond)
    through_rod = into_end * (at_end / to_chassis)
    return Half(
        ohms=np.asarray(ohms),
        sense=np.asarray(ohms / sense),
        series=np.asarray(through_rod),
        flame=np.asarray(through_rod * at_rod / flame),
        rod_end=np.asarray(into_end * at_end),
    )
