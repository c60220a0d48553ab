"""Turn a validated procedure into a machine that can be walked.

The steps become states of a `transitions` machine with one trigger, "next";
the guards of the file become its conditions. What the file's shape alone
cannot show (names that lead nowhere, limits that no profile has, lines with
unknown numbers) is checked here, every problem with its line.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from transitions import Machine

from flows.judge import CALCULATIONS, Facts, Judging, facts_of, judge
from flows.limit_uses import limit_faults
from flows.profiles import Equipment, Limit, Meter
from flows.reason import Assessment, Evidence
from flows.schema import ALLOWED, Go, Procedure, Step, When, procedure_path
from flows.session import Session
from flows.texts import in_language
from flows.wording import Spoken, spoken_lines
from grammar.datafile import line_of, problems_in, read_yaml
from grammar.errors import DataFileError

Assess = Callable[[Mapping[str, Evidence]], Assessment]


@dataclass(frozen=True)
class Plan:
    """A procedure made ready for one furnace and one meter.

    machine: `transitions` machine without a model of its own; states are the step ids.
    limits: the profile's, overridden by the procedure's. judge: the
    calculations (a safety walk puts its own in). assess: the fault reasoning,
    None where a procedure has none.
    """

    procedure: Procedure
    equipment: Equipment
    meter: Meter
    machine: Machine
    limits: Mapping[str, Limit]
    facts: Facts
    lines: Spoken
    judge: Judging = judge
    assess: Assess | None = None

    @property
    def language(self) -> str:
        return self.lines.language

    def step(self, name: str) -> Step:
        return self.procedure.steps[name]


class _Place:
    """What a machine moves: one step id. Made for one move and thrown away."""

    state: str


def holds(when: When | None, session: Session) -> bool:
    """Whether a guard holds in `session`."""
    if when is None:
        return True
    return (
        (when.outcome is None or session.outcome in when.outcome)
        and (when.answer is None or session.answer in when.answer)
        and (when.taken is None or session.reading_of(when.taken) is not None)
        and (when.power is None or session.power in when.power)
        and (when.leaving is None or session.leaving == when.leaving)
        and all((flag in session.flags) == wanted for flag, wanted in when.flags.items())
    )


def _condition(when: When) -> Callable[[Any], bool]:
    def met(event: Any) -> bool:
        return holds(when, event.kwargs["session"])

    return met


def machine_of(procedure: Procedure) -> Machine:
    """The `transitions` machine of a procedure: trigger "next" from every step that is not an end."""
    moves = []
    for name, step in procedure.steps.items():
        for go in step.next:
            move: dict[str, Any] = {"trigger": "next", "source": name, "dest": go.go}
            if go.when is not None:
                move["conditions"] = [_condition(go.when)]
            moves.append(move)
    return Machine(model=None, states=list(procedure.steps), transitions=moves, initial=procedure.start, auto_transitions=False, send_event=True)


def next_step(plan: Plan, session: Session) -> str:
    """The step that follows, by the machine's own guards."""
    place = _Place()
    plan.machine.add_model(place, initial=session.step)
    try:
        plan.machine.events["next"].trigger(place, session=session)
        return place.state
    finally:
        plan.machine.remove_model(place)


def way_out(plan: Plan, session: Session) -> str:
    """The first step of the way out after "stop"."""
    return next(go.go for go in plan.procedure.leave if holds(go.when, session))


def may_enter(plan: Plan, name: str, session: Session) -> bool:
    """Whether the power as it stands allows the step to be spoken."""
    return session.power in ALLOWED[plan.step(name).power]


def make_plan(procedure: Procedure, equipment: Equipment, meter: Meter) -> Plan:
    """A plan from parts that were checked. Use `load_plan` for a file."""
    limits = {**equipment.limits, **procedure.limits}
    return Plan(procedure, equipment, meter, machine_of(procedure), limits, facts_of(equipment), spoken_lines(procedure.language))


def load_plan(name: str, equipment: Equipment, meter: Meter, language: str = "") -> Plan:
    """Read, check and compile a procedure, in `language` where one is named.

    Raises DataFileError with the first problem, FlowError when the meter lacks
    a function that is asked for or nobody translated the procedure.
    """
    path = procedure_path(name)
    procedure, problems = check_file(path, equipment)
    if problems or procedure is None:
        raise problems[0]
    for step in procedure.steps.values():
        if step.ask:
            meter.function(step.ask.quantity)
    return make_plan(in_language(procedure, path, language or procedure.language), equipment, meter)


def check_file(path: Path, equipment: Equipment) -> tuple[Procedure | None, list[DataFileError]]:
    """The procedure in `path` (None when its shape is wrong) and all its problems, by line."""
    procedure, problems = problems_in(path, Procedure)
    if procedure is None:
        return None, problems
    _, nodes = read_yaml(path)

    def problem(where: tuple[Any, ...], what: str, remedy: str) -> DataFileError:
        return DataFileError(path, line_of(nodes, where), what, remedy)

    found = [problem(*one) for one in _shape_problems(procedure, {**equipment.limits, **procedure.limits}, equipment.id)]
    found += [problem(*one) for one in limit_faults(procedure, equipment)]
    return procedure, sorted(found, key=lambda one: one.line or 0)


Found = tuple[tuple[Any, ...], str, str]


