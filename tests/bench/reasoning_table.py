"""Figures of merit of the reasoning bench and their table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from flows.faults import catalog
from flows.reason import repair
from tests.bench.reasoning_world import Outcome, is_board

BINS = 10
DRAWS = 1000
Z = 1.959964


def wilson(hits: int, n: int) -> tuple[float, float]:
    """The 95 % Wilson score interval of a proportion. Source: Wilson, JASA 22 (1927) 209-212; formula from memory."""
    if n == 0:
        return 0.0, 1.0
    p, z2 = hits / n, Z * Z
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    reach = Z / (1 + z2 / n) * np.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return max(float(middle - reach), 0.0), min(float(middle + reach), 1.0)


def bootstrap(values: np.ndarray, rng: np.random.Generator, statistic: Callable[[np.ndarray], float] = np.mean) -> tuple[float, float]:
    """The 95 % percentile bootstrap interval of a statistic over rows of `values`."""
    found = [statistic(values[rng.integers(len(values), size=len(values))]) for _ in range(DRAWS)]
    low, high = np.percentile(found, [2.5, 97.5])
    return float(low), float(high)


def first_right(one: Outcome) -> bool:
    """The likeliest is the true fault, or for a pair the very pair."""
    return one.ranked[0][0] == one.truth


def first_true(one: Outcome) -> bool:
    """All that the likeliest names is truly there."""
    return set(catalog.parts(one.ranked[0][0])) <= set(catalog.parts(one.truth))


def among_three(one: Outcome) -> bool:
    """The true fault or pair is among the first three."""
    return one.truth in [name for name, _ in one.ranked[:3]]


def named_right(one: Outcome) -> bool:
    """All that was named is truly there (one of a pair is right as far as it goes), or is mended the same way."""
    if one.named is None:
        return False
    return set(catalog.parts(one.named)) <= set(catalog.parts(one.truth)) or set(repair(one.named)) <= set(repair(one.truth))


def false_board(one: Outcome) -> bool:
    """The board is condemned and is sound."""
    return is_board(one.named) and not is_board(one.truth)


def bins(outcomes: Sequence[Outcome]) -> list[tuple[float, float, int, int]]:
    """For each tenth of probability that has cases: lower edge, mean probability, hits, cases."""
    chance = np.array([one.ranked[0][1] for one in outcomes])
    hit = np.array([first_right(one) for one in outcomes])
    slot = np.minimum((chance * BINS).astype(int), BINS - 1)
    return [(k / BINS, float(chance[slot == k].mean()), int(hit[slot == k].sum()), int((slot == k).sum())) for k in range(BINS) if (slot == k).any()]


def calibration_error(rows: np.ndarray) -> float:
    """Expected calibration error over BINS even bins. rows: (n, 2) of probability and hit (0 or 1)."""
    slot = np.minimum((rows[:, 0] * BINS).astype(int), BINS - 1)
    gaps = np.bincount(slot, weights=rows[:, 0] - rows[:, 1], minlength=BINS)
    return float(np.abs(gaps).sum() / len(rows))


def _share(outcomes: Sequence[Outcome], what: Callable[[Outcome], bool]) -> str:
    hits = sum(what(one) for one in outcomes)
    low, high = wilson(hits, len(outcomes))
    return f"{100 * hits / max(len(outcomes), 1):.1f} % [{100 * low:.1f}, {100 * high:.1f}]"


def _fine_share(outcomes: Sequence[Outcome], what: Callable[[Outcome], bool]) -> str:
    hits = sum(what(one) for one in outcomes)
    low, high = wilson(hits, len(outcomes))
    return f"{100 * hits / max(len(outcomes), 1):.2f} % ({hits}) [{100 * low:.2f}, {100 * high:.2f}]"


def _mean(values: Sequence[float], rng: np.random.Generator, digits: int) -> str:
    array = np.asarray(values, dtype=float)
    low, high = bootstrap(array, rng)
    return f"{array.mean():.{digits}f} [{low:.{digits}f}, {high:.{digits}f}]"


def table(head: str, outcomes: Mapping[str, Sequence[Outcome]], rng: np.random.Generator) -> str:
    """The whole report in Markdown. Intervals are 95 %: Wilson for shares, bootstrap for means and ECE."""
    ways = list(outcomes)
    singles = {way: [one for one in outcomes[way] if len(catalog.parts(one.truth)) == 1] for way in ways}
    pairs = {way: [one for one in outcomes[way] if len(catalog.parts(one.truth)) == 2] for way in ways}
    named = {way: [one for one in outcomes[way] if one.named is not None] for way in ways}
    boards = {way: [one for one in outcomes[way] if is_board(one.truth)] for way in ways}
    rows: list[tuple[str, list[str]]] = [
        ("furnaces", [f"{len(outcomes[way]):,}" for way in ways]),
        ("likeliest is the true fault (top 1)", [_share(outcomes[way], first_right) for way in ways]),
        ("among the first three (top 3)", [_share(outcomes[way], among_three) for way in ways]),
        ("top 1, single faults and healthy", [_share(singles[way], first_right) for way in ways]),
        ("top 1 of two faults: one of them or both", [_share(pairs[way], first_true) for way in ways]),
        ("top 1 of two faults: the exact pair", [_share(pairs[way], first_right) for way in ways]),
        ("a fault is named", [_share(outcomes[way], lambda one: one.named is not None) for way in ways]),
        ("of those named, right or mended the same way", [_share(named[way], named_right) for way in ways]),
        ("says a meter cannot tell", [_share(outcomes[way], lambda one: bool(one.alike)) for way in ways]),
        ("sound board condemned", [_fine_share(outcomes[way], false_board) for way in ways]),
        ("bad board named", [_share(boards[way], lambda one: is_board(one.named)) for way in ways]),
        ("readings to the verdict", [_mean([len(one.taken) for one in outcomes[way]], rng, 2) for way in ways]),
        ("seconds of readings", [_mean([one.seconds for one in outcomes[way]], rng, 0) for way in ways]),
        ("calibration error (ECE)", [_ece(outcomes[way], rng) if way.startswith("reasoner") else "–" for way in ways]),
        ("reading to verdict, wall, p50 / p95 / p99", [_times(outcomes[way], 0) for way in ways]),
        ("reading to verdict, processor, p50 / p95 / p99", [_times(outcomes[way], 1) for way in ways]),
    ]
    lines = ["# Fault reasoning on unseen furnaces", "", head, "", "| | " + " | ".join(ways) + " |", "|---|" + "---|" * len(ways)]
    lines += [f"| {name} | " + " | ".join(cells) + " |" for name, cells in rows]
    lines += ["", "Intervals are 95 %: Wilson for shares, bootstrap for means and for ECE. Readings are free of mishearing unless said above.", ""]
    for way in ways:
        if way.startswith("reasoner"):
            lines += [f"## Reliability: {way}", "", "| probability said | mean said | found right | furnaces |", "|---|---|---|---|"]
            for low, mean, hits, n in bins(outcomes[way]):
                a, b = wilson(hits, n)
                lines.append(f"| {low:.1f} to {low + 1 / BINS:.1f} | {mean:.3f} | {hits / n:.3f} [{a:.3f}, {b:.3f}] | {n:,} |")
            lines.append("")
    lines += ["## Each single fault: reasoner", "", "| fault | furnaces | top 1 | top 3 | named right | meter cannot tell |", "|---|---|---|---|---|---|"]
    for name in catalog.faults().faults:
        mine = [one for one in outcomes["reasoner"] if one.truth == name]
        if mine:
            shares = [sum(what(one) for one in mine) / len(mine) for what in (first_right, among_three, named_right, lambda one: bool(one.alike))]
            lines.append(f"| {name} | {len(mine)} | " + " | ".join(f"{100 * share:.0f} %" for share in shares) + " |")
    return "\n".join(lines) + "\n"


def _ece(outcomes: Sequence[Outcome], rng: np.random.Generator) -> str:
    rows = np.array([(one.ranked[0][1], float(first_right(one))) for one in outcomes])
    low, high = bootstrap(rows, rng, calibration_error)
    return f"{calibration_error(rows):.3f} [{low:.3f}, {high:.3f}]"


def _times(outcomes: Sequence[Outcome], which: int) -> str:
    millis = [one[which] for outcome in outcomes for one in outcome.millis]
    return " / ".join(f"{value:.0f} ms" for value in np.percentile(millis, [50, 95, 99])) if millis else "–"
