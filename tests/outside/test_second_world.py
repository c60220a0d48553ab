"""The second furnace world against textbook circuit answers and against ngspice.

Outside sources: Kirchhoff's laws; the mean of a half-wave rectified sine (peak over pi); reflected impedance of an
ideal transformer; ngspice's transient analysis of the same netlists. This file prints no figure of a design kept for
judging."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.outside import second_world as world
from tests.outside.second_world import (
    agreement,
    fire,
    flame,
    nodal,
    periodic,
    plant,
    population,
    probes,
    spice,
)

PARTS = tuple(world.SPLIT)
DESIGNS = [(part, design) for part in PARTS for design in world.designs(part)]
each_design = pytest.mark.parametrize(
    ("part", "design"), DESIGNS, ids=[f"{part}-{k}" for k, (part, _) in enumerate(DESIGNS)]
)


def a_plant(design: object = DESIGNS[0][1], **values: object) -> plant.Plant:
    return plant.Plant(**(design.board | values))


def sound_plants(design: object, n: int, seed: int = 3) -> list[plant.Plant]:
    rng = np.random.default_rng(seed)
    return [population.sound_plant(design, world.Construction("separate"), True, rng) for _ in range(n)]


# ---- circuits


def test_a_meter_loads_a_high_source() -> None:
    net = nodal.Circuit()
    net.supply("source", "a", nodal.EARTH, 120.0)
    net.resistor("a", "b", 4.7e6)
    net.resistor("b", nodal.EARTH, 10e6)
    assert abs(net.solve(plant.OMEGA).volts("b")) == pytest.approx(120 * 10 / 14.7, rel=1e-4)


def test_a_capacitor_and_a_resistor_divide_by_their_impedances() -> None:
    net = nodal.Circuit()
    net.supply("source", "a", nodal.EARTH, 100.0)
    net.capacitor("a", "b", 1e-8)
    net.resistor("b", nodal.EARTH, 1e6)
    reactance = 1 / (2 * math.pi * 60 * 1e-8)
    assert abs(net.solve(plant.OMEGA).volts("b")) == pytest.approx(100 / math.hypot(1, reactance / 1e6), rel=1e-5)


def test_an_ideal_transformer_reflects_its_load_by_the_ratio_squared() -> None:
    net = nodal.Circuit()
    net.supply("source", "a", nodal.EARTH, 120.0)
    net.ammeter("in", "a", "p", 1.0)
    net.transformer("t", ("s", nodal.EARTH), ("p", nodal.EARTH), 0.2)
    net.resistor("s", nodal.EARTH, 40.0)
    found = net.solve(plant.OMEGA)
    assert found["in"].real == pytest.approx(120 / (1 + 40 / 0.2**2), rel=1e-6)
    assert found.volts("s").real == pytest.approx(0.2 * found.volts("p").real, rel=1e-9)


@each_design
def test_kirchhoff_s_current_law_at_the_rod_and_the_cabinet(part: str, design: object) -> None:
    net = plant.circuit(a_plant(design), lit=True)
    found = net.solve(plant.OMEGA)
    for node in ("w1", "x", "rod", "h", "fs"):
        leaving, size = 0j, 0.0
        for kind, *rest in net.parts:
            if kind in "rc" and node in rest[:2]:
                other = rest[1] if rest[0] == node else rest[0]
                admittance = 1 / rest[2] if kind == "r" else 1j * plant.OMEGA * rest[2]
                current = found.volts(node, other) * admittance
            elif kind == "a" and node in rest[1:3]:
                current = found[rest[0]] * (1 if rest[1] == node else -1)
            elif kind == "t" and node in rest[2]:
                current = -rest[3] * found[rest[0]] * (1 if rest[2][0] == node else -1)
            else:
                continue
            leaving, size = leaving + current, size + abs(current)
        assert size > 0
        assert abs(leaving) < 1e-9 * size + 1e-9, node  # the floor to earth takes 1 pS a node


# ---- the flame and the periodic solver


@given(volts=st.floats(-300, 300), forward=st.floats(1e6, 1e9), ratio=st.floats(1, 50))
def test_the_flame_s_slope_is_its_current_s_derivative(volts: float, forward: float, ratio: float) -> None:
    law, step = flame.FlameLaw(forward, forward * ratio, 250.0), 1e-3
    rise = law.current(np.array([volts + step, volts - step]))
    assert law.slope(np.array(volts)) == pytest.approx((rise[0] - rise[1]) / 2 / step, rel=1e-3, abs=2 * step / forward)


def loop(source_ohms: float) -> nodal.Circuit:
    net = nodal.Circuit()
    net.supply("source", "a", nodal.EARTH, 120.0)
    net.ammeter("m", "a", "rod", source_ohms)
    net.resistor("burner", nodal.EARTH, 0.1)
    return net


def test_a_one_way_flame_passes_the_mean_of_a_half_wave() -> None:
    law = flame.FlameLaw(10e6, 1e15, 1e6)
    found = periodic.steady_state(loop(5e6), "rod", "burner", law, plant.OMEGA)
    assert found.flame == pytest.approx(120 * math.sqrt(2) / math.pi / 15e6, rel=0.01)
    assert found.mean["m"] == pytest.approx(found.flame, rel=1e-4)


def test_a_flame_alike_both_ways_is_a_resistor_without_direct_current() -> None:
    found = periodic.steady_state(loop(5e6), "rod", "burner", flame.FlameLaw(10e6, 10e6, 1e6), plant.OMEGA)
    assert abs(found.flame) < 1e-12
    # the rounding at zero volts takes half a volt off the rectified wave
    assert abs(found.swing["m"]) == pytest.approx(120 / 15e6, rel=0.02)


def test_a_blocking_capacitor_alone_lets_no_direct_current_through() -> None:
    net = nodal.Circuit()
    net.supply("source", "a", nodal.EARTH, 120.0)
    net.capacitor("a", "rod", 1e-8)
    net.ammeter("m", "rod", nodal.EARTH, 1e10)
    found = periodic.steady_state(net, "rod", nodal.EARTH, flame.FlameLaw(8e6, 1e8, 250.0), plant.OMEGA)
    assert abs(found.flame) < 0.03e-6
    assert found.mean.volts("rod") < -50  # the flame charges the capacitor instead


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the ngspice program is not installed")
def test_the_fast_solver_agrees_with_ngspice() -> None:
    """One per cent and 5 nA. `agreement.py` does the same for hundreds."""
    boards = [design for _, design in DESIGNS]
    plants = [
        a_plant(boards[0]),
        a_plant(boards[3], r_insulator=2e6),
        a_plant(boards[2], r_coat=2e7, reversed=True),
    ]
    rows = agreement.both(plants, seconds=1.5)
    assert np.all(np.abs(rows[:, 1]) > 2e-7)
    np.testing.assert_allclose(rows[:, 0], rows[:, 1], rtol=0.01, atol=5e-9)
    np.testing.assert_allclose(rows[:, 2], rows[:, 3], rtol=0.01, atol=1e-3)


def test_the_netlist_holds_every_part_once() -> None:
    case = agreement.lit_case(a_plant())
    lines = spice.lines(case, "q_", 60.0)
    names = [line.split()[0] for line in lines]
    assert len(names) == len(set(names))
    assert sum(name.startswith("cq_") for name in names) == sum(part[0] == "c" for part in case.circuit.parts)


# ---- boards and their sheets


def test_the_split_is_two_halves_without_overlap() -> None:
    tune, test = (set(world.SPLIT[part]) for part in PARTS)
    assert not tune & test
    assert len(tune) == len(test) >= 3
    with pytest.raises(ValueError, match="tune"):
        world.designs("all")


@each_design
def test_sound_furnaces_meet_the_printed_sheet(part: str, design: object) -> None:
    sheet, plants = design.sheet, sound_plants(design, 30)
    currents = [fire.burn(p).amperes for p in plants]
    inside = sum(sheet.healthy[0] <= current <= sheet.healthy[1] for current in currents)
    assert inside >= 27
    for p in plants:
        assert probes.volts(p, "rod_to_ground") == pytest.approx(sheet.rod_volts, rel=sheet.rod_tolerance)
        assert fire.threshold_current(p) < sheet.minimum < sheet.healthy[0]
        assert probes.volts(p, "secondary_r_c") == pytest.approx(sheet.secondary_volts, rel=0.1)
        assert fire.proves(p)


@each_design
def test_the_board_drops_the_flame_near_its_threshold(part: str, design: object) -> None:
    p = a_plant(design)
    weaker = replace(p, flame_scale=40.0)
    assert fire.burn(weaker).amperes < fire.threshold_current(p)
    assert not fire.proves(weaker)
    scales = np.linspace(1, 40, 40)
    currents = [fire.burn(replace(p, flame_scale=scale)).amperes for scale in scales]
    assert currents == sorted(currents, reverse=True)
    last_proved = min(c for c, s in zip(currents, scales, strict=True) if fire.proves(replace(p, flame_scale=s)))
    assert fire.threshold_current(p) * 0.98 <= last_proved < design.sheet.minimum