def _shape_problems(procedure: Procedure, limits: Mapping[str, Limit], family: str) -> list[Found]:
    steps, found = procedure.steps, []
    known = ", ".join(steps)

    def target(where: tuple[Any, ...], name: str | None) -> None:
        if name is not None and name not in steps:
            found.append((where, f"there is no step '{name}'.", f"Use one of: {known}."))

    def guards(where: tuple[Any, ...], ways: list[Go]) -> None:
        for number, go in enumerate(ways):
            target((*where, number, "go"), go.go)

    target(("start",), procedure.start)
    target(("reprove",), procedure.reprove)
    guards(("leave",), procedure.leave)
    if procedure.leave[-1].when is not None:
        found.append((("leave",), "the last way out has a 'when'.", "Let the last entry of 'leave' stand without 'when'."))
    probes = {step.ask.probe for step in steps.values() if step.ask}
    for name, step in steps.items():
        here = ("steps", name)
        guards((*here, "next"), step.next)
        for number, one in enumerate(step.ask.expect if step.ask else ()):
            if one.limit is not None and one.limit not in limits:
                found.append(((*here, "ask", "expect", number, "limit"), f"neither the family '{family}' nor this procedure has a limit '{one.limit}'.", "Add it under 'limits' or give a 'value'."))
            found += [((*here, "ask", "expect", number, "read"), f"no step asks for '{probe}'.", f"Use one of: {', '.join(sorted(probes))}.") for probe in one.read if probe not in probes]
        if step.judge:
            target((*here, "judge", "otherwise"), step.judge.otherwise)
            found += _judge_problems(here, step, limits, probes, family)
        if step.proves and step.proves not in procedure.dead_proof:
            found.append(((*here, "proves"), f"'{step.proves}' is not among 'dead_proof'.", "Add it to 'dead_proof' or take 'proves' out."))
    proven = {step.proves for step in steps.values() if step.proves}
    for proof in procedure.dead_proof:
        if proof not in proven:
            found.append((("dead_proof",), f"no step proves '{proof}'.", "Add 'proves' to the step that shows it, or take it out of 'dead_proof'."))
    found += _power_problems(procedure)
    dead_only = [name for name, step in steps.items() if step.power == "dead"]
    if dead_only and not (procedure.dead_proof and procedure.reprove):
        found.append((("steps", dead_only[0], "power"), f"'{dead_only[0]}' needs dead power, but nothing proves it.", "Give the procedure 'dead_proof', the steps that prove it, and 'reprove'."))
    return found


def power_after(procedure: Procedure, name: str) -> frozenset[str]:
    """The states of power that a step can be left in by its `next`."""
    step = procedure.steps[name]
    if step.proves:
        return frozenset({"dead"}) if step.proves == procedure.dead_proof[-1] else frozenset({"said_off"})
    kept = ALLOWED[step.power]
    if not step.answers:
        return kept
    return frozenset().union(*({one.sets.power} if one.sets.power else kept for one in step.answers.values()))


def _power_problems(procedure: Procedure) -> list[Found]:
    """Ways into a step on which the power need not be what the step requires."""
    found: list[Found] = []
    for name, step in procedure.steps.items():
        after = power_after(procedure, name)
        for number, go in enumerate(step.next):
            target = procedure.steps.get(go.go)
            open_ways = after & set(go.when.power) if go.when and go.when.power else after
            if target and not open_ways <= ALLOWED[target.power]:
                wrong = ", ".join(sorted(open_ways - ALLOWED[target.power])).replace("_", " ")
                found.append((("steps", name, "next", number, "go"), f"'{go.go}' needs power '{target.power}', but after '{name}' it can be {wrong}.", "Lead through the steps that prove or change the power first."))
    return found


def _judge_problems(here: tuple[Any, ...], step: Step, limits: Mapping[str, Limit], probes: set[str], family: str) -> list[Found]:
    judge, found = step.judge, []
    where = (*here, "judge")
    calculation = CALCULATIONS.get(judge.check)
    if calculation is None:
        return [((*where, "check"), f"there is no calculation '{judge.check}'.", f"Use one of: {', '.join(sorted(CALCULATIONS))}.")]
    for role in calculation.roles:
        if role != calculation.reading and role not in judge.probes:
            found.append(((*where, "check"), f"'{judge.check}' needs to know the probe for '{role}'.", f"Add it under 'probes': {role}: <probe>."))
    for role, probe in judge.probes.items():
        if role not in calculation.roles:
            found.append(((*where, "probes", role), f"'{judge.check}' has no use for '{role}'.", f"It takes: {', '.join(calculation.roles)}."))
        if probe not in probes:
            found.append(((*where, "probes", role), f"no step takes the reading '{probe}'.", "Mend the name or add the step."))
    for role in calculation.limits:
        if role not in judge.limits:
            found.append(((*where, "check"), f"'{judge.check}' needs the limit '{role}'.", f"Add it under 'limits': {role}: <key of a limit>."))
    for role, key in judge.limits.items():
        if role not in calculation.limits + calculation.optional:
            found.append(((*where, "limits", role), f"'{judge.check}' has no use for the limit '{role}'.", f"It takes: {', '.join(calculation.limits + calculation.optional)}."))
        if key not in limits:
            found.append(((*where, "limits", role), f"neither the family '{family}' nor this procedure has a limit '{key}'.", "Add it under 'limits' or mend its name."))
    wanted = {"pass", "close", *calculation.findings}
    for line in sorted(wanted - judge.say.keys()):
        found.append(((*where, "say"), f"nothing is said for '{line}'.", f"Add a line for '{line}' under 'say'."))
    for line, text in judge.say.items():
        if line not in wanted:
            found.append(((*where, "say", line), f"'{judge.check}' never comes to '{line}'.", f"It comes to: {', '.join(sorted(wanted))}."))
        for number in {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}:
            if number not in calculation.numbers:
                found.append(((*where, "say", line), f"'{judge.check}' has no number '{{{number}}}'.", f"Use one of: {', '.join('{' + one + '}' for one in calculation.numbers)}."))
    return found
