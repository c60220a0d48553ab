"""The nodal solver obeys Ohm, Kirchhoff, Tellegen, reciprocity and Rayleigh, on networks that hypothesis draws."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.circuit import OPEN, nominal, spread
from flows.circuit.network import dead, live
from flows.circuit.nodal import Branch, Network, between, port, ports
from flows.judge.profiles import equipment
from tests.flows.dense import branch_amps, dense, node_volts

ohm = st.floats(0.1, 1e6)
NODES = ("a", "b", "c", "d", "e")


@st.composite
def networks(draw: st.DrawFn, reactive: bool = True) -> Network:
    """Five nodes in a chain to the reference, more branches at will, an ideal transformer among them, currents pushed
    in."""

    def value() -> complex:
        resistance = draw(ohm)
        reactance = draw(st.floats(-1e5, 1e5)) if reactive else 0.0
        return 1 / complex(resistance, reactance)

    branches = [between(f"chain {a}", a, b, value()) for a, b in itertools.pairwise((*NODES, ""))]
    for a, b in draw(st.lists(st.sampled_from(list(itertools.combinations((*NODES, ""), 2))), max_size=8)):
        branches.append(between(f"{a}-{b}", a, b, value()))
    ratio = draw(st.floats(0.1, 10))
    branches.append(Branch("transformer", {"a": 1.0, "b": -1.0, "c": -ratio, "d": ratio}, value()))
    pushed = {node: np.asarray(draw(st.floats(-2, 2))) for node in draw(st.sets(st.sampled_from(NODES), min_size=1))}
    return Network(tuple(branches), pushed)


@settings(deadline=None)
@given(ohm, ohm)
def test_ohm_and_a_divider(upper: float, lower: float) -> None:
    # 10 V behind `upper`, as a current source: the textbook divider.
    net = Network(
        (between("upper", "x", "", 1 / upper), between("lower", "x", "", 1 / lower)), {"x": np.asarray(10 / upper)}
    )
    volts, ohms = port(net, "x")
    assert volts == pytest.approx(10 * lower / (upper + lower), rel=1e-9)
    assert ohms == pytest.approx(upper * lower / (upper + lower), rel=1e-9)


@settings(deadline=None)
@given(st.lists(ohm, min_size=1, max_size=6))
def test_series_adds_resistance_and_parallel_adds_conductance(values: list[float]) -> None:
    chain = [f"n{i}" for i in range(len(values))] + [""]
    series = Network(tuple(between(str(i), chain[i], chain[i + 1], 1 / r) for i, r in enumerate(values)), {})
    assert port(series, "n0")[1] == pytest.approx(sum(values), rel=1e-6)
    together = Network(tuple(between(str(i), "n", "", 1 / r) for i, r in enumerate(values)), {})
    assert 1 / port(together, "n")[1] == pytest.approx(sum(1 / r for r in values), rel=1e-9)


def test_wheatstone_bridge() -> None:
    # A balanced bridge has no voltage across its arm, whatever the arm is; textbook.
    arms = (
        between("1", "top", "left", 1 / 100),
        between("2", "top", "right", 1 / 200),
        between("3", "left", "", 1 / 50),
        between("4", "right", "", 1 / 100),
        between("arm", "left", "right", 1 / 77),
    )
    volts, _ = port(Network(arms, {"top": np.asarray(1.0)}), "left", "right")
    assert volts == pytest.approx(0.0, abs=1e-12)


def test_delta_and_star_look_the_same_from_outside() -> None:
    # Kennelly: a delta of 30, 60, 90 Ω is the star 10, 15, 30 Ω.
    delta = Network(
        (between("ab", "a", "b", 1 / 30), between("bc", "b", "", 1 / 90), between("ac", "a", "", 1 / 60)), {}
    )
    star = Network((between("a", "a", "m", 1 / 10), between("b", "b", "m", 1 / 15), between("c", "m", "", 1 / 30)), {})
    for pair in (("a", "b"), ("a", ""), ("b", "")):
        assert port(delta, *pair)[1] == pytest.approx(port(star, *pair)[1])


@settings(deadline=None)
@given(networks())
def test_currents_at_every_node_sum_to_zero(net: Network) -> None:
    volts = node_volts(net, 1)
    # A solver's own measure: sixteen digits of the largest admittance times the largest voltage.
    largest = np.abs(dense(net, 1)[1]).max() * max(abs(one[0]) for one in volts.values())
    for node in net.nodes:
        out = sum(
            branch.weights[node] * branch_amps(branch, volts)[0] for branch in net.branches if node in branch.weights
        )
        assert abs(out - net.pushed.get(node, 0.0)) <= 1e-13 * largest + 1e-12


@settings(deadline=None)
@given(networks())
def test_power_given_is_power_taken(net: Network) -> None:
    volts = node_volts(net, 1)
    given_power = sum(volts[node][0] * np.conj(amps) for node, amps in net.pushed.items())
    taken = sum(abs(branch_amps(branch, volts)[0]) ** 2 / branch.siemens for branch in net.branches)
    assert given_power == pytest.approx(taken, rel=1e-6, abs=1e-9)


@settings(deadline=None)
@given(networks(), st.sampled_from(list(itertools.permutations(NODES, 2))))
def test_elimination_agrees_with_a_dense_solve(net: Network, pair: tuple[str, str]) -> None:
    nodes, matrix, pushed = dense(net, 1)
    inverse = np.linalg.inv(matrix[0])
    lead = np.array([(node == pair[0]) - (node == pair[1]) for node in nodes], float)
    # Two ways of solving differ by the rounding times the condition of the matrix, as a part of the largest answer to
    # 1 A (Higham, Accuracy and Stability of Numerical Algorithms, 7.1); 8 stands for the handful of operations on a
    # number. A search for the worst network of this kind came to 0.8.
    ohms_off = 8 * np.finfo(float).eps * np.linalg.cond(matrix[0]) * np.abs(inverse).max()
    # Below the smallest normal number there is less to a number than eps says.
    volts_off = ohms_off * np.abs(pushed[0]).sum() + np.finfo(float).tiny
    for volts, ohms in (port(net, *pair), ports(net, [pair, ("a", ""), ("c", "e")])[0]):
        assert abs(volts - lead @ inverse @ pushed[0]) <= volts_off
        assert abs(ohms - lead @ inverse @ lead) <= ohms_off


@settings(deadline=None)
@given(networks())
def test_source_and_meter_may_change_places(net: Network) -> None:
    # Reciprocity: 1 A into a gives at e what 1 A into e gives at a.
    at_e, _ = port(Network(net.branches, {"a": np.ones(())}), "e")
    at_a, _ = port(Network(net.branches, {"e": np.ones(())}), "a")
    assert at_e == pytest.approx(at_a, rel=1e-6, abs=1e-6)


@settings(deadline=None)
@given(networks(), networks())
def test_causes_add_up(net: Network, other: Network) -> None:
    together = {node: net.pushed.get(node, 0.0) + other.pushed.get(node, 0.0) for node in NODES}
    both = port(Network(net.branches, together), "b")[0]
    apart = port(net, "b")[0] + port(Network(net.branches, other.pushed), "b")[0]
    assert both == pytest.approx(apart, rel=1e-6, abs=1e-6)


@settings(deadline=None)
@given(networks(reactive=False), st.integers(0, 100), st.floats(1.01, 1e3))
def test_more_resistance_anywhere_never_means_less_at_the_terminals(net: Network, which: int, more: float) -> None:
    # Rayleigh's monotonicity law.
    index = which % len(net.branches)
    raised = tuple(
        Branch(one.name, one.weights, one.siemens / more) if i == index else one for i, one in enumerate(net.branches)
    )
    before, after = (np.real(port(Network(branches, {}), "a", "d")[1]) for branches in (net.branches, raised))
    assert after >= before * (1 - 1e-6)


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 10_000),
    st.sampled_from(["none", "swapped", "ground_ohms", "common_ground_ohms", "bond_ohms", "board_chassis_ohms"]),
)
def test_a_furnace_s_own_network_holds_kirchhoff(seed: int, fault: str) -> None:
    f = spread(nominal(equipment("larkspur")), np.random.default_rng(seed), 3)
    if fault != "none":
        f = replace(f, **{fault: 1.0 if fault == "swapped" else OPEN})
    for net in (live(f), live(f, powered=False), live(f, lit=True, plugged=False)):
        volts = node_volts(net, 3)
        for node in net.nodes:
            out = [
                branch.weights[node] * branch_amps(branch, volts) for branch in net.branches if node in branch.weights
            ]
            assert np.all(np.abs(sum(out) - net.pushed.get(node, 0.0)) < 1e-9 * (np.max(np.abs(out)) + 1))
    assert np.all(np.real(port(dead(f), "burner", "hot")[1]) > 0)
