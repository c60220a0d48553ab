"""What can be said at one moment of a visit.

A `Scope` is the hinge between hearing and meaning: the recogniser grammars
and the parser are both made from it, so what an engine may return is exactly
what the parser takes.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Expected:
    """One value that the display may well show here, for weighing what was heard.

    value, spread: SI units, spread is one standard deviation.
    weight: relative, above 0.
    """

    value: float
    spread: float
    weight: float = 1.0


@dataclass(frozen=True)
class Asked:
    """The quantity that a step asks for.

    quantity: a key of `quantities` in language data, such as "ac_volts".
    unit: the unit that the display shows, such as "microamp".
    low, high: least and greatest value the instrument can show here (SI).
    decimals: at most so many digits after the point, counted in `unit`.
    signed: a minus sign may be shown.
    over_limit: the display may show an out-of-range sign ("over limit").
    jumping: the technician may give a range ("jumping between 2 and 3").
    ranges: top and resolution (SI) of each range of the display, lowest first; () where unknown.
    """

    quantity: str
    unit: str
    low: float
    high: float
    decimals: int = 1
    signed: bool = False
    over_limit: bool = True
    jumping: bool = True
    ranges: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Option:
    """One answer in words: an id and the phrases that mean it. typed: those taken from the keyboard only."""

    id: str
    phrases: tuple[str, ...]
    typed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Scope:
    """All that can be heard now.

    name: for the record, such as "phasing/ask".
    asked: the quantity, or None where no reading is asked.
    options: answers in words (yes, no, ready, a choice of the procedure).
    commands: ids of the open commands; the always-open ones by default.
    digits_only: a reading is taken only digit by digit ("one five").
    expected: what the display may well show, for weighing alternatives.
    language: key of the language file.
    refused: readings (SI) that were read back here and refused, once for each time, for weighing alternatives.
    spelled: characters may be spelled (`grammar.spelling`), where the language has words for them.
    """

    name: str
    asked: Asked | None = None
    options: tuple[Option, ...] = ()
    commands: tuple[str, ...] = ()
    digits_only: bool = False
    expected: tuple[Expected, ...] = ()
    language: str = "en"
    refused: tuple[float, ...] = ()
    spelled: bool = False
