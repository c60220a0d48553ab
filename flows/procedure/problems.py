"""What the shape of a procedure file alone cannot show: every problem with its place and its remedy."""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping
from typing import Any

from flows.judge.profiles import Equipment, Limit
from flows.judge.verdict import CALCULATIONS
from flows.procedure.proving import proof_problems
from flows.procedure.route import bringers, power_needed, routes_of
from flows.procedure.schema import Go, Procedure, Step
from flows.procedure.things import ANY, Kind, catalogue

Found = tuple[tuple[Any, ...], str, str]
LIVE_PARTS = {
    "off": frozenset({"off", "dead"}),
    "dead": frozenset({"dead"}),
    "any": frozenset({"any", "on", "off", "dead"}),
}
"""Which need of a step is enough for a thing that is moved at that power."""


def shape_problems(procedure: Procedure, equipment: Equipment) -> list[Found]:
    """All problems of a procedure on a family, in no order."""
    limits = {**equipment.limits, **procedure.limits}
    found = [*_names(procedure, limits), *_asked(procedure, limits, equipment.id)]
    places = [*_places(procedure)]
    found += places
    found += [*_moves(procedure), *proof_problems(procedure)]
    return found + ([] if places or found else [*_ways(procedure)])


def _names(procedure: Procedure, limits: Mapping[str, Limit]) -> Iterator[Found]:
    """Steps that are named and do not exist."""
    steps = procedure.steps
    known = ", ".join(steps)

    def target(where: tuple[Any, ...], name: str | None) -> Iterator[Found]:
        if name is not None and name not in steps:
            yield where, f"there is no step '{name}'.", f"Use one of: {known}."

    def guards(where: tuple[Any, ...], ways: list[Go]) -> Iterator[Found]:
        for number, go in enumerate(ways):
            yield from target((*where, number, "go"), go.go)
            for thing in go.when.things if go.when else ():
                if thing not in procedure.things:
                    yield (
                        (*where, number, "when"),
                        f"there is no thing '{thing}'.",
                        f"Use one of: {', '.join(procedure.things)}.",
                    )

    yield from target(("start",), procedure.start)
    yield from target(("fix",), procedure.fix)
    yield from guards(("leave",), procedure.leave)
    if procedure.leave[-1].when is not None:
        yield ("leave",), "the last way out has a 'when'.", "Let the last entry of 'leave' stand without 'when'."
    for number, go in enumerate(procedure.leave):
        if go.go in steps and not steps[go.go].end:
            yield (
                ("leave", number, "go"),
                f"'{go.go}' is no end.",
                "Name an end; the steps that leave all as it was found are gone through by themselves.",
            )
    for name, step in steps.items():
        here = ("steps", name)
        yield from guards((*here, "next"), step.next)
        if step.judge:
            yield from target((*here, "judge", "otherwise"), step.judge.otherwise)
            for finding, fix in step.judge.fix.items():
                yield from target((*here, "judge", "fix", finding), fix)


def _asked(procedure: Procedure, limits: Mapping[str, Limit], family: str) -> Iterator[Found]:
    probes = {step.ask.probe for step in procedure.steps.values() if step.ask}
    for name, step in procedure.steps.items():
        here = ("steps", name)
        for number, one in enumerate(step.ask.expect if step.ask else ()):
            if one.limit is not None and one.limit not in limits:
                yield (
                    (*here, "ask", "expect", number, "limit"),
                    f"neither the family '{family}' nor this procedure has a limit '{one.limit}'.",
                    "Add it under 'limits' or give a 'value'.",
                )
            for probe in one.read:
                if probe not in probes:
                    yield (
                        (*here, "ask", "expect", number, "read"),
                        f"no step asks for '{probe}'.",
                        f"Use one of: {', '.join(sorted(probes))}.",
                    )
        if step.judge:
            yield from _judge_problems(here, step, limits, probes, family)


