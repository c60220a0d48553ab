"""Everything that can be wrong with a procedure, found before a technician meets it.

Each part gives its findings as `DataFileError`: file, line, problem, remedy.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from assistant.authoring.length import Seconds
from assistant.authoring.lines import FIRST, limits_not_given, lines_of
from assistant.authoring.places import places
from assistant.authoring.reading import Measure
from assistant.authoring.rules import rules
from assistant.authoring.ways import endless, never_reached
from flows.errors import FlowError
from flows.judge.profiles import Equipment
from flows.procedure.compile import Plan, check_file
from flows.procedure.spoken.check import spoken_problems
from flows.walk.safety import Walk, walk
from grammar.datafile import line_of, read_yaml
from grammar.errors import DataFileError, GrammarError
from grammar.known import lacking
from grammar.phonetics import check_apart

Problems = list[DataFileError]
SHOWN = 5
"""So many breaches of the walk are told; the rest are counted."""


@dataclass(frozen=True)
class Source:
    """A file and its YAML nodes, to say in which line a problem stands."""

    path: Path
    nodes: yaml.Node | None

    @classmethod
    def of(cls, path: Path) -> Source:
        """Raises DataFileError when the file cannot be read."""
        return cls(path, read_yaml(path)[1])

    def problem(self, where: Sequence[Any], what: str, remedy: str) -> DataFileError:
        return DataFileError(self.path, line_of(self.nodes, tuple(where)), what, remedy)


def shape(path: Path, families: Sequence[Equipment]) -> Problems:
    """Wrong keys, names that lead nowhere, limits that some family lacks; each problem once."""
    found: dict[str, DataFileError] = {}
    for family in families:
        procedure, problems = check_file(path, family)
        found.update({one.text: one for one in problems})
        if procedure is None:
            break
    return sorted(found.values(), key=lambda one: one.line or 0)


def ways(plan: Plan, source: Source) -> Problems:
    """Steps that nothing leads to and steps from which no end can be reached."""
    found = [
        source.problem(
            ("steps", name),
            f"nothing leads to '{name}'.",
            "Name it in the 'next' of another step, let its answer bring about what another step needs, or take it"
            " out.",
        )
        for name in never_reached(plan.procedure)
    ]
    return found + [
        source.problem(
            ("steps", name), f"from '{name}' no end can be reached.", "Let its 'next' lead on to a step that has 'end'."
        )
        for name in endless(plan.procedure)
    ]


def words(plan: Plan, source: Source) -> Problems:
    """Sentences that do not say what the procedure declares, answers that nobody can give, words that nobody hears."""
    try:
        found = [source.problem(*one) for one in spoken_problems(plan.procedure, lacking)]
    except FlowError as error:
        return [DataFileError(source.path, None, error.problem, error.remedy)]
    return sorted(found, key=lambda one: one.line or 0)


def numbers(plan: Plan, source: Source) -> Problems:
    """Lines that would speak a limit which their step does not give."""
    return [
        source.problem(
            where,
            f"the line speaks {{{field}}}, but the step gives no limit '{field}'.",
            f"Add '{field}' under 'limits' of '{step}', or leave it out of the line.",
        )
        for step, field, where in limits_not_given(plan)
    ]


def grades(plan: Plan, source: Source, measure: Measure) -> tuple[Problems, float, float]:
    """Lines that are too hard; and the mean and the hardest value of all lines."""
    bound = rules().reading[plan.language]
    values = [(line, measure(line.text)) for line in lines_of(plan)]
    limit = f"at most {bound.most:g}" if bound.most is not None else f"at least {bound.least:g}"
    found = [
        source.problem(
            line.where,
            f"'{_short(line.text)}' has a {bound.name} of {value:.1f}; it must be {limit}.",
            "Use shorter words and shorter sentences.",
        )
        for line, value in values
        if not bound.holds(value)
    ]
    all_values = [value for _, value in values]
    return found, sum(all_values) / len(all_values), max(all_values) if bound.most is not None else min(all_values)


@dataclass(frozen=True)
class SpokenLength:
    """Seconds of speech. path: every step's first entry once; longest: the step that says most at once."""

    path: float
    longest: float
    longest_step: str


