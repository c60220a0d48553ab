"""A procedure made ready for a visit: compiled, with the fault reasoning behind it."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

from flows.compile import Plan, load_plan
from flows.profiles import equipment as load_equipment
from flows.profiles import meter as load_meter
from flows.prompts import scope_for
from flows.reason import Assessment, Evidence, assess
from flows.reason_knowledge import with_prior
from flows.reason_store import knowledge
from flows.session import Session
from grammar.emit import vocabulary


def ready_plan(procedure: str, equipment: str, meter: str, language: str = "", prior: Mapping[str, float] | None = None) -> Plan:
    """The plan of a procedure on a family with a meter, by their ids, in `language` where one is named.

    prior: rates of faults in place of the shipped ones. Raises DataFileError, FlowError.
    """
    plan = load_plan(procedure, load_equipment(equipment), load_meter(meter), language)
    if not plan.procedure.reason:
        return plan

    # A visit asks for the same evidence more than once: at the verdict, at the end, and when it is replayed.
    @lru_cache(maxsize=256)
    def reasoned(evidence: frozenset[tuple[str, Evidence]]) -> Assessment:
        known = knowledge(equipment, meter)
        return assess(dict(evidence), known if prior is None else with_prior(known, prior), language=plan.language)

    def reason(evidence: Mapping[str, Evidence]) -> Assessment:
        return reasoned(frozenset(evidence.items()))

    return replace(plan, assess=reason)


def warm(plan: Plan) -> None:
    """Begin to load what the fault reasoning knows, so that the first verdict need not wait for it."""
    if plan.procedure.reason:
        threading.Thread(target=knowledge, args=(plan.equipment.id, plan.meter.id), daemon=True).start()


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
    return frozenset(found)