def _places(procedure: Procedure) -> Iterator[Found]:
    """Declarations of where things stand that name what does not exist, or leave something out."""
    kinds = procedure.kinds()

    def positions(where: tuple[Any, ...], at: Mapping[str, str | list[str]]) -> Iterator[Found]:
        for thing, place in at.items():
            if thing not in kinds:
                yield (
                    (*where, thing),
                    f"there is no thing '{thing}'.",
                    f"Use one of: {', '.join(kinds) or 'none; name it under things'}.",
                )
                continue
            for one in [place] if isinstance(place, str) else place:
                if one != ANY and one not in kinds[thing].positions:
                    yield (
                        (*where, thing),
                        f"'{thing}' has no position '{one}'.",
                        f"Use one of: {', '.join(kinds[thing].positions)}, {ANY}.",
                    )

    for stand, at in procedure.stands.items():
        yield from positions(("stands", stand), at)
    for name, step in procedure.steps.items():
        where = ("steps", name, "at")
        if isinstance(step.at, str):
            if step.at not in procedure.stands:
                yield where, f"there is no stand '{step.at}'.", f"Use one of: {', '.join(procedure.stands)}."
                continue
            named = procedure.stands[step.at]
        else:
            named = step.at
            yield from positions(where, named)
        missing = [thing for thing in kinds if thing not in named]
        if missing:
            yield (
                where,
                f"'{name}' does not say where these stand: {', '.join(missing)}.",
                f"Name a position for each, or {ANY}.",
            )
        yield from _reading_needs(procedure, name, step, where)
        if step.end:
            for thing, kind in kinds.items():
                allowed = procedure.at(name).get(thing, frozenset(kind.positions))
                if not allowed <= set(kind.as_found):
                    yield (
                        where,
                        f"the visit could end with '{thing}' at {' or '.join(sorted(allowed - set(kind.as_found)))}.",
                        f"Let the end need: {thing}: {kind.as_found[0] if len(kind.as_found) == 1 else kind.as_found}.",
                    )


def _reading_needs(procedure: Procedure, name: str, step: Step, where: tuple[Any, ...]) -> Iterator[Found]:
    if not step.ask:
        return
    for thing, place in catalogue().readings[step.ask.quantity].items():
        if thing not in procedure.things:
            yield (
                ("things",),
                f"'{name}' reads {step.ask.quantity}, but the procedure does not say where '{thing}' stands.",
                f"Add '{thing}' under 'things'.",
            )
        elif procedure.at(name).get(thing) != frozenset({place}):
            yield (
                where,
                f"'{name}' reads {step.ask.quantity}; that needs '{thing}' at '{place}'.",
                f"Declare {thing}: {place}.",
            )


def _moves(procedure: Procedure) -> Iterator[Found]:
    """Answers that move what does not exist, or in a way that is not safe."""
    kinds: Mapping[str, Kind] = procedure.kinds()
    for name, step in procedure.steps.items():
        for key, answer in step.answers.items():
            where = ("steps", name, "answers", key, "sets")
            for thing, place in answer.sets.things.items():
                if thing not in kinds:
                    yield where, f"there is no thing '{thing}'.", f"Use one of: {', '.join(kinds)}."
                elif place not in kinds[thing].positions:
                    yield (
                        where,
                        f"'{thing}' has no position '{place}'.",
                        f"Use one of: {', '.join(kinds[thing].positions)}.",
                    )
                else:
                    if answer.go_ahead and (place in kinds[thing].twice or kinds[thing].moved_at != ANY):
                        yield (
                            ("steps", name, "answers", key, "go_ahead"),
                            f"'{key}' moves '{thing}', which is only moved by words of its own.",
                            "Leave 'go_ahead' out.",
                        )
                    if place in kinds[thing].twice and answer.again is None:
                        yield (
                            where,
                            f"'{thing}' at '{place}' is only believed when it is said twice.",
                            "Give the answer 'again': a second question with other words.",
                        )
                    if step.power not in LIVE_PARTS[kinds[thing].moved_at]:
                        yield (
                            ("steps", name, "power"),
                            f"'{name}' moves '{thing}', which is moved only with power {kinds[thing].moved_at}.",
                            f"Write power: {kinds[thing].moved_at!r}.",
                        )


