"""Demonstrations, defaults and examples stand in figures of their own.

The figures below are common practice and stand together in textbooks and talk
of the trade. Each may serve as a check value where it is marked so; a
scenario that holds several of them is not ours.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
import yaml

from flows.judge.profiles import equipment, meter, names
from flows.procedure.compile import load_plan
from flows.talk.dialogue import begin
from flows.talk.prompts import scope_for
from grammar.answers import Heard, Reading
from grammar.language import language
from grammar.numbers import parse
from grammar.parse import understand

ROOT = Path(__file__).parents[1]
PACKAGES = ("assistant", "audio_fixtures", "flows", "grammar")
TOGETHER = 2
"""The most of them that may stand together."""


@dataclass(frozen=True)
class Figure:
    """One figure: values with the tenths about them that are still the same one. unit: "" where it has none."""

    name: str
    unit: str
    ranges: tuple[tuple[float, float], ...]

    def holds(self, value: float) -> bool:
        return any(low <= value <= high for low, high in self.ranges)


# Common practice, no source. Volts may have been moved by tenths.
FIGURES = (
    Figure("supply", "V", ((120.6, 121.5),)),
    Figure("secondary", "V", ((27.7, 28.3),)),
    Figure("turns ratio", "", ((4.30, 4.34),)),
    Figure("line to R in phase", "V", ((92.1, 93.6),)),
    Figure("line to R out of phase", "V", ((148.6, 149.4),)),
    Figure("rod", "V", ((96.6, 97.4),)),
    Figure("flame current", "A", ((3.4e-6, 3.6e-6),)),
)
# These are too small to be told from shares and weights in a file: they are looked for by step.
SMALL = (Figure("leads", "ohm", ((0.2, 0.2),)), Figure("ground path", "ohm", ((0.6, 0.7),)))
BY_STEP = {
    "supply": ("supply",),
    "polarity_hot": ("supply",),
    "meter_live": ("supply",),
    "meter_still_live": ("supply",),
    "secondary": ("secondary",),
    "phasing": ("line to R in phase", "line to R out of phase"),
    "rod_voltage": ("rod",),
    "flame_current": ("flame current",),
    "lead_zero": ("leads",),
}
SCALES = (1.0, 1e-6)
"""A number in words or in a sentence may be volts or microamps."""
NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w.]*\w)")


def number_words() -> set[str]:
    """Every word that a number may hold in English."""
    numbers = language("en").numbers
    words = {word for group in numbers.shapes.classes.values() for word in group}
    return {part for word in {*words, *numbers.point, "hundred", "thousand"} for part in word.split()}


def numbers_in(text: str) -> set[float]:
    """The numbers that a text holds, written in digits or spoken in words."""
    found = {float(one) for one in NUMBER.findall(text)}
    known = number_words()
    for is_number, run in groupby(re.findall(r"[a-z]+", text.lower()), lambda word: word in known):
        said = parse(" ".join(run)) if is_number else None
        if said:
            found.add(float(said.digits))
    return found


def values(node: Any) -> Iterator[float]:
    """Every number of a YAML document, those in its strings with each scale that they may have."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from values(value)
            yield from values(key) if isinstance(key, str) else ()
    elif isinstance(node, list):
        for one in node:
            yield from values(one)
    elif isinstance(node, str):
        yield from (number * scale for number in numbers_in(node) for scale in SCALES)
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield float(node)


def figures_in(document: Any) -> set[str]:
    """Names of the figures that a YAML document holds."""
    return {figure.name for value in values(document) for figure in FIGURES if figure.holds(value)}


def figures_of_visit(says: dict[str, str]) -> set[str]:
    """Names of the figures that a visit's technician says, by step."""
    named = {figure.name: figure for figure in (*FIGURES, *SMALL)}
    told = {step: float(said.digits) for step, words in says.items() if (said := parse(words))}
    held = set()
    for step, looked_for in BY_STEP.items():
        scale = 1e-6 if step == "flame_current" else 1.0
        held |= {name for name in looked_for if step in told and named[name].holds(told[step] * scale)}
    if "ground_path" in told and named["ground path"].holds(round(told["ground_path"] - told.get("lead_zero", 0.0), 3)):
        held.add("ground path")
    return held


