"""Pictures of the reasoning bench: which fault is taken for which, and how far probabilities can be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import matplotlib
import numpy as np

matplotlib.use("Agg")

from matplotlib import pyplot as plt
from matplotlib.colors import LinearSegmentedColormap

from assistant.colours import colour
from tests.lab.measure.reasoning_judge import Judge
from tests.lab.measure.reasoning_table import OURS, bins, wilson
from tests.lab.measure.reasoning_world import Outcome

PAPER, INK, SOFT, RIGHT, WRONG, GRID = map(colour, ("card", "ink", "edge", "f0", "f4", "rule"))
OTHER = "something else"
FEW = 20


def confusion(outcomes: Sequence[Outcome], path: Path, judge: Judge = OURS) -> None:
    """Rows: the single truth; columns: what the likeliest stands for; percent of the row."""
    names = sorted({one.truth for one in outcomes if "+" not in one.truth})
    said = [("+".join(sorted(judge.said(one.ranked[0][0]))), one) for one in outcomes if one.truth in names]
    columns = [*names, OTHER]
    count = np.zeros((len(names), len(columns)))
    for name, one in said:
        # A truth that the product has no name of its own for counts where its one name is right.
        name = one.truth if judge.there(one.ranked[0][0], one.truth) else name
        count[names.index(one.truth), columns.index(name if name in names else OTHER)] += 1
    total = count.sum(axis=1)
    share = 100 * count / np.maximum(total, 1)[:, None]
    right = LinearSegmentedColormap.from_list("right", [PAPER, RIGHT])
    wrong = LinearSegmentedColormap.from_list("wrong", [PAPER, WRONG])
    cells = np.ones((*share.shape, 3))
    for i in range(len(names)):
        for j in range(len(columns)):
            strength = share[i, j] / 100
            if strength >= 0.005:
                cells[i, j] = (right(0.12 + 0.88 * strength) if i == j else wrong(min(0.15 + 1.4 * strength, 1.0)))[:3]
    figure, axes = plt.subplots(figsize=(15, 13.2), dpi=110)
    axes.imshow(cells, aspect="equal")
    for i in range(len(names)):
        for j in range(len(columns)):
            if share[i, j] >= 0.5:
                dark = share[i, j] > (55 if i == j else 40)
                axes.text(
                    j, i, f"{share[i, j]:.0f}", ha="center", va="center", fontsize=7.5, color=PAPER if dark else INK
                )
    _frame(axes, names, columns, total)
    figure.suptitle(
        "Which fault is taken for which", x=0.015, y=0.985, ha="left", fontsize=17, fontweight="bold", color=INK
    )
    figure.text(
        0.015,
        0.955,
        f"Likeliest fault when the reasoner stops asking. {int(total.sum()):,} invented furnaces with one fault or "
        "none; percent of each row, below half a percent left blank.",
        ha="left",
        va="top",
        fontsize=10.5,
        color=INK,
    )
    figure.subplots_adjust(left=0.2, right=0.98, top=0.93, bottom=0.17)
    figure.savefig(path, facecolor=PAPER)
    plt.close(figure)


def _frame(axes: plt.Axes, names: Sequence[str], columns: Sequence[str], total: np.ndarray) -> None:
    labels = [name.replace("_", " ") for name in names]
    axes.set_yticks(
        range(len(names)),
        [f"{label}  ({int(n)})" for label, n in zip(labels, total, strict=True)],
        fontsize=9,
        color=INK,
    )
    axes.set_xticks(range(len(columns)), [*labels, OTHER], rotation=90, fontsize=9, color=INK)
    axes.set_ylabel("true fault (furnaces)", fontsize=11, color=INK)
    axes.set_xlabel("likeliest fault", fontsize=11, color=INK)
    axes.tick_params(length=0)
    axes.set_xticks(np.arange(len(columns)) - 0.5, minor=True)
    axes.set_yticks(np.arange(len(names)) - 0.5, minor=True)
    axes.grid(which="minor", color=GRID, linewidth=0.6)
    axes.tick_params(which="minor", length=0)
    for side in axes.spines.values():
        side.set_visible(False)


def reliability(outcomes: Mapping[str, Sequence[Outcome]], path: Path, judge: Judge = OURS) -> None:
    """Probability said against share found right, with 95 % Wilson bars; below, how often each was said."""
    figure, (axes, below) = plt.subplots(2, 1, figsize=(7.2, 8.2), dpi=130, height_ratios=[3.2, 1], sharex=True)
    axes.plot([0, 1], [0, 1], color=SOFT, linewidth=1, linestyle=(0, (4, 3)))
    axes.text(0.17, 0.2, "as said", rotation=41, fontsize=9, color=SOFT, ha="center")
    for k, (way, mine) in enumerate(outcomes.items()):
        # Few cases say little: their bins stay in the bars below and in the table.
        table = [row for row in bins(mine, judge) if row[3] >= FEW]
        said = np.array([row[1] for row in table])
        found = np.array([row[2] / row[3] for row in table])
        ends = np.array([wilson(row[2], row[3]) for row in table]).reshape(-1, 2)
        colour = (RIGHT, WRONG)[k]
        axes.errorbar(
            said,
            found,
            yerr=[found - ends[:, 0], ends[:, 1] - found],
            color=colour,
            marker="os"[k],
            markersize=6,
            linewidth=1.6,
            elinewidth=1,
            capsize=2.5,
            label=way,
        )
        below.bar(
            np.array([row[0] for row in table]) + 0.03 + 0.04 * k,
            [row[3] / len(mine) for row in table],
            width=0.037,
            color=colour,
        )
    axes.set_ylabel("share found right", color=INK)
    below.set_ylabel("share of furnaces", color=INK)
    below.set_xlabel("probability said of the likeliest fault", color=INK)
    axes.set_xlim(0, 1.01)
    axes.set_ylim(0, 1.03)
    axes.legend(frameon=False, loc="upper left", fontsize=10)
    for one in (axes, below):
        one.tick_params(colors=INK, labelsize=9)
        one.grid(color=GRID)
        one.set_axisbelow(True)
        for side in ("top", "right"):
            one.spines[side].set_visible(False)
        for side in ("left", "bottom"):
            one.spines[side].set_color(SOFT)
    figure.suptitle(
        "How far the probabilities can be trusted", x=0.03, ha="left", fontsize=14, fontweight="bold", color=INK
    )
    figure.text(
        0.03,
        0.945,
        f"Invented furnaces. Bars: 95 % (Wilson). Tenths with fewer than {FEW} furnaces are not drawn above.",
        fontsize=9,
        color=INK,
        va="top",
    )
    figure.tight_layout(rect=(0, 0, 1, 0.945))
    figure.savefig(path, facecolor=PAPER)
    plt.close(figure)
