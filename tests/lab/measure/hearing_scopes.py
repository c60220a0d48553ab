"""The moments of a visit that the hearing benchmark speaks into.

Each one is a `Scope` like the dialogue opens, with every open command and with
what the display may well show there. Ranges and decimals follow an
invented meter; expected values are the trade's common values and a few
faults (common practice).
"""

from __future__ import annotations

from functools import cache

from flows.judge.profiles import meter
from grammar.language import language
from grammar.scope import Asked, Expected, Option, Scope

SWITCH = (
    Option("opened", ("i opened the switch", "i have opened the switch")),
    Option("shut", ("everything is shut down", "it is all shut down")),
)
FLAME = (
    Option("stays", ("flame stays lit", "the flame stays lit")),
    Option("drops", ("it dropped out", "it has dropped out")),
    Option("never_lit", ("no flame at all", "there was no flame at all")),
)
WIDE_SPREAD = 40.0
"""V: a display that shows anything between the usual values."""


METER = meter("dunlin")


def _volts(name: str, high: float, decimals: int, *expected: Expected) -> Scope:
    return Scope(
        name,
        Asked("ac_volts", "volt", 0.0, high, decimals, ranges=METER.function("ac_volts").display()),
        commands=language("en").always_open,
        expected=expected,
    )


def _ohms(name: str, high: float, decimals: int, *expected: Expected) -> Scope:
    return Scope(
        name,
        Asked("ohms", "ohm", 0.0, high, decimals, ranges=METER.function("ohms").display()),
        commands=language("en").always_open,
        expected=expected,
    )


@cache
def readings() -> dict[str, Scope]:
    """Scopes that ask for a reading, by a short name."""
    return {
        "supply": _volts(
            "supply/ask", 600.0, 1, Expected(120, 4, 8), Expected(0, 1, 1), Expected(60, WIDE_SPREAD, 0.5)
        ),
        "phasing": _volts(
            "phasing/ask",
            600.0,
            1,
            Expected(93, 4, 5),
            Expected(149, 5, 3),
            Expected(28, 2, 0.5),
            Expected(121, 4, 0.5),
            Expected(0, 1, 0.5),
        ),
        "secondary": _volts(
            "secondary/ask", 600.0, 1, Expected(27.8, 1.5, 8), Expected(0, 0.5, 1), Expected(20, 6, 0.5)
        ),
        "rod": _volts("rod/ask", 600.0, 1, Expected(97, 8, 6), Expected(60, 20, 2), Expected(0, 1, 1)),
        "dead": _volts("dead/ask", 600.0, 2, Expected(0, 0.5, 8), Expected(120, 4, 1), Expected(5, 4, 0.5)),
        "leads": _ohms("leads/ask", 600.0, 1, Expected(0.2, 0.15, 8), Expected(1.5, 1, 1)),
        "ground_path": _ohms(
            "ground_path/ask", 40e6, 2, Expected(0.7, 0.3, 6), Expected(3, 2, 2), Expected(20, 20, 0.5)
        ),
        "flame": Scope(
            "flame/ask",
            Asked("dc_amps", "microamp", -600e-6, 600e-6, 2, signed=True, ranges=METER.function("dc_amps").display()),
            commands=language("en").always_open,
            expected=(Expected(3.5e-6, 1.2e-6, 6), Expected(0.8e-6, 0.6e-6, 2), Expected(0.0, 0.05e-6, 1)),
        ),
    }


@cache
def words() -> dict[str, Scope]:
    """Scopes that ask for an answer in words, by a short name."""
    lang = language("en")
    yes_no = (lang.option("yes"), lang.option("no"))
    return {
        "readback": Scope("phasing/confirm", readings()["phasing"].asked, yes_no, lang.always_open),
        "switch": Scope("power_off/ask", None, SWITCH, lang.always_open),
        "proves": Scope("proves/ask", None, FLAME, lang.always_open),
        "ready": Scope("ready/ask", None, (lang.option("ready"),), lang.always_open),
    }


@cache
def scopes() -> dict[str, Scope]:
    """Every scope of the benchmark by its short name."""
    return readings() | words()
