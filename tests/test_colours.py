"""One palette, readable on its grounds: W3C, Web Content Accessibility Guidelines 2.2."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest
from pydantic import ValidationError

from assistant.colours import CHART, Palette, colour, css, filled, palette

ROOT = Path(__file__).parents[1]
STYLES = ("assistant/desk/static/desk.css", "assistant/report/report.css")
WRITTEN = re.compile(r"""["'(: ]#[0-9a-fA-F]{3,8}\b""")
DRAWN = ("*.py", "*.css", "*.html", "*.js")


def luminance(value: str) -> float:
    """Relative luminance as WCAG 2.2 defines it under "relative luminance"."""
    shares = [int(value[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it under "contrast ratio"."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


# Ends of the scale by the definition itself; #767676 on white is the W3C's example of a grey that just passes
# (Understanding SC 1.4.3, from memory).
@pytest.mark.parametrize(("one", "ratio"), [("#000000", 21.0), ("#ffffff", 1.0), ("#767676", 4.54)])
def test_contrast_is_reckoned_as_the_guidelines_say(one, ratio):
    assert contrast(one, "#ffffff") == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize(
    ("text", "ground"), [(text, one) for text, grounds in palette().written_on.items() for one in grounds]
)
def test_text_can_be_read(text, ground):
    """Success criterion 1.4.3, level AA: 4.5 to 1."""
    assert contrast(colour(text), colour(ground)) >= 4.5


@pytest.mark.parametrize("name", palette().graphics.seen)
def test_what_a_picture_tells_can_be_seen(name):
    """Success criterion 1.4.11, level AA: 3 to 1."""
    assert contrast(colour(name), colour(palette().graphics.ground)) >= 3.0


def test_parts_of_a_chart_are_colours_of_their_own():
    """By distance in sRGB; who sees no colours has the patterns and marks besides."""
    for one, other in combinations(CHART, 2):
        parts = [[int(colour(name)[place : place + 2], 16) for place in (1, 3, 5)] for name in (one, other)]
        assert sum((a - b) ** 2 for a, b in zip(*parts, strict=True)) ** 0.5 > 50, (one, other)


def test_no_colour_is_written_anywhere_else():
    drawing = [path for kind in DRAWN for path in (ROOT / "assistant").rglob(kind)]
    drawing += sorted((ROOT / "tests" / "lab" / "measure").glob("*.py"))
    found = {str(path.relative_to(ROOT)) for path in drawing if WRITTEN.search(path.read_text(encoding="utf-8"))}
    assert len(drawing) > 50
    assert found == set()


def test_the_sign_of_the_desk_is_drawn_in_the_palette():
    sign = (ROOT / "assistant" / "desk" / "static" / "tips.svg").read_text(encoding="utf-8")
    assert set(re.findall(r"#[0-9a-f]{6}", sign)) <= set(palette().colours.values())


@pytest.mark.parametrize("style", STYLES)
def test_style_sheets_name_colours_that_there_are(style):
    text = (ROOT / style).read_text(encoding="utf-8")
    assert "var(--" in text
    assert "var(" not in filled(text)
    with pytest.raises(KeyError):
        filled("p { color: var(--mauve-ish); }")


def test_every_colour_is_handed_to_the_desk():
    assert dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", css())) == palette().colours


def test_a_colour_that_is_not_there_is_named():
    good = palette().model_dump()
    with pytest.raises(ValidationError, match="there is no colour called 'mauve'"):
        Palette.model_validate(good | {"written_on": {"mauve": ["card"]}})
