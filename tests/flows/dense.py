"""The same networks solved whole by np.linalg: what the product's elimination is held against."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from flows.circuit.nodal import Branch, Network, rows_of


def dense(network: Network, n: int) -> tuple[list[str], NDArray, NDArray]:
    """Nodes, Y of shape (n, k, k) and pushed currents of shape (n, k), both complex."""
    rows, nodes = rows_of(network), network.nodes
    matrix = np.zeros((n, len(nodes), len(nodes)), complex)
    pushed = np.zeros((n, len(nodes)), complex)
    for i, a in enumerate(nodes):
        for j, b in enumerate(nodes):
            if b in rows[a]:
                matrix[:, i, j] = rows[a][b]
        if a in network.pushed:
            pushed[:, i] = network.pushed[a]
    return nodes, matrix, pushed


def node_volts(network: Network, n: int) -> dict[str, NDArray]:
    """Every node's complex volts against the reference, each of shape (n,)."""
    nodes, matrix, pushed = dense(network, n)
    volts = np.linalg.solve(matrix, pushed[..., None])[..., 0]
    return {node: volts[:, index] for index, node in enumerate(nodes)}


def branch_amps(branch: Branch, volts: Mapping[str, NDArray]) -> NDArray:
    """Current of the branch, positive out of nodes of positive weight."""
    return branch.siemens * sum(weight * volts[node] for node, weight in branch.weights.items())
