"""The short sentences of a step, held to all that its long ones are held to, and to naming all that they name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flows.procedure.schema import Procedure, Step
from flows.procedure.spoken.glossary import Glossary
from flows.procedure.spoken.teaching import teaching
from flows.procedure.spoken.words import Words, has, sentences, without_prompts

Found = tuple[tuple[Any, ...], str, str]


def in_short(procedure: Procedure) -> Procedure:
    """The procedure as it is spoken in short, to be held to the same rules."""
    steps = {
        name: step.model_copy(update={"say": spoken_in_short(step, procedure.language), "short": []})
        if step.short
        else step
        for name, step in procedure.steps.items()
    }
    return procedure.model_copy(update={"steps": steps})


def spoken_in_short(step: Step, language: str) -> list[str]:
    """The short sentences, then those that only teach."""
    return [*step.short, *(one for text in step.say if (one := teaching(step, text, language).strip()))]


def in_its_place(procedure: Procedure, found: Found) -> Found:
    """A problem of the procedure in short, with its place in the file."""
    where, *told = found
    if len(where) > 2 and where[0] == "steps" and where[2] == "say" and procedure.steps[str(where[1])].short:
        short = len(procedure.steps[str(where[1])].short)
        number = where[3] if len(where) > 3 else 0
        where = (*where[:2], "short", number) if isinstance(number, int) and number < short else where
    return (where, *told)  # type: ignore[return-value]


def dropped(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    """What the long sentences of a step name and the short ones do not."""
    step = procedure.steps[name]
    if not step.short:
        return
    long, short = (_said(texts, book) for texts in (step.say, step.short))
    for what, words in _names(procedure, book):
        if any(has(one, words) for one in long) and not any(has(one, words) for one in short):
            yield (
                ("steps", name, "short"),
                f"'say' names {what} and 'short' does not.",
                f"Name it: {' or '.join(words[:3])}.",
            )


def _said(texts: list[str], book: Glossary) -> list[Words]:
    return [words for text in texts for words in sentences(without_prompts(text, book))]


def _names(procedure: Procedure, book: Glossary) -> Iterator[tuple[str, list[str]]]:
    """(what it is, what it is called) of all that must not get lost: things, dials and jacks, places, leads by their
    colour, a touch of nothing, and a way to get out."""
    yield from ((f"'{name}'", one.words) for name, one in book.things.items())
    yield from ((f"'{name}'", one.words) for name, one in procedure.things.items() if one.words)
    for thing in ("dial", "red_jack"):
        yield from ((f"'{thing}' at '{place}'", one.words) for place, one in book.things[thing].positions.items())
    yield from ((f"the place '{name}'", words) for name, words in book.places.items())
    yield from ((f"the {name} lead", words) for name, words in book.colours.items())
    yield "that the tips touch nothing", book.tips_off
    yield "how to get out", book.emergency
