"""What the walk tries where a visit stands: every kind of answer that could come, with the pasts that matter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from flows.errors import CalculationError
from flows.judge.measured import Measured, Verdict
from flows.judge.verdict import CALCULATIONS, Facts
from flows.procedure.compile import Plan, may_enter
from flows.procedure.session import Input, Resumed, Session
from flows.talk.prompts import SAID_FOR, offers, scope_for
from flows.walk.choices import PASS, Key, Tried, plain_reading, reasoned, taken_plainly
from grammar.answers import Choice, Command, Reading, Unclear
from grammar.language import language

CLOSE, UNJUDGED, FAIL = 3.0, 4.0, 10.0
"""The value that stands for each outcome of a reading (PASS for a pass); FAIL plus n is the n-th finding of the
calculation."""

PASSING = frozenset({"digits", "which", "memo", "paused", "alarm"})
"""Modes that lead back to where the visit stood, and on only as another mode does."""


def tried_verdict(check: str, roles: Mapping[str, Measured], limits: object, facts: Facts) -> Verdict:
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


def moving(plan: Plan, session: Session, placed: set[Key] | None, tested: set[str]) -> Iterator[Tried]:
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


def every_input(plan: Plan, session: Session, placed: set[Key] | None, tested: set[str]) -> Iterator[Tried]:
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
