"""The second furnace world's furnaces: the signatures that any textbook gives, the population, the meter and the hands.

Outside sources: the textbook account of flame rectification (a short passes alternating current only, a coat takes
the current and cleaning gives it back, an open ground floats). This file prints no figure of a design kept for
judging."""

from __future__ import annotations

import ast
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.outside import second_world as world
from tests.outside.second_world import draws, fire, meter, nodal, plant, population, probes

DESIGNS = [(part, design) for part in world.SPLIT for design in world.designs(part)]
each_design = pytest.mark.parametrize(
    ("part", "design"), DESIGNS, ids=[f"{part}-{k}" for k, (part, _) in enumerate(DESIGNS)]
)


def a_plant(design: object = DESIGNS[0][1], **values: object) -> plant.Plant:
    return plant.Plant(**(design.board | values))


# ---- signatures that any textbook gives


def drawn(fault: str, n: int = 12, **kwargs: object) -> list[world.Furnace]:
    found = list(world.furnaces("tune", n, 21, trade_effects=False, calls=False, only=(fault,), **kwargs))
    assert len(found) == n
    return found


def steady(furnace: world.Furnace, probe: str) -> world.ProbeAnswer:
    return world.read(furnace, probe, np.random.default_rng(1), hands=world.STEADY_HANDS)


def test_an_open_ground_lets_the_cabinet_float_unless_a_pipe_holds_it() -> None:
    floating = a_plant(r_ground=nodal.OPEN)
    assert probes.volts(a_plant(), "chassis_to_earth") < 0.1
    assert 20 < probes.volts(floating, "chassis_to_earth") < 100
    assert 20 < probes.volts(floating, "supply_hot_ground") < 100
    assert probes.volts(replace(floating, r_pipe=5.0), "chassis_to_earth") < 0.1
    assert fire.burn(floating).amperes < 0.7 * fire.burn(a_plant()).amperes  # fed from line, it returns by the ground


def test_reversed_supply_starves_a_rod_fed_from_line_only() -> None:
    line, low = (design for _, design in DESIGNS[:2])
    assert probes.volts(a_plant(line, reversed=True), "supply_hot_ground") < 1
    assert probes.volts(a_plant(line, reversed=True), "supply_neutral_ground") > 110
    assert abs(fire.burn(a_plant(line, reversed=True)).amperes) < 0.1e-6
    assert fire.burn(a_plant(low, reversed=True)).amperes == pytest.approx(fire.burn(a_plant(low)).amperes, rel=0.05)


def test_out_of_phase_adds_the_secondary_to_line_instead_of_taking_it_off() -> None:
    assert probes.volts(a_plant(), "line_to_r") == pytest.approx(120 - 26, abs=2)
    assert probes.volts(a_plant(phase=-1), "line_to_r") == pytest.approx(120 + 26, abs=2)


def test_a_source_without_a_bond_shows_half_to_ground_each_way() -> None:
    p = a_plant(r_service_bond=nodal.OPEN, source_strays=1e-8)
    assert probes.volts(p, "supply_hot_neutral") == pytest.approx(120, abs=2)
    for probe in ("supply_hot_ground", "supply_neutral_ground"):
        assert probes.volts(p, probe) == pytest.approx(60, abs=12)


@each_design
def test_a_rod_on_the_burner_reads_nothing_on_the_plug_and_gives_no_direct_current(part: str, design: object) -> None:
    p = a_plant(design, r_touch=2.0)
    assert probes.volts(p, "rod_plugged_to_ground") < 0.02
    assert probes.volts(p, "rod_to_ground") == pytest.approx(design.sheet.rod_volts, rel=design.sheet.rod_tolerance)
    assert abs(fire.burn(p).amperes) < 1e-9
    assert not fire.proves(p)


