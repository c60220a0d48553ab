"""What the display may well show where the visit stands: what the procedure expects, and what was read before.

The hearing weighs doubtful words with it; nothing is ever filled in from it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from flows.judge.measured import Measured
from flows.procedure.compile import Plan
from flows.procedure.schema import Expect
from flows.procedure.session import Session
from grammar.answers import Reading
from grammar.scope import Expected


def expected_here(plan: Plan, session: Session) -> tuple[Expected, ...]:
    """The expected values of the step's reading, in SI; () where none is asked."""
    ask = plan.step(session.step).ask
    if ask is None:
        return ()
    readings = session.readings()
    found = ((_value(plan, readings, one), one) for one in ask.expect)
    return tuple(Expected(value, one.spread, one.weight) for value, one in found if value is not None)


NEAR = 3.0
"""So many spreads off the likeliest expected value a reading still lies where it is expected (judgement)."""


def lies_where_expected(plan: Plan, session: Session, reading: Reading) -> bool:
    """Whether a reading lies near the likeliest of the values that are expected where the visit stands.

    Where nothing is expected, no reading does.
    """
    expected = expected_here(plan, session)
    if not expected:
        return False
    likeliest = max(expected, key=lambda one: one.weight)
    return abs(reading.value - likeliest.value) <= NEAR * likeliest.spread


def _value(plan: Plan, readings: Mapping[str, Measured], one: Expect) -> float | None:
    if one.limit is not None:
        return float(plan.limits[one.limit].value or 0.0)
    if not one.read:
        return one.value
    if any(probe not in readings for probe in one.read):
        return None
    total = sum(factor * readings[probe].value for probe, factor in one.read.items())
    return total if math.isfinite(total) else None
