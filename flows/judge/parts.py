"""What every calculation is made of: its description, its facts, and a verdict from a distribution and limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from flows.errors import CalculationError
from flows.judge.decision import Outcome, Tolerance, decide
from flows.judge.distribution import Distribution
from flows.judge.measured import Measured, Verdict
from flows.judge.profiles import Limit, Supply
from flows.judge.rules import figure

Roles = Mapping[str, Measured]
Limits = Mapping[str, Limit]


@dataclass(frozen=True)
class Facts:
    """What a calculation may need of the equipment besides readings and limits.

    turns_ratio: primary over secondary volts, unloaded. supply: what the furnace is made for.
    """

    turns_ratio: float = 5.0
    supply: Supply = field(default_factory=lambda: Supply(volts=120, hertz=60))


@dataclass(frozen=True)
class Calculation:
    """A named calculation: the probes and limits it needs by role, the findings it can give, its judged unit.

    optional: limits that it uses when given. reading: the role that the step's own reading fills.
    shares: limits that are a share, not a reading. orders: limits that rise in that order.
    """

    run: Callable[[Roles, Limits, Facts], Verdict]
    reading: str
    roles: tuple[str, ...]
    limits: tuple[str, ...]
    findings: tuple[str, ...]
    numbers: tuple[str, ...]
    optional: tuple[str, ...] = ()
    shares: tuple[str, ...] = ()
    orders: tuple[tuple[str, ...], ...] = ()
    why: str = field(default="")


@dataclass(frozen=True)
class Held:
    """A reading held against limits. side: "low" or "high" on fail, else "". span: its interval (SI)."""

    outcome: Outcome
    side: str
    span: tuple[float, float]

    @property
    def jumps(self) -> bool:
        return self.side == "jumps"


def verdict(
    check: str,
    outcome: Outcome,
    finding: str,
    value: float,
    span: tuple[float, float],
    unit: str,
    used: Limits,
    numbers: Mapping[str, float],
) -> Verdict:
    """A Verdict whose line is the finding, or else the outcome."""
    return Verdict(
        check, outcome, finding, value, span[0], span[1], unit,
        tuple(sorted(used.items())), finding or outcome, tuple(sorted(numbers.items())),
    )  # fmt: skip


def against(true: Distribution, low: float = -math.inf, high: float = math.inf) -> Held:
    """`true` within [low, high] by the decision rule; a tolerance that holds nothing is a CalculationError."""
    outcome = decide(true, Tolerance(low, high))
    side = "" if outcome != "fail" else "low" if true.below(low) > 0.5 else "high"
    return Held(outcome, side, true.interval(figure("coverage")))


def held(got: Measured, low: float = -math.inf, high: float = math.inf) -> Held:
    """A reading within [low, high]. A display that jumps across a limit is "fail" on the side "jumps".

    Over limit is open for ohms, and passes where there is no upper limit; volts
    and amperes that the meter cannot show are never good.
    """
    if got.over_limit:
        good = got.quantity == "ohms" and high == math.inf
        return Held("pass" if good else "fail", "" if good else "high", (got.low, got.high))
    if got.least is None:
        return against(got.true, low, high)
    one, two = (against(end.true, low, high) for end in got.ends)
    span = (min(one.span[0], got.low), max(two.span[1], got.high))
    if (one.outcome, one.side) == (two.outcome, two.side) and one.outcome != "close":
        return Held(one.outcome, one.side, span)
    if not got.jumps:
        return Held(against(got.true, low, high).outcome if "fail" in (one.outcome, two.outcome) else "close", "", span)
    return Held("fail", "jumps", span) if "fail" in (one.outcome, two.outcome) else Held("close", "", span)


def ends_of(got: Measured) -> dict[str, float]:
    """The ends of a display that moved, by the names that a line may use; both the value when it stood still."""
    least = got.value if got.least is None else got.least
    most = got.value if got.most is None else got.most
    return {"least": least, "most": most}


def shown(roles: Roles, *names: str) -> None:
    """Raises CalculationError when one of these readings was over the meter's limit."""
    for name in names:
        if roles[name].over_limit:
            raise CalculationError(
                f"The reading '{name.replace('_', ' ')}' was over the meter's limit, so nothing follows from it.",
                "Check the dial and the leads, then take that reading again.",
            )


def is_supplied(supply: Measured, facts: Facts) -> bool:
    """Whether there is a supply that other volts can be compared with."""
    return supply.value >= figure("no_supply") * facts.supply.volts


def no_supply() -> CalculationError:
    return CalculationError(
        "There was no supply when it was read, so this can't be compared with it.",
        "Find out where the supply is lost, then take the supply again.",
    )
