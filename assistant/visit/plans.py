"""A procedure made ready for a visit: compiled, with the fault reasoning behind it."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Literal

from assistant.knowledge_store import knowledge_of
from flows.faults import catalog
from flows.judge.profiles import Equipment, Meter
from flows.judge.profiles import equipment as load_equipment
from flows.judge.profiles import meter as load_meter
from flows.procedure.compile import Pick, Plan, load_plan, make_plan, on_keyboard
from flows.procedure.schema import Procedure
from flows.procedure.session import Level, Session
from flows.reason.assess import Assessment, Evidence, assess
from flows.reason.knowledge import Knowledge, with_prior
from flows.reason.next import Place, Wiring
from flows.talk.believed import evidence_of
from flows.talk.order import probes_to_come
from flows.talk.prompts import scope_for
from grammar.emit import vocabulary
from grammar.language import language
from grammar.words import plain_words

Order = Literal["file", "adaptive"]
"""In which order the checks come: the file's, or the one that the reasoning chooses within flows.talk.order."""


def ready_plan(
    procedure: str,
    equipment: str,
    meter: str,
    language: str = "",
    prior: Mapping[str, float] | None = None,
    typed: bool = False,
    order: Order = "file",
    level: Level = "learner",
) -> Plan:
    """The plan of a procedure on a family with a meter, by their ids, in `language` where one is named.

    prior: rates of faults in place of the shipped ones. typed: answers come from a keyboard.
    order: "adaptive" lets the reasoning put a check or a test forward once something was found. level: how much is
    told at the beginning.
    Raises DataFileError, FlowError.
    """
    plan = load_plan(procedure, load_equipment(equipment), load_meter(meter), language)
    plan = replace(reasoned_plan(plan, prior, order), level=level)
    return on_keyboard(plan) if typed else plan


def kept_plan(
    procedure: Procedure,
    equipment: Equipment,
    meter: Meter,
    prior: Mapping[str, float] | None = None,
    order: Order = "file",
    level: Level = "learner",
) -> Plan:
    """The plan of parts that a visit has kept, whatever their files hold by now. Raises FlowError."""
    for step in procedure.steps.values():
        if step.ask:
            meter.function(step.ask.quantity)
    return replace(reasoned_plan(make_plan(procedure, equipment, meter), prior, order), level=level)


def reasoned_plan(plan: Plan, prior: Mapping[str, float] | None = None, order: Order = "file") -> Plan:
    """The plan with the fault reasoning behind it. prior: rates of faults in place of the shipped ones."""
    if not plan.procedure.reason:
        return plan

    @lru_cache(maxsize=1)
    def known() -> Knowledge:
        return knowledge_of(plan.equipment, plan.meter)

    # A shop's rates are of rods that only sense: what another design has of its own keeps its shipped rate.
    usual = catalog.shipped_prior()
    own = {name: rate for name, rate in catalog.shipped_prior(plan.equipment.rod).items() if name not in usual}

    # A visit asks for the same evidence more than once: at the verdict, at the end, and when it is replayed.
    @lru_cache(maxsize=256)
    def reasoned(
        evidence: frozenset[tuple[str, Evidence]], allowed: frozenset[str] | None = None, at: Place | None = None
    ) -> Assessment:
        knowing = known() if prior is None else with_prior(known(), own | dict(prior))
        return assess(dict(evidence), knowing, allowed, plan.language, at)

    def reason(evidence: Mapping[str, Evidence]) -> Assessment:
        return reasoned(frozenset(evidence.items()))

    extra = {step.ask.probe for step in plan.procedure.steps.values() if step.extra and step.ask}

    def next_test(session: Session) -> str | None:
        """The probe that would tell most now, where the procedure has a test of its own for it."""
        evidence = evidence_of(session) if extra else {}
        probe = reason(evidence).next_probe if evidence else None
        return probe if probe in extra else None

    def choose(session: Session, offered: frozenset[str]) -> Pick | None:
        """The probe that tells most for its time, risk and trips of the power, where it does not come by itself."""
        evidence = frozenset(evidence_of(session).items())
        said = reasoned(evidence, offered | probes_to_come(plan, session), place_of(session))
        return Pick(said.next_probe, said.next_why) if said.next_probe in offered else None

    return replace(plan, assess=reason, next_test=next_test, choose=choose if order == "adaptive" else None)


def place_of(session: Session) -> Place:
    """How the furnace stands, as the reasoning counts the cost of getting somewhere else."""
    wiring: Wiring = (
        "series"
        if session.where("leads") == "clipped"
        else "unplugged"
        if session.where("rod_wire") == "pulled"
        else "plugged"
    )
    return Place("on" if session.power == "on" else "dead", wiring)


def order_of(plan: Plan) -> Order:
    """The order that a plan goes by."""
    return "adaptive" if plan.choose else "file"


def warm(plan: Plan) -> None:
    """Begin to load what the fault reasoning knows, so that the first verdict need not wait for it."""
    if plan.procedure.reason:
        threading.Thread(target=knowledge_of, args=(plan.equipment, plan.meter), daemon=True).start()


def words_of(plan: Plan) -> frozenset[str]:
    """Every word that can be said anywhere in a plan, for asking an engine whether it knows them all."""
    found: set[str] = set()
    for name, step in plan.procedure.steps.items():
        if step.end:
            continue
        places = [Session(name, mode) for mode in ("ask", "confirm", "paused", "memo")]
        places += [Session(name, "offer", outcome=outcome) for outcome in ("fail", "close")]
        places += [Session(name, "again", pending_answer=answer) for answer, one in step.answers.items() if one.again]
        for place in places:
            found |= vocabulary(scope_for(plan, place))
    # A question for an earlier reading names its check.
    titles = [step.title for step in plan.procedure.steps.values() if step.ask]
    lang = language(plan.language)
    found |= {word for text in (plan.lines.said_for, *titles) for word in plain_words(text, lang)}
    return frozenset(found)
