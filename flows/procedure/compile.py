"""Turn a validated procedure into a machine that can be walked.

The steps become states of a `transitions` machine with one trigger, "next";
the guards of the file become its conditions. What the file's shape alone
cannot show (names that lead nowhere, limits that no profile has, lines with
unknown numbers) is checked here, every problem with its line.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from transitions import Machine

from flows.errors import FlowError
from flows.judge.profiles import Equipment, Limit, Meter
from flows.judge.verdict import Facts, Judging, facts_of, judge
from flows.procedure.limit_uses import limit_faults
from flows.procedure.problems import shape_problems
from flows.procedure.route import Routes, routes_of, unmet
from flows.procedure.schema import Procedure, Step, When, procedure_path
from flows.procedure.session import Level, Session
from flows.procedure.spoken.check import spoken_problems
from flows.procedure.texts import in_language, texts_path
from flows.procedure.wording import Spoken, spoken_lines
from flows.reason.assess import Assessment, Evidence
from grammar.answers import Reading
from grammar.datafile import line_of, problems_in, read_yaml
from grammar.errors import DataFileError

Assess = Callable[[Mapping[str, Evidence]], Assessment]


@dataclass(frozen=True)
class Pick:
    """A probe that the fault reasoning puts next. why: one spoken sentence, "" for none."""

    probe: str
    why: str = ""


@dataclass(frozen=True)
class Plan:
    """A procedure made ready for one furnace and one meter.

    machine: `transitions` machine without a model of its own; states are the step ids.
    routes: what every step needs and brings.
    limits: the profile's, overridden by the procedure's. judge: the
    calculations (a safety walk puts its own in). assess: the fault reasoning,
    None where a procedure has none. next_test: the probe that would tell most
    now, if any. choose: the probe to take next, of those that flows.talk.order lets in, or None
    for the next check of the file; without it the order of the file is kept. typed: answers come from a keyboard, so
    nobody is told to speak up. level: how much is told at the beginning, as in flows.talk.levels. foreseen: whether a
    reading lies where one is expected (a safety walk puts its own in; None for flows.talk.foresee). knows: whoever is
    told in brief has finished this procedure before.
    """

    procedure: Procedure
    equipment: Equipment
    meter: Meter
    machine: Machine
    routes: Routes
    limits: Mapping[str, Limit]
    facts: Facts
    lines: Spoken
    judge: Judging = judge
    assess: Assess | None = None
    next_test: Callable[[Session], str | None] | None = None
    choose: Callable[[Session, frozenset[str]], Pick | None] | None = None
    typed: bool = False
    level: Level = "learner"
    knows: bool = False
    foreseen: Callable[[Session, Reading], bool] | None = None

    @property
    def language(self) -> str:
        return self.lines.language

    def step(self, name: str) -> Step:
        return self.procedure.steps[name]


@dataclass
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
        and (when.danger is None or bool(session.safety) == when.danger)
        and all(session.where(thing) == place for thing, place in when.things.items())
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
    return Machine(
        model=None,
        states=list(procedure.steps),
        transitions=moves,
        initial=procedure.start,
        auto_transitions=False,
        send_event=True,
    )


def next_step(plan: Plan, session: Session) -> str:
    """The step that follows, by the machine's own guards."""
    place = _Place(session.step)
    # The machine is not told of it: it would give it a method for every state, many times the work of the move.
    plan.machine.events["next"].trigger(place, session=session)
    return place.state


def way_out(plan: Plan, session: Session) -> str:
    """The end that "stop" leads to; all that must be put back is done on the way."""
    return next(go.go for go in plan.procedure.leave if holds(go.when, session))


def may_enter(plan: Plan, name: str, session: Session) -> bool:
    """Whether power and things stand as the step needs them, so that it may be spoken."""
    return unmet(plan.routes, name, session) is None


def beginning(plan: Plan) -> Session:
    """A visit before its first word: power taken as on, everything where the procedure says that it begins."""
    things = plan.procedure.things
    return Session(
        step=plan.procedure.start,
        things=tuple((name, things[name].begin) for name in plan.procedure.kinds()),
        level=plan.level,
    )


def on_keyboard(plan: Plan) -> Plan:
    """The plan for somebody who types the answers."""
    return replace(plan, typed=True, lines=plan.lines.for_keyboard())


def suits(procedure: Procedure, equipment: Equipment) -> bool:
    """Whether a procedure may be gone through on a family: no meter goes in series with a rod that sparks as well."""
    return equipment.rod != "spark_and_sense" or not any(
        step.ask and step.ask.quantity == "dc_amps" for step in procedure.steps.values()
    )


def make_plan(procedure: Procedure, equipment: Equipment, meter: Meter) -> Plan:
    """A plan from parts that were checked. Use `load_plan` for a file.

    Raises FlowError for a procedure that reads the flame current on a family whose rod sparks as well.
    """
    if not suits(procedure, equipment):
        raise FlowError(
            f"'{procedure.id}' puts the meter in the rod wire before the burner lights. On {equipment.name} the same"
            " rod sparks: that is high voltage.",
            "Keep meter and leads off the rod wire while it sparks. Read the flame current as the maker's instructions"
            " say.",
        )
    limits = {**equipment.limits, **procedure.limits}
    return Plan(
        procedure,
        equipment,
        meter,
        machine_of(procedure),
        routes_of(procedure),
        limits,
        facts_of(equipment),
        spoken_lines(procedure.language),
    )


def load_plan(name: str, equipment: Equipment, meter: Meter, language: str = "") -> Plan:
    """Read, check and compile a procedure, in `language` where one is named.

    Raises DataFileError with the first problem of shape or of spoken words,
    FlowError when the meter lacks a function that is asked for, nobody
    translated the procedure, or the language has no glossary.
    """
    path = procedure_path(name)
    procedure, problems = check_file(path, equipment)
    if problems or procedure is None:
        raise problems[0]
    for step in procedure.steps.values():
        if step.ask:
            meter.function(step.ask.quantity)
    spoken = in_language(procedure, path, language or procedure.language)
    _hold_words(spoken, path if spoken.language == procedure.language else texts_path(path, spoken.language))
    return make_plan(spoken, equipment, meter)


def _hold_words(procedure: Procedure, path: Path) -> None:
    """Raises DataFileError for the first sentence that does not say what is declared: nobody is led by wrong words."""
    found = spoken_problems(procedure)
    if found:
        _, nodes = read_yaml(path)
        raise min(
            (DataFileError(path, line_of(nodes, where), *told) for where, *told in found), key=lambda one: one.line or 0
        )


def check_file(path: Path, equipment: Equipment) -> tuple[Procedure | None, list[DataFileError]]:
    """The procedure in `path` (None when its shape is wrong) and all its problems, by line."""
    procedure, problems = problems_in(path, Procedure)
    if procedure is None:
        return None, problems
    _, nodes = read_yaml(path)

    def problem(where: tuple[Any, ...], what: str, remedy: str) -> DataFileError:
        return DataFileError(path, line_of(nodes, where), what, remedy)

    found = [problem(*one) for one in shape_problems(procedure, equipment)]
    found += [problem(*one) for one in limit_faults(procedure, equipment)]
    return procedure, sorted(found, key=lambda one: one.line or 0)
