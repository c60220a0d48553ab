"""Charts as SVG, written by hand: small enough to be read on a telephone, and many of them side by side on a desk.

Colours come from the page's style sheet by class, so no style stands in the
picture. Every chart says in words what it shows; numbers that it draws stand
in a table beside it or in its titles.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape

from markupsafe import Markup

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def month_name(month: int) -> str:
    """ "Mar 2026" """
    return f"{MONTHS[month % 12]} {month // 12}"


def stacked(parts: Sequence[tuple[str, int, str]], most: int, words: str) -> Markup:
    """One bar of parts: (name, count, class), on a scale where `most` fills the width."""
    out, left = [], 0.0
    for name, count, kind in parts:
        width = 300 * count / max(1, most)
        out.append(
            f'<rect class="{escape(kind)}" x="{left:.1f}" y="0" width="{max(0.0, width - 1):.1f}" height="22"'
            f' rx="2"><title>{escape(name)}: {count}</title></rect>'
        )
        left += width
    return _svg("stack", 300, 22, words, out, stretch=True)


def spark(values: Sequence[float], words: str) -> Markup:
    """A small line without an axis; the last value is dotted."""
    if not values:
        return Markup("")
    top, low = max(values), min(0.0, min(values))
    x = _scale(0, max(1, len(values) - 1), 3, 107)
    y = _scale(low, top if top > low else low + 1, 27, 4)
    line = " ".join(f"{x(place):.1f},{y(value):.1f}" for place, value in enumerate(values))
    return _svg(
        "spark",
        110,
        30,
        words,
        [
            f'<polyline class="line" points="{line}"/>',
            f'<circle class="dot" cx="{x(len(values) - 1):.1f}" cy="{y(values[-1]):.1f}" r="3"/>',
        ],
    )


def over_months(
    points: Sequence[tuple[int, float, float]],
    limits: Sequence[tuple[float, str]],
    unit: str,
    words: str,
    floor: float | None = None,
) -> Markup:
    """Means by month, (month, mean, spread), as a line in a band of one spread, with limits as dashed lines."""
    if not points:
        return Markup("")
    lows = [mean - spread for _, mean, spread in points] + [value for value, _ in limits]
    highs = [mean + spread for _, mean, spread in points] + [value for value, _ in limits]
    low, high = min(lows), max(highs)
    room = (high - low) * 0.08 or abs(high) * 0.1 or 1.0
    low, high = (floor if floor is not None else low - room), high + room
    ticks = _ticks(low, high)
    x, y = _scale(points[0][0], max(points[-1][0], points[0][0] + 1), 40, 330), _scale(low, high, 172, 8)
    out = [
        f'<line class="grid" x1="40" x2="330" y1="{y(tick):.1f}" y2="{y(tick):.1f}"/><text class="tick" x="35"'
        f' y="{y(tick) + 4:.1f}" text-anchor="end">{_short(tick)}</text>'
        for tick in ticks
    ]
    out.append(f'<text class="tick" x="4" y="196">{escape(unit)}</text>')
    years = [month for month in range(points[0][0], points[-1][0] + 1) if month % 12 == 0]
    every = max(1, math.ceil(len(years) / 6))
    out += [
        f'<line class="grid" x1="{x(month):.1f}" x2="{x(month):.1f}" y1="8" y2="176"/><text class="tick"'
        f' x="{x(month):.1f}" y="190" text-anchor="middle">{month // 12}</text>'
        for month in years[::every]
    ]
    band = [(month, mean + spread) for month, mean, spread in points] + [
        (month, mean - spread) for month, mean, spread in reversed(points)
    ]
    out.append(
        f'<polygon class="band" points="{" ".join(f"{x(month):.1f},{y(value):.1f}" for month, value in band)}"/>'
    )
    named: list[str] = []
    for value, name in limits:
        out.append(f'<line class="limit" x1="40" x2="330" y1="{y(value):.1f}" y2="{y(value):.1f}"/>')
        named.append(f'<text class="limit-name" x="44" y="{y(value) - 4:.1f}">{escape(name)}</text>')
    out.append(
        f'<polyline class="line" points="{" ".join(f"{x(month):.1f},{y(mean):.1f}" for month, mean, _ in points)}"/>'
    )
    out += [
        f'<circle class="point" cx="{x(month):.1f}" cy="{y(mean):.1f}" r="4"><title>{month_name(month)}: {_short(mean)}'
        f" {escape(unit)}</title></circle>"
        for month, mean, _ in points
    ]
    return _svg("months", 340, 200, words, [*out, *named])


def scatter_line(points: Sequence[tuple[float, float]], limit: float | None, words: str) -> Markup:
    """One furnace's readings over time, (years, value), with a line of best fit and a limit."""
    if len(points) < 2:
        return Markup("")
    values = [value for _, value in points] + ([limit] if limit is not None else [])
    low, high = min(0.0, *values), max(values) * 1.1 or 1.0
    x, y = (
        _scale(points[0][0], points[-1][0] if points[-1][0] > points[0][0] else points[0][0] + 1, 8, 202),
        _scale(low, high, 62, 6),
    )
    out = [f'<line class="grid" x1="4" x2="206" y1="{y(0):.1f}" y2="{y(0):.1f}"/>']
    if limit is not None:
        out.append(f'<line class="limit" x1="4" x2="206" y1="{y(limit):.1f}" y2="{y(limit):.1f}"/>')
    mean_t, mean_v = sum(at for at, _ in points) / len(points), sum(value for _, value in points) / len(points)
    spread = sum((at - mean_t) ** 2 for at, _ in points)
    if spread:
        slope = sum((at - mean_t) * (value - mean_v) for at, value in points) / spread
        ends = [(at, mean_v + slope * (at - mean_t)) for at in (points[0][0], points[-1][0])]
        out.append(
            f'<line class="fit" x1="{x(ends[0][0]):.1f}" y1="{y(ends[0][1]):.1f}" x2="{x(ends[1][0]):.1f}"'
            f' y2="{y(ends[1][1]):.1f}"/>'
        )
    out += [f'<circle class="point" cx="{x(at):.1f}" cy="{y(value):.1f}" r="3.5"/>' for at, value in points]
    return _svg("furnace", 210, 68, words, out)


