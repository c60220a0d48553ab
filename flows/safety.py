"""Prove a procedure safe by walking every state and every answer.

Two visits that differ only in what cannot change the path (earlier values,
wording, which cautions were heard) count as one state. Where the past does
matter ("go back", "change that"), every step that could be gone back to is
tried, so that the walk covers at least all that can happen. Verdicts are not
computed but tried: each reading is walked as pass, fail, close and not
judgeable.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from flows.compile import Plan
from flows.dialogue import advance, begin
from flows.errors import CalculationError
from flows.judge import CALCULATIONS, Facts
from flows.measure import Measured, Verdict
from flows.prompts import scope_for
from flows.schema import ALLOWED, Procedure
from flows.session import Effect, End, Input, Listen, Resumed, Save, Say, Session, Taken
from grammar.answers import Choice, Command, Reading, Unclear
from grammar.language import language

WALKED = {"pass": 1.0, "fail": 2.0, "close": 3.0, "unjudged": 4.0}
"""The value that stands for each outcome of a reading in the walk."""


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


def walk(plan: Plan, first_breach: bool = False) -> Walk:
    """Walk `plan` from its beginning through every state and answer; with first_breach only up to the first rule broken."""
    plan = replace(plan, judge=_tried, assess=None)
    guarded = _guarded(plan.procedure)
    start, effects = begin(plan)
    seen: dict[tuple[object, ...], Session] = {_key(plan, start, guarded): start}
    back: dict[tuple[object, ...], set[tuple[object, ...]]] = {}
    queue, moves = deque([start]), 0
    breaches = [Breach("start", "begin", rule) for rule in _broken(plan, start, None, start, effects)]
    while queue and not (first_breach and breaches):
        session = queue.popleft()
        here = _key(plan, session, guarded)
        for before, given in _inputs(plan, session):
            after, effects = advance(plan, before, given)
            moves += 1
            breaches += [Breach(_name(before), _told(given), rule) for rule in _broken(plan, before, given, after, effects)]
            there = _key(plan, after, guarded)
            back.setdefault(there, set()).add(here)
            if there not in seen:
                seen[there] = after
                queue.append(after)
    return Walk(len(seen), moves, tuple(dict.fromkeys(breaches)), _unreached(plan, seen), _stuck(seen, back))


def _tried(check: str, roles: Mapping[str, Measured], limits: object, facts: Facts) -> Verdict:
    """Stands for the calculations: the outcome is what the walk wants tried."""
    value = roles["value"].value
    if value == WALKED["unjudged"]:
        raise CalculationError("not judgeable", "")
    outcome = next((name for name, number in WALKED.items() if number == value), "fail")
    calculation = CALCULATIONS[check]
    finding = calculation.findings[0] if outcome == "fail" else ""
    numbers = tuple((name, 1.0) for name in calculation.numbers)
    return Verdict(check, outcome, finding, value, value, value, "", (), finding or outcome, numbers)  # type: ignore[arg-type]


def _inputs(plan: Plan, session: Session) -> Iterator[tuple[Session, Input]]:
    """Every kind of answer that could come, open here or not, with the pasts that matter."""
    if session.mode == "ended":
        yield session, Command("gas", "")
        return
    words = language(plan.language)
    # Halfway through an answer the past is not looked at: one past is enough there.
    pasts = [name for name, step in plan.procedure.steps.items() if step.ask] or [plan.procedure.start]
    pasts = pasts if session.mode in ("ask", "offer", "digits", "which") else pasts[:1]
    for command in words.commands:
        if command in ("back", "change"):
            for name in pasts:
                yield _with_past(plan, session, name), Command(command, "")
        else:
            yield session, Command(command, "")
    yield session, Resumed()
    step = plan.step(session.step)
    options = {option.id for option in scope_for(plan, session).options} | {"yes", "no", "skip", "carry_on", "take_again", "fix_now", "false_alarm", "air_clear", *step.answers}
    for name in sorted(options):
        yield session, Choice(name, "")
    readings = list(_readings(plan, session))
    for reading in readings:
        yield session, reading
        yield session, Choice("no", "", reading)
    if session.pending is not None:
        # The value waiting for its confirmation could be any: confirm each.
        for value in WALKED.values():
            pending = replace(session.pending, value=value, digits=f"{value:g}")
            yield replace(session, pending=pending), Choice("yes", "")
            yield replace(session, pending=pending), replace(pending, sounds_like=None)
    # Why a reading was refused matters, its value does not.
    for reason in ("out_of_range", "wrong_unit", "too_fine", "doubtful"):
        yield session, Unclear(reason, "", readings[0])
    yield session, Unclear("doubtful", "", readings[0], (readings[0], replace(readings[0], value=WALKED["fail"])))
    # What is heard twice in doubt is read back.
    yield replace(session, doubtful=readings[0]), Unclear("doubtful", "", readings[0])
    yield session, Unclear("nothing", "")
    yield session, Unclear("not_open", "")


def _readings(plan: Plan, session: Session) -> Iterator[Reading]:
    step = plan.step(session.step)
    quantity, unit = (step.ask.quantity, step.ask.unit) if step.ask else ("ac_volts", "volt")
    plain = Reading(1.0, 1.0, 1.0, 0.1, quantity, unit, True, False, "", "1")
    yield plain
    yield replace(plain, sounds_like=11.0)


def _with_past(plan: Plan, session: Session, name: str) -> Session:
    ask = plan.step(name).ask
    taken = session.taken
    if ask:
        reading = Reading(1.0, 1.0, 1.0, 0.1, ask.quantity, ask.unit, True, False, "", "1")
        taken = (Taken(name, ask.probe, reading, Measured(1.0, 0.1, 0.8, 1.2, ask.quantity)),)
    return replace(session, trail=(name,), taken=taken)


def _key(plan: Plan, session: Session, guarded: frozenset[str]) -> tuple[object, ...]:
    pending = session.pending and session.pending.sounds_like is not None
    return (
        session.step, session.mode, session.power, session.proofs, session.flags, session.leaving, session.misses, session.wrong, pending,
        session.pending_answer, bool(session.between), session.outcome, session.answer, session.back_to,
        frozenset(name for name in guarded if session.reading_of(name) is not None),
    )  # fmt: skip


def _guarded(procedure: Procedure) -> frozenset[str]:
    """The probes that some guard asks about."""
    return frozenset(go.when.taken for step in procedure.steps.values() for go in step.next if go.when and go.when.taken)


def _broken(plan: Plan, before: Session, given: Input | None, after: Session, effects: list[Effect]) -> Iterator[str]:
    """Every rule that this move breaks."""
    for effect in effects:
        if isinstance(effect, Say) and effect.role in ("step", "caution", "question"):
            step = plan.procedure.steps.get(effect.line.split("/")[0])
            if step is not None and after.power not in ALLOWED[step.power]:
                yield f"'{effect.line}' is spoken while power is {after.power}"
        if isinstance(effect, Listen) and effect.scope.asked and effect.scope.asked.quantity == "ohms" and after.power != "dead":
            yield f"ohms are asked for while power is {after.power}"
        if isinstance(effect, Listen) and "gas" not in effect.scope.commands:
            yield "the gas alarm cannot be heard"
        if isinstance(effect, End) and effect.how != "gas":
            for flag in plan.procedure.clear_at_end:
                if flag in after.flags:
                    yield f"the visit ends with '{flag}' still set"
    if after.power == "dead" and before.power != "dead":
        needed = set(plan.procedure.dead_proof)
        last = plan.step(before.step).proves
        if last not in needed or not needed - {last} <= before.proofs or before.mode not in ("confirm", "digits"):
            yield "power counts as dead without its readings"
    if isinstance(given, Command) and given.id == "gas":
        first = next((effect for effect in effects if isinstance(effect, Say)), None)
        if first is None or first.role != "alarm" or after.mode != "alarm":
            yield "gas does not raise the alarm"
    if before.mode == "alarm" and after.mode != "alarm" and not (before.pending_answer == "false_alarm" and isinstance(given, Choice) and given.id == "air_clear"):
        yield "the alarm is left without being called false, and the air clear"
    kinds = [effect.kind if isinstance(effect, Save) else "say" if isinstance(effect, Say) else "" for effect in effects]
    if "reading" in kinds:
        if before.mode not in ("confirm", "digits"):
            yield "a reading is kept that nobody confirmed"
        if "say" in kinds[: kinds.index("reading")]:
            yield "something is spoken before the reading is on disk"
    if not effects or not isinstance(effects[-1], Listen | End):
        yield "nobody listens after this answer"
    yield from _cautions(plan, effects)


def _cautions(plan: Plan, effects: list[Effect]) -> Iterator[str]:
    lines = [effect.line for effect in effects if isinstance(effect, Say)]
    for line in lines:
        name, _, rest = line.partition("/")
        if rest == "say/0" and plan.procedure.steps[name].caution and f"{name}/caution" not in lines[: lines.index(line)]:
            yield f"'{name}' is spoken without its caution first"


def _unreached(plan: Plan, seen: Mapping[tuple[object, ...], Session]) -> tuple[str, ...]:
    reached = {session.step for session in seen.values()}
    return tuple(name for name in plan.procedure.steps if name not in reached)


def _stuck(seen: Mapping[tuple[object, ...], Session], back: Mapping[tuple[object, ...], set[tuple[object, ...]]]) -> tuple[str, ...]:
    """States from which no ordinary end can be reached (the gas alarm does not count as one)."""
    queue = deque(key for key, session in seen.items() if session.mode == "ended")
    good = set(queue)
    while queue:
        for key in back.get(queue.popleft(), ()):
            if key not in good:
                good.add(key)
                queue.append(key)
    return tuple(sorted({_name(session) for key, session in seen.items() if key not in good and session.mode != "alarm"}))


def _name(session: Session) -> str:
    flags = ",".join(sorted(session.flags))
    return f"{session.step}/{session.mode} power={session.power}" + (f" [{flags}]" if flags else "") + (" leaving" if session.leaving else "")


def _told(given: Input) -> str:
    if isinstance(given, Command | Choice):
        return given.id
    if isinstance(given, Reading):
        return f"reading {given.digits}"
    return given.reason if isinstance(given, Unclear) else "resumed"
