"""The rules of telling less: what may be taken without a question, how it is taken back, what is said in full.

At every level the same is asked twice and proven: those rules stand in `flows.walk.rules` and know no level.
"""

from __future__ import annotations

from collections.abc import Iterator

from flows.procedure.compile import Plan
from flows.procedure.session import Effect, Input, Listen, Save, Say, Session
from flows.talk.moving import reachable
from grammar.answers import Choice, Command, Reading


def broken_in_talk(
    plan: Plan, before: Session, given: Input | None, after: Session, effects: list[Effect]
) -> Iterator[str]:
    """Every rule of telling less that this move breaks."""
    yield from _unasked(plan, before, given, after, effects)
    yield from _open_to_taking_back(before, after, effects)
    yield from _taken_back(plan, before, given, after, effects)
    yield from _level(before, given, after, effects)
    yield from _warned(plan, before, effects)


def kept_unasked(before: Session, after: Session, effects: list[Effect]) -> str:
    """The step whose reading this move keeps without a question of its own; "" for none."""
    kept = [str(one.data["step"]) for one in effects if isinstance(one, Save) and one.kind == "reading"]
    return kept[0] if kept and before.mode == "ask" and after.unasked == kept[0] else ""


def _unasked(plan: Plan, before: Session, given: Input | None, after: Session, effects: list[Effect]) -> Iterator[str]:
    """Without a question goes only what was heard well, proves nothing, passes plainly and moves nothing."""
    name = kept_unasked(before, after, effects)
    if not name:
        return
    step = plan.step(name)
    if before.level == "learner":
        yield "a learner is not asked about a reading"
    if step.proves or (step.judge and step.judge.must_pass):
        yield f"a reading that proves something is taken at '{name}' without a question"
    verdicts = [one.data for one in effects if isinstance(one, Save) and one.kind == "verdict"]
    verdict = dict(after.verdicts).get(name)
    if step.judge and ([one["outcome"] for one in verdicts] != ["pass"] or verdict is None or verdict.line != "pass"):
        yield f"a reading that is no plain pass is taken at '{name}' without a question"
    if (
        before.recalled
        or before.misses
        or before.wrong
        or before.doubtful
        or (isinstance(given, Reading) and given.sounds_like is not None)
    ):
        yield f"a reading in doubt is taken at '{name}' without a question"
    if (
        before.safety
        or before.leaving
        or step.extra
        or name in before.fixing
        or before.reading_of(step.ask.probe if step.ask else "")
    ):
        yield f"a reading that decides something is taken at '{name}' without a question"
    if (before.power, before.things, before.safety) != (after.power, after.things, after.safety):
        yield f"power, things or dangers change with what is taken at '{name}' without a question"
    said = [one for one in effects if isinstance(one, Say)]
    if not said or said[0].line != "taken_as":
        yield f"what is taken at '{name}' without a question is not read back first"


def _open_to_taking_back(before: Session, after: Session, effects: list[Effect]) -> Iterator[str]:
    """Until the next reading is confirmed, "change that" is heard wherever something is asked."""
    if not after.unasked:
        return
    if not after.taken or after.taken[-1].step != after.unasked:
        yield "what may be taken back is not the last reading"
    listen = next((one for one in effects if isinstance(one, Listen)), None)
    if after.mode == "ask" and listen is not None and "change" not in listen.scope.commands:
        yield "what was taken without a question cannot be taken back"


def _taken_back(
    plan: Plan, before: Session, given: Input | None, after: Session, effects: list[Effect]
) -> Iterator[str]:
    """A reading that is taken back counts for nothing, is written down as such, and is asked for again."""
    name = before.unasked
    asked = before.mode == "ask" and bool(name)
    told = (isinstance(given, Choice) and given.id == "no") or (isinstance(given, Command) and given.id == "change")
    if asked and isinstance(given, Command) and given.id == "change" and len(after.taken) >= len(before.taken):
        yield "a reading is not taken back when that is asked for"
    if len(after.taken) >= len(before.taken):
        return
    if not (asked and told) or after.taken != before.taken[:-1]:
        yield "a reading is lost that nobody took back"
        return
    if name in after.done or name in dict(after.verdicts) or after.unasked:
        yield f"'{name}' was taken back and still counts"
    kinds = ["retaken" if isinstance(one, Save) and one.kind == "retaken" else "" for one in effects]
    first_said = next((place for place, one in enumerate(effects) if isinstance(one, Say)), len(effects))
    if "retaken" not in kinds[:first_said]:
        yield f"'{name}' was taken back and that is not on disk before something is spoken"
    if after.leaving:
        return
    if name in after.skipped:
        if reachable(plan, before, name):
            yield f"'{name}' was taken back and left out, and could be taken again"
    elif after.step != name and name not in after.agenda:
        yield f"'{name}' was taken back and is not asked for again"


def _level(before: Session, given: Input | None, after: Session, effects: list[Effect]) -> Iterator[str]:
    """How much is told changes only when somebody asks for it, and is written down."""
    if before.level == after.level:
        return
    if not (isinstance(given, Command) and given.id in ("shorter", "fuller")):
        yield "less or more is told and nobody asked for it"
    if not any(isinstance(one, Save) and one.kind == "talk" and one.data["level"] == after.level for one in effects):
        yield "less or more is told and that is not written down"


def _warned(plan: Plan, before: Session, effects: list[Effect]) -> Iterator[str]:
    """A caution is short only where the danger was told in full before, at this step or where it is told most
    fully."""
    told = set(before.spoken)
    for one in effects:
        name, _, rest = one.line.partition("/") if isinstance(one, Say) else ("", "", "")
        step = plan.procedure.steps.get(name)
        if rest != "caution" or step is None or step.caution is None or not isinstance(one, Say):
            continue
        kind = step.caution.kind
        fullest = next(
            (
                key
                for key, other in plan.procedure.steps.items()
                if kind and other.caution and other.caution.kind == kind
            ),
            name,
        )
        if one.text != step.caution.full and not {name, fullest} & told:
            yield f"the danger at '{name}' was never told in full"
        told.add(name)
