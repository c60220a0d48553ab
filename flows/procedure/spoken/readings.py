"""What is said where a reading is asked for: the unit, the dial, where the leads go."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flows.circuit import probes
from flows.procedure.schema import Procedure, Step
from flows.procedure.spoken.glossary import Glossary
from flows.procedure.spoken.words import Words, find, has, masked, sentences, without_prompts
from flows.procedure.things import catalogue
from grammar.language import language
from grammar.units import quantity_of

Found = tuple[tuple[Any, ...], str, str]


def reading_problems(procedure: Procedure, book: Glossary) -> Iterator[Found]:
    """All of every reading step. Where the dial differs from the last reading in the file, it must be named."""
    before = ""
    for name, step in procedure.steps.items():
        yield from _colours(name, step, book)
        if step.ask:
            yield from _units(procedure, name, step, book)
            yield from _test_points(name, step, book)
            dial = catalogue().readings[step.ask.quantity].get("dial", "")
            if dial and dial != before:
                yield from _dial_named(name, step, dial, book)
            before = dial


def _said(step: Step, book: Glossary) -> list[Words]:
    return [words for text in step.say for words in sentences(without_prompts(text, book))]


def _unit_names(key: str) -> dict[str, str]:
    """What a unit may be called -> the unit."""
    units = language(key).units.items()
    return {name: unit for unit, one in units for name in (*one.phrases, *one.also, one.one, one.many)}


def _units(procedure: Procedure, name: str, step: Step, book: Glossary) -> Iterator[Found]:
    """The asked unit is spoken, in a sentence that is not about the dial, and none of another quantity."""
    assert step.ask is not None  # called for steps that ask
    names, ask = _unit_names(procedure.language), step.ask
    wanted = [one for one, unit in names.items() if unit == ask.unit]
    hidden, dial = [*_jacks(book), *book.not_units], book.things["dial"].words[:1]
    if not any(has(masked(words, hidden), wanted) and not has(words, dial) for words in _said(step, book)):
        remedy = f"Ask for it: {language(procedure.language).units[ask.unit].many}."
        yield (
            ("steps", name, "say"),
            f"'{name}' asks for {ask.quantity} in the unit '{ask.unit}', and no sentence names it.",
            remedy,
        )
    hidden += [word for one in book.things["dial"].positions.values() for word in one.words]
    lines: list[tuple[tuple[str | int, ...], str]] = [
        (("steps", name, "say", number), text) for number, text in enumerate(step.say)
    ]
    lines += [(("steps", name, "leads"), step.leads)] if step.leads else []
    for where, text in lines:
        for words in sentences(without_prompts(text, book)):
            for one in find(masked(words, hidden), names):
                if quantity_of(names[one.name], "", ask.quantity) != ask.quantity:
                    yield (
                        where,
                        f"it names {one.name}, but '{name}' asks for {ask.quantity}.",
                        f"Ask for: {language(procedure.language).units[ask.unit].many}.",
                    )


def _dial_named(name: str, step: Step, dial: str, book: Glossary) -> Iterator[Found]:
    one = book.things["dial"]
    ways = one.positions[dial].words
    if not any(has(words, one.words) and has(words, ways) for words in _said(step, book)):
        what = f"'{name}' is the first reading with the dial on '{dial}', and no sentence says where the dial is."
        yield ("steps", name, "say"), what, f"Say in one sentence: {one.words[0]}, {ways[0]}."


def _test_points(name: str, step: Step, book: Glossary) -> Iterator[Found]:
    """A reading that the circuit knows names both its test points."""
    assert step.ask is not None  # called for steps that ask
    probe = probes.table().get(step.ask.probe)
    said = {place for words in _said(step, book) for place in _places(words, book)}
    for point in probe.points or () if probe else ():
        if point in book.places and point not in said:
            what = f"'{step.ask.probe}' is read at '{point}', and no sentence names that."
            yield ("steps", name, "say"), what, f"Name one of: {', '.join(book.places[point])}."


def _colours(name: str, step: Step, book: Glossary) -> Iterator[Found]:
    """The line on the leads puts each of them where the step's sentences do."""
    if not step.leads:
        return
    told = sentences(step.leads)
    for colour, names in book.colours.items():
        first, second = (_at(texts, names, book) for texts in (_said(step, book), told))
        if first and second and not first & second:
            what = f"it puts the {colour} lead on {_list(second)}, but the step puts it on {_list(first)}."
            yield ("steps", name, "leads"), what, "Let both name the same place."


def _at(texts: list[Words], names: list[str], book: Glossary) -> set[str]:
    """The places named after a colour, up to the next colour or the end of the sentence."""
    colours = [word for one in book.colours.values() for word in one]
    found: set[str] = set()
    for words in texts:
        marks = find(words, colours)
        for number, mark in enumerate(marks):
            end = marks[number + 1].start if number + 1 < len(marks) else len(words)
            if mark.name in names:
                found |= _places(words[mark.start : end], book)
    return found


def _places(words: Words, book: Glossary) -> set[str]:
    """The test points that are named; a dial or a jack is none ("A C volts" is not C)."""
    owners = {word: place for place, names in book.places.items() for word in names}
    hidden = [*_jacks(book), *(word for one in book.things["dial"].positions.values() for word in one.words)]
    return {owners[one.name] for one in find(masked(words, hidden), owners)}


def _jacks(book: Glossary) -> list[str]:
    return [word for one in book.things["red_jack"].positions.values() for word in one.words]


def _list(places: set[str]) -> str:
    return ", ".join(sorted(places))
