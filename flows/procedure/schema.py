"""What a procedure file may hold. The words a trainer writes, validated field by field.

A step says what must be true of the power before it may be spoken, what to
do, what to ask, how to judge the answer, and where to go next. Everything
else (read-back, doubt, pause, gas) belongs to the dialogue and is the same
in every procedure.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    Field,
    SerializerFunctionWrapHandler,
    field_validator,
    model_serializer,
    model_validator,
)

from flows.judge.profiles import Limit
from flows.procedure.texts import in_language
from flows.procedure.things import ANY, Kind, Thing, kinds_of
from grammar.datafile import Strict, load_yaml
from grammar.fields import only_names

HERE = Path(__file__).parents[1]
PROCEDURES = HERE / "procedures"

Power = Literal["on", "said_off", "dead", "doubt"]
PowerNeed = Literal["any", "on", "off", "dead"]
Identifier = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
Line = Annotated[str, Field(min_length=3, max_length=400), AfterValidator(only_names)]

ALLOWED: dict[PowerNeed, frozenset[str]] = {
    "any": frozenset({"on", "said_off", "dead", "doubt"}),
    "on": frozenset({"on"}),
    "off": frozenset({"said_off", "dead"}),
    "dead": frozenset({"dead"}),
}
"""Which states of power satisfy a step's need. "doubt" (after a break) is enough for none but "any"."""


class _Sparing(Strict):
    """A part that is written down without what it does not have, so that a visit's kept copy from before there was
    such a field keeps its digest."""

    @model_serializer(mode="wrap")
    def _without_empty(self, plain: SerializerFunctionWrapHandler) -> dict[str, Any]:
        data: dict[str, Any] = plain(self)
        return {key: value for key, value in data.items() if key not in self.spared() or value not in (None, [], False)}

    @classmethod
    def spared(cls) -> tuple[str, ...]:
        """The fields that are left out where they say nothing."""
        return ()


class Caution(_Sparing):
    """Spoken before the act: in full the first time, short when the step is repeated.

    kind: cautions of one kind warn of the same danger. To whom is told less than everything the full one is said
    once a visit for all of them, at whichever step comes first, and the short one after it.
    """

    full: Line
    short: Line
    kind: Identifier | None = None

    @classmethod
    def spared(cls) -> tuple[str, ...]:
        return ("kind",)


class Expect(Strict):
    """A value that the display may well show. spread: one standard deviation, SI.

    Either `value`, or the value of a `limit`, or `read`: readings of this visit by
    probe, each times its factor, added up; it counts once all of them are taken.
    """

    value: float | None = None
    limit: Identifier | None = None
    read: dict[Identifier, float] = {}
    spread: Annotated[float, Field(gt=0)]
    weight: Annotated[float, Field(gt=0)] = 1.0

    @model_validator(mode="after")
    def _one(self) -> Expect:
        if (self.value is not None) + (self.limit is not None) + bool(self.read) != 1:
            raise ValueError("give one of 'value', 'limit' and 'read'")
        return self


class Ask(Strict):
    """The reading a step asks for. low, high: what the display can show here (SI).

    expect: what it may well show, so that doubtful hearing can be weighed.
    """

    probe: Identifier
    quantity: Literal["ac_volts", "dc_volts", "ohms", "dc_amps", "ac_amps", "hertz"]
    unit: Identifier
    low: float = 0.0
    high: float
    decimals: Annotated[int, Field(ge=0, le=4)] = 1
    signed: bool = False
    over_limit: bool = True
    expect: list[Expect] = []


class Danger(Strict):
    """What a failed safety check means for the person at the furnace.

    say: what is wrong and what to do now; spoken at once and again at the end,
    and never outvoted by the ranking of faults. stops: the visit goes on only
    through a fix; otherwise it may go on with the finding standing.
    """

    say: Line
    stops: bool = False


class Judge(Strict):
    """How the reading is judged and what is said of it.

    check: a calculation of flows.judge.verdict. limits: role in the calculation to key
    of a limit. say: a line for "pass", "close" and each finding.
    must_pass: nothing but a pass leads on; otherwise `otherwise` is the next step.
    danger: findings that put a person at risk. fix: the step that mends a
    finding, where it is not the procedure's own.
    """

    check: Identifier
    probes: dict[Identifier, Identifier] = {}
    limits: dict[Identifier, Identifier] = {}
    say: dict[Identifier, Line]
    must_pass: bool = False
    otherwise: Identifier | None = None
    danger: dict[Identifier, Danger] = {}
    fix: dict[Identifier, Identifier] = {}

    @model_validator(mode="after")
    def _paired(self) -> Judge:
        if self.must_pass != (self.otherwise is not None):
            raise ValueError("'must_pass' and 'otherwise' go together")
        return self


class Again(Strict):
    """The second asking of an answer that changes what is safe: other words, other sound."""

    say: Line
    phrases: Annotated[list[str], Field(min_length=1)]


class Sets(Strict):
    """What becomes true when an answer is taken."""

    power: Literal["on", "said_off"] | None = None
    things: dict[Identifier, Identifier] = {}


