"""From a scope to the tree of all that can be said in it.

Narrow on purpose: only numbers that the display can show here, in the asked
unit or one that the display would switch to, with no more decimals than it has.
"""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal
from functools import lru_cache

from grammar import spelling, units
from grammar.errors import GrammarError
from grammar.language import Language, language
from grammar.scope import Asked, Scope
from grammar.tree import Node, any_of, even, maybe, present, seq

MOST_BEFORE_LARGER_UNIT = 999
"""A larger number is read in the next unit where the display has one: "one point two kilohms"; common practice."""


@lru_cache(maxsize=128)
def tree_of(scope: Scope, also: bool = True) -> Node:
    """The tree of `scope`. Raises GrammarError when nothing at all can be said or the asked range is empty.

    also: with the other spellings of units. PocketSphinx is not given them: it knows the
    first ones, and the "a" of "a c" took up the noise after many a number.
    """
    lang = language(scope.language)
    choices: list[tuple[float, Node | None]] = []
    fixes = [text for option in scope.options if option.id in lang.corrects for text in option.phrases]
    if scope.asked:
        before = maybe(even(fixes), lang.weights["correction"])
        choices.append((lang.weights["reading"], seq(before, _reading(scope.asked, lang, scope.digits_only, also))))
    if scope.spelled:
        choices.append((lang.weights["reading"], spelling.tree(scope.language)))
    choices += [(lang.weights["option"], even(option.phrases)) for option in scope.options]
    choices += [(lang.weights["command"], even(lang.command(id).spoken)) for id in open_commands(scope)]
    node = any_of(*choices)
    if node is None:
        raise GrammarError(f"Nothing can be said at '{scope.name}'.", "Give it a quantity, an option or a command.")
    return node


def open_commands(scope: Scope) -> tuple[str, ...]:
    """The commands of the scope, and those that no scope can close (gas)."""
    return tuple(dict.fromkeys((*scope.commands, *language(scope.language).anywhere)))


def _reading(asked: Asked, lang: Language, digits_only: bool, also: bool) -> Node:
    if asked.low > asked.high:
        raise GrammarError(
            f"The asked range runs from {asked.low} down to {asked.high}.", "Give the lesser value first."
        )
    weights = lang.weights
    over = even(lang.over_limit.spoken) if asked.over_limit else None
    node = present(any_of((1.0, _in_units(asked, lang, digits_only, also)), (weights["over_limit"], over)))
    return seq(maybe(even(lang.lead_ins), weights["lead_in"]), node)


def _in_units(asked: Asked, lang: Language, digits_only: bool, also: bool) -> Node:
    """A number with its unit: the asked one may be left out, a larger one must be said.

    A moving display is offered in the asked unit alone, the unit after its second value: each
    further copy of the numbers costs the recogniser time. The parser takes more.
    """
    shown = units.unit(asked.unit)
    if shown not in units.units_of(asked.quantity):
        raise GrammarError(f"'{asked.quantity}' is not measured in '{asked.unit}'.", "Ask in a unit of that quantity.")
    larger = [
        one
        for one in units.units_of(asked.quantity)
        if one.scale > shown.scale and Decimal(repr(float(asked.high))) >= one.scale
    ]
    choices: list[tuple[float, Node | None]] = []
    for one in (shown, *larger):
        low, high = (Decimal(repr(float(end))) / one.scale for end in (asked.low, asked.high))
        if larger and one is not larger[-1]:
            low, high = max(low, Decimal(-MOST_BEFORE_LARGER_UNIT)), min(high, Decimal(MOST_BEFORE_LARGER_UNIT))
        decimals = asked.decimals if one is shown else min(3, asked.decimals + 3)
        number = _number(low, high, decimals, asked.signed, lang, digits_only)
        unit = _unit_phrase(one.key, asked.quantity, lang, also)
        if number is None:
            continue
        if one is shown:
            first = (
                seq(present(even(lang.ranges.before)), number, present(even(lang.ranges.between)))
                if asked.jumping
                else None
            )
            choices.append(
                (1.0, seq(maybe(first, lang.weights["range"]), number, maybe(unit, lang.weights["unit_spoken"])))
            )
        else:
            choices.append((lang.weights["other_unit"], seq(number, unit)))
    node = any_of(*choices)
    if node is None:
        raise GrammarError(
            f"No number from {asked.low} to {asked.high} can be said in '{asked.unit}'.",
            "Widen the range or choose another unit.",
        )
    return node


def _unit_phrase(key: str, quantity: str, lang: Language, also: bool) -> Node:
    unit = lang.units[key]
    words = present(even((*unit.phrases, *(unit.also if also else ()))))
    tag = units.quantity(quantity).tag
    if not tag:
        return words
    named = present(even((*lang.tags[tag].phrases, *(lang.tags[tag].also if also else ()))))
    often = lang.weights["tag_spoken"]
    return present(any_of((1.0, seq(maybe(named, often), words)), (often, seq(words, named))))


