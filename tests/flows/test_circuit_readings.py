"""What a meter shows on healthy and broken furnaces."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.circuit import OPEN, POINTS, Furnace, nominal, ohms, read, read_many, spread, table, volts
from flows.circuit.nominal import spreads
from flows.circuit.probes import CircuitProbe
from flows.errors import CalculationError, FlowError
from flows.judge.profiles import equipment, meter, names

LARKSPUR = nominal(equipment("larkspur"))
ROD = equipment("larkspur").limit("rod_nominal").value
FAMILIES = names("equipment")

AGREED = {
    "supply_hot_neutral", "supply_hot_ground", "supply_neutral_ground", "secondary_r_c", "line_to_r", "rod_to_ground",
    "dead_hot_neutral", "dead_hot_ground", "leads_together", "ground_path", "flame_current", "board_proves_flame",
}  # fmt: skip


def with_fault(**changes: float) -> Furnace:
    return replace(LARKSPUR, **changes)


def shown(key: str, **changes: float) -> float:
    return float(read(with_fault(**changes), key))


def test_the_guided_readings_are_the_agreed_ones() -> None:
    assert {key for key, probe in table().items() if probe.guided} == AGREED


@pytest.mark.parametrize("family", FAMILIES)
def test_a_healthy_furnace_reads_as_its_profile_says(family: str) -> None:
    profile, f = equipment(family), nominal(equipment(family))
    assert float(read(f, "rod_to_ground")) == pytest.approx(profile.limit("rod_nominal").value, rel=1e-6)
    assert float(read(f, "flame_current")) == pytest.approx(profile.circuit.flame_current, rel=1e-6)
    assert profile.circuit.flame_current > profile.limit("flame_sound").value
    supply = float(read(f, "supply_hot_neutral"))
    assert profile.limit("supply_good_low").value < supply < profile.limit("supply_good_high").value
    assert float(read(f, "secondary_r_c")) == pytest.approx(supply / profile.turns_ratio, rel=1e-6)
    assert float(read(f, "supply_neutral_ground")) < profile.limit("neutral_to_ground").value
    assert float(read(f, "ground_path")) <= profile.limit("ground_path_good").value
    assert float(read(f, "leads_together")) < profile.limit("lead_zero_max").value
    assert float(read(f, "dead_hot_neutral")) < profile.limit("dead_volts").value
    assert bool(read(f, "board_proves_flame"))


def test_line_to_r_in_phase_and_not() -> None:
    # Common practice: 121 V supply with a 28 V secondary reads about 93 V line to R in phase, about 149 V when not.
    trade = nominal(equipment("larkspur").model_copy(update={"turns_ratio": 121 / 28}))
    supply = 121.3

    def shown(key: str, **changes: float) -> float:
        return float(read(replace(trade, **changes), key))

    assert shown("supply_hot_neutral", supply_volts=supply) == pytest.approx(121.0, abs=0.1)
    assert shown("secondary_r_c", supply_volts=supply) == pytest.approx(28.0, abs=0.1)
    assert shown("line_to_r", supply_volts=supply) == pytest.approx(93.0, abs=0.5)
    assert shown("line_to_r", supply_volts=supply, orientation=-1.0) == pytest.approx(149.0, abs=0.5)


@settings(deadline=None)
@given(st.floats(80, 140), st.floats(2, 12), st.sampled_from([1.0, -1.0]), st.floats(0.5, 40))
def test_line_to_r_by_the_law_of_cosines(supply: float, turns: float, orientation: float, winding: float) -> None:
    # c² = a² + b² − 2ab·cos γ, with γ the angle between line and secondary: 0° or 180° for a transformer without
    # leakage reactance.
    f = with_fault(supply_volts=supply, turns=turns, orientation=orientation, winding_ohms=winding)
    line, secondary = float(volts(f, "hot", "common")), float(volts(f, "r", "common"))
    angle = 0.0 if orientation > 0 else math.pi
    expected = math.sqrt(line**2 + secondary**2 - 2 * line * secondary * math.cos(angle))
    assert float(volts(f, "hot", "r")) == pytest.approx(expected, rel=1e-4)


def test_reversed_polarity_shows_at_the_furnace_and_at_the_rod() -> None:
    assert shown("supply_hot_neutral", swapped=1.0) == pytest.approx(shown("supply_hot_neutral"), rel=1e-3)
    assert shown("supply_hot_ground", swapped=1.0) < 1
    assert shown("supply_neutral_ground", swapped=1.0) > 110
    assert shown("rod_to_ground", swapped=1.0) < equipment("larkspur").limit("rod_low").value / 4
    assert not shown("board_proves_flame", swapped=1.0)


def test_the_switch_leaves_a_reversed_furnace_live() -> None:
    assert shown("dead_hot_neutral", swapped=1.0) < 1
    assert shown("dead_hot_ground", swapped=1.0) > 110
    assert shown("dead_hot_ground") < 0.01


def test_an_open_ground_floats_between_hot_and_neutral() -> None:
    hot, neutral = shown("supply_hot_ground", ground_ohms=OPEN), shown("supply_neutral_ground", ground_ohms=OPEN)
    assert 30 < hot < 90
    assert 30 < neutral < 90
    assert shown("flame_current", ground_ohms=OPEN) < 0.7 * shown("flame_current")


def test_a_bootleg_ground_hides_from_the_supply_readings_and_shows_as_no_neutral_to_ground_volts() -> None:
    bootleg = {"ground_ohms": OPEN, "bootleg_ohms": 0.05}
    assert shown("supply_hot_ground", **bootleg) == pytest.approx(shown("supply_hot_neutral", **bootleg), rel=1e-3)
    assert shown("supply_neutral_ground", **bootleg) < 0.01 < shown("supply_neutral_ground")


def test_a_reversed_bootleg_ground_makes_the_cabinet_live_and_only_a_known_earth_tells() -> None:
    trap = {"ground_ohms": OPEN, "bootleg_ohms": 0.05, "swapped": 1.0}
    for key in ("supply_hot_neutral", "supply_hot_ground", "line_to_r", "rod_to_ground", "flame_current"):
        assert shown(key, **trap) == pytest.approx(shown(key), rel=0.02)
    assert shown("chassis_to_earth", **trap) > 110
    assert shown("chassis_to_earth") < 0.1


def test_a_poor_neutral_takes_volts_from_the_supply_and_gives_them_to_the_ground_reading() -> None:
    assert shown("supply_neutral_ground", neutral_ohms=10.0) == pytest.approx(
        shown("supply_hot_ground", neutral_ohms=10.0) - shown("supply_hot_neutral", neutral_ohms=10.0), rel=1e-3
    )
    assert shown("supply_neutral_ground", neutral_ohms=10.0) > 3


def test_a_floating_common_shows_no_firm_volts_to_ground() -> None:
    assert shown("secondary_r_c", common_ground_ohms=OPEN) == pytest.approx(shown("secondary_r_c"), rel=1e-3)
    assert shown("common_to_chassis", common_ground_ohms=OPEN) == math.inf
    assert abs(shown("line_to_r", common_ground_ohms=OPEN) - shown("line_to_r")) > 3


def test_resistance_between_board_and_rod_shows_as_low_rod_volts_beyond_it() -> None:
    # Common practice: low rod voltage -> resistance between board and rod, such as a connector.
    assert shown("board_rod_terminal", connector_ohms=6e6) == pytest.approx(ROD, rel=0.01)
    assert shown("rod_to_ground", connector_ohms=6e6) < equipment("larkspur").limit("rod_low").value
    assert shown("flame_current", connector_ohms=6e6) < shown("flame_current")


def test_right_rod_volts_and_low_current_is_ground_path_or_board() -> None:
    # Common practice.
    assert shown("rod_to_ground", board_chassis_ohms=OPEN) == pytest.approx(ROD, rel=0.03)
    assert shown("flame_current", board_chassis_ohms=OPEN) < 0.1e-6


def test_right_current_and_no_proof_is_the_board() -> None:
    # Common practice.
    assert shown("flame_current", sense_broken=1.0) == pytest.approx(equipment("larkspur").circuit.flame_current)
    assert not shown("board_proves_flame", sense_broken=1.0)


def test_rod_faults_hide_while_the_wire_is_off_the_rod() -> None:
    for changes in ({"insulator_ohms": 1.0}, {"rod_ohms": OPEN}, {"coating_ohms": 2e7}):
        assert shown("rod_to_ground", **changes) == pytest.approx(ROD, rel=1e-3)
    assert shown("rod_plugged_to_ground", insulator_ohms=1.0) < 0.01
    assert shown("rod_insulation", insulator_ohms=1.0) == pytest.approx(1.0, abs=0.5)
    assert shown("rod_through", rod_ohms=OPEN) == math.inf
    assert shown("rod_surface", coating_ohms=2e7, coat_to_tips=1.0) == pytest.approx(2e7)


def test_meter_faults() -> None:
    assert shown("leads_together", lead_open=1.0) == math.inf
    assert shown("supply_hot_neutral", lead_open=1.0) < 1
    assert shown("ground_path", lead_open=1.0) == math.inf
    assert shown("flame_current", fuse_blown=1.0) == 0
    assert shown("supply_hot_neutral", fuse_blown=1.0) == shown("supply_hot_neutral")
    assert shown("supply_hot_neutral", wrong_function=1.0) == 0
    assert shown("ground_path", lead_ohms=4.0) == pytest.approx(shown("ground_path") + 3.8)
    # On AC microamps the whole alternating current shows: more than the direct part.
    assert shown("flame_current", wrong_function=1.0) > 1.2 * shown("flame_current")


def test_a_meter_with_less_input_resistance_pulls_the_rod_down_and_not_the_supply() -> None:
    assert shown("rod_to_ground", input_ohms=1e6) < 0.7 * shown("rod_to_ground")
    assert shown("supply_hot_neutral", input_ohms=1e6) == pytest.approx(shown("supply_hot_neutral"), rel=1e-4)


@settings(deadline=None)
@given(st.sampled_from(POINTS), st.sampled_from(POINTS))
def test_leads_may_change_places(a: str, b: str) -> None:
    if a == b:
        return
    assert float(volts(LARKSPUR, a, b)) == pytest.approx(float(volts(LARKSPUR, b, a)), abs=1e-9)
    assert float(ohms(LARKSPUR, a, b)) == pytest.approx(float(ohms(LARKSPUR, b, a)))


def test_lit_volts_may_change_places_and_refuse_what_is_not_modelled() -> None:
    f = with_fault(connector_ohms=3e6)
    for a, b in (
        ("rod_wire_end", "burner"),
        ("connector_in", "chassis"),
        ("rod", "board_ground"),
        ("connector_in", "connector_out"),
    ):
        assert float(volts(f, a, b, lit=True)) == pytest.approx(float(volts(f, b, a, lit=True)))
    with pytest.raises(CalculationError, match=r"no reading from 'hot' to 'rod'.*burner"):
        volts(LARKSPUR, "hot", "rod", lit=True)


def test_many_furnaces_read_as_each_of_them() -> None:
    many = spread(LARKSPUR, np.random.default_rng(3), 5000)
    picked = (0, 2047, 2048, 4999)
    together = read_many(many, list(table()))
    for key in table():
        whole = read(many, key)
        assert whole.shape == (5000,)
        assert together[key] == pytest.approx(whole, rel=1e-6, abs=1e-9)
        for index in picked:
            alone = Furnace(
                **{
                    one.name: value[index] if np.ndim(value := getattr(many, one.name)) else value
                    for one in fields(many)
                }
            )
            assert np.allclose(read(alone, key), whole[index], rtol=1e-9, atol=1e-12), key


def test_nothing_is_ever_nan() -> None:
    broken = spread(LARKSPUR, np.random.default_rng(4), 400)
    rng = np.random.default_rng(5)
    path = [
        one.name
        for one in fields(Furnace)
        if one.name.endswith("_ohms")
        and one.name
        not in (
            "input_ohms",
            "source_ohms",
            "load_ohms",
            "winding_ohms",
            "rod_source_ohms",
            "primary_ohms",
        )
    ]
    changes = {
        name: np.where(rng.random(400) < 0.15, np.where(rng.random(400) < 0.5, OPEN, 1e-3), getattr(broken, name))
        for name in path
    }
    broken = replace(broken, swapped=(rng.random(400) < 0.3).astype(float), **changes)
    for key, reading in read_many(broken, list(table())).items():
        assert not np.any(np.isnan(reading)), key


def test_spread_keeps_breaks_and_flags_and_the_mean() -> None:
    many = spread(with_fault(connector_ohms=OPEN, swapped=1.0), np.random.default_rng(6), 20_000)
    assert np.all(many.connector_ohms == OPEN)
    assert many.swapped == 1.0
    for name, one in spreads().items():
        values = getattr(many, name)
        if name not in ("connector_ohms", "reverse_ohms"):
            centre = getattr(LARKSPUR, name)
            assert np.mean(values) == pytest.approx(centre, rel=6 * one.relative / math.sqrt(20_000) + 1e-3), name
            assert np.all(np.asarray(values) >= 0)


def test_the_same_seed_draws_the_same_furnaces() -> None:
    first, second = (spread(LARKSPUR, np.random.default_rng(7), 10) for _ in range(2))
    assert np.array_equal(first.forward_ohms, second.forward_ohms)


@pytest.mark.parametrize("family", FAMILIES)
def test_nearly_all_healthy_furnaces_pass_their_own_limits(family: str) -> None:
    profile = equipment(family)
    many = read_many(spread(nominal(profile), np.random.default_rng(8), 4000), sorted(AGREED))
    limit = {key: one.value for key, one in profile.limits.items()}
    sound = {
        "rod_to_ground": (many["rod_to_ground"] > limit["rod_low"]) & (many["rod_to_ground"] < limit["rod_high"]),
        "flame_current": many["flame_current"] > limit["flame_sound"],
        "ground_path": many["ground_path"] < limit["ground_path_look"],
        "supply_neutral_ground": many["supply_neutral_ground"] < limit["neutral_to_ground"],
        "secondary": (
            np.abs(many["secondary_r_c"] * profile.turns_ratio / many["supply_hot_neutral"] - 1)
            < limit["secondary_share"]
        ),
        "board": many["board_proves_flame"],
    }
    for key, share in sound.items():
        assert np.mean(share) > 0.99, key


def test_the_meter_s_own_figures_are_used() -> None:
    with_pocket = nominal(equipment("larkspur"), meter("pocket"))
    assert with_pocket.input_ohms == meter("pocket").function("ac_volts").input_ohms
    assert with_pocket.burden_ohms == meter("pocket").function("dc_amps").ranges[0].burden


def test_words_for_what_is_wrong() -> None:
    with pytest.raises(CalculationError, match=r"no test point 'attic'.*Choose from: hot"):
        volts(LARKSPUR, "attic", "hot")
    with pytest.raises(CalculationError, match="Both leads are on 'hot'"):
        ohms(LARKSPUR, "hot", "hot")
    with pytest.raises(CalculationError, match="no reading called 'guess'"):
        read(LARKSPUR, "guess")
    with pytest.raises(FlowError, match="no 'circuit' section"):
        nominal(equipment("larkspur").model_copy(update={"circuit": None, "id": "bare"}))
    with pytest.raises(CalculationError, match="'connector_ohms' of a furnace must be above 0"):
        with_fault(connector_ohms=0.0)
    with pytest.raises(CalculationError, match="'coating_ohms' of a furnace must be above 0"):
        replace(LARKSPUR, coating_ohms=np.array([1.0, np.nan]))
    greedy = equipment("larkspur").circuit.model_copy(update={"flame_current": 1.0})
    with pytest.raises(CalculationError, match="cannot be had from this rod voltage"):
        nominal(equipment("larkspur").model_copy(update={"circuit": greedy}))


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        ({"function": "ohms", "points": ("burner", "chassis"), "power": "on"}, "power off"),
        ({"function": "ac_volts", "points": ("burner", "attic"), "power": "on"}, "no point 'attic'"),
        ({"function": "ac_volts", "power": "on"}, "belong to"),
        ({"function": "dc_amps", "power": "off", "lit": True}, "needs the power on"),
    ],
)
def test_a_probe_that_cannot_be_is_refused(entry: dict, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        CircuitProbe.model_validate(entry)


def test_no_resistance_reading_is_taken_live() -> None:
    assert all(probe.power == "off" for probe in table().values() if probe.function == "ohms")