@each_design
def test_a_shorted_rod_wire_swings_without_direct_current(part: str, design: object) -> None:
    sound, shorted = (fire.burn(a_plant(design, r_wire_short=ohms)) for ohms in (nodal.OPEN, 2.0))
    assert shorted.swing > 2 * sound.swing
    assert abs(shorted.amperes) < 1e-9
    assert probes.volts(a_plant(design, r_wire_short=2.0), "rod_to_ground") < 0.02


@each_design
def test_cleaning_gives_a_coated_rod_its_current_back(part: str, design: object) -> None:
    sound = fire.burn(a_plant(design)).amperes
    coated = a_plant(design, r_coat=5e7, coat_mask=1.4)
    assert fire.burn(coated).amperes < 0.5 * sound
    assert fire.burn(fire.cleaned(coated, 2e4)).amperes == pytest.approx(sound, rel=1e-6)


def test_a_leak_takes_current_from_the_meter_and_volts_from_the_plug() -> None:
    for furnace in drawn("insulator_leaking"):
        whole = replace(furnace.plant, r_insulator=5e9)
        assert fire.burn(furnace.plant).amperes < fire.burn(whole).amperes
        assert probes.volts(furnace.plant, "rod_plugged_to_ground") < probes.volts(whole, "rod_plugged_to_ground")
        assert steady(furnace, "rod_insulation").value < 6e6


def test_a_plug_that_fails_warm_reads_good_cold_and_its_current_falls() -> None:
    for furnace in drawn("plug_fails_warm"):
        assert steady(furnace, "rod_connector").value < 6
        current = steady(furnace, "flame_current")
        assert current.low < 0.8 * current.high


def test_a_deaf_board_passes_good_current_and_drops_the_flame() -> None:
    for furnace in drawn("board_deaf"):
        assert steady(furnace, "flame_current").value > furnace.sheet.minimum
        assert steady(furnace, "board_proves_flame").word == "no"


def test_without_a_secondary_or_a_flame_nothing_is_proved_and_no_current_is_invented() -> None:
    for furnace in drawn("secondary_none") + drawn("never_lights") + drawn("neutral_open"):
        assert steady(furnace, "board_proves_flame").word == "never lit"
        assert steady(furnace, "flame_current") == world.ProbeAnswer("flame_current", meter.MICROAMPS, word="never lit")


def test_a_burner_off_the_cabinet_reads_open_and_stops_the_current() -> None:
    for furnace in drawn("burner_ground_open"):
        assert steady(furnace, "burner_to_chassis").over_limit
        assert steady(furnace, "flame_current").value < 0.3 * furnace.sheet.healthy[0]


# ---- the population, the meter and the hands


def test_the_same_seed_gives_the_same_furnaces_and_readings_in_any_order() -> None:
    first, again = (list(world.furnaces("tune", 6, 5)) for _ in range(2))
    for a, b in zip(first, again, strict=True):
        assert (a.truth, a.plant, a.sheet) == (b.truth, b.plant, b.sheet)
        backward = {probe: b.readings[probe] for probe in reversed(list(world.PROBES))}
        assert a.readings.all() == backward
    assert first[0].plant != next(iter(world.furnaces("tune", 1, 6))).plant
    assert {f.sheet.family for f in world.furnaces("test", 30, 5, calls=False)} <= set(world.SPLIT["test"])


def test_every_fault_changes_the_furnace_and_says_what_is_mended() -> None:
    classes, rng = world.truth_classes(), np.random.default_rng(0)
    assert set(classes) == set(world.faults()) | {world.SOUND}
    assert len(set(classes.values())) == len(classes)
    for name in world.faults():
        assert population.with_faults(a_plant(), (name,), rng) != a_plant(), name
    with pytest.raises(ValueError, match="truth_classes"):
        next(world.furnaces("tune", 1, 1, only=("gremlins",)))


def test_pairs_sit_in_two_places_and_come_with_trade_effects_only() -> None:
    rng, kinds = np.random.default_rng(2), world.faults()
    pairs = [truth for truth in (population._truth(rng, True) for _ in range(800)) if len(truth) == 2]
    assert 30 < len(pairs) < 150
    assert all(len({kinds[name].place for name in pair}) == 2 for pair in pairs)
    assert all(len(population._truth(rng, False)) == 1 for _ in range(200))