class Answer(_Sparing):
    """One answer in words.

    go_ahead: it only says that one is ready, so the language's own words for that count as well.
    evidence: a probe that is answered by it, yes or no or one of the probe's words.
    mended: readings taken before this stay; readings of `mended` taken after it count as another probe.
    """

    phrases: Annotated[list[str], Field(min_length=1)]
    again: Again | None = None
    sets: Sets = Sets()
    evidence: dict[Identifier, bool | Identifier] = {}
    mended: dict[Identifier, Identifier] = {}
    say: Line | None = None
    outcome: Literal["pass", "fail"] | None = None
    go_ahead: bool = False

    @classmethod
    def spared(cls) -> tuple[str, ...]:
        return ("go_ahead",)

    @model_validator(mode="after")
    def _only_ready(self) -> Answer:
        if self.go_ahead and (self.again or self.sets.power or self.evidence or self.outcome):
            raise ValueError("an answer that counts for something keeps words of its own: leave 'go_ahead' out")
        return self

    @model_validator(mode="after")
    def _twice(self) -> Answer:
        if self.sets.power is not None and self.again is None:
            raise ValueError("an answer that changes the power needs 'again': ask it twice, in other words")
        if len(self.sets.things) > 2:
            raise ValueError("one answer moves two things at most: give the others steps of their own")
        return self


class When(Strict):
    """A guard; every part that is given must hold."""

    outcome: list[Literal["pass", "fail", "close"]] | None = None
    answer: list[Identifier] | None = None
    taken: Identifier | None = None
    power: list[Power] | None = None
    things: dict[Identifier, Identifier] = {}
    leaving: bool | None = None
    danger: bool | None = None


class Go(Strict):
    """Where to go, when its guard holds. The last entry of a list has no guard."""

    when: When | None = None
    go: Identifier


At = Identifier | dict[Identifier, Identifier | list[Identifier]]


class Step(_Sparing):
    """One thing to do and one thing to answer.

    short: the same in fewer words, without what only tells how to answer; () where `say` is short enough. It names
    all that `say` names.

    power, at: what must be true before it is spoken; `at` is the name of one of
    the procedure's stands, or a position (several, or "any") for each thing.
    where they differ, the visit first goes through the steps that bring it about.
    extra: a test that is taken only when it is asked for.
    """

    title: Line
    check: Annotated[int, Field(ge=1, le=99)] | None = None
    power: PowerNeed
    at: At
    extra: bool = False
    say: Annotated[list[Line], Field(min_length=1)]
    short: list[Line] = []
    caution: Caution | None = None
    leads: Line | None = None
    why: Line | None = None
    ask: Ask | None = None
    answers: dict[Identifier, Answer] = {}
    judge: Judge | None = None
    proves: Identifier | None = None
    may_skip: bool = False
    next: list[Go] = []
    end: Literal["finished", "stopped"] | None = None

    @classmethod
    def spared(cls) -> tuple[str, ...]:
        return ("short",)

    @model_validator(mode="after")
    def _one_question(self) -> Step:
        if self.end:
            if self.ask or self.answers or self.next:
                raise ValueError("an end step asks nothing and leads nowhere")
            return self
        if bool(self.ask) == bool(self.answers):
            raise ValueError("a step asks for a reading ('ask') or for an answer in words ('answers'), one of the two")
        if self.next and self.next[-1].when is not None:
            raise ValueError("'next' needs a last entry without 'when'")
        if (
            not self.next
            and not self.extra
            and not any(one.sets.things or one.sets.power for one in self.answers.values())
            and not self.proves
        ):
            raise ValueError("only a step that moves something, proves something or is 'extra' may lack 'next'")
        if any(one.when is None for one in self.next[:-1]):
            raise ValueError("only the last entry of 'next' may lack 'when'")
        if self.judge and not self.ask:
            raise ValueError("'judge' needs a reading ('ask')")
        if self.ask and self.power in ("off", "any") and self.ask.quantity == "ohms":
            raise ValueError("a step that asks for ohms needs 'power: dead'")
        if self.proves and not (self.judge and self.judge.must_pass):
            raise ValueError("a step that 'proves' something needs a judge with 'must_pass'")
        return self


class Procedure(Strict):
    """A whole procedure.

    things: what it moves, and where each begins. stands: named positions that
    steps share. dead_proof: the proofs that, all passed since power was said
    to be off, make power dead. leave: the end after "stop". fix: the step in
    which a fault is mended, where the check names no other.
    """

    format: Literal[2]
    id: Identifier
    version: Annotated[int, Field(ge=1)]
    title: Line
    about: str
    language: str = "en"
    start: Identifier
    things: dict[Identifier, Thing] = {}
    stands: dict[Identifier, dict[Identifier, Identifier | list[Identifier]]] = {}
    dead_proof: list[Identifier] = []
    leave: Annotated[list[Go], Field(min_length=1)]
    fix: Identifier | None = None
    reason: bool = True
    limits: dict[Identifier, Limit] = {}
    steps: Annotated[dict[Identifier, Step], Field(min_length=2)]

    @field_validator("things")
    @classmethod
    def _things_known(cls, things: dict[str, Thing]) -> dict[str, Thing]:
        kinds_of(things)
        return things

    def kinds(self) -> dict[str, Kind]:
        """Every thing that the procedure moves, in the order in which it is looked at."""
        return kinds_of(self.things)

    def at(self, name: str) -> dict[str, frozenset[str]]:
        """Where each thing must stand in step `name`; a thing that may stand anywhere is left out."""
        declared = self.steps[name].at
        places = self.stands.get(declared, {}) if isinstance(declared, str) else declared
        found = {thing: frozenset([one] if isinstance(one, str) else one) for thing, one in places.items()}
        return {thing: found[thing] for thing in self.kinds() if thing in found and ANY not in found[thing]}


def procedure_path(name: str) -> Path:
    """The file of a shipped procedure, or `name` itself when it is a path to a YAML file."""
    return Path(name) if name.endswith((".yaml", ".yml")) else PROCEDURES / f"{name}.yaml"


def load_procedure(name: str, language: str = "") -> Procedure:
    """The validated procedure, in `language` where one is named. Raises DataFileError, and FlowError where nobody
    translated it."""
    path = procedure_path(name)
    procedure = load_yaml(path, Procedure)
    return in_language(procedure, path, language or procedure.language)
