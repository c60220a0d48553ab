"""What a limit may be at all. A procedure or equipment file that loosens the proof of dead power is refused.

Every function gives problems as (key of the limit, what is wrong, remedy), so
that whoever read the file can add its line.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from flows.judge.rules import figure, rules

if TYPE_CHECKING:
    from flows.judge.profiles import Limit, Supply

Problem = tuple[str, str, str]
Proof = Literal["", "dead", "live"]


@dataclass(frozen=True)
class Use:
    """How one step uses limits. limits: role in its calculation -> key of a limit.

    quantity: of the step's reading. shares: roles that are a share and not a reading.
    orders: roles whose limits rise in that order. proves: whether the step shows
    a part "dead" or the meter "live", "" for neither.
    """

    check: str
    quantity: str
    limits: Mapping[str, str]
    proves: Proof = ""
    shares: tuple[str, ...] = ()
    orders: tuple[tuple[str, ...], ...] = field(default=())


def limit_problems(limits: Mapping[str, Limit], uses: Sequence[Use], supply: Supply) -> list[Problem]:
    """All that is wrong with limits, by themselves and as the steps use them. A missing key is no problem here."""
    found = [*_by_name(limits, supply)]
    for use in uses:
        found += _used(limits, use)
        found += _proof(limits, use, supply)
    return list(dict.fromkeys(found))


def _by_name(limits: Mapping[str, Limit], supply: Supply) -> Iterator[Problem]:
    for key, limit in limits.items():
        if limit.value < 0:
            yield key, f"'{key}' is {limit.value:g}, which is below 0.", "A limit is 0 or more; leave the sign out."
        if limit.value > max(rules().greatest.values()):
            yield key, f"'{key}' is {limit.value:g}, which no meter shows.", "Give it in volts, ohms or amperes."
    if "dead_volts" in limits:
        yield from _dead("dead_volts", limits["dead_volts"].value)
    if "live_volts" in limits:
        yield from _live("live_volts", limits["live_volts"].value, supply)
    if "dead_volts" in limits and "live_volts" in limits:
        yield from _apart("dead_volts", limits["dead_volts"].value, "live_volts", limits["live_volts"].value)
    pairs = [[key, f"{key[:-4]}_high"] for key in limits if key.endswith("_low")]
    for order in [*rules().orders, *pairs]:
        yield from _rising(limits, order)
    for key, sign in (("supply_low", -1), ("supply_high", 1)):
        if key in limits and (limits[key].value - supply.volts) * sign <= 0:
            side = "below" if sign < 0 else "above"
            yield (
                key,
                f"'{key}' is {limits[key].value:g} V on a nominal supply of {supply.volts:g} V.",
                f"Give a value {side} {supply.volts:g}, or mend 'supply' of the family.",
            )


def _rising(limits: Mapping[str, Limit], order: Sequence[str]) -> Iterator[Problem]:
    known = [key for key in order if key in limits]
    for low, high in itertools.pairwise(known):
        # The favourable band may reach as far as the allowed one.
        equal = "good" in low or "good" in high
        if limits[low].value > limits[high].value or (limits[low].value == limits[high].value and not equal):
            yield (
                high,
                f"'{high}' is {limits[high].value:g}, which is not above '{low}' with {limits[low].value:g}.",
                "Put the greater value there, or exchange the two.",
            )


def _used(limits: Mapping[str, Limit], use: Use) -> Iterator[Problem]:
    greatest = rules().greatest.get(use.quantity, max(rules().greatest.values()))
    for role, key in use.limits.items():
        if key not in limits:
            continue
        value = limits[key].value
        if role in use.shares:
            if not 0 < value < 1:
                yield (
                    key,
                    f"'{key}' is {value:g}, and it is used as a share ('{role}').",
                    "Give a share between 0 and 1.",
                )
        elif not 0 <= value <= greatest:
            yield (
                key,
                f"'{key}' is {value:g}, and no reading in {use.quantity.replace('_', ' ')} can be that.",
                f"Give a value from 0 to {greatest:g}.",
            )
    for order in use.orders:
        keys = [use.limits[role] for role in order if role in use.limits]
        yield from _rising(limits, keys)


def _proof(limits: Mapping[str, Limit], use: Use, supply: Supply) -> Iterator[Problem]:
    """A proof of dead power is an upper limit of a few volts; of a living meter a lower one near the supply."""
    if not use.proves:
        return
    role = "high" if use.proves == "dead" else "low"
    other = "low" if role == "high" else "high"
    key = use.limits.get(role, "")
    if use.quantity != "ac_volts" or use.check != "band" or not key or other in use.limits:
        yield (
            key or next(iter(use.limits.values()), ""),
            f"a proof by '{key or ', '.join(use.limits.values())}' that a part is {use.proves} must be AC volts, "
            f"judged by 'band' with the limit '{role}' alone.",
            f"Write check: band and limits: {{{role}: {use.proves}_volts}}.",
        )
    elif key in limits:
        value = limits[key].value
        yield from _dead(key, value) if use.proves == "dead" else _live(key, value, supply)


def _dead(key: str, value: float) -> Iterator[Problem]:
    most = figure("dead_most")
    if not 0 < value <= most:
        yield (
            key,
            f"'{key}' is {value:g} V: a part with that voltage is not dead.",
            f"Give more than 0 and at most {most:g} V.",
        )


def _live(key: str, value: float, supply: Supply) -> Iterator[Problem]:
    low, high = (figure(name) * supply.volts for name in ("live_least", "live_most"))
    if not low <= value <= high:
        yield (
            key,
            f"'{key}' is {value:g} V: that does not tell a living meter on a supply of {supply.volts:g} V.",
            f"Give a value from {low:g} to {high:g} V.",
        )


def _apart(dead: str, least: float, live: str, most: float) -> Iterator[Problem]:
    ratio = figure("live_over_dead")
    if least > 0 and most < ratio * least:
        yield (
            dead,
            f"'{dead}' with {least:g} V and '{live}' with {most:g} V are too near each other.",
            f"'{live}' must be at least {ratio:g} times '{dead}'.",
        )
