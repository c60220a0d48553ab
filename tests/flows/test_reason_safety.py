"""Supply, polarity and ground: first in every order, and reported whatever else is found."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.faults import catalog
from flows.faults.display import as_measured
from flows.judge.profiles import equipment, meter
from flows.reason.assess import Place, assess, next_probe
from flows.reason.knowledge import Knowledge, with_prior
from flows.reason.safety import compulsory, findings

LARKSPUR, METER = equipment("larkspur"), meter("dunlin")


def volts(**shown: float) -> dict[str, object]:
    return {name: as_measured(value, "ac_volts", METER) for name, value in shown.items()}


def test_supply_polarity_and_ground_are_the_compulsory_ones() -> None:
    assert compulsory() == ("supply_hot_neutral", "supply_hot_ground", "supply_neutral_ground")


@pytest.mark.parametrize(
    ("hot_neutral", "hot_ground", "neutral_ground", "due"),
    [
        # Service voltage range B of ANSI C84.1 on a 120 V base: 110 to 127 V (from memory).
        (121.0, 121.0, 0.1, ()),
        (110.9, 110.9, 0.1, ()),
        (103.0, 103.0, 0.1, ("supply_low",)),
        (128.5, 128.5, 0.1, ("supply_high",)),
        (120.0, 0.3, 119.8, ("polarity_reversed",)),
        (120.0, 61.0, 59.0, ("supply_floating",)),
        (120.0, 40.0, 1.0, ("ground_open",)),
        (1.0, 119.0, 118.0, ("neutral_open",)),
        (118.0, 115.0, 4.0, ("neutral_high_resistance",)),
        (103.0, 0.3, 102.5, ("supply_low", "polarity_reversed")),
    ],
)
def test_findings_by_the_plain_limits(
    hot_neutral: float, hot_ground: float, neutral_ground: float, due: tuple[str, ...]
) -> None:
    taken = volts(supply_hot_neutral=hot_neutral, supply_hot_ground=hot_ground, supply_neutral_ground=neutral_ground)
    assert findings(taken, LARKSPUR) == due


@given(st.floats(0, 300), st.floats(0, 300), st.floats(0, 300))
def test_every_finding_but_a_supply_out_of_its_band_puts_a_person_at_risk(a: float, b: float, c: float) -> None:
    for name in findings(volts(supply_hot_neutral=a, supply_hot_ground=b, supply_neutral_ground=c), LARKSPUR):
        assert catalog.fault(name).danger == (name not in ("supply_low", "supply_high"))


def test_a_finding_is_never_outvoted(known: Knowledge, evidence) -> None:
    # However sure the reasoner is made of a coated rod, a supply of 104 V is reported.
    taken = evidence(proves=False, flame_current=0.6e-6, supply_hot_neutral=103.0, supply_hot_ground=103.0)
    stubborn = with_prior(known, {"rod_coated": 1.0 - 1e-9, "supply_low": 1e-9})
    said = assess(taken, stubborn)
    assert said.ranked[0][0] == "rod_coated" and said.safety == ("supply_low",)


def test_a_lifting_flame_is_reported(known: Knowledge, evidence) -> None:
    assert "flame_lifting" in assess({**evidence(proves=True), "flame_seen": "lifting"}, known).safety


@pytest.mark.parametrize("power", ["on", "dead"])
def test_they_come_first_whatever_the_others_would_tell(known: Knowledge, evidence, power: str) -> None:
    taken = {}
    for probe in compulsory():
        found, why = next_probe(taken, known, power)
        assert found == probe and "come first" in why
        taken |= evidence(only=(probe,))
    assert next_probe(taken, known, power)[0] not in compulsory()
    assert next_probe(evidence(without=("supply_hot_ground",), proves=True), known)[0] == "supply_hot_ground"


def test_the_next_probe_keeps_to_what_can_be_reached_and_to_the_power(known: Knowledge, evidence) -> None:
    taken = evidence(only=compulsory())
    assert next_probe(taken, known, reachable={"ground_path"})[0] == "ground_path"
    live = assess(taken, known, at=Place("on")).next_probe
    dead = assess(taken, known, {"secondary_r_c", "burner_to_chassis"}, at=Place("dead")).next_probe
    assert catalog.probes()[live].live and dead is not None
