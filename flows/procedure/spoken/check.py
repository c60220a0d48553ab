"""The spoken words of a procedure, held to what it declares. Every problem with its place and its remedy.

Only rules that cannot misfire: each is exact, and the words that it goes by are
data (`glossary.en.yaml` and its sisters).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flows.procedure.schema import Procedure
from flows.procedure.spoken.glossary import Glossary, glossary
from flows.procedure.spoken.lines import lines_of_step
from flows.procedure.spoken.moves import other_places, tips_not_off, undeclared_moves, unsaid_moves
from flows.procedure.spoken.phrases import Lacking, phrase_problems, prompt_problems
from flows.procedure.spoken.readings import reading_problems
from flows.procedure.spoken.shorter import dropped, in_its_place, in_short
from flows.procedure.spoken.words import find, has, sentences

Found = tuple[tuple[Any, ...], str, str]


def spoken_problems(procedure: Procedure, lacking: Lacking | None = None) -> list[Found]:
    """All that is wrong with the words of a procedure in its present language, each problem once.

    lacking: who does not know a word of a phrase; None leaves the recognisers out.
    Raises FlowError where the language has no glossary.
    """
    book = glossary(procedure.language)
    return list(dict.fromkeys(_all(procedure, book, lacking)))


def _all(procedure: Procedure, book: Glossary, lacking: Lacking | None) -> Iterator[Found]:
    yield from _own_things(procedure)
    yield from _steps(procedure, book, lacking)
    yield from reading_problems(procedure, book)
    short = in_short(procedure)
    for found in (*_steps(short, book, None), *reading_problems(short, book)):
        yield in_its_place(procedure, found)
    for name in procedure.steps:
        yield from dropped(procedure, name, book)


def _steps(procedure: Procedure, book: Glossary, lacking: Lacking | None) -> Iterator[Found]:
    for name in procedure.steps:
        yield from unsaid_moves(procedure, name, book)
        yield from tips_not_off(procedure, name, book)
        yield from undeclared_moves(procedure, name, book)
        yield from other_places(procedure, name, book)
        yield from prompt_problems(procedure, name, book)
        yield from phrase_problems(procedure, name, book, lacking)
        yield from _wrong_words(procedure, name, book)


def _own_things(procedure: Procedure) -> Iterator[Found]:
    """A thing of the procedure's own must be told where it is not as found."""
    for name, kind in procedure.kinds().items():
        for place in kind.positions:
            if procedure.things[name].positions and place not in kind.as_found and place not in kind.told:
                yield (
                    ("things", name),
                    f"nothing tells that '{name}' stands at '{place}'.",
                    f'Add told: {{{place}: "the {name} is {place}"}}, in your own words.',
                )


def _wrong_words(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    texts = [(line.where, line.text) for line in lines_of_step(procedure, name)]
    for key, answer in procedure.steps[name].answers.items():
        texts += [
            (("steps", name, "answers", key, "phrases", number), text) for number, text in enumerate(answer.phrases)
        ]
        again = answer.again.phrases if answer.again else ()
        texts += [
            (("steps", name, "answers", key, "again", "phrases", number), text) for number, text in enumerate(again)
        ]
    for where, text in texts:
        yield from ((where, what, remedy) for what, remedy in wrong_words(text, book))


def wrong_words(text: str, book: Glossary) -> Iterator[tuple[str, str]]:
    """(problem, remedy) of every word that must not be spoken, or not without another."""
    for words in sentences(text):
        for one in find(words, book.forbidden):
            yield (
                f"'{one.name}' must not be spoken: it may be taken for something else.",
                f"Say: {book.forbidden[one.name]}.",
            )
        for word, beside in book.only_with.items():
            if has(words, [word]) and not has(words, beside):
                yield (
                    f"'{word}' stands alone: it may be taken for something else.",
                    f"Say which: {word}, with {' or '.join(beside)}.",
                )
