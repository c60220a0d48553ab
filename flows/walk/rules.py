"""The rules that no move of any visit may break. The walk holds every move against them."""

from __future__ import annotations

from collections.abc import Iterator

from flows.judge.measured import measured
from flows.procedure.compile import Plan
from flows.procedure.proving import live_proofs
from flows.procedure.route import keeps_power, unmet
from flows.procedure.schema import ALLOWED
from flows.procedure.session import Effect, End, Input, Listen, Save, Say, Session
from flows.procedure.things import catalogue
from flows.talk.closing import missing_steps
from flows.talk.moving import readings_of_check, stopping
from flows.talk.order import checks_near, first_checks, is_open, probes_of
from flows.walk.talk_rules import broken_in_talk, kept_unasked
from grammar.answers import Choice, Command, Reading


def broken(plan: Plan, before: Session, given: Input | None, after: Session, effects: list[Effect]) -> Iterator[str]:
    """Every rule that this move breaks."""
    yield from _spoken(plan, after, effects)
    yield from _asked(plan, after, effects)
    yield from _power(plan, before, after)
    yield from _moved(plan, before, after)
    yield from _gas(before, given, after, effects)
    yield from _kept(before, after, effects)
    yield from _judged(plan, before, after, effects)
    yield from _dangers(plan, before, after, effects)
    yield from _ended(plan, before, after, effects)
    yield from _cautions(plan, effects)
    yield from _ordered(plan, before, after, effects)
    yield from broken_in_talk(plan, before, given, after, effects)


def _spoken(plan: Plan, after: Session, effects: list[Effect]) -> Iterator[str]:
    """No line of a step is spoken unless power and things stand as that step needs them."""
    told = [one for one in effects if isinstance(one, Say) and one.role in ("step", "caution", "question")]
    names = {one.line.split("/")[0] for one in told} & plan.procedure.steps.keys()
    lacking = {name: need for name in names if (need := unmet(plan.routes, name, after))}
    for effect in told:
        if need := lacking.get(effect.line.split("/")[0]):
            where = after.power if need.what == "power" else after.where(need.what)
            yield f"'{effect.line}' is spoken while {need.what} is {where}"


def _asked(plan: Plan, after: Session, effects: list[Effect]) -> Iterator[str]:
    """A reading is asked for only with dial, jack and leads where it needs them; ohms only on proven dead power."""
    for effect in effects:
        if not isinstance(effect, Listen):
            continue
        if "gas" not in effect.scope.commands:
            yield "the gas alarm cannot be heard"
        if effect.scope.asked is None:
            continue
        quantity = effect.scope.asked.quantity
        if quantity == "ohms" and after.power != "dead":
            yield f"ohms are asked for while power is {after.power}"
        for thing, place in catalogue().readings[quantity].items():
            if after.where(thing) != place:
                yield f"{quantity} are asked for with {thing} at {after.where(thing) or 'nowhere'}"


def _power(plan: Plan, before: Session, after: Session) -> Iterator[str]:
    if after.power == "dead" and before.power != "dead":
        needed = set(plan.procedure.dead_proof)
        last = plan.step(before.step).proves
        if last not in needed or not needed - {last} <= before.proofs or before.mode not in ("confirm", "digits"):
            yield "power counts as dead without its readings"
    if after.power == "said_off" and before.power in ("on", "doubt") and before.mode != "again":
        yield "power counts as off without a second asking"
    if (
        after.power == "on"
        and before.power != "on"
        and before.mode != "again"
        and plan.step(before.step).proves is None
    ):
        yield "power counts as on without a second asking"


def _moved(plan: Plan, before: Session, after: Session) -> Iterator[str]:
    """Nothing moves but by an answer that says so, and with the power as that move needs it."""
    if after.things == before.things:
        return
    kinds = plan.routes.kinds
    for thing, place in after.things:
        if place == before.where(thing):
            continue
        kind, step = kinds[thing], plan.step(before.step)
        if not any(answer.sets.things.get(thing) == place for answer in step.answers.values()):
            yield f"'{thing}' comes to '{place}' and nobody moved it"
        if place in kind.twice and before.mode != "again":
            yield f"'{thing}' comes to '{place}' by a single answer"
        if kind.moved_at != "any" and before.power not in ALLOWED[kind.moved_at]:
            yield f"'{thing}' is moved while power is {before.power}"
        if kind.touch and (thing, place) not in plan.routes.for_proof and before.safety and before.power != "dead":
            yield f"'{thing}' is touched after a failed safety check on power that is not proven dead"


