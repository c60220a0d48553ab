"""What a proof of dead power is made of: live, dead, live. Its bounds stand with those of all limits
(flows/judge/bounds.py)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from flows.procedure.schema import Procedure

Found = tuple[tuple[Any, ...], str, str]


def live_proofs(procedure: Procedure) -> frozenset[str]:
    """The proofs made on a part known to be live: the first and the last."""
    order = procedure.dead_proof
    return frozenset({order[0], order[-1]}) if order else frozenset()


def proofs_after(
    order: Sequence[str], stand: frozenset[str], proof: str, outcome: str | None, power: str
) -> frozenset[str]:
    """The proofs that stand once `proof` was tried with that outcome.

    They count only in their order and only on power that somebody turned off
    ("said_off", "dead"); one that failed, or came out of its turn, voids all.
    """
    before = frozenset(order[: order.index(proof)])
    if outcome != "pass" or power not in ("said_off", "dead") or not before <= stand:
        return frozenset()
    return before | {proof}


def proof_problems(procedure: Procedure) -> Iterator[Found]:
    """(place, what is wrong, remedy) of proofs that are missing, doubled or too few."""
    steps, order = procedure.steps, procedure.dead_proof
    if order and len(order) < 3:
        yield (
            ("dead_proof",),
            "a proof of dead power shows the meter live, the parts dead, and the meter live again.",
            "Name at least three proofs, the first and the last on a live part.",
        )
    if len(set(order)) != len(order):
        yield ("dead_proof",), "a proof is named twice.", "Give each proof its own name and step."
    proven = [step.proves for step in steps.values() if step.proves]
    for name, step in steps.items():
        if step.proves and step.proves not in order:
            yield (
                ("steps", name, "proves"),
                f"'{step.proves}' is not among 'dead_proof'.",
                "Add it to 'dead_proof' or take 'proves' out.",
            )
        if step.proves and step.power != "off":
            yield (
                ("steps", name, "power"),
                f"'{name}' proves that power is gone, so it needs power 'off'.",
                'Write power: "off".',
            )
        if step.proves and proven.count(step.proves) > 1:
            yield (
                ("steps", name, "proves"),
                f"'{step.proves}' is proven by more than one step.",
                "Let one step prove it.",
            )
    for proof in order:
        if proof not in proven:
            yield (
                ("dead_proof",),
                f"no step proves '{proof}'.",
                "Add 'proves' to the step that shows it, or take it out of 'dead_proof'.",
            )
    dead_only = [name for name, step in steps.items() if step.power == "dead"]
    if dead_only and not order:
        yield (
            ("steps", dead_only[0], "power"),
            f"'{dead_only[0]}' needs dead power, but nothing proves it.",
            "Give the procedure 'dead_proof' and the steps that prove it.",
        )
