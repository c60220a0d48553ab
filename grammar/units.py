"""Units and quantities: scale to SI, symbol, and how a unit is spoken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from pydantic import field_validator

from grammar.datafile import Strict, load_yaml
from grammar.errors import GrammarError
from grammar.language import language

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Unit:
    """key, kind ("voltage"), scale (one of it in SI), symbol; typed: as people type it."""

    key: str
    kind: str
    scale: Decimal
    symbol: str
    typed: tuple[str, ...]


@dataclass(frozen=True)
class Quantity:
    """key ("ac_volts"), kind ("voltage"), tag ("ac", "dc" or "")."""

    key: str
    kind: str
    tag: str


class _Unit(Strict):
    kind: str
    scale: str
    symbol: str
    typed: list[str]

    @field_validator("scale")
    @classmethod
    def _number(cls, text: str) -> str:
        if not text.replace(".", "", 1).isdigit() or Decimal(text) <= 0:
            raise ValueError("write a decimal number above 0 in quotes")
        return text


class _Quantity(Strict):
    kind: str
    tag: str = ""


class _File(Strict):
    format: Literal[1]
    units: dict[str, _Unit]
    quantities: dict[str, _Quantity]


@lru_cache
def _file() -> _File:
    return load_yaml(HERE / "units.yaml", _File)


@lru_cache
def units() -> Mapping[str, Unit]:
    """Every unit by key. Raises DataFileError."""
    return MappingProxyType(
        {
            key: Unit(key, one.kind, Decimal(one.scale), one.symbol, tuple(one.typed))
            for key, one in _file().units.items()
        }
    )


@lru_cache
def quantities() -> Mapping[str, Quantity]:
    """Every quantity by key. Raises DataFileError."""
    return MappingProxyType({key: Quantity(key, one.kind, one.tag) for key, one in _file().quantities.items()})


def unit(key: str) -> Unit:
    """The unit `key`. Raises GrammarError."""
    try:
        return units()[key]
    except KeyError:
        raise GrammarError(f"There is no unit '{key}'.", f"Choose one of: {', '.join(units())}.") from None


def quantity(key: str) -> Quantity:
    """The quantity `key`. Raises GrammarError."""
    try:
        return quantities()[key]
    except KeyError:
        raise GrammarError(f"There is no quantity '{key}'.", f"Choose one of: {', '.join(quantities())}.") from None


def units_of(quantity_key: str) -> tuple[Unit, ...]:
    """The units that a quantity can be given in, least first. Raises GrammarError."""
    kind = quantity(quantity_key).kind
    return tuple(sorted((one for one in units().values() if one.kind == kind), key=lambda one: one.scale))


def quantity_of(unit_key: str, tag: str = "", asked: str = "") -> str | None:
    """The quantity that a spoken unit means, or None when the unit has none with that tag.

    tag: "ac", "dc" or "" when not said; then `asked` is taken if it fits, else the first that does.
    """
    kind = unit(unit_key).kind
    fitting = [one.key for one in quantities().values() if one.kind == kind and tag in ("", one.tag)]
    if asked in fitting:
        return asked
    return fitting[0] if fitting else None


def to_si(number: Decimal | str | float, unit_key: str) -> float:
    """A number of `unit_key` in SI; text and Decimal stay exact to the last step."""
    exact = Decimal(repr(number)) if isinstance(number, float) else Decimal(number)
    return float(exact * unit(unit_key).scale)


def from_si(value: float, unit_key: str) -> float:
    """An SI value as a number of `unit_key` (7.4e-6 in "microamp" is 7.4)."""
    return float(Decimal(repr(float(value))) / unit(unit_key).scale)


def symbol(unit_key: str) -> str:
    """The unit as written: "µA"."""
    return unit(unit_key).symbol


def spoken(unit_key: str, number: float | str = 2, key: str = "en") -> str:
    """The unit as spoken after `number`: "volt" after exactly one ("1"), else "volts" ("1.0" too)."""
    words = language(key).units[unit(unit_key).key]
    one = str(number) in ("1", "-1") or (isinstance(number, int) and abs(number) == 1)
    return words.one if one else words.many