def _gas(before: Session, given: Input | None, after: Session, effects: list[Effect]) -> Iterator[str]:
    if isinstance(given, Command) and given.id == "gas":
        first = next((effect for effect in effects if isinstance(effect, Say)), None)
        if first is None or first.role != "alarm" or after.mode != "alarm":
            yield "gas does not raise the alarm"
    if (
        before.mode == "alarm"
        and after.mode != "alarm"
        and not (before.pending_answer == "false_alarm" and isinstance(given, Choice) and given.id == "air_clear")
    ):
        yield "the alarm is left without being called false, and the air clear"


def _kept(before: Session, after: Session, effects: list[Effect]) -> Iterator[str]:
    """Only what was confirmed, or may go without, is kept, it is on disk before anything is spoken, and somebody
    listens afterwards."""
    kinds = [
        effect.kind if isinstance(effect, Save) else "say" if isinstance(effect, Say) else "" for effect in effects
    ]
    if "reading" in kinds:
        if before.mode not in ("confirm", "digits") and not kept_unasked(before, after, effects):
            yield "a reading is kept that nobody confirmed"
        if "say" in kinds[: kinds.index("reading")]:
            yield "something is spoken before the reading is on disk"
    if not effects or not isinstance(effects[-1], Listen | End):
        yield "nobody listens after this answer"


def _judged(plan: Plan, before: Session, after: Session, effects: list[Effect]) -> Iterator[str]:
    """A check whose reading could not be judged counts as not done, and nothing that was found there before stands
    for it."""
    saved = [effect for effect in effects if isinstance(effect, Save)]
    judged = {str(one.data["step"]) for one in saved if one.kind == "verdict"}
    for step in {str(one.data["step"]) for one in saved if one.kind == "reading"} - judged:
        if plan.step(step).judge and (step in after.done or step in dict(after.verdicts)):
            yield f"'{step}' counts as done, and its reading was not judged"
        if (
            plan.step(step).judge
            and not after.leaving
            and after.mode == "ask"
            and after.step != step
            and not plan.step(step).proves
        ):
            yield f"the visit goes on past '{step}', whose reading was not judged, unasked"


def _dangers(plan: Plan, before: Session, after: Session, effects: list[Effect]) -> Iterator[str]:
    """A failed safety check is said and written at once, and goes only by a pass of the same check."""
    said = [effect.line for effect in effects if isinstance(effect, Say)]
    saved = [effect.data for effect in effects if isinstance(effect, Save) and effect.kind == "safety"]
    for step, finding in set(after.safety) - set(before.safety):
        if f"{step}/danger/{finding}" not in said:
            yield f"the danger '{finding}' is found and not said"
        if not any(line["step"] == step and line["finding"] == finding and line["stands"] for line in saved):
            yield f"the danger '{finding}' is found and not written down"
    verdicts = dict(after.verdicts)
    gone = set(before.safety) - set(after.safety)
    proofs = {name for name, step in plan.procedure.steps.items() if step.proves} if gone else set()
    for step, finding in gone:
        now = verdicts.get(step)
        proven = step in proofs and (after.power == "dead" or any(name in proofs for name, _ in after.safety))
        if not proven and (step in proofs or now is None or (now.outcome != "pass" and now.finding == finding)):
            yield f"the danger '{finding}' is dropped without a check that passed"
    if (
        after.mode == "ask"
        and not after.leaving
        and not after.agenda
        and stopping(plan, after)
        and not plan.step(after.step).extra
    ):
        name = stopping(plan, after)
        if name and after.step not in readings_of_check(plan, name):
            yield f"the visit goes on past the danger at '{name}'"
    for verdict in (effect.data for effect in effects if isinstance(effect, Save) and effect.kind == "verdict"):
        judge = plan.step(str(verdict["step"])).judge
        if (
            judge
            and verdict["outcome"] == "fail"
            and verdict["finding"] in judge.danger
            and str(verdict["step"]) not in dict(after.safety)
        ):
            yield f"the danger '{verdict['finding']}' does not stand after its check failed"


