"""Pictures drawn with matplotlib: the three voltages as arrows, and before and after."""

from __future__ import annotations

import io
import math

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Wedge

from assistant.colours import colour
from assistant.report.story import Pair, Phasor
from flows.judge.verdict import phase_angle

INK, SOFT, BLUE, AMBER, GREEN, RED, FAINT, PALE = map(
    colour, ("ink", "soft", "blue", "warm", "good", "bad", "faint", "pale")
)
ZONES = {"good": colour("good-zone"), "look": colour("doubt-zone"), "bad": colour("bad-zone")}
COLOUR = {"pass": GREEN, "fail": RED, "close": AMBER}
FONT = "DejaVu Sans"


def phasor_picture(phasor: Phasor) -> tuple[bytes, str]:
    """An SVG of the three voltages and a sentence that says the same.

    The supply lies along the axis. R sits on a circle of the secondary's size
    about the common point, and on another of the measured size about the hot
    wire; where both meet is the only place R can be. Bands are the meter's error.
    """
    angle = phase_angle(phasor.supply, phasor.secondary, phasor.across)
    tip = (phasor.secondary * math.cos(math.radians(angle)), phasor.secondary * math.sin(math.radians(angle)))
    figure = Figure(figsize=(7.0, 3.0))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    hot, unit = (phasor.supply, 0.0), phasor.supply / 100
    reach = max(phasor.secondary, 14 * unit)
    toward = math.degrees(math.atan2(tip[1], tip[0] - hot[0]))
    half = math.degrees(math.asin(min(0.9, 1.15 * reach / phasor.across)))
    _band(axes, hot, phasor.across, phasor.spread[2], toward - half, toward + half)
    _band(axes, (0, 0), phasor.secondary, phasor.spread[1], 0, 360)
    # Voltages that lie on one line are drawn in three lanes, with thin lines to show where they meet.
    lane = 9 * unit if abs(tip[1]) < 9 * unit else 0.0
    for at, ends in ((0.0, (0, lane)), (tip[0], (-lane, lane)), (hot[0], (-lane, 0))):
        axes.plot((at, at), ends, color=FAINT, lw=1, ls=":", zorder=0)
    start, end = (tip[0], tip[1] - lane), (hot[0], -lane)
    axes.plot((start[0], end[0]), (start[1], end[1]), color=AMBER, lw=3)
    axes.plot((start[0], end[0]), (start[1], end[1]), "o", color=AMBER, ms=6)
    _arrow(axes, (0, 0), hot, INK)
    _arrow(axes, (0, lane), (tip[0], tip[1] + lane), BLUE)
    axes.plot(0, 0, "o", color=INK, ms=7)
    outer = reach + 6 * unit
    _label(axes, (outer + hot[0]) / 2, 2.5 * unit, f"supply {phasor.supply:.1f} V", INK, "bottom")
    _label(
        axes,
        (outer + hot[0]) / 2,
        (tip[1] * (1 - outer / hot[0]) / 2) - lane - 3 * unit,
        f"hot to R {phasor.across:.1f} V",
        AMBER,
        "top",
    )
    _label(axes, 0, reach + 4 * unit, f"R to C {phasor.secondary:.1f} V", BLUE, "bottom")
    _label(axes, 0, -reach - 4 * unit, f"angle {angle:.0f}°", SOFT, "top")
    axes.set_aspect("equal")
    axes.set_xlim(-reach - 24 * unit, hot[0] + 6 * unit)
    axes.set_ylim(-reach - 16 * unit, reach + 16 * unit)
    axes.axis("off")
    where = "in phase" if angle < 45 else "out of phase" if angle > 135 else "at an angle that neither wiring gives"
    words = (
        f"Supply {phasor.supply:.1f} volts, R to C {phasor.secondary:.1f} volts, hot to R {phasor.across:.1f} volts:"
        f" the angle between them is {angle:.0f} degrees, {where}."
    )
    return _svg(figure), words


def pairs_picture(pairs: tuple[Pair, ...]) -> tuple[bytes, str]:
    """An SVG with a line for each check from before to after, each on its own scale, and a sentence that says the
    same."""
    drawn = [pair for pair in pairs if pair.before.scale and pair.after.scale and math.isfinite(pair.after.scale.value)]
    figure = Figure(figsize=(6.4, 0.35 + 0.72 * max(1, len(drawn))))
    for row, pair in enumerate(drawn):
        axes = figure.add_axes((0.33, 1 - (row + 0.9) / (len(drawn) or 1), 0.64, 0.62 / (len(drawn) or 1)))
        _one_pair(axes, pair)
    words = " ".join(
        f"{pair.title}: {pair.before.value} before, {pair.before.word}; {pair.after.value} after, {pair.after.word}."
        for pair in pairs
    )
    return _svg(figure), words


def _one_pair(axes: Axes, pair: Pair) -> None:
    before, after = pair.before.scale, pair.after.scale
    assert before is not None and after is not None  # only pairs with scales are drawn
    ends = [*before.ends(), *after.ends()]
    low, high = min(ends), max(ends)
    for zone in after.zones:
        axes.axvspan(max(zone.low, low), min(zone.high, high), color=ZONES[zone.kind], lw=0)
    start = before.value if math.isfinite(before.value) else high
    axes.annotate(
        "",
        (after.value, 0),
        (start, 0),
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.6, "shrinkA": 5, "shrinkB": 5},
    )
    for scale, taken, above in ((before, pair.before, True), (after, pair.after, False)):
        at = scale.value if math.isfinite(scale.value) else high
        axes.plot(
            at,
            0,
            "D" if above else "o",
            ms=9,
            color=COLOUR.get(taken.outcome or "", SOFT),
            mec="white",
            mew=1,
            clip_on=False,
            zorder=3,
        )
        share = (at - low) / (high - low)
        side = "left" if share < 0.15 else "right" if share > 0.85 else "center"
        axes.text(
            at,
            0.42 if above else -0.42,
            f"{'before' if above else 'after'} {taken.value}",
            ha=side,
            va="bottom" if above else "top",
            fontsize=9.5,
            color=INK,
            fontname=FONT,
        )
    axes.text(
        -0.03,
        0.5,
        pair.title,
        transform=axes.transAxes,
        ha="right",
        va="center",
        fontsize=10.5,
        color=INK,
        fontname=FONT,
    )
    axes.set_xlim(low, high)
    axes.set_ylim(-1, 1)
    axes.axis("off")


def _band(axes: Axes, centre: tuple[float, float], radius: float, half: float, start: float, end: float) -> None:
    half = max(half, 0.004 * radius)
    if end - start >= 360:
        axes.add_patch(Circle(centre, radius, fill=False, ec=FAINT, lw=1))
    axes.add_patch(Wedge(centre, radius + half, start, end, width=2 * half, fc=PALE, ec="none", zorder=0))


def _label(axes: Axes, x: float, y: float, text: str, ink: str, side: str) -> None:
    axes.text(x, y, text, color=ink, ha="center", va=side, fontsize=13, fontname=FONT)


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float], ink: str) -> None:
    axes.annotate(
        "",
        end,
        start,
        arrowprops={
            "arrowstyle": "-|>,head_width=0.35,head_length=0.8",
            "color": ink,
            "lw": 2.6,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )


def _svg(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return out.getvalue()
