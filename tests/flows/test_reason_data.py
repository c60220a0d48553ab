"""The data of the reasoner: complete, derivable, sayable; priors learnt; knowledge kept on disk."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
import textstat
from hypothesis import given
from hypothesis import strategies as st

from assistant.knowledge_store import fingerprint, load, save
from flows.circuit.furnace import Furnace
from flows.circuit.probes import table
from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.draws import healthy, with_fault
from flows.faults.learn import learn_priors
from flows.judge.profiles import equipment, meter, names
from flows.reason.assess import assess
from flows.reason.build import build_knowledge
from flows.reason.knowledge import Knowledge

SINGLES = [name for name in catalog.faults().faults if name != "healthy"]


def test_at_least_25_single_faults_and_their_pairs() -> None:
    assert len(SINGLES) >= 25
    assert len(catalog.pairs()) > len(SINGLES)
    for pair in catalog.pairs():
        one, other = catalog.parts(pair)
        assert catalog.fault(one).family != catalog.fault(other).family


@pytest.mark.parametrize("name", SINGLES)
def test_each_fault_changes_only_the_parameters_it_names(name: str) -> None:
    furnace = healthy(equipment("larkspur"), meter("dunlin"), np.random.default_rng(3), 5)
    changed = with_fault(furnace, name, np.full(5, 0.5), np.full(5, 0.5))
    for field in fields(Furnace):
        same = np.array_equal(getattr(furnace, field.name), getattr(changed, field.name))
        assert same == (field.name not in catalog.fault(name).circuit)


def test_severity_grows_the_effect() -> None:
    furnace = healthy(equipment("larkspur"), meter("dunlin"), np.random.default_rng(3), 1)
    grave = [
        float(with_fault(furnace, "rod_coated", np.array([s]), np.zeros(1)).coating_ohms[0]) for s in (0.0, 0.5, 1.0)
    ]
    assert grave[0] < grave[1] < grave[2]
    # even in the logarithm: the middle is the geometric mean of the ends, to the little that a clean rod has
    assert grave[1] == pytest.approx((grave[0] * grave[2]) ** 0.5, rel=1e-3)


def test_probes_are_readings_of_the_circuit_and_agree_on_power() -> None:
    for name, one in catalog.probes().items():
        if one.quantity == "seen":
            assert name not in table()
            continue
        reading = table()[name]
        assert (reading.quantity or "yes_no") == one.quantity
        if not one.proof:
            assert one.live == (reading.power == "on")


def test_the_prior_is_whole() -> None:
    prior = catalog.shipped_prior()
    assert sum(prior.values()) == pytest.approx(1.0)
    assert sum(p for name, p in prior.items() if len(catalog.parts(name)) == 2) == pytest.approx(catalog.faults().pairs)


@pytest.mark.parametrize("name", list(catalog.faults().faults))
def test_every_spoken_sentence_is_plain(name: str) -> None:
    one = catalog.fault(name)
    text = " ".join(filter(None, (one.says, one.next, one.look, one.learn)))
    assert textstat.flesch_kincaid_grade(text) <= 6.0


def test_spoken_assessments_are_plain(known: Knowledge, evidence) -> None:
    said = [
        assess(evidence(proves=proves, **change), known)
        for proves, change in (
            (True, {}),
            (False, {}),
            (False, {"flame_current": 0.8e-6}),
            (None, {"line_to_r": 144.0}),
            (False, {"ground_path": 4.4, "flame_current": 0.9e-6}),
        )
    ]
    for one in said:
        assert textstat.flesch_kincaid_grade(f"{one.sentence} {one.next_why}") <= 6.0
        assert "{" not in one.sentence + one.next_why


def test_every_family_and_meter_can_be_known() -> None:
    few = ["healthy", "secondary_swapped", "rod_coated", "rod_coated+secondary_swapped"]
    pair = [name for name in catalog.shipped_prior() if set(catalog.parts(name)) == {"rod_coated", "secondary_swapped"}]
    for family in names("equipment"):
        for shown_by in names("meters"):
            known = build_knowledge(
                equipment(family), meter(shown_by), np.random.default_rng(1), draws=16, names=few[:3] + pair
            )
            assert np.isfinite(known.components.mean).all() and np.isfinite(known.components.cov).all()
            assert (np.linalg.eigvalsh(known.components.cov) > -1e-6).all()


def test_the_same_seed_builds_the_same_knowledge_and_disk_keeps_it(tmp_path) -> None:
    family, shown_by = equipment("yarrow"), meter("pocket")
    one, other = (
        build_knowledge(family, shown_by, np.random.default_rng(8), draws=16, names=["healthy", "rod_open"])
        for _ in range(2)
    )
    assert np.array_equal(one.components.cov, other.components.cov)
    save(one, tmp_path / "k.npz")
    back = load(tmp_path / "k.npz", family, shown_by)
    assert back is not None and back.hypotheses == one.hypotheses and back.components.probes == one.components.probes
    for field in ("mean", "cov", "over", "senses", "share", "hypothesis", "scale", "floor", "chances"):
        assert np.array_equal(getattr(back.components, field), getattr(one.components, field))


def test_a_torn_cache_is_no_knowledge(tmp_path) -> None:
    (tmp_path / "k.npz").write_bytes(b"PK\x03\x04 torn")
    assert load(tmp_path / "k.npz", equipment("larkspur"), meter("pocket")) is None
    assert load(tmp_path / "none.npz", equipment("larkspur"), meter("pocket")) is None


def test_the_fingerprint_tells_seed_family_and_meter() -> None:
    prints = {
        fingerprint(equipment(e), meter(m), s)
        for e in ("larkspur", "yarrow")
        for m in ("dunlin", "pocket")
        for s in (1, 2)
    }
    assert len(prints) == 8


def test_learning_by_hand() -> None:
    # Dirichlet prior of weight 10 with means 0.5, 0.3, 0.2; counts 0, 0, 10: (5, 3, 12)/20.
    got = learn_priors({"c": 10}, {"a": 0.5, "b": 0.3, "c": 0.2}, trust=10)
    assert got == pytest.approx({"a": 0.25, "b": 0.15, "c": 0.6})


@given(st.dictionaries(st.sampled_from(["a", "b", "c"]), st.integers(0, 500)), st.floats(1, 1000))
def test_learnt_priors_are_whole_and_tend_to_the_records(counts: dict[str, int], trust: float) -> None:
    prior = {"a": 0.5, "b": 0.3, "c": 0.2}
    got = learn_priors(counts, prior, trust)
    assert sum(got.values()) == pytest.approx(1.0)
    total = sum(counts.values())
    for name, p in prior.items():
        share = counts.get(name, 0) / total if total else p
        assert min(p, share) - 1e-12 <= got[name] <= max(p, share) + 1e-12


def test_learning_takes_pairs_either_way_and_refuses_the_unknown() -> None:
    prior = catalog.shipped_prior()
    pair = catalog.pairs()[0]
    turned = "+".join(reversed(catalog.parts(pair)))
    assert learn_priors({turned: 5}, prior)[pair] == learn_priors({pair: 5}, prior)[pair] > prior[pair]
    with pytest.raises(FlowError, match="no fault called 'gremlins'"):
        learn_priors({"gremlins": 1}, prior)
    with pytest.raises(FlowError, match="0 or more"):
        learn_priors({"rod_open": -1}, prior)