def _number(low: Decimal, high: Decimal, decimals: int, signed: bool, lang: Language, digits_only: bool) -> Node | None:
    plus = _unsigned(max(low, Decimal(0)), high, decimals, lang, digits_only) if high >= 0 else None
    if not signed or low >= 0:
        return plus
    if plus is not None and low == -high:
        return seq(maybe(even(lang.numbers.minus), lang.weights["minus"]), plus)
    minus = _unsigned(max(-high, Decimal(0)), -low, decimals, lang, digits_only)
    often = lang.weights["minus"]
    return any_of(
        (1.0 - often, plus), (often, None if minus is None else seq(present(even(lang.numbers.minus)), minus))
    )


def _unsigned(low: Decimal, high: Decimal, decimals: int, lang: Language, digits_only: bool) -> Node | None:
    """Ways to say 0 <= low <= value <= high with at most so many decimals."""
    if low > high:
        return None
    shapes, weights = lang.numbers.shapes, lang.weights
    wholes = "spelled" if digits_only else "whole"
    first, last = _floor(low), _floor(high)
    if last > shapes.top(wholes):
        raise GrammarError(f"The display may show {high}, which is too long to be said.", "Ask in a larger unit.")
    full = 10**decimals - 1
    inner_first = first if low == first else first + 1
    inner_last = last if _scaled(high - last, decimals) == full else last - 1
    halves = lang.numbers.half_after if decimals and not digits_only else ()

    def edge(whole: int) -> tuple[Node | None, Node | None, float]:
        """One whole number at an end of the range, with the decimals that still fit."""
        start = _scaled_up(low - whole, decimals) if whole == first else 0
        stop = _scaled(high - whole, decimals) if whole == last else full
        fits = start * 2 <= 10**decimals <= stop * 2
        return (
            shapes.narrow(wholes, whole, whole),
            _tail(lang, decimals, start, stop, halves if fits else (), bare=start == 0),
            1.0,
        )

    parts: list[tuple[Node | None, Node | None, float]] = []
    if inner_first <= inner_last:
        parts.append(
            (
                shapes.narrow(wholes, inner_first, inner_last),
                _tail(lang, decimals, 0, full, halves, bare=True),
                inner_last - inner_first + 1,
            )
        )
    parts += [edge(whole) for whole in sorted({first, last}) if not inner_first <= whole <= inner_last]
    said = any_of(*((size, seq(whole, tail)) for whole, tail, size in parts if whole is not None and tail is not None))
    alone = None
    if decimals and first == 0:
        start = _scaled_up(low, decimals)
        stop = full if last > 0 else _scaled(high, decimals)
        fits = start * 2 <= 10**decimals <= stop * 2
        nil = maybe(shapes.narrow("before_point", 0, 0), 0.5)
        alone = any_of(
            (1.0, _join(nil, _point(lang, decimals, start, stop))),
            (weights["half"], even(lang.numbers.half_alone) if fits and not digits_only else None),
        )
    return any_of((1.0, said), (weights["no_whole"], alone))


def _tail(lang: Language, decimals: int, start: int, stop: int, halves: tuple[str, ...], bare: bool) -> Node | None:
    """What may follow a whole number: nothing, decimals from start to stop, or "and a half"."""
    often = lang.weights["decimals"] if decimals else 0.0
    point = _point(lang, decimals, start, stop) if decimals else None
    half = lang.weights["half"]
    return any_of((1.0 - often, seq() if bare else None), (often, point), (half, even(halves)))


def _point(lang: Language, decimals: int, start: int, stop: int) -> Node | None:
    fraction = _fraction(lang, decimals, start, stop)
    return None if fraction is None else seq(present(even(lang.numbers.point)), fraction)


def _fraction(lang: Language, decimals: int, start: int, stop: int) -> Node | None:
    """1 to `decimals` digits, standing for start to stop in units of the last one; common edges share a node."""
    if start > stop or stop < 0:
        return None
    unit = 10 ** (decimals - 1)
    shapes = lang.numbers.shapes
    choices: list[tuple[float, Node | None]] = []
    ends = shapes.narrow("digit", -(-start // unit), stop // unit)
    choices.append((1.0, ends))
    if decimals > 1:
        full_first, full_last = -(-start // unit), (stop + 1) // unit - 1
        runs = [(full_first, full_last, 0, unit - 1)] if full_first <= full_last else []
        for digit in sorted({start // unit, stop // unit}):
            if not full_first <= digit <= full_last:
                runs.append((digit, digit, max(start - digit * unit, 0), min(stop - digit * unit, unit - 1)))
        for begin, end, least, most in runs:
            digits, rest = shapes.narrow("digit", begin, end), _fraction(lang, decimals - 1, least, most)
            if digits is not None and rest is not None:
                choices.append((1.0, seq(digits, rest)))
    return any_of(*choices)


def _join(head: Node, tail: Node | None) -> Node | None:
    return None if tail is None else seq(head, tail)


def _floor(value: Decimal) -> int:
    return int(value.to_integral_value(ROUND_FLOOR))


def _scaled(value: Decimal, decimals: int) -> int:
    return _floor(value.scaleb(decimals))


def _scaled_up(value: Decimal, decimals: int) -> int:
    return -_floor(-value.scaleb(decimals))
