"""Equipment families and meters: data files, read once and never changed."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from flows.errors import FlowError
from flows.judge.bounds import limit_problems
from flows.origin import Origin
from grammar.datafile import Strict, line_of, load_yaml, problems_in, read_yaml
from grammar.errors import DataFileError

HERE = Path(__file__).parents[1]
Positive = Annotated[float, Field(gt=0)]


class Limit(Strict):
    """One figure to judge by. value: SI. origin says how far to trust it; source names it."""

    value: float
    origin: Origin
    source: str


class Supply(Strict):
    """The nominal supply that a furnace is made for, hot to neutral."""

    volts: Annotated[float, Field(ge=100, le=600)]
    hertz: Literal[50, 60]


class Circuit(Strict):
    """What the circuit model needs of a healthy furnace besides the limits. V, A, Ω, F in SI, metres for wires."""

    origin: Origin
    supply_gauge: int
    supply_metres: Positive
    rod_wire_gauge: int
    rod_wire_metres: Positive
    standby_load_ohms: Positive
    blower_load_ohms: Positive
    winding_ohms: Positive
    primary_ohms: Positive
    secondary_load_ohms: Positive
    rod_source_ohms: Positive
    rod_capacitor: Positive
    sense_ohms: Positive
    flame_current: Positive
    flame_ratio: Annotated[float, Field(gt=1)]
    coil_ohms: Annotated[float, Field(ge=0)] = Field(default=0.0, exclude_if=lambda ohms: ohms == 0)
    """Winding of the ignition transformer in the way of the flame current; none where a rod only senses."""


Rod = Literal["sense", "spark_and_sense"]
"""What the rod in the flame does: it senses only, or it makes the spark as well."""


class Equipment(Strict):
    """A furnace family. Volts, amperes and ohms in SI."""

    format: Literal[1]
    id: str
    name: str
    invented: bool
    about: str
    supply: Supply
    turns_ratio: Positive
    limits: dict[str, Limit]
    circuit: Circuit | None = None
    # Left out where it is the usual one, so that what older visits have kept still has the digest it had.
    rod: Rod = Field(default="sense", exclude_if=lambda rod: rod == "sense")

    @property
    def supply_nominal(self) -> float:
        """Nominal volts of the supply."""
        return self.supply.volts

    def limit(self, key: str) -> Limit:
        """The limit called `key`. Raises FlowError when the profile has none."""
        try:
            return self.limits[key]
        except KeyError:
            raise FlowError(
                f"The equipment profile '{self.id}' has no limit '{key}'.",
                f"Add '{key}' under 'limits' in equipment/{self.id}.yaml.",
            ) from None


class Range(Strict):
    """One range of a meter function. top, resolution: SI. burden: ohms in series, current ranges only."""

    top: Positive
    resolution: Positive
    burden: float = 0.0


class MeterFunction(Strict):
    """Accuracy as percent of reading plus digits (counts of the range's resolution).

    repeat_digits: so many of the digits may differ between two readings of one
    range of the same meter minutes apart; the others are its own offset, which
    is in both. Without it all of them may, for no accuracy table says otherwise.
    """

    percent: Positive
    digits: Annotated[int, Field(ge=0)]
    repeat_digits: Annotated[int, Field(ge=0)] | None = None
    ranges: Annotated[list[Range], Field(min_length=1)]
    input_ohms: float | None = None

    @model_validator(mode="after")
    def _rising(self) -> MeterFunction:
        tops = [one.top for one in self.ranges]
        if tops != sorted(set(tops)):
            raise ValueError("ranges must rise in 'top'")
        return self

    @property
    def anew(self) -> int:
        """How many of the digits come anew with every reading."""
        return self.digits if self.repeat_digits is None else min(self.repeat_digits, self.digits)

    def range_for(self, value: float) -> Range:
        """The lowest range that can show `value` (SI); the highest one when none can."""
        return next((one for one in self.ranges if abs(value) <= one.top), self.ranges[-1])

    def display(self) -> tuple[tuple[float, float], ...]:
        """Top and resolution (SI) of each range, lowest first, as `grammar.scope.Asked` takes them."""
        return tuple((one.top, one.resolution) for one in self.ranges)


class Meter(Strict):
    """A multimeter by its accuracy table; functions are keyed by quantity. counts: the most its display counts to."""

    format: Literal[1]
    id: str
    name: str
    invented: bool
    about: str
    counts: Annotated[int, Field(ge=1000)] | None = None
    functions: dict[str, MeterFunction]

    @model_validator(mode="after")
    def _within_counts(self) -> Meter:
        if self.counts is None:
            return self
        for quantity, function in self.functions.items():
            for one in function.ranges:
                if one.top > self.counts * one.resolution * (1 + 1e-9):
                    raise ValueError(
                        f"a range of {quantity} ends at {one.top:g}, above {self.counts} counts of {one.resolution:g}"
                    )
        return self

    def function(self, quantity: str) -> MeterFunction:
        """The function for `quantity`. Raises FlowError when the meter lacks it."""
        try:
            return self.functions[quantity]
        except KeyError:
            raise FlowError(
                f"The meter '{self.id}' has no function for {quantity}.",
                "Choose another meter or add the function to its profile.",
            ) from None


def names(kind: Literal["equipment", "meters"]) -> list[str]:
    """The ids of the profiles that ship, sorted."""
    return sorted(path.stem for path in (HERE / kind).glob("*.yaml"))


@lru_cache
def equipment(name: str) -> Equipment:
    """The equipment profile called `name`. Raises FlowError, or DataFileError with the first problem."""
    found, problems = equipment_problems(_find("equipment", name))
    if problems or found is None:
        raise problems[0]
    return found


def equipment_problems(path: Path) -> tuple[Equipment | None, list[DataFileError]]:
    """The family in `path` (None when its shape is wrong) and all that is wrong with it, by line."""
    family, problems = problems_in(path, Equipment)
    if family is None:
        return None, problems
    _, nodes = read_yaml(path)
    wrong = limit_problems(family.limits, (), family.supply)
    found = [DataFileError(path, line_of(nodes, ("limits", key, "value")), what, remedy) for key, what, remedy in wrong]
    return family, sorted(found, key=lambda one: one.line or 0)


@lru_cache
def meter(name: str) -> Meter:
    """The meter profile called `name`. Raises FlowError or DataFileError."""
    return load_yaml(_find("meters", name), Meter)


def is_there(kind: Literal["equipment", "meters"], name: str) -> bool:
    """Whether a name stands for a profile: one that ships, or a YAML file that is there."""
    return _place(kind, name).is_file()


def _place(kind: Literal["equipment", "meters"], name: str) -> Path:
    return Path(name) if name.endswith(".yaml") else HERE / kind / f"{name}.yaml"


def _find(kind: Literal["equipment", "meters"], name: str) -> Path:
    path = _place(kind, name)
    if not path.is_file():
        raise FlowError(f"There is no {kind} profile called '{name}'.", f"Choose one of: {', '.join(names(kind))}.")
    return path
