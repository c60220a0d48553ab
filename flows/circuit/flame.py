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

from flows.circuit.furnace import Furnace, Value
from flows.circuit.network import ground_path, live, rod_wire
from flows.circuit.nodal import Network, between, grounded, port
from flows.errors import CalculationError

STEPS = 60
CLOSE_ENOUGH = 1e-11
"""Radians."""
_GAUSS = np.polynomial.legendre.leggauss(24)
POINTS_IN_HALF, WEIGHTS_IN_HALF = (1 + _GAUSS[0]) / 2, _GAUSS[1] / 2
"""Where in a half cycle the wave is taken (0 to 1), and the weights; exact to far below the meter's digits."""


@dataclass(frozen=True)
class Half:
    """The load behind the capacitor in one half of the cycle, each (n,).

    ohms: from the board's rod terminal to chassis. Shares of the source's current:
    through the sense resistor, and through the end of the rod wire, where a meter goes in series.
    """

    ohms: np.ndarray
    sense: np.ndarray
    series: np.ndarray


@dataclass(frozen=True)
class Source:
    """What drives the rod, each (n,): peak V, and in series Ω and F, at omega rad/s."""

    peak: np.ndarray
    ohms: np.ndarray
    farads: np.ndarray
    omega: np.ndarray


@dataclass(frozen=True)
class RodCircuit:
    """One rod circuit, lit: its source, and the load with rod positive and negative."""

    source: Source
    positive: Half
    negative: Half

    def crossings(self) -> tuple[np.ndarray, np.ndarray]:
        """Angles (a, b) at which the rod turns positive and negative."""
        scale = self.source.omega * self.source.farads
        return crossings(
            scale * (self.source.ohms + self.positive.ohms), scale * (self.source.ohms + self.negative.ohms)
        )

    def charge_rate(self) -> np.ndarray:
        """A: charge of one positive half, times cycles a second."""
        a, b = self.crossings()
        per_volt = self.source.omega / (2 * np.pi) * self.source.farads
        return np.asarray(per_volt * self.source.peak * (np.sin(b) - np.sin(a)))

    def series_average(self) -> np.ndarray:
        """A of direct current through the rod wire's end, towards the flame."""
        return np.asarray((self.positive.series - self.negative.series) * self.charge_rate())

    def sense_average(self) -> np.ndarray:
        """A of direct current that comes back through the sense resistor."""
        return np.asarray((self.negative.sense - self.positive.sense) * self.charge_rate())

    def moments(self, positive: np.ndarray, negative: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Average and rms of the alternating part of `positive`·i in the positive half and `negative`·i in the other.

        i is the source's current (A); the factors are ohms or shares, shape (n,).
        Gauss quadrature in each half, where the wave is smooth.
        """
        a, b = self.crossings()
        scale = self.source.omega * self.source.farads
        mean = square = np.zeros(())
        for start, stop, half, factor in ((a, b, self.positive, positive), (b, a + 2 * np.pi, self.negative, negative)):
            t = scale * (self.source.ohms + half.ohms)
            width = stop - start
            since = np.multiply.outer(POINTS_IN_HALF, width)
            wave = scale * self.source.peak * factor * (_pull(start + since, t) - _pull(start, t) * np.exp(-since / t))
            mean = mean + width * np.tensordot(WEIGHTS_IN_HALF, wave, 1)
            square = square + width * np.tensordot(WEIGHTS_IN_HALF, wave * wave, 1)
        mean, square = mean / (2 * np.pi), square / (2 * np.pi)
        return mean, np.sqrt(np.maximum(square - mean * mean, 0.0))


def _pull(angle: np.ndarray, t: np.ndarray) -> np.ndarray:
    """(sin θ − the capacitor's steady share)/T: the current of a linear load, in units of ωC·e."""
    return np.asarray((np.cos(angle) + t * np.sin(angle)) / (1 + t * t))


def crossings(t_positive: np.ndarray, t_negative: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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
    raise CalculationError(
        "The rod circuit's steady state was not found.", "Check the furnace's rod and flame values for zeros."
    )


def _balance(tp: np.ndarray, tn: np.ndarray) -> np.ndarray:
    """The crossing angle if the capacitor were endless: both halves carry the same charge."""
    angle = np.zeros_like(tp)
    for _ in range(6):
        c, s = np.cos(angle), np.sin(angle)
        give = (2 * c - s * (np.pi - 2 * angle)) / tp - (2 * c + s * (np.pi + 2 * angle)) / tn
        slope = -c * (np.pi - 2 * angle) / tp - c * (np.pi + 2 * angle) / tn
        angle = np.clip(angle - give / slope, -1.4, 1.4)
    return angle


def rod_circuit(furnace: Furnace, series_ohms: Value = 0.0, source: Source | None = None) -> RodCircuit:
    """The lit rod circuit. series_ohms: a meter in the rod wire's end. source: that furnace's, if at hand."""
    return RodCircuit(
        source or rod_source(furnace),
        _half(furnace, furnace.forward_ohms, series_ohms),
        _half(furnace, furnace.reverse_ohms, series_ohms),
    )


def rod_source(furnace: Furnace) -> Source:
    """The board's rod supply with service, transformer and return path behind it, flame lit.

    The return path's reactance (no equipment ground: only the filters return)
    is taken as the capacitance that it has at line frequency.
    """
    volts, impedance = port(live(furnace, lit=True, rod_loaded=False), "board_rod_terminal", "chassis")
    omega = 2 * np.pi * furnace.frequency
    return Source(np.sqrt(2) * np.abs(volts), np.real(impedance), -1 / (omega * np.imag(impedance)), np.asarray(omega))


def _half(f: Furnace, flame_ohms: Value, series: Value) -> Half:
    to_burner = f.rod_ohms + f.rod_plug_ohms + series + _parallel(f.coating_ohms + flame_ohms, f.insulator_ohms)
    beyond = f.wire_ohms / 2 + to_burner + f.burner_chassis_ohms
    at_connector = _parallel(beyond, f.chafe_ohms)
    wire = f.wire_ohms / 2 + f.coil_ohms + f.connector_ohms + at_connector
    sense = f.sense_ohms + np.where(np.asarray(f.common_at_cabinet) > 0.5, f.common_ground_ohms, f.board_chassis_ohms)
    ohms = _parallel(sense, wire)
    return Half(
        ohms=np.asarray(ohms),
        sense=np.asarray(ohms / sense),
        series=np.asarray((ohms / wire) * (at_connector / beyond)),
    )


def lit_volts(furnace: Furnace, a: str, b: str, meter_ohms: Value) -> tuple[np.ndarray, np.ndarray]:
    """Direct volts and AC rms volts across a meter from a to b, flame lit.

    a, b: points of the rod wire, the rod, the burner, the chassis or the board's ground.
    """
    halves, per_ampere = [], []
    for flame_ohms in (furnace.forward_ohms, furnace.reverse_ohms):
        branches = [
            *ground_path(furnace),
            *rod_wire(furnace, lit=True),
            between("flame", "rod_blade", "burner", 1 / flame_ohms),
            between("meter", a, b, 1 / meter_ohms),
        ]
        network = Network(grounded(branches, "chassis"), {"board_rod_terminal": np.ones(())})
        transfer = port(network, b, "")[0] * -1 if a == "chassis" else port(network, a, "" if b == "chassis" else b)[0]
        ohms = port(network, "board_rod_terminal")[1]
        halves.append(Half(ohms, ohms / furnace.sense_ohms, np.zeros(())))
        per_ampere.append(transfer)
    return RodCircuit(rod_source(furnace), *halves).moments(*per_ampere)


def _parallel(a: Value, b: Value) -> Value:
    return 1 / (1 / a + 1 / b)