@given(value=st.floats(0, 5.9e7), counts=st.sampled_from([world.METER_6000, world.METER_5000]))
def test_the_display_rounds_to_half_its_last_place(value: float, counts: world.Meter) -> None:
    shown = world.display(value, meter.OHMS, counts)
    if shown.over_limit:
        assert value > counts.ceiling[meter.OHMS]
    else:
        assert abs(shown.value - value) <= shown.step * 0.5 * (1 + 1e-6)
        assert shown.value <= counts.counts * shown.step * (1 + 1e-9)


def test_known_displays() -> None:
    assert world.display(119.84, meter.AC_VOLTS, world.METER_6000).value == pytest.approx(119.8)
    assert world.display(119.84, meter.AC_VOLTS, world.METER_5000).value == pytest.approx(119.8)
    assert world.display(4.238e-6, meter.MICROAMPS, world.METER_5000).value == pytest.approx(4.2e-6)
    assert world.display(-4.238e-6, meter.MICROAMPS, world.METER_6000).value == pytest.approx(-4.24e-6)
    assert world.display(61e6, meter.OHMS, world.METER_6000).over_limit


def test_swapped_leads_turn_the_sign_and_nothing_else() -> None:
    furnace = drawn(world.SOUND, 1)[0]
    right = steady(furnace, "flame_current").value
    swapped = world.read(
        furnace, "flame_current", np.random.default_rng(1), hands=replace(world.STEADY_HANDS, swapped_leads=1.0)
    )
    assert right > 0
    assert swapped.value == pytest.approx(-right, rel=0.1)
    assert swapped.mishap == "swapped leads"


def test_transposed_digits_keep_the_digits_and_steady_hands_never_slip() -> None:
    shown, rng = world.display(119.8, meter.AC_VOLTS, world.METER_6000), np.random.default_rng(4)
    said, slip = meter.slipped(shown, replace(world.STEADY_HANDS, transposed=1.0), rng)
    assert slip == "transposed"
    assert sorted(str(round(said * 10))) == sorted("1198")
    assert said != shown.value
    assert all(meter.slipped(shown, world.STEADY_HANDS, rng) == (shown.value, "") for _ in range(50))


def test_readings_of_all_probes_are_filled_in_as_promised() -> None:
    for furnace in world.furnaces("test", 4, 9):
        for probe, reading in furnace.readings.all().items():
            assert reading.probe == probe
            told = (reading.value is not None, reading.over_limit, reading.word is not None, reading.low is not None)
            assert any(told), probe
            assert not (reading.over_limit and reading.value is not None)


def test_nothing_of_the_product_is_imported() -> None:
    folder = Path(world.__file__).parent
    allowed, own, seen = {"numpy", "yaml", "click"}, world.__name__, 0
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and node.level == 0:
                names.append(node.module or "")
            for name in names:
                seen += 1
                top = name.split(".")[0]
                assert top in allowed or top in sys.stdlib_module_names or name == own or name.startswith(f"{own}."), (
                    f"{path.name} imports {name}"
                )
    assert seen > 50


def test_a_fault_file_with_a_strange_value_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "faults.yaml").write_text(
        "faults:\n  - {id: odd, place: x, rate: 1, plain: a, mend: b, set: {r_nowhere: 1}}\n", encoding="utf-8"
    )
    monkeypatch.setattr(draws, "_HERE", tmp_path)
    with pytest.raises(ValueError, match=r"odd.*r_nowhere"):
        draws.faults.__wrapped__()


def test_a_board_that_checks_its_supply_does_not_begin_on_a_floating_ground_or_swapped_wires() -> None:
    checking = a_plant(checks_supply=True)
    assert fire.lights(checking)
    for values in ({"r_ground": nodal.OPEN}, {"reversed": True}):
        assert not fire.lights(replace(checking, **values))
        assert fire.lights(a_plant(**values))
