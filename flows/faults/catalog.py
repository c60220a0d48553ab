"""Faults, probes and thresholds of the reasoner: data files, read once."""

from __future__ import annotations

from collections.abc import Container
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from flows.errors import FlowError
from grammar.datafile import Strict, load_yaml

HERE = Path(__file__).parent
HEALTHY = "healthy"
JOIN = "+"
OTHER = "other"
SENSE = "sense"
"""The usual design of the rod: it senses and does not spark."""
Positive = Annotated[float, Field(gt=0)]
Share = Annotated[float, Field(gt=0, lt=1)]
Origin = Literal["invented", "common practice"]
Family = Literal[
    "none", "supply wiring", "transformer", "harness", "rod", "burner ground", "flame", "ignition", "board", "meter"
]
Answers = dict[str, Share]
"""Answer to a probe that is looked at -> its chance; together 1."""


class Change(Strict):
    """How one number moves with severity 0 to 1: `set` to, `times` or `add` a value between the two ends.

    log: the way between the ends is even in the logarithm. own: it has a
    severity of its own, so that two effects of one fault need not go together.
    """

    set: tuple[float, float] | bool | None = None
    times: tuple[float, float] | None = None
    add: tuple[float, float] | None = None
    log: bool = False
    own: bool = False

    @property
    def ends(self) -> tuple[float, float]:
        """What is put in, multiplied or added at severity 0 and 1; a flag is the same at both."""
        value = next(one for one in (self.set, self.times, self.add) if one is not None)
        return (float(value), float(value)) if isinstance(value, bool) else value

    @model_validator(mode="after")
    def _one(self) -> Change:
        if sum(one is not None for one in (self.set, self.times, self.add)) != 1:
            raise ValueError("give exactly one of set, times, add")
        if self.log and min(self.ends) <= 0:
            raise ValueError("ends of a log range must be above 0")
        return self


Design = Literal["spark_and_sense"]
"""A design of the rod that not every family has: what it alone can have carries its name."""


class Variant(Strict):
    """Another face of a fault, met in `share` of its cases. circuit, shows: laid over the fault's own."""

    share: Annotated[float, Field(gt=0, le=1)]
    why: str
    circuit: dict[str, Change] = Field(default_factory=dict)
    shows: dict[str, Answers] = Field(default_factory=dict)


class Fault(Strict):
    """One fault. shows: probe that is looked at -> how often each answer is given under this fault.

    also: its other faces. practice: the practice furnace, whose burner always lights, can have it. danger: it is
    reported whatever else is found.

    says: one sentence to be spoken. next: what to do. look: how the eye tells
    it where a meter cannot. weight: relative prior. circuit: parameter of
    flows.circuit.furnace -> Change. needs: probes that must have read as on a
    healthy furnace before this fault may be named. looked: probes that must have been
    taken before, whatever they read. learn: what to practise
    after missing it. easy: for the first practice level.
    design: the only design of the rod that can have it; None for any.
    """

    name: str
    family: Family
    says: str
    next: str
    look: str = ""
    weight: Positive
    origin: Origin
    circuit: dict[str, Change] = Field(default_factory=dict)
    shows: dict[str, Answers] = Field(default_factory=dict)
    also: tuple[Variant, ...] = ()
    danger: bool = False
    needs: tuple[str, ...] = ()
    looked: tuple[str, ...] = ()
    learn: str = ""
    easy: bool = False
    practice: bool = True
    design: Design | None = None

    @property
    def faces(self) -> tuple[Variant, ...]:
        """The plain face first, then the others; their shares sum to 1."""
        plain = Variant(share=1 - sum(one.share for one in self.also), why="", circuit=self.circuit, shows=self.shows)
        return (
            plain,
            *(
                Variant(share=one.share, why=one.why, circuit=self.circuit | one.circuit, shows=self.shows | one.shows)
                for one in self.also
            ),
        )

    @model_validator(mode="after")
    def _faces(self) -> Fault:
        if sum(one.share for one in self.also) >= 1:
            raise ValueError("the shares under 'also' must leave some to the plain fault")
        return self


class Faults(Strict):
    """The file of faults. pairs: share of visits with two faults at once."""

    format: Literal[1]
    pairs: Share
    pairs_origin: Origin
    faults: dict[str, Fault]

    @model_validator(mode="after")
    def _sound(self) -> Faults:
        if HEALTHY not in self.faults:
            raise ValueError(f"'{HEALTHY}' must be one of the faults")
        return self