def ribbons(whole: int, parts: Sequence[tuple[str, int, str]], words: str) -> Markup:
    """From one block on the left a ribbon to each part on the right: (name, count, class)."""
    shown = [part for part in parts if part[1]]
    total = max(1, sum(count for _, count, _ in shown))
    gap, height = 14.0, 190.0
    free = height - gap * max(0, len(shown) - 1)
    out = [f'<rect class="whole" x="0" y="5" width="12" height="{height:.0f}" rx="2"/>']
    left, right = 5.0, 5.0
    for name, count, kind in shown:
        a, b = height * count / total, max(3.0, free * count / total)
        out.append(
            f'<path class="ribbon {escape(kind)}" d="M12 {left:.1f}C80 {left:.1f} 80 {right:.1f} 150'
            f" {right:.1f}V{right + b:.1f}C80 {right + b:.1f} 80 {left + a:.1f} 12"
            f' {left + a:.1f}Z"><title>{escape(name)}: {count} of {whole}</title></path>'
        )
        out.append(
            f'<rect class="{escape(kind)}" x="150" y="{right:.1f}" width="9" height="{b:.1f}" rx="2"/><text'
            f' class="ribbon-name" x="166" y="{right + b / 2 + 4:.1f}"><tspan class="strong">{count}</tspan>'
            f" {escape(name)}</text>"
        )
        left, right = left + a, right + b + gap
    return _svg("ribbons", 360, 202, words, out)


def _scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    span = (high - low) or 1.0
    return lambda value: start + (end - start) * (value - low) / span


def _ticks(low: float, high: float) -> list[float]:
    """Three to six round numbers between low and high."""
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough)) if rough > 0 else 1.0
    step = next(one * power for one in (1, 2, 2.5, 5, 10) if one * power >= rough * 0.999)
    first = math.ceil(low / step)
    return [number * step for number in range(first, math.floor(high / step) + 1)]


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def _svg(kind: str, width: int, height: int, words: str, parts: list[str], stretch: bool = False) -> Markup:
    fit = ' preserveAspectRatio="none"' if stretch else ""
    return Markup(
        f'<svg class="chart {kind}" viewBox="0 0 {width} {height}"{fit} role="img"'
        f' aria-label="{escape(words)}">{"".join(parts)}</svg>'
    )
