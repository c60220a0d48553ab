"""Figures of merit of the reasoning bench and their table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from tests.lab.measure.reasoning_judge import Judge
from tests.lab.measure.reasoning_world import Outcome, cycles

BINS = 10
DRAWS = 1000
Z = 1.959964
SURE = 0.9
OURS = Judge()


def wilson(hits: int, n: int) -> tuple[float, float]:
    """The 95 % Wilson score interval of a proportion. Source: Wilson, JASA 22 (1927) 209-212; formula from memory."""
    if n == 0:
        return 0.0, 1.0
    p, z2 = hits / n, Z * Z
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    reach = Z / (1 + z2 / n) * np.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return max(float(middle - reach), 0.0), min(float(middle + reach), 1.0)


def bootstrap(
    values: np.ndarray, rng: np.random.Generator, statistic: Callable[[np.ndarray], float] = np.mean
) -> tuple[float, float]:
    """The 95 % percentile bootstrap interval of a statistic over rows of `values`."""
    found = [statistic(values[rng.integers(len(values), size=len(values))]) for _ in range(DRAWS)]
    low, high = np.percentile(found, [2.5, 97.5])
    return float(low), float(high)


def first_right(one: Outcome, judge: Judge = OURS) -> bool:
    """All that the likeliest names is truly there (of two faults, one of them or both)."""
    return judge.there(one.ranked[0][0], one.truth)


def first_exact(one: Outcome, judge: Judge = OURS) -> bool:
    """The likeliest is all that is there, and each truth has its own name."""
    return judge.exact(one.ranked[0][0], one.truth)


def among_three(one: Outcome, judge: Judge = OURS) -> bool:
    """All that one of the first three names is truly there."""
    return any(judge.there(name, one.truth) for name, _ in one.ranked[:3])


def named_right(one: Outcome, judge: Judge = OURS) -> bool:
    """All that was named is truly there (one of a pair is right as far as it goes), or is mended the same way."""
    return one.named is not None and judge.mended(one.named, one.truth)


def named_wrong(one: Outcome, judge: Judge = OURS) -> bool:
    """Something was named, and it is neither there nor mended as what is there."""
    return one.named is not None and not judge.mended(one.named, one.truth)


def false_board(one: Outcome, judge: Judge = OURS) -> bool:
    """The board is condemned and is sound."""
    return one.named is not None and judge.sound_board(one.named, one.truth)


def bins(outcomes: Sequence[Outcome], judge: Judge = OURS) -> list[tuple[float, float, int, int]]:
    """For each tenth of probability that has cases: lower edge, mean probability, hits, cases."""
    chance = np.array([one.ranked[0][1] for one in outcomes])
    hit = np.array([first_right(one, judge) for one in outcomes])
    slot = np.minimum((chance * BINS).astype(int), BINS - 1)
    return [
        (k / BINS, float(chance[slot == k].mean()), int(hit[slot == k].sum()), int((slot == k).sum()))
        for k in range(BINS)
        if (slot == k).any()
    ]


def calibration_error(rows: np.ndarray) -> float:
    """Expected calibration error over BINS even bins. rows: (n, 2) of probability and hit (0 or 1)."""
    slot = np.minimum((rows[:, 0] * BINS).astype(int), BINS - 1)
    gaps = np.bincount(slot, weights=rows[:, 0] - rows[:, 1], minlength=BINS)
    return float(np.abs(gaps).sum() / len(rows))


def _share(hits: int, n: int, digits: int = 1) -> str:
    low, high = wilson(hits, n)
    return f"{100 * hits / max(n, 1):.{digits}f} % [{100 * low:.{digits}f}, {100 * high:.{digits}f}]"


def _mean(values: Sequence[float], rng: np.random.Generator, digits: int) -> str:
    array = np.asarray(values, dtype=float)
    low, high = bootstrap(array, rng)
    return f"{array.mean():.{digits}f} [{low:.{digits}f}, {high:.{digits}f}]"


def table(head: str, outcomes: Mapping[str, Sequence[Outcome]], rng: np.random.Generator, judge: Judge = OURS) -> str:
    """The whole report in Markdown. Intervals are 95 %: Wilson for shares, bootstrap for means and ECE."""
    ways = list(outcomes)

    def row(name: str, cell: Callable[[Sequence[Outcome]], str]) -> str:
        return f"| {name} | " + " | ".join(cell(outcomes[way]) for way in ways) + " |"

    def share(name: str, what: Callable[[Outcome, Judge], bool]) -> str:
        return row(name, lambda some: _share(sum(what(one, judge) for one in some), len(some)))

    sure = {way: [one for one in outcomes[way] if one.ranked[0][1] > SURE] for way in ways}
    lines = [
        "# Fault reasoning on unseen furnaces",
        "",
        head,
        "",
        "| | " + " | ".join(ways) + " |",
        "|---|" + "---|" * len(ways),
        row("furnaces", lambda some: f"{len(some):,}"),
        share("right fault first", first_right),
        share("right fault among three", among_three),
        share("exactly what is there first, pairs whole", first_exact),
        share("a fault is named", lambda one, _: one.named is not None),
        share("named, but wrong", named_wrong),
        f"| said over {SURE}, was right | "
        + " | ".join(_share(sum(first_right(one, judge) for one in sure[way]), len(sure[way])) for way in ways)
        + " |",
        f"| said over {SURE} | " + " | ".join(_share(len(sure[way]), len(outcomes[way])) for way in ways) + " |",
        row(
            "sound board condemned",
            lambda some: f"{(hits := sum(false_board(one, judge) for one in some))}: {_share(hits, len(some), 2)}",
        ),
        share("says which cannot be told apart", lambda one, _: bool(one.alike)),
        row("readings to the end", lambda some: _mean([len(one.taken) for one in some], rng, 2)),
        row("power cycles", lambda some: _mean([cycles(one.taken) for one in some], rng, 2)),
        row("calibration error (ECE)", lambda some: _ece(some, judge, rng)),
        row("reading to verdict, processor, p50 / p95 / p99", _times),
    ]
    lines += ["", "Intervals are 95 %: Wilson for shares, bootstrap for means and for ECE.", ""]
    for way in ways:
        if outcomes[way] and outcomes[way][0].millis:
            lines += [
                f"## Reliability: {way}",
                "",
                "| probability said | mean said | found right | furnaces |",
                "|---|---|---|---|",
            ]
            for low, mean, hits, n in bins(outcomes[way], judge):
                a, b = wilson(hits, n)
                lines.append(
                    f"| {low:.1f} to {low + 1 / BINS:.1f} | {mean:.3f} | {hits / n:.3f} [{a:.3f}, {b:.3f}] | {n:,} |"
                )
            lines.append("")
    return "\n".join([*lines, *_confusion(outcomes[ways[0]], judge), *_truths(outcomes[ways[0]], judge)]) + "\n"


def _confusion(outcomes: Sequence[Outcome], judge: Judge) -> list[str]:
    missed = Counter(
        (one.truth, one.ranked[0][0], one.named == one.ranked[0][0]) for one in outcomes if not first_right(one, judge)
    )
    lines = [
        "## What is taken for what, commonest first",
        "",
        "| truth | likeliest | named | furnaces |",
        "|---|---|---|---|",
    ]
    return [
        *lines,
        *(
            f"| {truth} | {said} | {'yes' if named else 'no'} | {n} |"
            for (truth, said, named), n in missed.most_common(40)
        ),
        "",
    ]


def _truths(outcomes: Sequence[Outcome], judge: Judge) -> list[str]:
    lines = [
        "## Each single truth",
        "",
        "| truth | furnaces | first | among three | named right | named wrong | cannot tell |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, n in sorted(Counter(one.truth for one in outcomes if "+" not in one.truth).items()):
        mine = [one for one in outcomes if one.truth == name]
        shares = [
            sum(what(one, judge) for one in mine) / n
            for what in (first_right, among_three, named_right, named_wrong, lambda one, _: bool(one.alike))
        ]
        lines.append(f"| {name} | {n} | " + " | ".join(f"{100 * share:.0f} %" for share in shares) + " |")
    return lines


def _ece(outcomes: Sequence[Outcome], judge: Judge, rng: np.random.Generator) -> str:
    if not outcomes or not outcomes[0].millis:
        return "–"
    rows = np.array([(one.ranked[0][1], float(first_right(one, judge))) for one in outcomes])
    low, high = bootstrap(rows, rng, calibration_error)
    return f"{calibration_error(rows):.3f} [{low:.3f}, {high:.3f}]"


def _times(outcomes: Sequence[Outcome]) -> str:
    millis = [one[1] for outcome in outcomes for one in outcome.millis]
    return " / ".join(f"{value:.0f} ms" for value in np.percentile(millis, [50, 95, 99])) if millis else "–"
