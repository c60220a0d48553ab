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

from flows.errors import CalculationError, FlowError
from flows.judge.measured import Measured, Verdict
from flows.judge.verdict import CALCULATIONS, Facts
from flows.procedure.compile import Plan, may_enter
from flows.procedure.route import way_to
from flows.procedure.schema import Procedure
from flows.procedure.session import Input, Resumed, Session
from flows.talk.dialogue import advance, begin
from flows.talk.prompts import SAID_FOR, offers, scope_for
from flows.walk.choices import PASS, Key, Tried, plain_reading, reasoned, taken_plainly
from flows.walk.rules import broken, proof_breaches
from grammar.answers import Choice, Command, Reading, Unclear
from grammar.language import language

CLOSE, UNJUDGED, FAIL = 3.0, 4.0, 10.0
"""The value that stands for each outcome of a reading (PASS for a pass); FAIL plus n is the n-th finding of the
calculation."""


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


PASSING = frozenset({"digits", "which", "memo", "paused", "alarm"})
"""Modes that lead back to where the visit stood, and on only as another mode does."""


def walk(plan: Plan, first_breach: bool = False, orders: bool = False) -> Walk:
    """Walk `plan` from its beginning through every state and answer; with first_breach only up to the first rule
    broken.

    orders: also every check and every test put forward wherever `flows.talk.order` lets the fault reasoning do so
    (`python -m tests.lab.measure.walk`); without it the checks come in the file's order, with all that a technician may
    ask for in between.
    """
    judging = plan.judge
    plan = replace(plan, judge=_tried, assess=None, next_test=None, foreseen=lambda *_: True)
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
            _moving(plan, session, placed, tested) if known else _inputs(plan, session, placed, tested)
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


def _tried(check: str, roles: Mapping[str, Measured], limits: object, facts: Facts) -> Verdict:
    """Stands for the calculations: the outcome is what the walk wants tried."""
    value = roles["value"].value
    if value == UNJUDGED:
        raise CalculationError("not judgeable", "")
    calculation = CALCULATIONS[check]
    outcome = "pass" if value == PASS else "close" if value == CLOSE else "fail"
    finding = calculation.findings[int(value - FAIL)] if outcome == "fail" and value >= FAIL else ""
    finding = finding or (calculation.findings[0] if outcome == "fail" else "")
    numbers = tuple((name, 1.0) for name in calculation.numbers)
    return Verdict(check, outcome, finding, value, value, value, "", (), finding or outcome, numbers)  # type: ignore[arg-type]


def _outcomes(plan: Plan, session: Session) -> list[float]:
    """The outcomes to try for the reading of a step: all kinds, and every finding that endangers or is mended in its
    own way."""
    judge = plan.step(session.step).judge
    if judge is None:
        return [PASS]
    findings = CALCULATIONS[judge.check].findings
    special = {findings.index(one) for one in (*judge.danger, *judge.fix) if one in findings}
    return [PASS, CLOSE, UNJUDGED, *(FAIL + number for number in sorted({0, *special}))]


def _moving(plan: Plan, session: Session, placed: set[Key] | None, tested: set[str]) -> Iterator[Tried]:
    """What can move a visit on from where it stands."""
    yield plan, session, Command("gas", "")
    if session.mode in ("ended", *PASSING):
        return
    yield plan, session, Command("stop", "")
    yield plan, session, Resumed()
    yield from (
        (plan, session, Choice(option.id, ""))
        for option in scope_for(plan, session).options
        if _moves_on(option.id, session.mode)
    )
    yield from _taking_back(plan, session)
    yield from _tests(plan, session, tested)
    if session.mode in ("ask", "offer"):
        yield from _going_back(plan, session)
    if placed is not None:
        yield from reasoned(plan, session, placed)
    if session.pending is not None:
        for value in _outcomes(plan, session):
            yield plan, replace(session, pending=replace(session.pending, value=value)), Choice("yes", "")
    elif session.mode == "ask" and plan.step(session.step).ask:
        plain = next(_readings(plan, session))
        yield plan, _as_if_first(plan, session), plain
        if session.level != "learner":
            # Asked about first, however good it is: a reading is doubted, or was taken before.
            yield plan, session, replace(plain, value=CLOSE, low=CLOSE, high=CLOSE)


def _taking_back(plan: Plan, session: Session) -> Iterator[Tried]:
    """The last reading taken back, where it was taken without a question."""
    if session.unasked and session.mode == "ask":
        yield plan, session, Command("change", "")
        yield plan, session, Choice("no", "")


def _moves_on(option: str, mode: str) -> bool:
    """Whether an answer can move a visit on: not a no, nor a late yes, nor a question for an earlier reading."""
    return option != "no" and (option != "yes" or mode == "confirm") and not option.startswith(SAID_FOR)


