"""What a procedure tells to say, against what it understands; and phrases that no recogniser can hear."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from flows.procedure.schema import Procedure
from flows.procedure.spoken.glossary import Glossary
from flows.procedure.spoken.lines import Line, lines_of_step
from flows.procedure.spoken.words import prompted
from grammar.answers import Choice, Heard, Unclear
from grammar.language import language
from grammar.parse import understand
from grammar.scope import Scope
from grammar.words import plain_words

Found = tuple[tuple[Any, ...], str, str]
Lacking = Callable[[str, str], str]
"""(word, language) -> who does not know the word, "" when everybody does."""


def prompt_problems(procedure: Procedure, name: str, book: Glossary) -> Iterator[Found]:
    """What a step tells to say and does not take; and answers that no sentence tells."""
    told: dict[str, set[str]] = {"say": set(), "again": set()}
    for line in lines_of_step(procedure, name):
        for said in prompted(line.text, book):
            ids = _meant(said, line.open)
            if ids is None:
                remedy = _instead(line)
                yield line.where, f"it tells to say '{said}', and nothing here takes that.", remedy
            elif line.role in told:
                told[line.role] |= ids
    step, prompt = procedure.steps[name], book.prompts[0]
    for key, answer in step.answers.items():
        here = ("steps", name, "answers", key)
        if key not in told["say"]:
            remedy = f"Let a line of 'say' hold: {prompt}: {answer.phrases[0]}."
            yield (*here, "phrases"), f"no sentence of '{name}' tells how to answer '{key}'.", remedy
        if answer.again and key not in told["again"]:
            remedy = f"Let it hold: {prompt}: {answer.again.phrases[0]}."
            yield (*here, "again", "say"), f"it does not tell how to answer '{key}' again.", remedy


def _meant(said: str, scope: Scope) -> set[str] | None:
    """The answers that some words give here (none for a reading or a command), None where they mean nothing.

    What follows a comma may be the sentence going on: "say: end note, when you are done".
    """
    for text in dict.fromkeys((said, said.split(",")[0])):
        answer = understand(Heard(text, engine=""), scope)
        if not isinstance(answer, Unclear):
            return {answer.id} if isinstance(answer, Choice) else set()
    return None


def _instead(line: Line) -> str:
    phrases = "; ".join(option.phrases[0] for option in line.open.options)
    if line.open.asked:
        unit = language(line.open.language).units[line.open.asked.unit].many
        return f"Show a reading as the meter shows it, in {unit}" + (f", or write: {phrases}." if phrases else ".")
    return f"Write one of: {phrases}." if phrases else "Nothing can be answered here: leave it out."


def phrase_problems(procedure: Procedure, name: str, book: Glossary, lacking: Lacking | None) -> Iterator[Found]:
    """Phrases with marks that nobody speaks, and words that no recogniser has."""
    plain, key = re.compile(rf"[{book.plain}]+( [{book.plain}]+)*"), procedure.language
    for answer_id, answer in procedure.steps[name].answers.items():
        here = ("steps", name, "answers", answer_id)
        both: list[tuple[tuple[str, ...], list[str]]] = [((*here, "phrases"), answer.phrases)]
        both += [((*here, "again", "phrases"), answer.again.phrases)] if answer.again else []
        for where, phrases in both:
            for number, phrase in enumerate(phrases):
                there = (*where, number)
                if not plain.fullmatch(phrase):
                    spelt = " ".join(plain_words(phrase, language(key)))
                    yield there, f"the phrase '{phrase}' has characters that nobody speaks.", f'Write: "{spelt}".'
                    continue
                if lacking is None:
                    continue
                for word in phrase.split():
                    if who := lacking(word, key):
                        yield (
                            there,
                            f"{who} does not know the word '{word}'.",
                            "Say it with other words, or see tests/lab/README.md.",
                        )
