"""What a journal line may hold, by its kind: the types of all fields that this program reads.

Fields that are not named here are let through, and so are kinds that are not:
a program of the same journal version may write more. A field that is named
has its type, or it is refused, so that nothing that reads journals has to
ask again.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from typing_extensions import TypedDict

NEWEST = 2
"""Version 2 chains its lines (`assistant.visit.chain`)."""
Text = Annotated[str, Field(max_length=20_000)] | None
Word = Literal["over limit", "minus over limit", "under limit", "not a number"]
"""What stands for a number that JSON has not; "under limit" is how earlier programs wrote minus infinity."""
Number = Annotated[float, Field(allow_inf_nan=False)] | Word | None
Name = Annotated[str, Field(max_length=200)] | None
OPEN = ConfigDict(extra="allow", strict=True)


class Confirmed(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    how: Name
    text: Text


class Interval(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    value: Number
    u: Number
    low: Number
    high: Number


class Limit(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    name: Name
    value: Number
    origin: Text
    source: Text


class Said(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    line: Text
    text: Text
    role: Name


class GivenReading(TypedDict, total=False):
    """A reading inside an answer."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    value: Number
    low: Number
    high: Number
    step: Number
    quantity: Name
    unit: Name
    digits: Name
    over_limit: bool
    text: Text
    sounds_like: Number


class GivenAnswer(TypedDict, total=False):
    """What an utterance was taken for. value … belong to a reading, id to a choice or a command."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    type: Name
    id: Name
    text: Text
    value: Number
    low: Number
    high: Number
    step: Number
    quantity: Name
    unit: Name
    digits: Name
    over_limit: bool
    reason: Name
    correction: GivenReading | None
    reading: GivenReading | None
    between: list[GivenReading]
    weak: GivenReading | None


class Visit(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    visit: Annotated[str, Field(min_length=1, max_length=120)]
    number: Annotated[int, Field(ge=0)] | None
    procedure: Name
    procedure_title: Text
    procedure_version: int | None
    equipment: Name
    equipment_name: Text
    meter: Name
    meter_name: Text
    language: Name
    engine: Text
    voice: Text
    program: Text
    invented: bool | None
    technician: Text
    site: Text
    customer: Text
    kept: dict[str, str] | None
    rates: dict[str, Any] | None


class DetailsLine(TypedDict, total=False):
    """Whose work it was and on which furnace, as somebody gave it; the last line that names a thing counts.

    read_back: the names of those that were read back and agreed to. spoken: of those that were spelled aloud.
    """

    __pydantic_config__ = OPEN  # type: ignore[misc]
    company: Name
    licence: Name
    furnace_model: Name
    furnace_serial: Name
    control_model: Name
    control_serial: Name
    read_back: list[str] | None
    spoken: list[str] | None


class SpokenOver(TypedDict, total=False):
    """The sentence that we were saying when the technician began, and how far into it."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    line: Text
    at: Number


class HeardLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    scope: Text
    text: Text
    confidence: Number
    alternatives: list[Any] | None
    seconds: Number
    level_db: Number
    engine: Text
    answer: GivenAnswer | None
    snippet: Name
    second: dict[str, Any] | None
    over: SpokenOver | None


class CutLine(TypedDict, total=False):
    """cut: sentences that were not said to their end, for the technician spoke (lines).

    talked_over: words over our voice that do not count, and why.
    """

    __pydantic_config__ = OPEN  # type: ignore[misc]
    lines: list[str] | None
    line: Text
    text: Text
    why: Text


class ReadingLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    step: Name
    check_title: Text
    probe: Name
    counts_as: Name
    quantity: Name
    unit: Name
    value: Number
    low: Number
    high: Number
    step_size: Number
    digits: Name
    over_limit: bool | None
    text: Text
    confirmed: Confirmed | None
    measured: Interval | None
    power: Name


class VerdictLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    step: Name
    check: Name
    outcome: Name
    finding: Name
    value: Number
    low: Number
    high: Number
    unit: Name
    limits: list[Limit] | None
    text: Text
    numbers: dict[str, Number] | None
    power: Name


class StepLine(TypedDict, total=False):
    """choice, power, jumper, skipped, retaken, fix, order, talk, alarm, alarm_over."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    step: Name
    choice: Name
    text: Text
    confirmed: Name
    power: Name
    state: Name
    by: Name
    on: bool | None
    why: Text
    probe: Name
    what: Name
    finding: Name
    level: Name


class MovedLine(TypedDict, total=False):
    """A thing was brought to a place, by an answer that said so."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    thing: Name
    to: Name
    step: Name


class SafetyLine(TypedDict, total=False):
    """A finding that puts a person at risk. stands: False where it is taken back."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    step: Name
    finding: Name
    text: Text
    stands: bool


class MemoLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    file: Name
    seconds: Number
    step: Name
    text: Text


class AssessmentLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    ranked: list[Any] | None
    next_probe: Name
    sentence: Text
    ruled_out: list[Any] | None
    named: Name
    cannot_tell: list[str] | None
    unproven: list[str] | None
    advice: Text


class TroubleLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    what: Name
    problem: Text
    remedy: Text


class EndLine(TypedDict, total=False):
    __pydantic_config__ = OPEN  # type: ignore[misc]
    how: Name
    fault: Name
    advice: Text
    summary: Text
    left_set: list[str] | None
    missing: list[str] | None
    missing_titles: list[str] | None
    safety: list[list[str]] | None
    power: Name


class OtherLine(TypedDict, total=False):
    """resumed, interrupted."""

    __pydantic_config__ = OPEN  # type: ignore[misc]
    engine: Text
    program: Text
    why: Text


KINDS: dict[str, type] = {
    "visit": Visit,
    "details": DetailsLine,
    "said": Said,
    "heard": HeardLine,
    **dict.fromkeys(("cut", "talked_over"), CutLine),
    "reading": ReadingLine,
    "verdict": VerdictLine,
    "memo": MemoLine,
    "assessment": AssessmentLine,
    "trouble": TroubleLine,
    "end": EndLine,
    "moved": MovedLine,
    "safety": SafetyLine,
    **dict.fromkeys(
        ("choice", "power", "jumper", "skipped", "retaken", "fix", "order", "talk", "alarm", "alarm_over"), StepLine
    ),
    **dict.fromkeys(("resumed", "interrupted"), OtherLine),
}


@lru_cache
def _adapter(kind: str) -> TypeAdapter[Any]:
    return TypeAdapter(KINDS[kind])


def fault_in(kind: str, event: dict[str, Any]) -> str:
    """What is wrong with a line of this kind, as the end of a sentence; "" when nothing is or the kind is not known."""
    if kind not in KINDS:
        return ""
    try:
        _adapter(kind).validate_python(event)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False, include_context=False)[0]
        where = ".".join(
            str(part)
            for part in first["loc"]
            if isinstance(part, int)
            or part in event
            or not str(part).startswith(("function", "literal", "constrained"))
        )
        return f"its '{where[:80]}' is of the wrong kind ({first['msg'][:80]})"
    return ""