class Probe(Strict):
    """One reading. live: power must be on. seconds: time it takes, getting there and safe included.

    wiring: how the rod wire must be: on the rod, off it, with the meter in series, or any.
    compulsory: taken first, whatever it is expected to tell. answers: of a probe that is looked at,
    each with its chance when no fault says otherwise. after: probes that come first.
    flame: there must be one. unlit: the answer when there is none.
    undoes: probes that would no longer tell what they told, because this one changes the furnace.

    risk: weight of the time, 1 for none. scale: below it (SI) readings count
    as near zero. floor: share by which the model may be off. stray: amount
    (SI) by which any reading may be off besides, from pick-up and contacts. order: place in
    the fixed order, or None. proof: a safety proof that tells nothing of faults. design: as of a fault.
    """

    name: str
    live: bool
    quantity: Literal["ac_volts", "ohms", "dc_amps", "yes_no", "seen"]
    wiring: Literal["any", "plugged", "unplugged", "series"] = "any"
    compulsory: bool = False
    answers: Answers = Field(default_factory=dict)
    after: tuple[str, ...] = ()
    undoes: tuple[str, ...] = ()
    flame: bool = False
    unlit: str = ""
    seconds: Positive
    risk: Annotated[float, Field(ge=1)]
    origin: Origin
    scale: Positive = 1.0
    floor: Positive = 0.01
    stray: Annotated[float, Field(ge=0)] = 0.0
    order: int | None = None
    proof: bool = False
    design: Design | None = None

    @property
    def numeric(self) -> bool:
        """A display is read, rather than something seen."""
        return self.quantity not in ("yes_no", "seen")

    @model_validator(mode="after")
    def _answers(self) -> Probe:
        if (self.quantity in ("seen", "yes_no")) != bool(self.answers):
            raise ValueError("'answers' belong to 'seen' and 'yes_no', and only to them")
        if self.answers and abs(sum(self.answers.values()) - 1) > 1e-6:
            raise ValueError("the chances of the answers must sum to 1")
        return self


class Probes(Strict):
    """The file of probes."""

    format: Literal[1]
    probes: dict[str, Probe]


class Settings(Strict):
    """Thresholds of the reasoner; each is said where it stands in the file."""

    format: Literal[1]
    odd: Share
    sure: Share
    present: Share
    out: Share
    least_bits: Positive
    same: Share
    alike_bits: Positive
    usual: Share
    keep: Share
    speaks: Positive
    against: Positive
    too_soon: Share
    contested: Share
    between: Share
    rival: Share
    apart: Positive
    over_by_chance: Share
    supply_most: Share
    supply_least: Share
    handling_seconds: Positive
    off_seconds: Positive
    on_seconds: Positive
    held_back: dict[str, Annotated[float, Field(ge=0, lt=1)]]

    @model_validator(mode="after")
    def _rest(self) -> Settings:
        if OTHER not in self.held_back:
            raise ValueError(f"'held_back' needs '{OTHER}', for all faults that it does not name")
        if unknown := [name for name in self.held_back if name != OTHER and name not in faults().faults]:
            raise ValueError(f"'held_back' names no fault: {', '.join(unknown)}")
        return self


class Words(Strict):
    """Spoken templates."""

    format: Literal[1]
    language: Literal["en"]
    lines: dict[str, str]


@lru_cache
def faults() -> Faults:
    """All faults. Raises DataFileError."""
    return load_yaml(HERE / "faults.yaml", Faults)


@lru_cache
def probes() -> dict[str, Probe]:
    """Probe id -> Probe, in the order of the file. Raises DataFileError."""
    return dict(load_yaml(HERE / "probes.yaml", Probes).probes)


@lru_cache
def settings() -> Settings:
    """Thresholds. Raises DataFileError."""
    return load_yaml(HERE / "settings.yaml", Settings)


@lru_cache
def words() -> dict[str, str]:
    """Template id -> text. Raises DataFileError."""
    return dict(load_yaml(HERE / "words.yaml", Words).lines)


def fault(name: str) -> Fault:
    """The single fault called `name`. Raises FlowError."""
    try:
        return faults().faults[name]
    except KeyError:
        raise FlowError(
            f"There is no fault called '{name}'.", f"Choose one of: {', '.join(sorted(faults().faults))}."
        ) from None


@lru_cache(maxsize=4096)
def parts(name: str) -> tuple[str, ...]:
    """The single faults in `name`, which may be a pair such as "rod_open+burner_loose"."""
    return tuple(name.split(JOIN))


def among(name: str, known: Container[str]) -> str | None:
    """The fault or pair as `known` spells it, a pair in either order; None when it is not there."""
    return next((one for one in (name, JOIN.join(reversed(parts(name)))) if one in known), None)


def spoken_name(name: str) -> str:
    """The name to say of a fault or a pair. Raises FlowError."""
    return " and ".join(fault(one).name for one in parts(name))


def fits(one: Fault | Probe, rod: str) -> bool:
    """Whether a furnace whose rod is of that design can have the fault, or be read so."""
    return one.design is None or one.design == rod


def pairs(rod: str = SENSE) -> list[str]:
    """Every pair of faults that can stand at once: of different families, moving different parts of the circuit."""
    found = []
    for one, other in combinations(
        (name for name, single in faults().faults.items() if name != HEALTHY and fits(single, rod)), 2
    ):
        a, b = fault(one), fault(other)
        if a.family != b.family and not set(a.circuit) & set(b.circuit):
            found.append(one + JOIN + other)
    return found


def shipped_prior(rod: str = SENSE) -> dict[str, float]:
    """Prior probability of every single fault and pair that a rod of that design can have, summing to 1.

    Singles share 1 - `pairs` by weight (healthy among them); pairs share the
    rest by the product of their weights, as if faults came independently.
    """
    book = faults()
    singles = {name: one.weight for name, one in book.faults.items() if fits(one, rod)}
    twos = {name: singles[parts(name)[0]] * singles[parts(name)[1]] for name in pairs(rod)}
    all_singles, all_twos = sum(singles.values()), sum(twos.values())
    prior = {name: (1 - book.pairs) * weight / all_singles for name, weight in singles.items()}
    prior.update({name: book.pairs * weight / all_twos for name, weight in twos.items()})
    return prior
