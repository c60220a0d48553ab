"""Nodal analysis of many circuits of one shape at once.

A branch carries the current y·(w·v), where v are the node voltages and w its
weights: (+1 at one end, −1 at the other) for a plain admittance, more ends for
an ideal transformer or divider in series with the admittance. The current
leaves each node in proportion to its weight, so the branch takes no power but
what y takes, and the matrix Y = Σ y·w·wᵀ is symmetric (reciprocity).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

Rows = dict[str, dict[str, np.ndarray]]


@dataclass(frozen=True)
class Branch:
    """weights: node -> weight (number or (n,)). Nodes not named in the network are the reference. siemens: (n,)."""

    name: str
    weights: Mapping[str, float | np.ndarray]
    siemens: complex | np.ndarray


def between(name: str, a: str, b: str, siemens: complex | np.ndarray) -> Branch:
    """A plain admittance from node a to node b; b "" is the reference."""
    return Branch(name, {a: 1.0, b: -1.0} if b else {a: 1.0}, siemens)


def grounded(branches: Iterable[Branch], node: str) -> tuple[Branch, ...]:
    """The branches with `node` taken as the reference."""
    return tuple(
        Branch(one.name, {end: weight for end, weight in one.weights.items() if end != node}, one.siemens)
        for one in branches
    )


@dataclass(frozen=True)
class Network:
    """branches, and the current (A, rms) pushed into each node that has one."""

    branches: tuple[Branch, ...]
    pushed: Mapping[str, np.ndarray]

    @property
    def nodes(self) -> list[str]:
        return list(dict.fromkeys(node for branch in self.branches for node in branch.weights))


def rows_of(network: Network) -> Rows:
    """The symmetric admittance matrix by node name, structural zeros left out."""
    rows: Rows = {node: {} for node in network.nodes}
    for branch in network.branches:
        for a, wa in branch.weights.items():
            for b, wb in branch.weights.items():
                value = (wa * wb) * branch.siemens
                row = rows[a]
                row[b] = row[b] + value if b in row else np.asarray(value)
    return rows


Thevenin = tuple[np.ndarray, np.ndarray]
"""Open-circuit volts and the ohms behind them, each of shape (n,)."""


def ports(network: Network, pairs: Sequence[tuple[str, str]]) -> list[Thevenin]:
    """Thévenin's source between each pair of nodes; "" as the second is the reference.

    Nodes that no pair names are eliminated (Kron), the one with fewest
    neighbours first; what is left is inverted, once for all pairs.
    """
    touched = list(dict.fromkeys(node for pair in pairs for node in pair if node))
    rows, pushed = _reduced(network, touched)
    inverse = _inverse(rows, touched)
    volts = {
        node: sum((inverse[node, other] * amps for other, amps in pushed.items()), np.zeros(())) for node in touched
    }
    return [
        (volts[a] - volts[b], inverse[a, a] + inverse[b, b] - 2 * inverse[a, b]) if b else (volts[a], inverse[a, a])
        for a, b in pairs
    ]  # fmt: skip


def port(network: Network, a: str, b: str = "") -> Thevenin:
    """Thévenin's source between two nodes, or a node and the reference.

    Like `ports`, but the last two nodes are solved without an inverse: the ohms
    between neighbours keep all their digits beside a large common impedance.
    """
    rows, pushed = _reduced(network, (a, b))
    zero = np.zeros(())
    aa, ia = rows[a][a], pushed.get(a, zero)
    if not b:
        return ia / aa, 1 / aa
    bb, ab, ib = rows[b][b], rows[a].get(b, zero), pushed.get(b, zero)
    scale = 1 / (aa * bb - ab * ab)
    return (ia * (bb + ab) - ib * (aa + ab)) * scale, (aa + bb + 2 * ab) * scale


def _reduced(network: Network, keep: Sequence[str]) -> tuple[Rows, dict[str, np.ndarray]]:
    """Matrix and pushed currents with every node but `keep` eliminated."""
    rows, pushed = rows_of(network), dict(network.pushed)
    inner = [node for node in rows if node not in keep]
    while inner:
        node = min(inner, key=lambda one: len(rows[one]))
        inner.remove(node)
        _eliminate(rows, pushed, node)
    return rows, pushed


def _inverse(rows: Rows, nodes: list[str]) -> dict[tuple[str, str], np.ndarray]:
    """The inverse of the symmetric matrix over `nodes`, by the sweep operator."""
    zero = np.zeros(())
    order = {node: index for index, node in enumerate(nodes)}
    swept = {(a, b): rows[a].get(b, zero) for a in nodes for b in nodes if order[a] <= order[b]}

    def key(a: str, b: str) -> tuple[str, str]:
        return (a, b) if order[a] <= order[b] else (b, a)

    for pivot in nodes:
        inverse = 1 / swept[pivot, pivot]
        column = {node: swept[key(node, pivot)] for node in nodes if node != pivot}
        scaled = {node: value * inverse for node, value in column.items()}
        for a, b in swept:
            if pivot not in (a, b):
                swept[a, b] = swept[a, b] - column[a] * scaled[b]
        for node, value in scaled.items():
            swept[key(node, pivot)] = value
        swept[pivot, pivot] = -inverse
    return {(a, b): -swept[key(a, b)] for a in nodes for b in nodes}


def _eliminate(rows: Rows, pushed: dict[str, np.ndarray], node: str) -> None:
    row = rows.pop(node)
    pivot = row.pop(node)
    current = pushed.pop(node, None)
    others = list(row)
    for index, i in enumerate(others):
        del rows[i][node]
        share = row[i] / pivot
        if current is not None:
            moved = share * current
            pushed[i] = pushed[i] - moved if i in pushed else -moved
        for j in others[index:]:
            value = share * row[j]
            changed = rows[i][j] - value if j in rows[i] else -value
            rows[i][j] = changed
            rows[j][i] = changed
