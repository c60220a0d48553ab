"""One rod that makes the spark and senses the flame: its circuit, its faults, and what is kept off its wire."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from assistant.visit.kept_plan import digest
from assistant.visit.plans import ready_plan
from flows.circuit.probes import read
from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.display import as_measured, display, specimen
from flows.faults.draws import healthy, with_fault
from flows.judge.profiles import equipment, meter, names
from flows.practice.drawn import choices, start
from flows.procedure.session import Say
from flows.reason.assess import Assessment, Evidence, assess
from flows.reason.build import build_knowledge
from flows.reason.knowledge import Knowledge
from flows.talk.dialogue import begin

ONE_ROD, DUNLIN = equipment("bluebell"), meter("dunlin")
OWN = ("spark_coil_open", "spark_leak_porcelain", "spark_leak_wire")
FEW = [
    "healthy",
    "never_lit",
    "rod_coated",
    "rod_wire_open",
    "wire_chafed",
    "rod_insulator_cracked",
    "board_rod_supply_low",
    "board_not_sensing",
]


@pytest.fixture(scope="module")
def known() -> Knowledge:
    return build_knowledge(ONE_ROD, DUNLIN, np.random.default_rng(3), draws=24, names=[*FEW, *OWN])


def led(
    known: Knowledge, fault: str, seen: Mapping[str, str], severity: float = 0.5
) -> tuple[Assessment, dict[str, Evidence]]:
    """The last assessment of a furnace with that fault when every probe that is asked for is taken; seen: what is
    looked at."""
    rng = np.random.default_rng(5)
    furnace = with_fault(healthy(ONE_ROD, DUNLIN, rng, 1), fault, np.full(1, severity), np.full(1, severity))
    mine, evidence = specimen(DUNLIN, rng), dict[str, Evidence]()
    said = assess(evidence, known)
    while said.next_probe and len(evidence) < 24:
        quantity = catalog.probes()[said.next_probe].quantity
        evidence[said.next_probe] = (
            seen[said.next_probe]
            if quantity in ("seen", "yes_no")
            else as_measured(display(float(read(furnace, said.next_probe)[0]), quantity, mine, rng), quantity, DUNLIN)
        )
        said = assess(evidence, known)
    return said, evidence


SOUND = {"flame_seen": "steady", "board_proves_flame": "stays", "spark_seen": "at_gap"}
LOCKS_OUT = {**SOUND, "board_proves_flame": "goes"}
ASTRAY = {**SOUND, "board_proves_flame": "never_lit", "flame_seen": "none", "spark_seen": "astray"}


@pytest.mark.parametrize(
    ("fault", "seen"), [("spark_coil_open", LOCKS_OUT), ("spark_leak_porcelain", ASTRAY), ("spark_leak_wire", ASTRAY)]
)
def test_its_own_faults_are_found(known, fault, seen):
    said, evidence = led(known, fault, seen, 0.8)
    assert said.ranked[0][0] == fault
    assert set(catalog.fault(fault).looked) & evidence.keys()


def test_a_sound_one_is_not_blamed(known):
    said, _ = led(known, "healthy", SOUND)
    assert said.ranked[0][0] == "healthy"


@pytest.mark.parametrize("fault", ["healthy", "rod_coated", "spark_coil_open", "spark_leak_wire"])
def test_nothing_asks_for_a_meter_in_its_wire(known, fault):
    _, evidence = led(known, fault, LOCKS_OUT)
    assert evidence and not any(catalog.probes()[one].wiring == "series" for one in evidence)


def test_an_open_coil_leaves_the_wire_whole_and_lets_no_flame_current_through():
    rng = np.random.default_rng(1)
    sound = healthy(ONE_ROD, DUNLIN, rng, 4)
    broken = with_fault(sound, "spark_coil_open", np.ones(4), np.ones(4))
    assert np.allclose(read(sound, "ignition_coil"), 9e3, rtol=0.02) and np.isinf(read(broken, "ignition_coil")).all()
    assert (read(sound, "rod_wire") < 2).all() and (read(broken, "rod_wire") < 2).all()
    assert (read(sound, "flame_current") > ONE_ROD.limit("flame_minimum").value).all()
    assert (read(broken, "flame_current") < 1e-7).all() and (read(broken, "rod_to_ground") < 5).all()
    assert not read(broken, "board_proves_flame").any()


def test_the_flame_reads_as_on_another_rod_but_for_the_coil():
    """Nine kilohms of coil are next to nothing beside a flame of megohms."""
    plain = {
        name: float(read(healthy(equipment(name), DUNLIN, np.random.default_rng(2), 1), "flame_current")[0])
        for name in ("larkspur", "bluebell")
    }
    assert plain["bluebell"] == pytest.approx(plain["larkspur"], rel=0.02)


def test_other_families_know_nothing_of_it():
    for name in OWN:
        assert name not in catalog.shipped_prior() and name in catalog.shipped_prior("spark_and_sense")
    assert not any(set(catalog.parts(pair)) & set(OWN) for pair in catalog.pairs())
    plain = build_knowledge(
        equipment("larkspur"), DUNLIN, np.random.default_rng(3), draws=16, names=["healthy", "rod_open"]
    )
    assert "ignition_coil" not in plain.components.probes and "spark_seen" not in plain.components.looks
    with pytest.raises(FlowError):
        assess({"spark_seen": "astray"}, plain)
    assert all(one.next_probe not in ("ignition_coil", "spark_seen") for one in (assess({}, plain),))
    assert not set(OWN) & set(choices("medium"))


def test_no_visit_puts_a_meter_in_its_wire():
    for order in ("file", "adaptive"):
        with pytest.raises(FlowError, match="the same rod sparks") as told:
            ready_plan("flame_sensing", "bluebell", "dunlin", order=order)
        assert "maker's instructions" in told.value.text
    with pytest.raises(FlowError, match="only senses"):
        start(ONE_ROD, DUNLIN, 1)


@pytest.mark.parametrize(("language", "word"), [("en", "high voltage"), ("es", "alta tensión")])
def test_every_visit_to_one_begins_with_the_caution(language, word):
    first = next(
        one for one in begin(ready_plan("igniter_check", "bluebell", "dunlin", language))[1] if isinstance(one, Say)
    )
    assert first.line == "one_rod" and word in first.text
    usual = next(
        one for one in begin(ready_plan("igniter_check", "larkspur", "dunlin", language))[1] if isinstance(one, Say)
    )
    assert usual.line != "one_rod"


def test_what_was_kept_of_other_families_has_the_digest_it_had():
    for name in names("equipment"):
        told = equipment(name).model_dump(mode="json")
        assert ("rod" in told) == ("coil_ohms" in told["circuit"]) == (name == "bluebell")
    assert digest(equipment("larkspur")) == "319c8bc60e4da93835da879a23d57144a4277ac2573e4f9b328a768ae9fb8a75"