def recorded_visits(document: dict[str, Any]) -> dict[str, list[str]]:
    """Visit -> all that is recorded of it."""
    said: dict[str, list[str]] = {}
    for one in document["utterances"]:
        said.setdefault(one["id"].split("/")[0], []).append(one["text"])
    return said


def load(path: str) -> Any:
    return yaml.safe_load((ROOT / path).read_text(encoding="utf-8"))


SHIPPED = sorted(str(path.relative_to(ROOT)) for package in PACKAGES for path in (ROOT / package).rglob("*.yaml"))
DEMO, VISITS, MANIFEST = (
    "assistant/visit/demo/demo.yaml",
    "assistant/visit/demo/clips.yaml",
    "audio_fixtures/manifest.yaml",
)


def test_the_files_are_found():
    assert {DEMO, VISITS, "flows/equipment/larkspur.yaml", "flows/spoken/en.yaml"} <= set(SHIPPED)


@pytest.mark.parametrize("path", [path for path in SHIPPED if path not in (DEMO, VISITS, MANIFEST)])
def test_no_file_of_the_product_holds_several_of_them(path):
    assert len(held := figures_in(load(path))) <= TOGETHER, held


@pytest.mark.parametrize("visit", load(DEMO)["visits"])
def test_no_visit_of_the_demonstration_holds_several_of_them(visit):
    data = load(DEMO)
    says = {**data["always"], **data["visits"][visit]["says"]}
    assert len(held := figures_of_visit(says)) <= TOGETHER, held


@pytest.mark.parametrize("visit", recorded_visits(load(VISITS)))
def test_no_recorded_visit_holds_several_of_them(visit):
    assert len(held := figures_in(recorded_visits(load(VISITS))[visit])) <= TOGETHER, held


def test_the_example_of_a_number_can_be_shown_at_no_step():
    """It puts no answer into anybody's ear: it has more decimals than any step takes."""
    spoken = "seven point four one three"
    assert spoken in load("flows/spoken/en.yaml")["lines"]["miss_digits"]
    asked = 0
    for procedure in ("flame_sensing", "control_circuit_24v", "igniter_check"):
        for tool in names("meters"):
            plan = load_plan(procedure, equipment("larkspur"), meter(tool))
            for name, step in plan.procedure.steps.items():
                if step.ask is not None:
                    asked += 1
                    scope = scope_for(plan, replace(begin(plan)[0], step=name, mode="ask"))
                    assert scope.asked is not None
                    assert not isinstance(understand(Heard(spoken), scope), Reading), (procedure, tool, name)
    assert asked > 40


# That the guard sees what it looks for: the figures in the ways in which a file may hold them.
@pytest.mark.parametrize(
    ("document", "held"),
    [
        ({"a": ["one twenty one point three", {"b": "ninety two point six volts"}]}, {"supply", "line to R in phase"}),
        ({"turns_ratio": 4.32, "flame_current": 3.5e-6, "rod": 97}, {"turns ratio", "flame current", "rod"}),
        ({"source": "about 3.5 microamps, 28 V or 149 V"}, {"flame current", "secondary", "line to R out of phase"}),
        ({"x": "nine seven point two", "y": "one four nine point two"}, {"rod", "line to R out of phase"}),
        ({"x": 118.0, "y": "ninety nine point one", "z": True}, set()),
    ],
)
def test_figures_are_seen(document, held):
    assert figures_in(document) == held


def test_figures_are_seen_by_step():
    says = {
        "supply": "one twenty one",
        "lead_zero": "point two",
        "ground_path": "point eight",
        "flame_current": "three point six",
    }
    assert figures_of_visit(says) == {"supply", "leads", "ground path", "flame current"}
