"""The way to a step: what must be done first so that power and things stand as the step needs them.

A step declares what it needs; the steps whose answers move something are the
only ways to bring it about. Nothing is moved that was not said and confirmed
in a step of its own, and no step is entered before its needs hold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from flows.errors import FlowError
from flows.procedure.schema import ALLOWED, Procedure
from flows.procedure.session import Session
from flows.procedure.things import Kind


@dataclass(frozen=True)
class Routes:
    """What every step needs and brings, worked out once for a procedure.

    kinds: the things. at: step -> thing -> the positions it needs. touching: steps that put a hand inside the cabinet.
    bringers: (thing or "power", position) -> steps with an answer that brings it there, in the file's order.
    proving: proof -> the step that proves it. for_proof: (thing, position) that a proof needs before it can be made
    at all.
    """

    procedure: Procedure
    kinds: Mapping[str, Kind]
    at: Mapping[str, Mapping[str, frozenset[str]]]
    touching: frozenset[str]
    bringers: Mapping[tuple[str, str], tuple[str, ...]]
    proving: Mapping[str, str]
    for_proof: frozenset[tuple[str, str]]


@dataclass(frozen=True)
class Need:
    """One thing that is not as a step needs it. what: "power" or the name of a thing. places: what would do."""

    what: str
    places: frozenset[str]


def routes_of(procedure: Procedure) -> Routes:
    """The tables of a procedure. Raises KeyError for a thing it does not declare: check its shape first."""
    kinds = procedure.kinds()
    at = {name: procedure.at(name) for name in procedure.steps}
    proving = {step.proves: name for name, step in procedure.steps.items() if step.proves}
    for_proof = frozenset(
        (thing, place) for name in proving.values() for thing, places in at[name].items() for place in places
    )
    touching, brings = set(), dict[tuple[str, str], list[str]]()
    for name, step in procedure.steps.items():
        for answer in step.answers.values():
            moved = list(answer.sets.things.items()) + ([("power", answer.sets.power)] if answer.sets.power else [])
            for what in moved:
                brings.setdefault(what, []).append(name)
            if any(
                kinds[thing].touch and (thing, place) not in for_proof for thing, place in answer.sets.things.items()
            ):
                touching.add(name)
    return Routes(
        procedure,
        kinds,
        at,
        frozenset(touching),
        {what: tuple(names) for what, names in brings.items()},
        proving,
        for_proof,
    )


def power_needed(routes: Routes, name: str, unsafe: bool) -> frozenset[str]:
    """The states of power in which step `name` may be spoken.

    unsafe: a safety check has failed; then "off" is not believed for a hand
    inside the cabinet, and it waits for proven dead. Only what stands in the
    way of that proof (clips still on, covers still shut) is moved before it.
    """
    power = routes.procedure.steps[name].power
    return ALLOWED["dead" if unsafe and power == "off" and name in routes.touching else power]


def unmet(routes: Routes, name: str, session: Session) -> Need | None:
    """The first need of a step that does not hold. Power is turned off first and on last."""
    wanted = power_needed(routes, name, bool(session.safety))
    lacking = Need("power", wanted) if session.power not in wanted else None
    if lacking and "on" not in wanted:
        return lacking
    things = dict(session.things)
    for thing in things_in_turn(routes, name, session):
        if things[thing] not in routes.at[name][thing]:
            return Need(thing, routes.at[name][thing])
    return lacking


def things_in_turn(routes: Routes, name: str, session: Session) -> list[str]:
    """The things that step `name` needs somewhere, in the order in which they are brought there.

    Where one of them moves on proven dead power alone, what that proof moves itself (dial, jack, leads) comes last:
    set before it, the proof would undo it again and again.
    """
    wanted, things, dead = routes.at[name], dict(session.things), frozenset({"dead"})
    moving = [
        routes.bringers.get((thing, place), ())
        for thing, places in wanted.items()
        if things[thing] not in places
        for place in places
    ]
    waits = any(
        steps and all(power_needed(routes, one, bool(session.safety)) == dead for one in steps) for steps in moving
    )
    proving = {thing for thing, _ in routes.for_proof} if waits and session.power != "dead" else set()
    return sorted(wanted, key=lambda thing: thing in proving)


def first_step(routes: Routes, goal: str, session: Session) -> str:
    """The step to speak now so as to reach `goal`: the goal itself, or the first of those that bring about what it
    needs.

    Raises FlowError when nothing brings it about; the compiler and the walk prove that this cannot be.
    """
    name, asked = goal, [goal]
    while need := unmet(routes, name, session):
        name = _bringer(routes, need, name, session)
        if name in asked:
            raise FlowError(
                f"There is no way to '{goal}': '{name}' needs what it should bring about.",
                "Look at what the steps on that way need and set.",
            )
        asked.append(name)
    return name


MOST_ON_THE_WAY = 60
"""More steps than any way has; one that is longer goes in a circle."""


def way_to(routes: Routes, goal: str, session: Session) -> tuple[str, ...] | None:
    """The steps to `goal`, itself last, when each on the way is answered as it should be; None where they go in a
    circle.

    Raises FlowError as `first_step`.
    """
    steps, order = routes.procedure.steps, frozenset(routes.procedure.dead_proof)
    found: list[str] = []
    while len(found) < MOST_ON_THE_WAY:
        name = first_step(routes, goal, session)
        found.append(name)
        if name == goal:
            return tuple(found)
        proof = steps[name].proves
        if proof:
            proofs = session.proofs | {proof}
            session = replace(session, proofs=proofs, power="dead" if order <= proofs else session.power)
            continue
        sets = next(answer.sets for answer in steps[name].answers.values() if answer.sets.things or answer.sets.power)
        things = tuple((thing, sets.things.get(thing, place)) for thing, place in session.things)
        power = sets.power or session.power
        session = replace(session, things=things, power=power, proofs=frozenset() if sets.power else session.proofs)
    return None


def keeps_power(routes: Routes, goal: str, session: Session) -> bool:
    """Whether the way to `goal` leaves the power as it is, neither turned nor proven. Raises FlowError as
    `first_step`."""
    steps = routes.procedure.steps
    turning = (
        any(answer.sets.power for answer in steps[name].answers.values()) or steps[name].proves
        for name in way_to(routes, goal, session) or ()
    )
    return session.power in power_needed(routes, goal, bool(session.safety)) and not any(turning)


def _bringer(routes: Routes, need: Need, for_step: str, session: Session) -> str:
    if need.what == "power" and need.places == {"dead"} and session.power == "said_off":
        return _next_proof(routes, session)
    places = frozenset({"said_off"}) if need.what == "power" and "on" not in need.places else need.places
    found = bringers(routes, need.what, places, for_step, things_in_turn(routes, for_step, session))
    if not found:
        raise FlowError(
            f"Nothing brings {need.what} to {' or '.join(sorted(places))} for '{for_step}'.",
            "Add a step whose answer sets it.",
        )
    return next((one for one in found if _as_it_stands(routes, one, session)), found[0])


def _as_it_stands(routes: Routes, name: str, session: Session) -> bool:
    """Whether all things already stand as the step needs them."""
    things = dict(session.things)
    return all(things[thing] in places for thing, places in routes.at[name].items())


def _next_proof(routes: Routes, session: Session) -> str:
    """The step of the first proof that still lacks; proofs count only in their order."""
    lacking = next((proof for proof in routes.procedure.dead_proof if proof not in session.proofs), None)
    if lacking is None:
        raise FlowError(
            "Nothing proves the power dead.", "Give the procedure 'dead_proof' and the steps that prove it."
        )
    return routes.proving[lacking]


def bringers(routes: Routes, what: str, places: frozenset[str], for_step: str, turn: Sequence[str] = ()) -> list[str]:
    """Steps with an answer that brings `what` to one of `places` and undoes nothing that was looked at before it.

    turn: the things in the order in which they are brought there, the file's by default. Those whose own needs agree
    with `for_step` come first. Power is turned on last, so there only those that agree count.
    """
    wanted, steps = routes.at[for_step], routes.procedure.steps
    named = dict.fromkeys(name for place in sorted(places) for name in routes.bringers.get((what, place), ()))
    order = [*(turn or routes.at[for_step]), "power"]
    later = set(order[order.index(what) + 1 :])
    agreeing: list[str] = []
    others: list[str] = []
    for name in named:
        for answer in steps[name].answers.values():
            sets = answer.sets.things
            brings = answer.sets.power in places if what == "power" else sets.get(what) in places
            spoils = any(
                thing in wanted and place not in wanted[thing] and thing not in later for thing, place in sets.items()
            )
            if brings and not spoils and name != for_step:
                (agreeing if _agree(routes, name, sets, wanted) else others).append(name)
                break
    return agreeing if what == "power" and "on" in places else agreeing + others


def _agree(routes: Routes, name: str, sets: Mapping[str, str], wanted: Mapping[str, frozenset[str]]) -> bool:
    """Whether what a step needs, besides what it sets, can be true together with what is wanted after it."""
    return all(
        thing in sets or thing not in wanted or places & wanted[thing] for thing, places in routes.at[name].items()
    )
