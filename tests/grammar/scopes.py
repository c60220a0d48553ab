"""Scopes that the grammar tests share: every kind of question a procedure may ask."""

from grammar.language import language
from grammar.scope import Asked, Option, Scope

EN = language("en")
YES_NO = (EN.option("yes"), EN.option("no"))
ALWAYS = EN.always_open

SCOPES = {
    "volts": Scope("supply/ask", Asked("ac_volts", "volt", 0, 600, 1), (), ALWAYS),
    "volts_readback": Scope("supply/confirm", Asked("ac_volts", "volt", 0, 600, 1), YES_NO, ALWAYS),
    "volts_digits": Scope("supply/digits", Asked("ac_volts", "volt", 0, 600, 1), (), ALWAYS, digits_only=True),
    "volts_odd_ends": Scope("odd", Asked("ac_volts", "volt", 1.25, 37.4, 2, over_limit=False), (), ALWAYS),
    "ohms": Scope("ground path", Asked("ohms", "ohm", 0, 40e6, 1), (), ALWAYS),
    "low_ohms": Scope("leads", Asked("ohms", "ohm", 0, 0.8, 1, jumping=False), (), ALWAYS),
    "microamps": Scope("flame", Asked("dc_amps", "microamp", -600e-6, 600e-6, 2, signed=True), (), ALWAYS),
    "millivolts": Scope("dc", Asked("dc_volts", "millivolt", -0.05, 0.6, 1, signed=True), (), ALWAYS),
    "hertz": Scope("line", Asked("hertz", "hertz", 0, 99.99, 2), (), ALWAYS),
    "whole": Scope("whole", Asked("ac_volts", "volt", 0, 9999, 0), (), ALWAYS),
    "ready": Scope("place leads", None, (EN.option("ready"),), ALWAYS),
    "choice": Scope(
        "proves", None, (Option("held", ("the flame stays on",)), Option("lost", ("it dropped out",))), ALWAYS
    ),
    "memo": Scope("memo", None, (), ("end_note",)),
    "nothing": Scope("closed"),
}
