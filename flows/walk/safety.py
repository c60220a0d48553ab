"""Prove a procedure safe by walking every state and every answer.

Two visits that differ only in what cannot change the path (earlier values,
wording, which cautions were heard) count as one state. Where the past does
matter ("go back", "change that"), every step that could be gone back to is
tried, so that the walk covers at least all that can happen. Verdicts are not
computed but tried: each reading is walked as pass, close, not judgeable, fail,
and as each finding that endangers somebody.

How something is asked (misses, refusals, doubts, questions on the way, notes)
does not look at where meter and wires stand. So all of that is walked once for
every step, mode and power; wherever else that step and mode are met, only what
can move the visit on is tried: confirmed answers and readings, skipping, what
is offered, going back, stopping, a break, and gas. A pause and a false alarm
end as a break does, which is tried everywhere.

The plan's level is walked as it is: where readings go without a question,
which one may be taken back is part of where a visit stands, and taking back is
tried in every such state. A reading that was taken back and is not there again
only bars others from going without a question; so wherever one may go without,
it is walked as one and as the other, and the barring is tried by itself. How
much is told changes no way, so a change of it is tried and not followed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from flows.errors import FlowError
from flows.procedure.compile import Plan
from flows.procedure.route import way_to
from flows.procedure.schema import Procedure
from flows.procedure.session import Input, Session
from flows.talk.dialogue import advance, begin
from flows.walk.choices import Key
from flows.walk.inputs import PASSING, every_input, moving, tried_verdict
from flows.walk.rules import broken, proof_breaches
from grammar.answers import Choice, Command, Reading, Unclear


@dataclass(frozen=True)
class Breach:
    """A rule broken: in which state, by which answer, and the rule."""

    state: str
    answer: str
    rule: str


@dataclass(frozen=True)
class Walk:
    """What the walk saw. steps_never: steps no path reaches. stuck: states from which no end is reached."""

    states: int
    moves: int
    breaches: tuple[Breach, ...]
    steps_never: tuple[str, ...]
    stuck: tuple[str, ...]


def walk(plan: Plan, first_breach: bool = False, orders: bool = False) -> Walk:
    """Walk `plan` from its beginning through every state and answer; with first_breach only up to the first rule
    broken.

    orders: also every check and every test put forward wherever `flows.talk.order` lets the fault reasoning do so
    (`python -m tests.lab.measure.walk`); without it the checks come in the file's order, with all that a technician may
    ask for in between.
    """
    judging = plan.judge
    plan = replace(plan, judge=tried_verdict, assess=None, next_test=None, foreseen=lambda *_: True)
    guarded = _guarded(plan.procedure)
    start, effects = begin(plan)
    seen: dict[Key, Session] = {_key(plan, start, guarded): start}
    talked: set[Key] = set()
    waiting = set(_talk_keys(start))
    back: dict[Key, set[Key]] = {}
    queue, moves = deque([start]), 0
    tested: set[str] = set()
    ways: set[Key] = set()
    placed: set[Key] | None = set() if orders else None
    breaches = [Breach("start", "begin", rule) for rule in broken(plan, start, None, start, effects)]
    breaches += [Breach(step, "a reading", rule) for step, rule in proof_breaches(replace(plan, judge=judging))]
    while queue and not (first_breach and breaches):
        session = queue.popleft()
        here = _key(plan, session, guarded)
        known = _talk_keys(session) <= talked
        talked |= _talk_keys(session)
        for tried, before, given in (
            moving(plan, session, placed, tested) if known else every_input(plan, session, placed, tested)
        ):
            moves += 1
            try:
                after, effects = advance(tried, before, given)
            except FlowError as error:
                breaches.append(Breach(_name(before), _told(given), error.problem))
                continue
            breaches += [
                Breach(_name(before), _told(given), rule) for rule in broken(tried, before, given, after, effects)
            ]
            breaches += [Breach(_name(before), _told(given), rule) for rule in _circles(plan, after, ways)]
            there, new = _key(plan, after, guarded), not _talk_keys(after) <= waiting
            back.setdefault(there, set()).add(here)
            if there not in seen or new:
                if not new and after.mode in PASSING:
                    back[there].discard(here)
                    continue
                seen.setdefault(there, after)
                waiting |= _talk_keys(after)
                queue.append(after)
    return Walk(len(seen), moves, tuple(dict.fromkeys(breaches)), _unreached(plan, seen), _stuck(seen, back))


def _circles(plan: Plan, after: Session, ways: set[Key]) -> Iterator[str]:
    """The way to what is still to be reached must come to it; each place and goal is looked at once."""
    if not after.agenda or after.mode != "ask":
        return
    goal = after.agenda[0]
    way = (goal, after.power, after.proofs, after.things, bool(after.safety))
    if way not in ways:
        ways.add(way)
        if way_to(plan.routes, goal, after) is None:
            yield f"the way to '{goal}' goes in a circle"


def _key(plan: Plan, session: Session, guarded: frozenset[str]) -> Key:
    """Where a visit stands, without how often it was asked again."""
    pending = session.pending and session.pending.sounds_like is not None
    return (
        session.step,
        session.mode,
        session.power,
        session.proofs,
        session.things,
        session.agenda,
        session.tests,
        _dangers(plan, session),
        session.leaving,
        pending,
        session.pending_answer,
        bool(session.between),
        session.outcome,
        session.answer,
        session.back_to,
        session.unasked,
        frozenset(name for name in guarded if session.reading_of(name) is not None),
    )


def _dangers(plan: Plan, session: Session) -> frozenset[tuple[str, bool]]:
    """What stands of failed safety checks, as far as the way depends on it: where, and whether it stops the visit."""
    found = set()
    for name, finding in session.safety:
        step = plan.step(name)
        stops = bool(step.judge and step.judge.danger[finding].stops)
        found.add(("proof" if step.proves else name, stops))
    return frozenset(found)


def _talk_keys(session: Session) -> frozenset[Key]:
    """How a step is being asked, without where everything stands; misses and refusals do not meet, so each is a key
    of its own."""
    pending = session.pending and session.pending.sounds_like is not None
    here = (
        session.step,
        session.mode,
        session.power,
        pending,
        session.pending_answer,
        bool(session.between),
        session.outcome,
        session.leaving,
        bool(session.unasked),
    )
    return frozenset({(*here, "misses", session.misses), (*here, "wrong", session.wrong)})


def _guarded(procedure: Procedure) -> frozenset[str]:
    """The probes that some guard asks about."""
    return frozenset(
        go.when.taken for step in procedure.steps.values() for go in step.next if go.when and go.when.taken
    )


def _unreached(plan: Plan, seen: Mapping[Key, Session]) -> tuple[str, ...]:
    reached = {session.step for session in seen.values()}
    return tuple(name for name in plan.procedure.steps if name not in reached)


def _stuck(seen: Mapping[Key, Session], back: Mapping[Key, set[Key]]) -> tuple[str, ...]:
    """States from which no ordinary end can be reached (the gas alarm does not count as one)."""
    queue = deque(key for key, session in seen.items() if session.mode == "ended")
    good = set(queue)
    while queue:
        for key in back.get(queue.popleft(), ()):
            if key not in good:
                good.add(key)
                queue.append(key)
    return tuple(
        sorted({_name(session) for key, session in seen.items() if key not in good and session.mode != "alarm"})
    )


def _name(session: Session) -> str:
    heading = f" for {session.agenda[0]}" if session.agenda else ""
    things = " [" + ", ".join(f"{thing} {place}" for thing, place in session.things) + "]" if session.things else ""
    return f"{session.step}/{session.mode} power={session.power}{heading}{things}" + (
        " leaving" if session.leaving else ""
    )


def _told(given: Input) -> str:
    if isinstance(given, Command | Choice):
        return given.id
    if isinstance(given, Reading):
        return f"reading {given.digits}"
    return given.reason if isinstance(given, Unclear) else "resumed"
