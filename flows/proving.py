"""What a proof of dead power must be: bounds that no procedure can loosen."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from flows.profiles import Limit
from flows.schema import Procedure
from grammar.datafile import Strict, load_yaml

Found = tuple[tuple[Any, ...], str, str]


class ProofRules(Strict):
    """dead_most: V AC. live_share: of the nominal supply. apart: live over dead bound."""

    format: Literal[1]
    dead_most: float = Field(gt=0, le=5)
    live_share: float = Field(gt=0, le=1)
    apart: float = Field(gt=1)
    origin: str


@lru_cache
def proof_rules() -> ProofRules:
    """The shipped rules. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("proof.yaml"), ProofRules)


def live_proofs(procedure: Procedure) -> frozenset[str]:
    """The proofs made on a part known to be live: the first and the last."""
    order = procedure.dead_proof
    return frozenset({order[0], order[-1]}) if order else frozenset()


def proof_problems(procedure: Procedure, limits: Mapping[str, Limit], nominal: float) -> Iterator[Found]:
    """Every way in which the proof of dead power is weaker than the rules. nominal: V of the supply."""
    rules, order = proof_rules(), procedure.dead_proof
    if order and len(order) < 3:
        yield ("dead_proof",), "a proof of dead power shows the meter live, the parts dead, and the meter live again.", "Name at least three proofs, the first and the last on a live part."
    if len(set(order)) != len(order):
        yield ("dead_proof",), "a proof is named twice.", "Give each proof its own name and step."
    for name, step in procedure.steps.items():
        if step.proves is None or step.judge is None or step.ask is None:
            continue
        here = ("steps", name, "judge")
        if step.ask.quantity != "ac_volts" or step.judge.check != "band":
            yield here, f"'{name}' proves something without a band on AC volts.", "Ask for ac_volts and judge them with check: band."
            continue
        bounds = {role: limits[key].value for role, key in step.judge.limits.items() if key in limits}
        live = step.proves in live_proofs(procedure)
        least, most = rules.live_share * nominal, rules.dead_most
        if live and not (math.isfinite(bounds.get("low", math.nan)) and bounds["low"] >= least):
            yield (*here, "limits"), f"'{name}' would take less than {least:g} V for a live part.", f"Hold it against a limit 'low' of at least {least:g} V."
        if not live and ("low" in bounds or not 0 < bounds.get("high", math.inf) <= most):
            yield (*here, "limits"), f"'{name}' would take more than {most:g} V for dead.", f"Hold it against a limit 'high' of {most:g} V or less, and no 'low'."
    yield from _apart(procedure, limits, rules)


def _apart(procedure: Procedure, limits: Mapping[str, Limit], rules: ProofRules) -> Iterator[Found]:
    dead, live = [], []
    for step in procedure.steps.values():
        if step.proves and step.judge:
            for role, key in step.judge.limits.items():
                if key in limits:
                    (live if role == "low" else dead).append(limits[key].value)
    if dead and live and min(live) < rules.apart * max(dead):
        yield ("dead_proof",), f"the live bound of {min(live):g} V is less than {rules.apart:g} times the dead bound of {max(dead):g} V.", "Raise 'low' of the live proofs or lower 'high' of the dead ones."
