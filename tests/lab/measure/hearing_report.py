"""The benchmark's table and plot, and their place in the README."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import jiwer

from assistant.colours import CHART, colour
from grammar.answers import Command
from tests.lab.measure.hearing_cases import SNRS
from tests.lab.measure.hearing_judge import Judged
from tests.lab.measure.hearing_stats import percentile, wilson

BEGIN, END = "<!-- hearing:begin -->", "<!-- hearing:end -->"
RESULTS = Path(__file__).parent / "results"


@dataclass(frozen=True)
class Column:
    """One engine's results.

    slips: for each wrong reading the chance that it stands after the read-back.
    again: the cases below number `again_below` that were asked again, said once
    more; again_slips: the same chance for each reading that is wrong then.
    """

    name: str
    cases: Sequence[Judged]
    slips: Sequence[float] = ()
    again: Sequence[Judged] = ()
    again_slips: Sequence[float] = ()
    again_below: int = 0


def rate(hits: float, total: int) -> str:
    """ "97.1 % (96.2 to 97.8)": a rate with its 95 % Wilson interval; a dash without cases."""
    if not total:
        return "–"
    low, high = wilson(hits, total)
    return f"{100 * hits / total:.1f} % ({100 * low:.1f}–{100 * high:.1f})"


def share(cases: Sequence[Judged], keep: Callable[[Judged], bool], hit: Callable[[Judged], bool]) -> str:
    """The rate of `hit` among the cases that `keep` keeps."""
    kept = [one for one in cases if keep(one)]
    return rate(sum(map(hit, kept)), len(kept))


def inside(one: Judged) -> bool:
    """Speech that was an answer."""
    return one.case.kind != "outside"


def spoken_by_person(one: Judged) -> bool:
    return one.case.voice == "recorded"


def false_alarm(one: Judged) -> bool:
    """Gas was heard where nobody said so: a warning that has to be called off, and nothing on record."""
    return one.outcome == "wrong" and isinstance(one.answer, Command) and one.answer.id == "gas"


def word_errors(cases: Sequence[Judged]) -> float:
    """Word error rate of answers and readings (0 to 1 and above); nan without words."""
    pairs = [(one.said, one.text) for one in cases if inside(one)]
    return float(jiwer.wer([said for said, _ in pairs], [text for _, text in pairs])) if pairs else float("nan")


def rows(column: Column) -> dict[str, str]:
    """Every line of the table for one engine."""
    cases = column.cases
    found = {"utterances": f"{len(cases):,}"}
    for snr in SNRS:
        at = [one for one in cases if one.case.snr == snr and inside(one)]
        found[f"right, {snr} dB"] = rate(sum(one.outcome == "right" for one in at), len(at))
        found[f"right or asked again, {snr} dB"] = rate(sum(one.outcome != "wrong" for one in at), len(at))
    tried = [one for one in cases if one.case.number < column.again_below and inside(one)]
    if column.again:
        for snr in SNRS:
            at = [one for one in tried if one.case.snr == snr]
            later = [one for one in column.again if one.case.snr == snr]
            found[f"right at once or said again, {snr} dB"] = rate(
                sum(one.outcome == "right" for one in (*at, *later)), len(at)
            )
        found["wrong when said again"] = rate(sum(one.outcome == "wrong" for one in column.again), len(tried))
    people = [one for one in cases if spoken_by_person(one) and inside(one)]
    for snr in SNRS[:3]:
        at = [one for one in people if one.case.snr == snr]
        found[f"recorded people right, {snr} dB"] = rate(sum(one.outcome == "right" for one in at), len(at))
    found["wrong, before read-back"] = share(cases, inside, lambda one: one.outcome == "wrong")
    readings = [one for one in cases if one.case.kind == "reading"]
    if readings and column.slips is not None:
        once = 10_000 * sum(column.slips) / len(readings)
        found["wrong reading accepted, after read-back"] = f"{once:.1f} in 10,000 readings"
        if column.again:
            again = 10_000 * sum(column.again_slips) / max(1, sum(one.case.kind == "reading" for one in tried))
            found["the same, second tries included"] = f"{once + again:.1f} in 10,000 readings"
    found["talk taken as an answer"] = share(
        cases, lambda one: not inside(one), lambda one: one.outcome == "wrong" and not false_alarm(one)
    )
    found["talk taken for a gas alarm"] = share(cases, lambda one: not inside(one), false_alarm)
    found["word error rate"] = f"{100 * word_errors(cases):.1f} %"
    found["real-time factor, median"] = (
        f"{percentile([one.factor for one in cases if not math.isnan(one.factor)], 0.5):.3f}"
    )
    delays = [one.delay for one in cases if one.delay is not None and inside(one) and one.delay > 0]
    found["end of speech to result, median / p95"] = (
        f"{1000 * percentile(delays, 0.5):.0f} / {1000 * percentile(delays, 0.95):.0f} ms"
    )
    return found


def table(columns: Sequence[Column]) -> str:
    """A Markdown table, engines side by side."""
    made = [rows(column) for column in columns]
    lines = ["| | " + " | ".join(column.name for column in columns) + " |", "|---|" + "---|" * len(columns)]
    for name in made[0]:
        lines.append(f"| {name} | " + " | ".join(one.get(name, "–") for one in made) + " |")
    return "\n".join(lines)


SHORT = {
    "right at once, 20 / 10 / 5 dB": ("right, 20 dB", "right, 10 dB", "right, 5 dB"),
    "right or asked again, 20 / 10 / 5 dB": (
        "right or asked again, 20 dB",
        "right or asked again, 10 dB",
        "right or asked again, 5 dB",
    ),
    "recorded people right at once, 20 / 10 / 5 dB": (
        "recorded people right, 20 dB",
        "recorded people right, 10 dB",
        "recorded people right, 5 dB",
    ),
    "wrong reading accepted after read-back, second tries included": ("the same, second tries included",),
    "talk taken as an answer; for a gas alarm": ("talk taken as an answer", "talk taken for a gas alarm"),
}
"""Row of the README's table -> rows of the whole one that it puts together."""


