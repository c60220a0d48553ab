"""A procedure in another language: the texts alone, laid over the procedure as it was written.

`flame_sensing.es.yaml` stands beside `flame_sensing.yaml` and has its shape, with nothing in it but
what is spoken and what may be answered. What is safe and where a step leads is written once.
"""

from __future__ import annotations

import string
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import yaml
from pydantic import AfterValidator, Field

from flows.errors import FlowError
from grammar.datafile import Strict, line_of, problems_in, read_yaml
from grammar.errors import DataFileError
from grammar.fields import only_names

if TYPE_CHECKING:
    from flows.procedure.schema import Procedure

Text = Annotated[str, Field(min_length=3, max_length=400), AfterValidator(only_names)]
Texts = Annotated[list[Text], Field(min_length=1)]
Where = tuple[str | int, ...]


class CautionTexts(Strict):
    full: Text
    short: Text


class DangerTexts(Strict):
    say: Text


class JudgeTexts(Strict):
    say: dict[str, Text]
    danger: dict[str, DangerTexts] = Field(default_factory=dict)


class ThingTexts(Strict):
    """words: those one of which a sentence that moves the thing must hold. told: how it is said where it stands."""

    words: Texts
    told: dict[str, Text] = Field(default_factory=dict)


class AgainTexts(Strict):
    say: Text
    phrases: Texts


class AnswerTexts(Strict):
    phrases: Texts
    again: AgainTexts | None = None
    say: Text | None = None


class StepTexts(Strict):
    """What is spoken and heard in one step; the names are those of `flows.procedure.schema.Step`."""

    title: Text
    say: Texts
    short: list[Text] = Field(default_factory=list)
    caution: CautionTexts | None = None
    leads: Text | None = None
    why: Text | None = None
    judge: JudgeTexts | None = None
    answers: dict[str, AnswerTexts] = Field(default_factory=dict)


class ProcedureTexts(Strict):
    """The texts of procedure `of` in `language`. version: of the procedure that they were made for."""

    format: Literal[1]
    of: str
    version: int
    language: str
    title: Text
    about: str
    things: dict[str, ThingTexts] = Field(default_factory=dict)
    steps: dict[str, StepTexts]


def texts_path(procedure_file: Path, language: str) -> Path:
    """Where the texts of a procedure's file in another language stand."""
    return procedure_file.with_name(f"{procedure_file.stem}.{language}.yaml")


def in_language(procedure: Procedure, procedure_file: Path, language: str) -> Procedure:
    """The procedure with its texts in `language`. Raises FlowError when nobody wrote them, DataFileError when they do
    not fit."""
    if language == procedure.language:
        return procedure
    path = texts_path(procedure_file, language)
    if not path.is_file():
        raise FlowError(
            f"The procedure '{procedure.id}' has no texts in the language '{language}'.",
            f"Write them in {path.name}, beside {procedure_file.name}.",
        )
    translated, problems = translate(procedure, path)
    if translated is None:
        raise problems[0]
    return translated


def translate(procedure: Procedure, path: Path) -> tuple[Procedure | None, list[DataFileError]]:
    """The procedure in the language of the texts in `path` (None when they do not fit), and every problem, by line."""
    texts, problems = problems_in(path, ProcedureTexts)
    if texts is None:
        return None, problems
    _, nodes = read_yaml(path)
    found = _misfits(procedure, texts, path, nodes)
    if found:
        return None, sorted(found, key=lambda one: one.line or 0)
    data = procedure.model_dump()
    data |= {"language": texts.language, "title": texts.title, "about": texts.about}
    for where, text in _texts(texts).items():
        _put(data, where, text)
    return type(procedure).model_validate(data), []


def _misfits(procedure: Procedure, texts: ProcedureTexts, path: Path, nodes: yaml.Node | None) -> list[DataFileError]:
    def problem(where: Where, what: str, remedy: str) -> DataFileError:
        return DataFileError(path, line_of(nodes, where), what, remedy)

    found = []
    if texts.of != procedure.id:
        found.append(
            problem(
                ("of",),
                f"these are texts of '{texts.of}', not of '{procedure.id}'.",
                f"Write of: {procedure.id}, or give the file another name.",
            )
        )
    if texts.version != procedure.version:
        found.append(
            problem(
                ("version",),
                f"these texts are of version {texts.version}; '{procedure.id}' is at version {procedure.version}.",
                f"Look them through, then write version: {procedure.version}.",
            )
        )
    wanted, given = _texts(procedure), _texts(texts)
    found += [
        problem(where, f"there is no text for '{_dotted(where)}'.", f"Translate: {text!r}.")
        for where, text in wanted.items()
        if where not in given
    ]
    found += [
        problem(where, f"'{procedure.id}' has no text '{_dotted(where)}'.", "Take it out or mend its name.")
        for where in given
        if where not in wanted
    ]
    for where in wanted.keys() & given.keys():
        if isinstance(text := given[where], str) and _fields(text) != _fields(str(wanted[where])):
            numbers = ", ".join("{" + name + "}" for name in sorted(_fields(str(wanted[where])))) or "none"
            found.append(
                problem(
                    where,
                    f"'{_dotted(where)}' does not name the same numbers as the procedure's own line.",
                    f"It names: {numbers}.",
                )
            )
    return found


def _texts(book: Procedure | ProcedureTexts) -> dict[Where, str | tuple[str, ...]]:
    """Every text by its place. Sentences count one by one.

    The phrases of an answer and the words of a thing are one text, for a language may have more of them.
    """
    found: dict[Where, str | tuple[str, ...] | None] = {}
    for name, thing in book.things.items():
        found[("things", name, "words")] = tuple(thing.words) or None
        found |= {("things", name, "told", place): text for place, text in thing.told.items()}
    for name, step in book.steps.items():
        here: Where = ("steps", name)
        found |= {(*here, "title"): step.title, (*here, "leads"): step.leads, (*here, "why"): step.why}
        found |= {(*here, "say", number): text for number, text in enumerate(step.say)}
        found |= {(*here, "short", number): text for number, text in enumerate(step.short)}
        if step.caution:
            found |= {(*here, "caution", "full"): step.caution.full, (*here, "caution", "short"): step.caution.short}
        if step.judge:
            found |= {(*here, "judge", "say", key): text for key, text in step.judge.say.items()}
            found |= {(*here, "judge", "danger", key, "say"): danger.say for key, danger in step.judge.danger.items()}
        for key, answer in step.answers.items():
            there: Where = (*here, "answers", key)
            found |= {(*there, "phrases"): tuple(answer.phrases), (*there, "say"): answer.say}
            if answer.again:
                found |= {
                    (*there, "again", "say"): answer.again.say,
                    (*there, "again", "phrases"): tuple(answer.again.phrases),
                }
    return {where: text for where, text in found.items() if text is not None}


def _put(data: Any, where: Where, text: str | tuple[str, ...]) -> None:
    for key in where[:-1]:
        data = data[key]
    data[where[-1]] = list(text) if isinstance(text, tuple) else text


def _fields(text: str) -> frozenset[str]:
    return frozenset(name for _, name, _, _ in string.Formatter().parse(text) if name is not None)


def _dotted(where: Where) -> str:
    return ".".join(str(part) for part in (where[1:] if where[0] == "steps" else where))
