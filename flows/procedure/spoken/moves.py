"""What sentences tell to move, against what is declared: nothing moves unsaid, nothing is said to move undeclared."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flows.procedure.schema import Procedure, Step
from flows.procedure.spoken.glossary import POWER, Glossary, Position
from flows.procedure.spoken.lines import Line, lines_of_step
from flows.procedure.spoken.words import clauses, find, has, masked, sentences, starts_with, without_prompts

Found = tuple[tuple[Any, ...], str, str]
ORDERING = ("say", "again", "caution", "leads")
"""Roles in which an order is one for now; a verdict's advice is for the fix."""

PLACING = ("say", "again", "leads")
"""Roles that tell how dial and jack stand now; a caution may speak of what is to come."""


def sets_of(step: Step) -> dict[str, set[str]]:
    """Thing (or power) -> the positions to which answers of the step bring it."""
    found: dict[str, set[str]] = {}
    for answer in step.answers.values():
        for thing, place in answer.sets.things.items():
            found.setdefault(thing, set()).add(place)
        if answer.sets.power:
            found.setdefault(POWER, set()).add(answer.sets.power)
    return found


def stands(procedure: Procedure, name: str, what: str) -> set[str]:
    """Where a thing (or power) may be in a step as it is declared; empty where it may be anywhere."""
    if what != POWER:
        return set(procedure.at(name).get(what, ()))
    return {"on": {"on"}, "off": {"said_off"}, "dead": {"said_off"}}.get(procedure.steps[name].power, set())


def unsaid_moves(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    """Answers that move a thing which no sentence sends there by its name."""
    for key, answer in procedure.steps[name].answers.items():
        moved = dict(answer.sets.things) | ({POWER: answer.sets.power} if answer.sets.power else {})
        lines = [
            one
            for one in lines_of_step(procedure, name)
            if one.role == "say" or (one.role == "again" and one.answer == key)
        ]
        spoken = [words for one in lines for words in sentences(without_prompts(one.text, book))]
        for thing, place in moved.items():
            if thing not in book.things:
                own = procedure.things[thing].words
                if not any(has(words, own) for words in spoken):
                    yield (
                        ("steps", name, "say"),
                        f"'{key}' brings '{thing}' to '{place}', and no sentence says so.",
                        f"Let a sentence hold one of: {', '.join(own)}.",
                    )
                continue
            named = book.things[thing]
            names, ways = named.words, named.positions[place].words
            said = any(
                (has(words, names) and has(words, ways)) if named.hand else has(words, [*names, *ways])
                for words in spoken
            )
            if not said:
                yield (
                    ("steps", name, "say"),
                    f"'{key}' brings '{thing}' to '{place}', and no sentence says so.",
                    f"Name it in one sentence: {names[0]}, with one of: {', '.join(ways)}.",
                )


def tips_not_off(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    """Steps that turn the dial or move the red lead and do not say that the tips touch nothing.

    The last thing told before may have put them on a live part, and a dial turned there burns the meter.
    """
    if not {"dial", "red_jack"} & sets_of(procedure.steps[name]).keys():
        return
    said = [words for one in lines_of_step(procedure, name) if one.role == "say" for words in sentences(one.text)]
    if not any(has(words, book.tips_off) for words in said):
        yield (
            ("steps", name, "say"),
            "it moves the dial or the red lead, and no sentence says that the tips touch nothing.",
            f"Say it first: {' or '.join(book.tips_off)}.",
        )


def undeclared_moves(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    """Sentences that send a thing somewhere which no answer of the step sets and the step does not already declare."""
    sets = sets_of(procedure.steps[name])
    for line in lines_of_step(procedure, name):
        if line.role in ORDERING:
            for thing, places in _orders(line, procedure, book):
                allowed = sets.get(thing, set()) | (stands(procedure, name, thing) if thing not in sets else set())
                if not places & allowed:
                    to = sorted(places)[0]
                    declare = f"power: {to}" if thing == POWER else f"things: {{{thing}: {to}}}"
                    yield (
                        line.where,
                        f"it says to bring '{thing}' to '{to}', but no answer of '{name}' sets it.",
                        f"Give it a step of its own whose answer sets {declare}, or leave it out.",
                    )


def _orders(line: Line, procedure: Procedure, book: Glossary) -> Iterator[tuple[str, set[str]]]:
    """(thing, positions that may be meant) of every order in a line."""
    known = {name: one for name, one in book.things.items() if name == POWER or name in procedure.things}
    names = [word for one in book.things.values() for word in one.words]
    names += [word for thing in procedure.things.values() for word in thing.words]
    verbs = sorted(
        {verb for one in known.values() for place in one.positions.values() for verb in place.orders},
        key=len,
        reverse=True,
    )
    for clause, rest in clauses(without_prompts(line.text, book), book):
        verb = starts_with(clause, verbs)
        objects = find(rest, names, len(verb.split())) if verb else []
        if not objects or verb is None:
            continue
        for thing, one in known.items():
            if objects[0].name in one.words:
                meant = {place for place, way in one.positions.items() if _sends(way, verb, rest)}
                if meant:
                    yield thing, meant


def _sends(way: Position, verb: str, rest: tuple[str, ...]) -> bool:
    return verb in way.orders and has(rest, way.words)


def other_places(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    """Sentences that name a jack or a dial other than the declared one."""
    step = procedure.steps[name]
    sets = sets_of(step)
    jacks, dials = (_named(book, thing) for thing in ("red_jack", "dial"))
    jack_at, dial_at = (sets.get(thing) or stands(procedure, name, thing) for thing in ("red_jack", "dial"))
    for line in lines_of_step(procedure, name):
        if line.role not in PLACING:
            continue
        for words in sentences(without_prompts(line.text, book)):
            for one in find(words, jacks) if jack_at else ():
                if jacks[one.name] not in jack_at:
                    yield (
                        line.where,
                        f"it names the {one.name}, but the red lead is declared at: {', '.join(sorted(jack_at))}.",
                        "Name the declared jack, or declare the other one.",
                    )
            rest = masked(words, jacks)
            about = step.ask is not None or has(words, book.things["dial"].words)
            for one in find(rest, dials) if dial_at and about else ():
                if dials[one.name] not in dial_at:
                    yield (
                        line.where,
                        f"it names {one.name}, but the dial is declared at: {', '.join(sorted(dial_at))}.",
                        f"Name it: {', '.join(_names(book, 'dial', sorted(dial_at)))}.",
                    )


def _named(book: Glossary, thing: str) -> dict[str, str]:
    """Name -> position, of all positions of a thing."""
    return {word: place for place, one in book.things[thing].positions.items() for word in one.words}


def _names(book: Glossary, thing: str, places: list[str]) -> list[str]:
    """What the first name of each position is."""
    return [book.things[thing].positions[place].words[0] for place in places]