def short_table(column: Column) -> str:
    """Five rows of one engine for people who want to know whether it will hear them. A row that was not measured says
    so."""
    found = rows(column)
    lines = [f"| of {found['utterances']} utterances | |", "|---|---|"]
    lines += [
        f"| {name} | {'; '.join(found.get(one, 'not measured') for one in parts)} |" for name, parts in SHORT.items()
    ]
    return "\n".join(lines)


def breakdown(cases: Sequence[Judged], field: str) -> str:
    """Right, asked again and wrong by one property of the case ("noise", "room", "band", "voice", "scope")."""
    lines = [f"| {field} | right | asked again | wrong | cases |", "|---|---|---|---|---|"]
    kept = [one for one in cases if inside(one)]
    for value in sorted({getattr(one.case, field) for one in kept}):
        some = [one for one in kept if getattr(one.case, field) == value]
        shares = [100 * sum(one.outcome == name for one in some) / len(some) for name in ("right", "asked", "wrong")]
        lines.append(f"| {value} | {shares[0]:.1f} % | {shares[1]:.1f} % | {shares[2]:.1f} % | {len(some)} |")
    return "\n".join(lines)


def plot(columns: Sequence[Column], path: Path) -> None:
    """Right and wrong against the ratio of speech to noise, with 95 % intervals."""
    # only who makes the plot needs the library
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(9, 3.6), sharex=True, layout="constrained")
    for number, column in enumerate(columns):
        for axis, name in zip(axes, ("right", "wrong"), strict=True):
            middles, lows, highs = [], [], []
            for snr in SNRS:
                at = [one for one in column.cases if one.case.snr == snr and inside(one)]
                hits = sum(one.outcome == name for one in at)
                low, high = wilson(hits, len(at))
                middle = hits / len(at) if at else 0.0
                middles.append(100 * middle)
                lows.append(100 * (middle - low))
                highs.append(100 * (high - middle))
            places = [snr + 0.25 * (number - (len(columns) - 1) / 2) for snr in SNRS]
            axis.errorbar(
                places,
                middles,
                yerr=[[max(one, 0) for one in lows], [max(one, 0) for one in highs]],
                marker="os^Dv"[number % 5],
                capsize=3,
                color=colour(CHART[number % len(CHART)]),
                label=column.name,
            )
    for axis, name in zip(axes, ("understood right", "taken wrong, before read-back"), strict=True):
        axis.set_title(name, fontsize=10)
        axis.set_xlabel("speech over noise, dB")
        axis.set_ylim(0, 100)
        axis.set_xticks(SNRS)
        axis.grid(color=colour("rule"))
        axis.tick_params(colors=colour("ink"))
    axes[0].set_ylabel("% of utterances")
    axes[1].legend(fontsize=8)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def put_between_markers(readme: Path, text: str) -> None:
    """Replace what stands between the markers. Raises ValueError when the README lacks them."""
    whole = readme.read_text(encoding="utf-8")
    if whole.count(BEGIN) != 1 or whole.count(END) != 1 or whole.index(BEGIN) > whole.index(END):
        raise ValueError(f"{readme.name} needs one line '{BEGIN}' and, after it, one line '{END}'.")
    before, after = whole.split(BEGIN)[0], whole.split(END)[1]
    readme.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", encoding="utf-8")
