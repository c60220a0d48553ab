"""What a limit may be: a dead proof cannot be loosened, and a family that says otherwise does not load."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from flows.judge.bounds import limit_problems
from flows.judge.profiles import HERE, Limit, Supply, equipment, equipment_problems, names
from flows.judge.verdict import CALCULATIONS, use_of
from flows.procedure.compile import check_file
from flows.procedure.limit_uses import limit_faults
from flows.procedure.schema import PROCEDURES, load_procedure
from grammar.errors import DataFileError

SUPPLY = Supply(volts=120, hertz=60)


def limit(value: float) -> Limit:
    return Limit(value=value, origin="invented", source="for a test")


def problems(**values: float) -> list[tuple[str, str, str]]:
    return limit_problems({key: limit(value) for key, value in values.items()}, (), SUPPLY)


def test_every_family_and_procedure_that_ships_is_within_bounds():
    for name in names("equipment"):
        for procedure in ("flame_sensing", "control_circuit_24v", "igniter_check"):
            assert limit_faults(load_procedure(procedure), equipment(name)) == []


# A share of 120 V is enough to kill; nothing here may count as dead.
@pytest.mark.parametrize("value", [200, 12, 3.01, 0, -1])
def test_no_voltage_but_a_few_volts_counts_as_dead(value):
    assert any("not dead" in what for _, what, _ in problems(dead_volts=value))
    assert not problems(dead_volts=2.0, live_volts=90)


@pytest.mark.parametrize("value", [0, 5, 71, 109, 400])
def test_a_living_meter_shows_most_of_the_supply(value):
    assert any("does not tell a living meter" in what for _, what, _ in problems(live_volts=value))


def test_a_proof_is_bounded_under_any_name():
    use = use_of("band", "ac_volts", {"high": "mine"}, "dead")
    assert limit_problems({"mine": limit(200)}, [use], SUPPLY)[0][0] == "mine"
    assert not limit_problems({"mine": limit(2)}, [use], SUPPLY)
    live = use_of("band", "ac_volts", {"low": "mine"}, "live")
    assert limit_problems({"mine": limit(1)}, [live], SUPPLY) and not limit_problems(
        {"mine": limit(90)}, [live], SUPPLY
    )


@pytest.mark.parametrize(
    ("check", "quantity", "limits", "proves"),
    [
        ("band", "ac_volts", {"low": "mine"}, "dead"), ("band", "ac_volts", {"high": "mine"}, "live"),
        ("band", "ohms", {"high": "mine"}, "dead"), ("band", "ac_volts", {"low": "other", "high": "mine"}, "dead"),
        ("path", "ac_volts", {"look": "mine", "bad": "other"}, "dead"), ("band", "dc_volts", {"high": "mine"}, "dead"),
    ],
)  # fmt: skip
def test_a_proof_of_another_shape_is_no_proof(check, quantity, limits, proves):
    found = limit_problems({"mine": limit(2), "other": limit(2.5)}, [use_of(check, quantity, limits, proves)], SUPPLY)
    assert any("must be AC volts" in what for _, what, _ in found)


@pytest.mark.parametrize(
    "values",
    [
        {"rod_low": 112, "rod_high": 82}, {"rod_low": 90, "rod_high": 90}, {"coil_low": 50, "coil_high": 5},
        {"ground_path_look": 1.5, "ground_path_bad": 1.0}, {"flame_minimum": 3e-6, "flame_sound": 1e-6},
        {"supply_low": 121}, {"supply_high": 119}, {"anything": -5}, {"anything": 1e12},
        {"dead_volts": 3, "live_volts": 40},
    ],
)  # fmt: skip
def test_low_above_high_and_wrong_signs_are_named(values):
    found = problems(**values)
    assert found and all(key in values and what.endswith(".") and remedy.endswith(".") for key, what, remedy in found)


def test_a_share_is_a_share_and_ohms_are_ohms():
    ratio = use_of("ratio", "ac_volts", {"share": "mine"})
    assert limit_problems({"mine": limit(10)}, [ratio], SUPPLY) and not limit_problems(
        {"mine": limit(0.1)}, [ratio], SUPPLY
    )
    flame = use_of("flame", "dc_amps", {"minimum": "least", "sound": "most"})
    assert limit_problems({"least": limit(1.5), "most": limit(2.5)}, [flame], SUPPLY)
    assert set(CALCULATIONS["ratio"].shares) == {"share"}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("dead_volts:        {value: 2,", "dead_volts:        {value: 200,", "not dead"),
        ("live_volts:        {value: 90,", "live_volts:        {value: 0.5,", "does not tell"),
        ("rod_low:           {value: 75,", "rod_low:           {value: .inf,", "finite"),
        ("rod_low:           {value: 75,", "rod_low:           {value: .nan,", "finite"),
        ("rod_low:           {value: 75,", "rod_low:           {value: 1.0e+308,", "no meter shows"),
        ("rod_low:           {value: 75,", "rod_low:           {value: -5,", "below 0"),
        ("rod_low:           {value: 75,", "rod_low:           {value: 102,", "not above"),
        ("supply: {volts: 120,", "supply: {volts: 230,", "230"),
        ("supply: {volts: 120, hertz: 60}", "supply: {volts: 120, hertz: 55}", "50"),
    ],
)  # fmt: skip
def test_a_family_out_of_bounds_does_not_load_and_the_line_is_named(tmp_path: Path, old: str, new: str, says: str):
    text = (HERE / "equipment" / "larkspur.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "wrong.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    _, found = equipment_problems(path)
    assert any(says in one.problem for one in found), [one.problem for one in found]
    assert all(one.line and one.remedy for one in found)
    with pytest.raises(DataFileError):
        equipment(str(path))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("limits:\n", "limits:\n  dead_volts: {value: 200, origin: invented, source: none}\n", "not dead"),
        ("limits:\n", "limits:\n  live_volts: {value: 3, origin: invented, source: none}\n", "does not tell"),
        ("limits: {high: dead_volts}", "limits: {high: control_high}", "not dead"),
        ("limits: {low: live_volts}", "limits: {low: control_low}", "does not tell"),
        ("limits: {high: dead_volts}", "limits: {low: dead_volts}", "must be AC volts"),
        ("control_low:       {value: 21,", "control_low:       {value: 32,", "not above"),
        ("control_high:      {value: 31,", "control_high:      {value: .inf,", "finite"),
        ("control_low:       {value: 21,", "control_low:       {value: -21,", "below 0"),
        ("control_high:      {value: 31,", "control_high:      {value: 1.0e+308,", "no meter shows"),
        ("fuse_look:         {value: 0.5,", "fuse_look:         {value: 1.5,", "not above"),
    ],
)
def test_a_procedure_that_loosens_a_limit_is_refused_with_its_line(tmp_path: Path, old: str, new: str, says: str):
    text = (PROCEDURES / "control_circuit_24v.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "wrong.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    _, found = check_file(path, equipment("larkspur"))
    hits = [one for one in found if says in one.problem]
    assert hits, [one.problem for one in found]
    lines = path.read_text(encoding="utf-8").splitlines()
    assert all(one.line and one.remedy for one in hits)
    # The line named is the one that holds the limit that the problem names.
    named = [set(re.findall(r"\w+", one.problem)) | {old.split(":")[0].strip()} for one in hits]
    assert any(words & set(re.findall(r"\w+_\w+", lines[one.line - 1])) for words, one in zip(named, hits, strict=True))