def _ended(plan: Plan, before: Session, after: Session, effects: list[Effect]) -> Iterator[str]:
    """No end but the gas alarm's finds anything out of place, hides a danger, or calls a visit done that is not."""
    end = next((effect for effect in effects if isinstance(effect, End)), None)
    if end is None or end.how == "gas" or before.mode == "alarm":
        return
    for thing, kind in plan.routes.kinds.items():
        if after.where(thing) not in kind.as_found:
            yield f"the visit ends with '{thing}' at '{after.where(thing)}'"
    if after.safety and after.power == "on":
        yield "the visit ends with the power on and a danger standing"
    said = [effect.line for effect in effects if isinstance(effect, Say)]
    for step, finding in after.safety:
        if f"{step}/danger/{finding}" not in said:
            yield f"the visit ends without a word on the danger '{finding}'"
    missing = missing_steps(plan, after)
    if missing and (end.how == "finished" or "not_done" not in said or {"all_good", "all_sound"} & set(said)):
        yield "the visit ends as if all checks were done"
    if missing and said[-1] != "not_done":
        yield "what is missing is not the last word"


def _cautions(plan: Plan, effects: list[Effect]) -> Iterator[str]:
    lines = [effect.line for effect in effects if isinstance(effect, Say)]
    for line in lines:
        name, _, rest = line.partition("/")
        step = plan.procedure.steps.get(name)
        if (
            rest in ("say/0", "short/0")
            and step
            and step.caution
            and not step.end
            and f"{name}/caution" not in lines[: lines.index(line)]
        ):
            yield f"'{name}' is spoken without its caution first"


def _ordered(plan: Plan, before: Session, after: Session, effects: list[Effect]) -> Iterator[str]:
    """Where the reasoning may choose, supply, polarity and ground still come first, and no trip of the power that
    could wait."""
    if (
        plan.choose is None
        or after.mode != "ask"
        or not (before.mode in ("confirm", "digits") or kept_unasked(before, after, effects))
        or before.agenda
        or before.tests
        or after.leaving
    ):
        return
    steps, first = plan.procedure.steps, first_checks(plan)
    waiting = next((name for name in first if is_open(after, name)), None)
    for goal in dict.fromkeys((after.step, *after.agenda)):
        if waiting and probes_of(steps[goal]) and goal not in first:
            yield f"'{goal}' comes before '{waiting}'"
    for pick in (effect.data for effect in effects if isinstance(effect, Save) and effect.kind == "order"):
        goal = str(pick["step"])
        if after.safety:
            yield f"'{goal}' is put forward while a danger stands"
        if not steps[goal].extra and not probes_of(steps[goal]):
            yield f"'{goal}' is put forward and takes no reading"
        left = next((name for name in checks_near(plan, after) if name != goal), None)
        if left and not keeps_power(plan.routes, goal, after):
            yield f"'{goal}' is put forward across the power while '{left}' is left"


def proof_breaches(plan: Plan) -> Iterator[tuple[str, str]]:
    """(step, rule) of every proof of dead power that a live part would pass, or that a dead one would pass as live.

    Shown with the real calculation and the visit's own meter: the supply's volts, half and a tenth of them to the
    proofs of dead, and zero to the proofs on a live part.
    """
    nominal = plan.equipment.supply_nominal
    for name, step in plan.procedure.steps.items():
        if step.proves is None or step.judge is None or step.ask is None:
            continue
        live = step.proves in live_proofs(plan.procedure)
        for volts in (0.0,) if live else (nominal, nominal / 2, nominal / 10):
            shown = Reading(volts, volts, volts, 0.1, step.ask.quantity, step.ask.unit, True, False, "", f"{volts:g}")
            limits = {role: plan.limits[key] for role, key in step.judge.limits.items()}
            verdict = plan.judge(step.judge.check, {"value": measured(shown, plan.meter)}, limits, plan.facts)
            if verdict.outcome == "pass":
                yield name, f"{volts:g} V passes as {'live' if live else 'dead'}"