def lengths(plan: Plan, source: Source, seconds: Seconds) -> tuple[Problems, SpokenLength]:
    """Sentences, and entries of steps, that take too long to say; and what the whole takes."""
    bound, found = rules().length, []
    entry: dict[str, float] = {}
    for line in lines_of(plan):
        took = seconds(line.text)
        if line.role in FIRST:
            entry[line.step] = entry.get(line.step, 0.0) + took
        if took > bound.line:
            found.append(
                source.problem(
                    line.where,
                    f"'{_short(line.text)}' takes {took:.0f} seconds to say; at most {bound.line:g} can be kept in"
                    " mind.",
                    "Cut it in two, or say less.",
                )
            )
    for step, took in entry.items():
        if took > bound.entry:
            found.append(
                source.problem(
                    ("steps", step),
                    f"'{step}' speaks for {took:.0f} seconds before it asks; at most {bound.entry:g} can be kept in"
                    " mind.",
                    "Cut it in two steps, or say less.",
                )
            )
    longest = max(entry, key=lambda name: entry[name])
    return found, SpokenLength(sum(entry.values()), entry[longest], longest)


def alike(plan: Plan, source: Source) -> Problems:
    """Answers open together that sound alike; phrases that nobody knows how to pronounce."""
    found: dict[str, DataFileError] = {}
    for step, scope in places(plan):
        try:
            pairs = check_apart(scope, rules().apart)
        except GrammarError as error:
            found.setdefault(error.problem, source.problem(("steps", step), error.problem, error.remedy))
            continue
        for pair in pairs:
            own = next((id for id in (pair.first_id, pair.second_id) if id in plan.step(step).answers), None)
            where = ("steps", step, "answers", own) if own else ("steps", step)
            found.setdefault(
                pair.text,
                source.problem(where, pair.text, f"Choose another phrase; {rules().apart:g} is the least distance."),
            )
    return sorted(found.values(), key=lambda one: one.line or 0)


def safety(plan: Plan, source: Source) -> tuple[Problems, Walk]:
    """The proof: every state and every answer, and each rule broken on the way. Takes a while."""
    seen = walk(plan)
    found = [
        source.problem(
            ("steps", _step_of(one.state)),
            f"in {one.state}, on the answer '{one.answer}': {one.rule}.",
            "Change where this step leads, what it needs or what its answers set.",
        )
        for one in seen.breaches[:SHOWN]
    ]
    if len(seen.breaches) > SHOWN:
        found.append(
            DataFileError(
                source.path,
                None,
                f"{len(seen.breaches) - SHOWN} further breaches of the rules of safety.",
                "Mend the first ones and check again.",
            )
        )
    found += [
        source.problem(
            ("steps", name),
            f"'{name}' is never reached, whatever is answered.",
            "Look at the guards ('when'), and at what the steps on the way to it need and set.",
        )
        for name in seen.steps_never
    ]
    stuck = dict.fromkeys(_step_of(state) for state in seen.stuck)
    found += [
        source.problem(
            ("steps", name),
            f"a visit can come to '{name}' in a way that reaches no end.",
            "Look at the guards ('when'), 'otherwise', and what the steps on the way out need and set.",
        )
        for name in stuck
    ]
    return found, seen


def _step_of(state: str) -> str:
    return state.split("/")[0]


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57].rstrip() + "..."


def in_all_languages(path: Path) -> Iterator[tuple[str, Path]]:
    """(language, file) of every file of texts beside the procedure: `name.es.yaml` beside `name.yaml`."""
    for other in sorted(path.parent.glob(f"{path.stem}.*.yaml")):
        yield other.suffixes[-2].lstrip("."), other
