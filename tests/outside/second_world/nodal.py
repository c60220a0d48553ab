"""Linear circuits by modified nodal analysis: resistors, capacitors, ideal transformers, controlled sources, ammeters.

Part of the second furnace world; nothing here knows of the product. Any one may read it. The method is the textbook one
(Ho, Ruehli and Brennan, "The modified nodal approach to network analysis", 1975): one row a node by Kirchhoff's
current law, one row more a branch whose current is an unknown of its own. Units: volts and amperes (RMS for sources),
ohms, farads. Node "earth" is the reference. Two rooms keep one circuit's matrices apart: what does not depend on
frequency, and what does."""

from __future__ import annotations

import numpy as np

EARTH = "earth"
FLOOR = 1e-12  # siemens from each node to earth, so that a node cut off by open joints still has a potential
OPEN = 2e10  # ohms: an air gap
SMALLEST = 0.005  # ohms: no joint is better; keeps the matrices well conditioned


class Circuit:
    """A circuit under construction. Node names are made on first use; `size` bounds nodes and branches together."""

    def __init__(self, size: int = 48) -> None:
        self.conductance = np.zeros((size, size))
        self.capacitance = np.zeros((size, size))
        self.source = np.zeros(size)
        self.index: dict[str, int] = {EARTH: 0}
        self.parts: list[tuple] = []  # what was put in, for the netlist writer and for Kirchhoff checks

    def node(self, name: str) -> int:
        """The row of a node, made when new."""
        known = self.index.get(name)
        if known is None:
            known = self.index[name] = len(self.index)
            self.conductance[known, known] = FLOOR
        return known

    def _branch(self, name: str) -> int:
        known = self.index[name] = len(self.index)
        return known

    def _stamp(self, matrix: np.ndarray, a: str, b: str, value: float) -> None:
        i, j = self.node(a), self.node(b)
        matrix[i, i] += value
        matrix[j, j] += value
        matrix[i, j] -= value
        matrix[j, i] -= value

    def resistor(self, a: str, b: str, ohms: float) -> None:
        """A resistor; values are kept between SMALLEST and OPEN."""
        ohms = min(max(ohms, SMALLEST), OPEN)
        self.parts.append(("r", a, b, ohms))
        self._stamp(self.conductance, a, b, 1.0 / ohms)

    def capacitor(self, a: str, b: str, farads: float) -> None:
        """A capacitor; zero leaves it out."""
        if farads > 0:
            self.parts.append(("c", a, b, farads))
            self._stamp(self.capacitance, a, b, farads)

    def _voltage_row(self, name: str, a: str, b: str) -> int:
        row, i, j = self._branch(name), self.node(a), self.node(b)
        self.conductance[i, row] += 1
        self.conductance[j, row] -= 1
        self.conductance[row, i] += 1
        self.conductance[row, j] -= 1
        return row

    def supply(self, name: str, a: str, b: str, volts: float) -> None:
        """An ideal alternating source, `volts` RMS at the fundamental, a above b."""
        self.node(a), self.node(b)
        self.parts.append(("v", name, a, b, volts))
        self.source[self._voltage_row(name, a, b)] = volts

    def ammeter(self, name: str, a: str, b: str, ohms: float) -> None:
        """A resistor whose current, a to b, is an unknown of its own (a microampere does not drown in rounding)."""
        ohms = min(max(ohms, SMALLEST), OPEN)
        self.node(a), self.node(b)
        self.parts.append(("a", name, a, b, ohms))
        row = self._voltage_row(name, a, b)
        self.conductance[row, row] -= ohms

    def follower(self, name: str, a: str, b: str, over: tuple[str, str], gain: float) -> None:
        """A winding that loads nothing: V(a) - V(b) = gain * (V(over[0]) - V(over[1]))."""
        for node in (a, b, *over):
            self.node(node)
        self.parts.append(("e", name, a, b, over, gain))
        row = self._voltage_row(name, a, b)
        self.conductance[row, self.node(over[0])] -= gain
        self.conductance[row, self.node(over[1])] += gain

    def transformer(self, name: str, secondary: tuple[str, str], primary: tuple[str, str], ratio: float) -> None:
        """An ideal transformer: secondary volts = ratio * primary volts, primary amperes = ratio * secondary
        amperes."""
        for node in (*secondary, *primary):
            self.node(node)
        self.parts.append(("t", name, secondary, primary, ratio))
        row = self._voltage_row(name, *secondary)
        i, j = self.node(primary[0]), self.node(primary[1])
        self.conductance[row, i] -= ratio
        self.conductance[row, j] += ratio
        self.conductance[i, row] -= ratio
        self.conductance[j, row] += ratio

    def matrices(self, omegas: np.ndarray) -> np.ndarray:
        """The system matrices without the earth row, shape (len(omegas), n, n), complex."""
        n = len(self.index)
        still, moving = self.conductance[1:n, 1:n], self.capacitance[1:n, 1:n]
        return still[None] + 1j * np.asarray(omegas, float)[:, None, None] * moving[None]

    def right_side(self) -> np.ndarray:
        """The sources, shape (n,)."""
        return self.source[1 : len(self.index)]

    def solve(self, omega: float) -> Solution:
        """The phasors (RMS) with the sources at angular frequency `omega`."""
        found = np.linalg.solve(self.matrices(np.array([omega]))[0], self.right_side())
        return Solution(self.index, found)

    def resistance(self, a: str, b: str) -> float:
        """What an ideal ohmmeter reads between two nodes, sources at rest (they count as shorts), in ohms."""
        n = len(self.index)
        push = np.zeros(n)
        push[self.node(a)] += 1
        push[self.node(b)] -= 1
        found = np.linalg.solve(self.conductance[1:n, 1:n], push[1:])
        solution = Solution(self.index, found)
        return float(np.real(solution.volts(a, b)))


class Solution:
    """Node potentials and branch currents by name."""

    def __init__(self, index: dict[str, int], found: np.ndarray) -> None:
        self._index, self._found = index, found

    def __getitem__(self, name: str) -> complex:
        row = self._index[name]
        return self._found[row - 1] if row else 0.0

    def volts(self, a: str, b: str = EARTH) -> complex:
        """The potential of a above b."""
        return self[a] - self[b]
