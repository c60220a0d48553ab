"""The posterior: against Bayes' rule done by hand, and what must not depend on how it is asked."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from flows.errors import FlowError
from flows.faults import catalog
from flows.reason.assess import assess
from flows.reason.knowledge import Knowledge, with_prior
from flows.reason.mixture import PROVES, Components, Shown, posterior, stretch, weigh
from flows.reason.next import Gain, Place, Sight, choose, cost, entropy, gains, left_after, moved_to


def clouds(
    mean: np.ndarray,
    cov: np.ndarray,
    owner: list[int],
    over: np.ndarray | None = None,
    senses: list[float] | None = None,
    looks: dict[str, list[list[float]]] | None = None,
) -> Components:
    """Components over probes named p0, p1, ... with scale 1 and no model floor. mean: (C, K+1), stretched.

    looks: probe that is looked at -> for each component the chance of each answer.
    """
    seen = looks or {PROVES: [[0.5, 0.5, 0.0]] * len(owner)}
    k = mean.shape[1] - 1
    return Components(
        tuple(f"p{i}" for i in range(k)),
        np.ones(k),
        np.zeros(k),
        np.array(owner),
        np.array([1 / owner.count(one) for one in owner]),
        mean,
        cov,
        np.zeros((len(owner), k)) if over is None else over,
        np.array(senses or [1.0] * len(owner)),
        tuple(seen),
        np.moveaxis(np.array(list(seen.values())), 0, 1),
    )


def test_yes_and_no_by_hand() -> None:
    # Two faults, prior 3 to 1. Under A the board keeps the gas on with certainty 1/2 (margin 0), under B with 0.9.
    # P(A | no) = 0.75·0.5 / (0.75·0.5 + 0.25·0.1) = 0.9375, by hand.
    z90 = 1.2815515655446004  # standard normal quantile of 0.9, handbook tables
    two = clouds(np.array([[0.0], [z90]]), np.ones((2, 1, 1)), [0, 1])
    _, of_fault = posterior(two, np.array([0.75, 0.25]), weigh(two, {}, {PROVES: 1}, odd=1e-12))
    assert of_fault[0] == pytest.approx(0.9375, rel=1e-9)


def test_what_is_seen_by_hand() -> None:
    # An eye that sees a lifting flame in 0.8 of A's cases and 0.1 of B's; prior 1 to 3: 0.2 / (0.2 + 0.075) = 8/11.
    two = clouds(np.zeros((2, 1)), np.ones((2, 1, 1)), [0, 1], looks={"flame": [[0.2, 0.8], [0.9, 0.1]]})
    _, of_fault = posterior(two, np.array([0.25, 0.75]), weigh(two, {}, {"flame": 1}, odd=1e-12))
    assert of_fault[0] == pytest.approx(8 / 11, rel=1e-9)


def test_a_flame_that_never_lit_is_no_word_about_what_the_flame_looks_like() -> None:
    two = clouds(
        np.zeros((2, 1)),
        np.ones((2, 1, 1)),
        [0, 1],
        looks={PROVES: [[0.05, 0.05, 0.9], [0.5, 0.2, 0.3]], "flame": [[0.1, 0.9, 0.0], [0.9, 0.1, 0.0]]},
    )
    found = weigh(two, {}, {PROVES: 2, "flame": 1}, odd=1e-12)
    assert set(found.each) == {PROVES}
    assert np.exp(found.log_likelihood) == pytest.approx([0.9, 0.3], rel=1e-9)


def test_a_slipped_decimal_is_likelier_than_any_other_odd_reading() -> None:
    # A reads 3, B reads 3000. A display of 30 is ten times A's; both are equally far off without that.
    far = np.arcsinh([[3.0, 0.0], [300.0, 0.0]])
    two = clouds(far, np.stack([1e-3 * np.eye(2)] * 2), [0, 1])
    ten = weigh(two, {"p0": Shown(30.0, 0.1)}, {}, odd=0.02).log_likelihood
    other = weigh(two, {"p0": Shown(60.0, 0.1)}, {}, odd=0.02).log_likelihood
    assert ten[0] > other[0] + 1


def test_power_goes_off_for_a_dead_reading_and_to_touch_the_rod_wire() -> None:
    book = catalog.probes()
    place, off, on = moved_to(Place(), book["supply_hot_neutral"])
    assert (place, off, on) == (Place("on", "plugged"), 0, 0)
    place, off, on = moved_to(place, book["rod_to_ground"])
    assert (place, off, on) == (Place("on", "unplugged"), 1, 1)
    place, off, on = moved_to(place, book["ground_path"])
    assert (place, off, on) == (Place("dead", "unplugged"), 1, 0)
    place, off, on = moved_to(place, book["flame_current"])
    assert (place, off, on) == (Place("on", "series"), 0, 1)
    dear, cheap = (cost(book["ground_path"], Place(power), 70, 20) for power in ("on", "dead"))
    assert dear == cheap + 70


def test_over_limit_by_hand() -> None:
    # The display cannot show the reading with 0.8 under A and 0.2 under B; equal priors: 0.8 to 0.2.
    two = clouds(np.zeros((2, 2)), np.stack([np.eye(2)] * 2), [0, 1], over=np.array([[0.8], [0.2]]))
    _, of_fault = posterior(two, np.array([0.5, 0.5]), weigh(two, {"p0": Shown(math.inf, 0.0)}, {}, odd=1e-12))
    assert of_fault == pytest.approx([0.8, 0.2], rel=1e-9)


def test_gaussian_chain_is_the_joint_density() -> None:
    # Outside reference: scipy's multivariate normal density of the same readings, all at once.
    rng = np.random.default_rng(4)
    root = rng.normal(size=(3, 4, 4))
    cov = root @ np.swapaxes(root, 1, 2) + 0.5 * np.eye(4)
    parts = clouds(rng.normal(size=(3, 4)), cov, [0, 1, 1])
    readings = {"p2": Shown(0.7, 0.2), "p0": Shown(-1.1, 0.05), "p1": Shown(0.3, 0.4)}
    got = weigh(parts, readings, {}, odd=1e-13).log_likelihood
    x = np.array([float(stretch(readings[f"p{i}"].value, 1.0)) for i in range(3)])
    u = np.array([readings[f"p{i}"].u / math.hypot(readings[f"p{i}"].value, 1) for i in range(3)])
    for c in range(3):
        due = multivariate_normal(parts.mean[c, :3], cov[c, :3, :3] + np.diag(u**2)).logpdf(x)
        assert got[c] == pytest.approx(due, abs=1e-9)


def test_one_odd_reading_cannot_silence_the_rest() -> None:
    # Four readings fit A, the fifth is impossible under A and fits B: A must stay ahead.
    k = 5
    mean = np.array([[0.0] * k + [0.0], [3.0] * k + [0.0]])
    two = clouds(mean, np.stack([0.01 * np.eye(k + 1)] * 2), [0, 1])
    readings = {f"p{i}": Shown(math.sinh(0.0 if i < 4 else 3.0), 0.0) for i in range(k)}
    _, of_fault = posterior(two, np.array([0.5, 0.5]), weigh(two, readings, {}, odd=0.004))
    assert of_fault[0] > 0.999
    # and with no allowance for odd readings the same evidence would be hopeless: 450 standard deviations off
    strict = weigh(two, readings, {}, odd=1e-300).each["p4"]
    assert strict[0] < -400


def test_gain_of_a_perfect_and_of_an_idle_probe() -> None:
    # Four equal faults. p0 tells them apart wholly (2 bits), p1 reads the same for all (0 bits).
    mean = np.array([[10.0 * i, 1.0, 0.0] for i in range(4)])
    four = clouds(mean, np.stack([1e-4 * np.eye(3)] * 4), [0, 1, 2, 3])
    weight = np.full(4, 0.25)
    moments = weigh(four, {}, {}, odd=1e-9, keep_all=True)
    book = {f"p{i}": catalog.probes()["ground_path"] for i in range(2)}
    told = gains(Sight(four, weight, moments, lambda _, value: np.zeros_like(value), 1e-9), book)
    assert [one.bits for one in told] == pytest.approx([2.0, 0.0], abs=1e-3)


@given(st.lists(st.floats(1e-6, 1.0), min_size=1, max_size=9))
def test_entropy_is_between_nothing_and_even(weights: list[float]) -> None:
    p = np.array(weights) / sum(weights)
    assert -1e-9 <= float(entropy(p)) <= math.log2(len(p)) + 1e-9


def test_what_is_left_after_another_probe() -> None:
    # Four equal faults. p0 and p1 each tell {0,1} from {2,3}; p2 tells {0,2} from {1,3}: 1 bit each.
    mean = np.array([[0.0, 0.0, 0.0, 0.0], [0.0, 0.0, 9.0, 0.0], [9.0, 9.0, 0.0, 0.0], [9.0, 9.0, 9.0, 0.0]])
    four = clouds(mean, np.stack([1e-4 * np.eye(4)] * 4), [0, 1, 2, 3])
    sight = Sight(
        four,
        np.full(4, 0.25),
        weigh(four, {}, {}, odd=1e-9, keep_all=True),
        lambda _, value: np.zeros_like(value),
        1e-9,
    )
    assert left_after(sight, "p1", "p0") == pytest.approx(0.0, abs=1e-3)
    assert left_after(sight, "p2", "p0") == pytest.approx(1.0, abs=1e-3)


def test_a_dead_probe_is_taken_when_it_tells_the_same() -> None:
    book = catalog.probes()
    live, dead = "rod_to_ground", "rod_wire"
    assert book[live].live and not book[dead].live
    found = [Gain(live, 1.0, 0.5), Gain(dead, 0.95, 0.001)]
    assert choose(found, book, 0.02, 0.9, lambda *_: 0.05).probe == dead
    assert choose(found, book, 0.02, 0.9, lambda *_: 0.9).probe == live, "as many bits, but about something else"
    assert choose([found[0], Gain(dead, 0.5, 0.001)], book, 0.02, 0.9, lambda *_: 0.0).probe == live
    assert choose([Gain(live, 0.01, 9.0)], book, 0.02, 0.9, lambda *_: 0.0) is None


def test_probabilities_sum_to_one_and_order_does_not_matter(known: Knowledge, evidence) -> None:
    few = evidence(proves=False, only=("line_to_r", "flame_current", "ground_path"), flame_current=0.8e-6)
    first = assess(few, known)
    assert sum(p for _, p in first.ranked) == pytest.approx(1.0, abs=1e-9)
    assert min(p for _, p in first.ranked) >= 0
    for order in list(permutations(few))[::5]:
        assert assess({name: few[name] for name in order}, known) == first


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_evidence_gives_a_whole_answer(known: Knowledge, data: st.DataObject) -> None:
    from flows.faults.display import as_measured

    chosen = data.draw(st.sets(st.sampled_from(known.components.probes), max_size=8))
    given_readings = {}
    for name in sorted(chosen):
        quantity = catalog.probes()[name].quantity
        top = known.meter.function(quantity).ranges[-1].top
        given_readings[name] = as_measured(
            data.draw(st.one_of(st.just(math.inf), st.floats(0, top))), quantity, known.meter
        )
    said = assess(given_readings, known)
    assert sum(p for _, p in said.ranked) == pytest.approx(1.0, abs=1e-9)
    assert said.next_probe not in given_readings
    assert said.sentence and said.next_why


def test_safety_proofs_change_nothing(known: Knowledge, evidence) -> None:
    from flows.faults.display import as_measured

    few = evidence(only=("supply_hot_neutral", "line_to_r"))
    proof = as_measured(0.01, "ac_volts", known.meter)
    assert assess({**few, "dead_hot_neutral": proof, "dead_hot_ground": proof}, known) == assess(few, known)


def test_what_is_not_known_is_refused_in_words(known: Knowledge, evidence) -> None:
    with pytest.raises(FlowError, match="no probe called 'rod_color'"):
        assess({"rod_color": True}, known)
    with pytest.raises(FlowError, match="wrong kind"):
        assess({"line_to_r": True}, known)


def test_a_prior_moves_the_answer_and_an_empty_one_is_refused(known: Knowledge, evidence) -> None:
    flame = evidence(proves=False, flame_current=1.2e-6)
    lifting = assess(flame, with_prior(known, {"flame_lifting": 0.9, "flame_thin": 0.1}))
    thin = assess(flame, with_prior(known, {"flame_lifting": 0.1, "flame_thin": 0.9}))
    assert dict(lifting.ranked)["flame_lifting"] > dict(thin.ranked)["flame_lifting"]
    with pytest.raises(FlowError, match="gives no fault a chance"):
        with_prior(known, {"nothing": 1.0})
