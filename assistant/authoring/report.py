"""The whole check of a procedure, told line by line as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from assistant.authoring import checking
from assistant.authoring.checking import Source
from assistant.authoring.length import Seconds, by_letters, by_voice
from assistant.authoring.lines import lines_of
from assistant.authoring.reading import measure
from assistant.authoring.rules import rules
from assistant.errors import AssistantError, MissingLibrary
from flows.judge.profiles import equipment as load_equipment
from flows.judge.profiles import meter as load_meter
from flows.procedure.compile import Plan, make_plan, suits
from flows.procedure.schema import load_procedure
from flows.procedure.texts import translate
from grammar.errors import TwohandsError
from grammar.language import languages

Tell = Callable[[str], None]


@dataclass
class Report:
    """Tells what is found and counts it."""

    tell: Tell
    problems: list[TwohandsError] = field(default_factory=list)

    def add(self, found: Sequence[TwohandsError]) -> None:
        for one in found:
            self.tell(f"  {one.text}")
        self.problems += found

    def fact(self, text: str) -> None:
        self.tell(f"  {text}")


def check_all(
    path: Path, families: Sequence[str], meter: str, quick: bool, voice: bool, tell: Tell
) -> list[TwohandsError]:
    """Check `path` and its translations; every problem found. Raises FlowError for an unknown family or meter.

    What builds on a part that is wrong is left out and told: a procedure whose shape is wrong is not walked.
    """
    report = Report(tell)
    tell(f"{path.name}")
    report.add(checking.shape(path, [load_equipment(name) for name in families]))
    if report.problems:
        report.fact("The rest is checked when these are mended.")
        return _close(report, proven=False)
    procedure = load_procedure(str(path))
    barred = [name for name in families if not suits(procedure, load_equipment(name))]
    if barred:
        report.fact(f"It is not for {', '.join(barred)}: it puts the meter in the wire of a rod that sparks as well.")
    families = [name for name in families if name not in barred] or families
    plan = make_plan(procedure, load_equipment(families[0]), load_meter(meter))
    source = Source.of(path)
    report.fact(
        f"{len(procedure.steps)} steps, {len(lines_of(plan))} lines; the limits are there on {', '.join(families)}."
    )
    report.add(_meter_lacks(plan))
    report.add(checking.ways(plan, source))
    report.add(checking.numbers(plan, source))
    _language(plan, source, report, voice)
    for key, other in checking.in_all_languages(path):
        tell(f"{other.name}")
        translated, problems = translate(procedure, other)
        report.add(problems)
        if key not in languages():
            report.add(
                [
                    AssistantError(
                        f"{other.name}: there is no language '{key}'.",
                        f"Name the file after one of: {', '.join(languages())}.",
                    )
                ]
            )
        elif translated is not None:
            _language(make_plan(translated, plan.equipment, plan.meter), Source.of(other), report, voice)
    if quick:
        return _close(report, proven=False)
    tell("Proof of safety")
    if report.problems:
        report.fact("Left out until the problems above are mended.")
        return _close(report, proven=False)
    found, seen = checking.safety(plan, source)
    report.fact(f"Walked {seen.states} states and {seen.moves} answers.")
    report.add(found)
    return _close(report, proven=not found)


def _meter_lacks(plan: Plan) -> list[TwohandsError]:
    return [
        AssistantError(
            f"The meter '{plan.meter.id}' cannot show {quantity.replace('_', ' ')}.", "Choose another with --meter."
        )
        for quantity in sorted(
            {step.ask.quantity for step in plan.procedure.steps.values() if step.ask} - plan.meter.functions.keys()
        )
    ]


def _language(plan: Plan, source: Source, report: Report, voice: bool) -> None:
    """What holds for the words of one language: how easy, how long, how far apart."""
    report.add(checking.words(plan, source))
    bound = rules().reading.get(plan.language)
    if bound is None:
        report.fact(f"How easy the lines are is not measured: there is no formula for '{plan.language}'.")
    else:
        try:
            found, mean, hardest = checking.grades(plan, source, measure(plan.language))
            report.fact(
                f"{bound.name}: mean {mean:.1f}, hardest line {hardest:.1f}"
                f" ({'at most' if bound.most is not None else 'at least'}"
                f" {bound.most if bound.most is not None else bound.least:g})."
            )
            report.add(found)
        except MissingLibrary as error:
            report.add([error])
    with _seconds(plan, report, voice) as seconds:
        found, spoken = checking.lengths(plan, source, seconds)
    report.fact(
        f"Spoken once through: {spoken.path / 60:.1f} minutes; longest step '{spoken.longest_step}',"
        f" {spoken.longest:.0f} seconds."
    )
    report.add(found)
    report.add(checking.alike(plan, source))


@contextmanager
def _seconds(plan: Plan, report: Report, voice: bool) -> Iterator[Seconds]:
    if not voice:
        yield by_letters
        return
    from assistant.speaking.voice import EspeakVoice

    try:
        real = EspeakVoice(plan.language)
    except MissingLibrary as error:
        report.fact(f"The length is reckoned from the letters. {error.text}")
        yield by_letters
        return
    try:
        yield by_voice(real)
    finally:
        real.close()


def _close(report: Report, proven: bool) -> list[TwohandsError]:
    count = len(report.problems)
    if count:
        report.tell(f"{count} problem{'s' if count > 1 else ''} found.")
    else:
        report.tell("No problems found." + ("" if proven else " Safety is not proven: run it without --quick."))
    return report.problems
