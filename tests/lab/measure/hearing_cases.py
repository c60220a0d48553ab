"""Which utterances the hearing benchmark is made of: each one a row, from its number.

Every block of 288 cases holds each of 6 noises x 4 ratios x 4 rooms x 3 bands
once, in an order of its own; voices go round; what is said is drawn. So any
first n cases are a balanced sample.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Literal

import numpy as np

from audio_fixtures.rooms import BANDS, NOISES, ROOMS, Band, NoiseKind, Room, Split
from audio_fixtures.voices import voices
from grammar.language import language
from grammar.scope import Scope
from tests.lab.measure import hearing_scopes, hearing_talk
from tests.lab.measure.hearing_spoken import number, with_unit

SNRS = (20, 10, 5, 0)
"""dB, speech over noise while speech is active."""

Kind = Literal["reading", "words", "outside"]
KINDS: tuple[tuple[Kind, float], ...] = (("reading", 0.68), ("words", 0.17), ("outside", 0.15))
RECORDED_SHARE = 0.2
"""Share of test cases spoken with recorded human words."""

WHOLE = ("supply", "secondary", "phasing", "rod")
"""Scopes whose readings can be told in whole volts."""

UNIT_SCALE = {"volt": 1.0, "ohm": 1.0, "microamp": 1e-6}


@dataclass(frozen=True)
class Case:
    """One utterance and what it means.

    voice: id of a synthetic voice, or "recorded". truth: SI value of a
    reading, id of an answer or command, or None for speech that is no answer.
    """

    number: int
    split: Split
    kind: Kind
    scope: str
    text: str
    truth: float | str | None
    voice: str
    noise: NoiseKind
    snr: int
    room: Room
    band: Band
    rate: float


def cases(count: int, split: Split, start: int = 0) -> Iterator[Case]:
    """The cases numbered `start` to `start + count - 1`."""
    for number_ in range(start, start + count):
        yield case(number_, split)


def case(number_: int, split: Split) -> Case:
    """The case of that number; always the same one."""
    side = 0 if split == "tune" else 1
    rng = np.random.default_rng((77, side, number_))
    noise, snr, room, band = _block(number_ // 288, side)[number_ % 288]
    kind = str(rng.choice([name for name, _ in KINDS], p=[share for _, share in KINDS]))
    recorded = split == "test" and rng.random() < RECORDED_SHARE and kind != "words"
    names = [one.id for one in voices(split)]
    voice = "recorded" if recorded else _voice(number_, side, names)
    if kind == "reading":
        scope, text, truth = _reading(rng, recorded)
    elif kind == "words":
        scope, text, truth = _words(rng)
    else:
        talk = hearing_talk.TUNE if split == "tune" else hearing_talk.TEST
        scope, text, truth = str(rng.choice(list(hearing_scopes.scopes()))), str(rng.choice(talk)), None
    return Case(
        number_, split, kind, scope, text, truth, voice, noise, snr, room, band, round(float(rng.uniform(0.9, 1.15)), 2)
    )


@lru_cache(maxsize=8)
def _block(block: int, side: int) -> list[tuple[NoiseKind, int, Room, Band]]:
    rows = list(product(NOISES, SNRS, ROOMS, BANDS))
    order = np.random.default_rng((78, side, block)).permutation(len(rows))
    return [rows[int(place)] for place in order]


def _voice(number_: int, side: int, names: list[str]) -> str:
    """Every voice once a round, in an order of the round's own."""
    order = np.random.default_rng((80, side, number_ // len(names))).permutation(len(names))
    return names[int(order[number_ % len(names)])]


def _reading(rng: np.random.Generator, recorded: bool) -> tuple[str, str, float]:
    offered = hearing_scopes.readings()
    # no recording says "point", so recorded people read whole volts
    name = str(rng.choice([one for one in offered if not recorded or one in WHOLE]))
    scope = offered[name]
    digits, value = shown(scope, rng)
    if recorded:
        digits, value = _digits(value, 0, 1.0)
    said = number(digits, rng)
    asked = scope.asked
    assert asked is not None
    return name, said if recorded else with_unit(said, digits, asked.unit, rng), value


def shown(scope: Scope, rng: np.random.Generator) -> tuple[str, float]:
    """What the display shows, as read out, and its SI value.

    Six in ten are near an expected value, three in ten anywhere on a
    logarithmic scale over the range, one in ten a teen or a ten, the pairs
    that sound alike.
    """
    asked = scope.asked
    assert asked is not None
    scale = UNIT_SCALE[asked.unit]
    # beyond 600 of the unit a meter shows a larger one
    high = min(asked.high / scale, 600.0)
    least = 10.0**-asked.decimals
    draw = rng.random()
    if draw < 0.6:
        weights = np.array([one.weight for one in scope.expected])
        near = scope.expected[int(rng.choice(len(weights), p=weights / weights.sum()))]
        value = abs(float(rng.normal(near.value / scale, near.spread / scale)))
    elif draw < 0.9 or high < 20:
        value = float(np.exp(rng.uniform(np.log(least), np.log(high))))
    else:
        pairs = [one for one in (13, 14, 15, 16, 17, 18, 19, 30, 40, 50, 60, 70, 80, 90, 115, 150) if one <= high]
        return _digits(float(rng.choice(pairs)), 0, scale)
    # a value above the last range is shown at its end
    value = min(value, asked.ranges[-1][0] / scale)
    step = next(step for top, step in asked.ranges if value * scale <= top) / scale
    decimals = min(asked.decimals, round(-np.log10(step)))
    # a technician often leaves the last digit of a large reading out
    if value >= 10 and rng.random() < 0.3:
        decimals = 0
    return _digits(min(value, high), decimals, scale)


def _digits(value: float, decimals: int, scale: float) -> tuple[str, float]:
    digits = f"{value:.{decimals}f}"
    return digits, float(digits) * scale


def _words(rng: np.random.Generator) -> tuple[str, str, str]:
    """An answer in words (seven in ten) or an open command."""
    name = str(rng.choice(list(hearing_scopes.words())))
    scope = hearing_scopes.words()[name]
    lang = language(scope.language)
    said = {one.id: one.phrases for one in scope.options}
    if rng.random() >= 0.7:
        said = {id: lang.command(id).spoken for id in scope.commands}
    answer = str(rng.choice(list(said)))
    return name, str(rng.choice(said[answer])), answer