def _going_back(plan: Plan, session: Session) -> Iterator[Tried]:
    """Back to every reading that power and things allow now, and to one that they do not."""
    asking = [name for name, step in plan.procedure.steps.items() if step.ask]
    allowed = [name for name in asking if may_enter(plan, name, session)]
    refused = [name for name in asking if name not in allowed][:1]
    for name in (*allowed, *refused):
        for command in ("back", "change"):
            yield plan, _with_past(plan, session, name), Command(command, "")


def _inputs(plan: Plan, session: Session, placed: set[Key] | None, tested: set[str]) -> Iterator[Tried]:
    """Every kind of answer that could come, open here or not, with the pasts that matter."""
    if session.mode == "ended":
        yield plan, session, Command("gas", "")
        return
    if session.mode in ("ask", "offer") and session.misses == 0:
        yield from _going_back(plan, session)
    yield from _taking_back(plan, session)
    for command in language(plan.language).commands:
        yield plan, session, Command(command, "")
    yield plan, session, Resumed()
    yield from ((plan, session, one) for one in _choices(plan, session))
    yield from _tests(plan, session, tested)
    yield from ((plan, *one) for one in _readings_in(plan, session))
    yield from reasoned(plan, session, placed)
    yield plan, session, Unclear("nothing", "")
    yield plan, session, Unclear("not_open", "")


def _choices(plan: Plan, session: Session) -> Iterator[Choice]:
    step = plan.step(session.step)
    options = {option.id for option in scope_for(plan, session).options} | {
        "yes",
        "no",
        "skip",
        "carry_on",
        "take_again",
        "fix_now",
        "take_test",
        "false_alarm",
        "air_clear",
        *step.answers,
    }
    for name in sorted(options):
        yield Choice(name, "")


def _tests(plan: Plan, session: Session, tested: set[str]) -> Iterator[Tried]:
    """Every extra test once, and one of each kind wherever tests are offered: what is put off for the power is put
    off alike."""
    if session.mode != "offer" or session.tests:
        return
    extras = {name: step for name, step in plan.procedure.steps.items() if step.extra}
    kinds = {(step.power, step.ask is None): name for name, step in reversed(extras.items())}
    for name, step in extras.items():
        probe = (
            step.ask.probe
            if step.ask
            else next((one for answer in step.answers.values() for one in answer.evidence), None)
        )
        if probe is None or (name in tested and name not in kinds.values()):
            continue
        named = replace(plan, next_test=lambda _, probe=probe: probe)  # type: ignore[misc]
        if "take_test" in offers(named, session):
            tested.add(name)
            yield named, session, Choice("take_test", "")


def _readings_in(plan: Plan, session: Session) -> Iterator[tuple[Session, Input]]:
    readings = list(_readings(plan, session))
    for reading in readings:
        yield session, reading
        if session.level != "learner":
            yield _as_if_first(plan, session), reading
            yield replace(_as_if_first(plan, session), recalled=session.step), reading
        yield session, Choice("no", "", reading)
    if session.pending is not None:
        # The value waiting for its confirmation could be any: confirm each.
        for value in _outcomes(plan, session):
            pending = replace(session.pending, value=value, digits=f"{value:g}")
            yield replace(session, pending=pending), Choice("yes", "")
            yield replace(session, pending=pending), replace(pending, sounds_like=None)
    # Why a reading was refused matters, its value does not.
    for reason in ("out_of_range", "wrong_unit", "too_fine", "doubtful"):
        yield session, Unclear(reason, "", readings[0])
    yield session, Unclear("doubtful", "", readings[0], (readings[0], replace(readings[0], value=CLOSE)))
    # What is heard twice in doubt is read back.
    yield replace(session, doubtful=readings[0]), Unclear("doubtful", "", readings[0])


def _readings(plan: Plan, session: Session) -> Iterator[Reading]:
    step = plan.step(session.step)
    quantity, unit = (step.ask.quantity, step.ask.unit) if step.ask else ("ac_volts", "volt")
    plain = plain_reading(quantity, unit)
    yield plain
    yield replace(plain, sounds_like=11.0)
    if session.level != "learner":
        yield from (replace(plain, value=value, low=value, high=value) for value in _outcomes(plan, session)[1:])


def _as_if_first(plan: Plan, session: Session) -> Session:
    """The same place in a visit that has not read this before and heard all of it well: there a reading may go
    without a question."""
    ask = plan.step(session.step).ask
    if session.level == "learner" or ask is None:
        return session
    taken = tuple(one for one in session.taken if one.probe != ask.probe)
    unasked = session.unasked if taken and taken[-1].step == session.unasked else ""
    return replace(session, taken=taken, unasked=unasked, fixing=(), misses=0, wrong=0, doubtful=None, recalled="")


def _with_past(plan: Plan, session: Session, name: str) -> Session:
    ask = plan.step(name).ask
    return replace(session, trail=(name,), taken=(taken_plainly(name, ask),) if ask else session.taken, unasked="")


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
