"""One reading as a bar against its limits, with its uncertainty drawn: SVG written by hand.

Colours stand as attributes, so that the same picture works in the report, in
print and on a page that forbids inline styles. Every bar says in words what
it shows, and good, look and bad differ by pattern of the edge, not only by colour.
"""

from __future__ import annotations

import math
from html import escape

from assistant.colours import colour
from assistant.report.numbers import shown
from assistant.report.scale import Scale, mark_text

FILL = {"good": colour("good-zone"), "look": colour("doubt-zone"), "bad": colour("bad-zone")}
EDGE = {"good": colour("good"), "look": colour("doubt"), "bad": colour("bad")}
INK, SOFT, BLUE, QUIET, BRIGHT = map(colour, ("ink", "soft", "blue", "quiet", "bright"))
WIDTH, TOP, THICK, HEIGHT = 380.0, 6.0, 16.0, 40.0
PAD = 8.0


def bar(scale: Scale, words: str) -> str:
    """The bar as an SVG element. words: what it shows, for those who cannot see it."""
    low, high = scale.ends()

    def x(value: float) -> float:
        return PAD + (WIDTH - 2 * PAD) * min(1.0, max(0.0, (value - low) / (high - low)))

    parts = [_rect(PAD, WIDTH - PAD, TOP, THICK, QUIET)]
    for zone in scale.zones:
        parts.append(_rect(x(zone.low), x(zone.high), TOP, THICK, FILL[zone.kind]))
        if zone.kind == "bad":
            parts.append(
                f'<line x1="{x(zone.low):.1f}" x2="{x(zone.high):.1f}" y1="{TOP + THICK}" y2="{TOP + THICK}"'
                f' stroke="{EDGE["bad"]}" stroke-width="1.6" stroke-dasharray="3 2"/>'
            )
        if zone.kind == "good":
            parts.append(
                f'<line x1="{x(zone.low):.1f}" x2="{x(zone.high):.1f}" y1="{TOP + THICK}" y2="{TOP + THICK}"'
                f' stroke="{EDGE["good"]}" stroke-width="1.6"/>'
            )
    parts += _marks(scale, x)
    parts += _reading(scale, x)
    return (
        f'<svg class="bar" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" height="{HEIGHT:g}" role="img"'
        f' aria-label="{escape(words)}" font-family="DejaVu Sans, Verdana, sans-serif"'
        f' font-size="12">{"".join(parts)}</svg>'
    )


def _marks(scale: Scale, x) -> list[str]:
    """Limit lines with their words below; a word that would run into the one before moves to its other side."""
    parts, taken = [], -math.inf
    for mark in sorted(scale.marks):
        at, text = x(mark[0]), mark_text(mark, scale.quantity)
        wide = 6.9 * len(text)
        left = min(max(PAD, at - wide / 2), WIDTH - PAD - wide)
        if left < taken + 6:
            left = min(taken + 6, WIDTH - PAD - wide)
        fits = left >= taken + 2
        parts.append(
            f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{TOP - 3}" y2="{TOP + THICK + 4}" stroke="{INK}" stroke-width="1"/>'
        )
        if fits:
            parts.append(f'<text x="{left:.1f}" y="{TOP + THICK + 16}" fill="{SOFT}">{escape(text)}</text>')
            taken = left + wide
    return parts


def _reading(scale: Scale, x) -> list[str]:
    middle = TOP + THICK / 2
    if math.isinf(scale.value):
        end = WIDTH - PAD
        return [
            (
                f'<path d="M{end - 12:.1f} {middle - 6} L{end:.1f} {middle} L{end - 12:.1f} {middle + 6} Z"'
                f' fill="{BLUE}"/>'
            ),
            (
                f'<text x="{end - 18:.1f}" y="{middle + 4}" fill="{INK}"'
                f' text-anchor="end">{escape(shown(scale.value, scale.quantity))}</text>'
            ),
        ]
    if math.isnan(scale.value):
        return []
    low, high, at = x(scale.low), x(scale.high), x(scale.value)
    low, high = min(low, at - 1), max(high, at + 1)
    return [
        (
            f'<rect x="{low:.1f}" y="{middle - 3.5}" width="{high - low:.1f}" height="7" fill="{BLUE}"'
            ' fill-opacity="0.35"/>'
        ),
        (
            f'<path d="M{low:.1f} {middle - 6}V{middle + 6}M{high:.1f} {middle - 6}V{middle + 6}" stroke="{BLUE}"'
            ' stroke-width="1.4" fill="none"/>'
        ),
        (
            f'<path d="M{at:.1f} {TOP - 4}L{at + 5:.1f} {middle}L{at:.1f} {TOP + THICK + 4}L{at - 5:.1f} {middle}Z"'
            f' fill="{BLUE}" stroke="{BRIGHT}" stroke-width="1"/>'
        ),
    ]


def _rect(left: float, right: float, top: float, height: float, fill: str) -> str:
    return f'<rect x="{left:.1f}" y="{top}" width="{max(0.0, right - left):.1f}" height="{height}" fill="{fill}"/>'
