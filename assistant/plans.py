"""A procedure made ready for a visit: compiled, with the fault reasoning behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from flows.compile import Plan, load_plan
from flows.profiles import equipment as load_equipment
from flows.profiles import meter as load_meter
from flows.reason import Assessment, Evidence, assess
from flows.reason_store import knowledge


def ready_plan(procedure: str, equipment: str, meter: str) -> Plan:
    """The plan of a procedure on a family with a meter, by their ids. Raises DataFileError, FlowError."""
    plan = load_plan(procedure, load_equipment(equipment), load_meter(meter))
    if not plan.procedure.reason:
        return plan

    def reason(evidence: Mapping[str, Evidence]) -> Assessment:
        return assess(evidence, knowledge(equipment, meter))

    return replace(plan, assess=reason)
