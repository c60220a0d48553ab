"""A handful of cases told in sentences: what was read, in order, what was said, and what it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flows.faults import catalog
from flows.faults.sayings import sayings
from flows.judge.profiles import Equipment
from flows.reason.assess import Evidence, assess
from flows.reason.knowledge import Knowledge
from flows.reason.words import spoken_value
from tests.lab.measure.reasoning_judge import Judge
from tests.lab.measure.reasoning_world import Case, Outcome, evidence_of

MANY = 10


def tales(
    drawn: Sequence[tuple[Equipment, Case]], outcomes: Sequence[Outcome], known: Mapping[str, Knowledge], judge: Judge
) -> str:
    """Markdown: the first case of each of MANY truths, the first of them ones that went wrong (two at most)."""
    lines = [
        "# Ten cases told",
        "",
        "The first furnace of each truth, in the order in which they were drawn; two of them went wrong.",
        "",
    ]
    for number in _chosen(outcomes, judge):
        family, case = drawn[number]
        lines += [*_tale(case, outcomes[number], known[family.id], judge), ""]
    return "\n".join(lines)


def _chosen(outcomes: Sequence[Outcome], judge: Judge) -> list[int]:
    wrong: list[int] = []
    right: dict[str, int] = {}
    for number, one in enumerate(outcomes):
        if not judge.there(one.ranked[0][0], one.truth):
            if len(wrong) < 2 and one.truth not in {outcomes[other].truth for other in wrong}:
                wrong.append(number)
        elif one.truth not in right and "sound" not in one.truth:
            right[one.truth] = number
    return sorted([*wrong, *list(right.values())[: MANY - len(wrong)]])


def _tale(case: Case, one: Outcome, knowledge: Knowledge, judge: Judge) -> list[str]:
    words = sayings()
    evidence: dict[str, Evidence] = {name: evidence_of(name, case.shown[name], knowledge.meter) for name in one.taken}
    said = assess(evidence, knowledge, case.shown.keys())
    read = "; ".join(f"{words.probe(name)}: {_value(name, case.shown[name])}" for name in one.taken)
    verdict = "right" if judge.there(one.ranked[0][0], one.truth) else "wrong"
    danger = f" Danger shown by the readings themselves: {', '.join(said.safety)}." if said.safety else ""
    return [
        f"**{case.truth.replace('_', ' ')}** ({verdict}, {100 * one.ranked[0][1]:.0f} % sure). {read}."
        f" *“{said.sentence}”*{danger}"
    ]


def _value(probe: str, shown: float | str) -> str:
    words = sayings()
    if isinstance(shown, str):
        return words.line(shown)
    return spoken_value(shown, catalog.probes()[probe].quantity, words)