def _ways(procedure: Procedure) -> Iterator[Found]:
    """Needs that no step brings about. What the visit cannot lose and has from the beginning needs no step."""
    routes = routes_of(procedure)
    moved = {what for what, _ in routes.bringers}
    for name in procedure.steps:
        wanted = power_needed(routes, name, False)
        if not wanted & {"on"} and not routes.bringers.get(("power", "said_off")):
            yield (
                ("steps", name, "power"),
                f"'{name}' needs the power off, but no answer turns it off.",
                "Add a step whose answer sets power: said_off.",
            )
        if wanted == {"on"} and "power" in moved and not bringers(routes, "power", wanted, name):
            yield (
                ("steps", name, "power"),
                f"'{name}' needs the power on, but no step turns it on with everything as '{name}' needs it.",
                'Add a step whose answer sets power: "on" and that declares the same positions.',
            )
        for thing, places in routes.at[name].items():
            if thing not in moved and procedure.things[thing].begin in places:
                continue
            if not bringers(routes, thing, places, name):
                yield (
                    ("steps", name, "at"),
                    (
                        f"'{name}' needs '{thing}' at {' or '.join(sorted(places))}, but no step brings it there"
                        f" without undoing something else that '{name}' needs."
                    ),
                    f"Add a step whose answer sets it, with the other things as '{name}' has them.",
                )


def _judge_problems(
    here: tuple[Any, ...], step: Step, limits: Mapping[str, Limit], probes: set[str], family: str
) -> Iterator[Found]:
    judge = step.judge
    assert judge is not None  # called for steps that judge
    where = (*here, "judge")
    calculation = CALCULATIONS.get(judge.check)
    if calculation is None:
        yield (
            (*where, "check"),
            f"there is no calculation '{judge.check}'.",
            f"Use one of: {', '.join(sorted(CALCULATIONS))}.",
        )
        return
    for role in calculation.roles:
        if role != calculation.reading and role not in judge.probes:
            yield (
                (*where, "check"),
                f"'{judge.check}' needs to know the probe for '{role}'.",
                f"Add it under 'probes': {role}: <probe>.",
            )
    for role, probe in judge.probes.items():
        if role not in calculation.roles:
            yield (
                (*where, "probes", role),
                f"'{judge.check}' has no use for '{role}'.",
                f"It takes: {', '.join(calculation.roles)}.",
            )
        if probe not in probes:
            yield (*where, "probes", role), f"no step takes the reading '{probe}'.", "Mend the name or add the step."
    for role in calculation.limits:
        if role not in judge.limits:
            yield (
                (*where, "check"),
                f"'{judge.check}' needs the limit '{role}'.",
                f"Add it under 'limits': {role}: <key of a limit>.",
            )
    for role, key in judge.limits.items():
        if role not in calculation.limits + calculation.optional:
            yield (
                (*where, "limits", role),
                f"'{judge.check}' has no use for the limit '{role}'.",
                f"It takes: {', '.join(calculation.limits + calculation.optional)}.",
            )
        if key not in limits:
            yield (
                (*where, "limits", role),
                f"neither the family '{family}' nor this procedure has a limit '{key}'.",
                "Add it under 'limits' or mend its name.",
            )
    wanted = {"pass", "close", *calculation.findings}
    for line in sorted(wanted - judge.say.keys()):
        yield (*where, "say"), f"nothing is said for '{line}'.", f"Add a line for '{line}' under 'say'."
    for line, text in judge.say.items():
        if line not in wanted:
            yield (
                (*where, "say", line),
                f"'{judge.check}' never comes to '{line}'.",
                f"It comes to: {', '.join(sorted(wanted))}.",
            )
        for number in {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}:
            if number not in calculation.numbers:
                yield (
                    (*where, "say", line),
                    f"'{judge.check}' has no number '{{{number}}}'.",
                    f"Use one of: {', '.join('{' + one + '}' for one in calculation.numbers)}.",
                )
    for part, findings in (("danger", judge.danger), ("fix", judge.fix)):
        for finding in findings:
            if finding not in calculation.findings:
                yield (
                    (*where, part, finding),
                    f"'{judge.check}' never finds '{finding}'.",
                    f"It finds: {', '.join(calculation.findings)}.",
                )
