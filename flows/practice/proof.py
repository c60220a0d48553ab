"""The dead proof on the practice furnace: the very readings, limits, calculation and rule of a visit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from flows.judge.measured import Measured, Verdict
from flows.judge.profiles import Equipment, Limit
from flows.judge.verdict import facts_of, judge
from flows.procedure.proving import live_proofs, proofs_after
from flows.procedure.schema import Judge, load_procedure
from flows.procedure.wording import fill

PROCEDURE = "flame_sensing"


@dataclass(frozen=True)
class Proof:
    """One reading of the proof. live: taken on a part known to be live, outside the furnace."""

    name: str
    probe: str
    judge: Judge
    live: bool


@dataclass(frozen=True)
class Proofs:
    """All of them in their order. limits: the procedure's own; they go before the family's."""

    steps: tuple[Proof, ...]
    limits: Mapping[str, Limit]

    @property
    def order(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.steps)

    def of(self, probe: str) -> Proof | None:
        """The proof that a probe makes, if any."""
        return next((one for one in self.steps if one.probe == probe), None)


@dataclass(frozen=True)
class Tried:
    """What one reading does to the proof. stand: the proofs that stand now. said: why it does not count, "" where it
    does or is none."""

    stand: frozenset[str]
    said: str = ""


@lru_cache
def proofs() -> Proofs:
    """The proof as the procedure has it. Raises DataFileError."""
    procedure = load_procedure(PROCEDURE)
    steps = {step.proves: step for step in procedure.steps.values() if step.proves}
    live = live_proofs(procedure)
    made = tuple(
        Proof(name, step.ask.probe, step.judge, name in live)
        for name in procedure.dead_proof
        if (step := steps[name]).ask and step.judge
    )
    return Proofs(made, procedure.limits)


def proven(stand: frozenset[str]) -> bool:
    """Whether every proof stands."""
    return stand >= set(proofs().order)


def live_probe(stand: frozenset[str]) -> str:
    """Which proof a reading on a live part would be: the last where all before it stand, else the first."""
    first, *_, last = proofs().steps
    return last.probe if stand >= set(proofs().order[:-1]) else first.probe


def verdict(equipment: Equipment, proof: Proof, reading: Measured) -> Verdict:
    """The verdict that a visit would give. Raises CalculationError as `judge`."""
    limits = {**equipment.limits, **proofs().limits}
    used = {role: limits[key] for role, key in proof.judge.limits.items()}
    return judge(proof.judge.check, {"value": reading}, used, facts_of(equipment))


def tried(
    equipment: Equipment, stand: frozenset[str], probe: str, reading: Measured, is_off: bool, order: str
) -> Tried:
    """The proof after one more reading. is_off: somebody turned the power off. order: what is said of one out of its
    turn."""
    proof = proofs().of(probe)
    if proof is None or not is_off:
        return Tried(stand)
    found = verdict(equipment, proof, reading)
    if proven(stand) and found.outcome == "pass":
        # Proven dead already: another look that agrees takes nothing back.
        return Tried(stand)
    after = proofs_after(proofs().order, stand, proof.name, found.outcome, "said_off")
    if found.outcome != "pass":
        return Tried(after, fill(proof.judge.say[found.line], dict(found.numbers), reading.quantity, "en"))
    return Tried(after, "" if after else order)
