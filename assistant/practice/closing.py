"""The end of an exercise: the mark, what it took, what to learn, in words and for the record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assistant.practice.phrases import phrases
from flows.faults import catalog
from flows.faults.lessons import lessons
from flows.faults.sayings import sayings
from flows.practice.furnace import PracticeFurnace
from flows.practice.score import score, told_slips
from flows.reason.knowledge import Knowledge


@dataclass(frozen=True)
class Closing:
    """mark: right, partly, alike, wrong, or none where no answer was given. lessons: most urgent first. said:
    sentences to speak."""

    mark: str
    readings: int
    fewest: int
    lessons: tuple[str, ...]
    said: tuple[str, ...]


def closing(
    p: PracticeFurnace,
    answer: str | None,
    knowledge: Knowledge,
    rng: np.random.Generator,
    *,
    told: bool = True,
    guided: bool = False,
    misread: int = 0,
    unseen: int = 0,
) -> Closing:
    """The closing of an exercise. answer: fault or pair, None for none. told: the truth is told at the end. misread,
    unseen: of the readings given to the dialogue."""
    book, lines = phrases(), lessons().lines
    got = score(p, answer or p.hidden, knowledge, rng)
    mark = got.mark if answer else "none"
    learn = list(got.learn)
    if mark == "none" and told:
        learn += [one for one in (catalog.fault(name).learn for name in catalog.parts(p.hidden)) if one]
    if guided:
        # The order was not the trainee's own.
        learn = [one for one in learn if one != lines["learn_order"]]
        if misread or unseen:
            learn.insert(0 if not got.slips else 1, book.line("learn_read"))
    learn = list(dict.fromkeys(learn))
    truth = catalog.spoken_name(p.hidden)
    said = [
        (
            book.line("no_answer", truth=truth)
            if mark == "none"
            else lines["mild" if got.mild else mark].format(truth=truth)
        )
    ]
    if told or answer:
        # What would be done about it belongs to the truth that was just told.
        said += [one for one in [sayings().advice(p.hidden)] if one and p.hidden != catalog.HEALTHY]
    said.append(book.line(_count(got.taken, got.fewest, guided), taken=got.taken, fewest=got.fewest))
    said.append(told_slips(got.slips))
    if guided:
        said += _reading(misread, unseen)
    said += [book.line("learn", lesson=one) for one in learn[:1]]
    return Closing(mark, got.taken, got.fewest, tuple(learn), tuple(said))


def _count(taken: int, fewest: int, guided: bool) -> str:
    """The line that holds the readings against the fewest."""
    if guided:
        return "readings_guided" if taken != 1 else "one_reading_guided"
    return "readings" if taken >= fewest and taken != 1 else "one_reading" if taken == 1 else "readings_few"


def _reading(misread: int, unseen: int) -> list[str]:
    book = phrases()
    if not misread and not unseen:
        return [book.line("read_well")]
    found = []
    for name, count in (("misread", misread), ("unseen", unseen)):
        if count:
            found.append(book.line(f"{name}_once") if count == 1 else book.line(name, count=count))
    return found
