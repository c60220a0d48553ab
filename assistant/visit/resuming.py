"""Go on with a visit that was cut off: which one, by what it was begun with, and where it stood."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from assistant.errors import InUse, JournalError
from assistant.visit.folders import unfinished
from assistant.visit.journal import Journal
from assistant.visit.kept_plan import Kept, changes, kept
from assistant.visit.plans import kept_plan, ready_plan
from assistant.visit.replay import Standing, standing
from flows.faults.rates import Rates
from flows.procedure.compile import Plan


@dataclass
class Resuming:
    """A visit that is about to go on; the journal is open and locked."""

    journal: Journal
    plan: Plan
    where: Standing

    def make_good(self) -> None:
        """Write what a sudden end kept from the disk."""
        if self.journal.was_torn:
            self.journal.write(
                "trouble",
                {
                    "what": "journal",
                    "problem": "The last line of the record was torn and is left out.",
                    "remedy": "Check the last reading.",
                },
            )
        for line in self.where.unsaved:
            self.journal.write(line.kind, line.data)


def resuming(visits: Path, name: str, procedure: str, tell: Callable[[str], object]) -> Resuming:
    """Open the visit called `name` ("latest" for the newest that is not over) and walk it to where it stood.

    procedure: named by the user, for a visit from before procedures were kept. tell: gets a line for
    each journal that was passed over and each part that has changed since. Raises AssistantError,
    DataFileError, FlowError; InUse when another process is on the visit.
    """
    journal = _opened(visits, name, tell)
    try:
        if not journal.before or journal.before[0]["kind"] != "visit":
            raise JournalError(
                f"The record in {journal.folder.name} does not begin with a visit.", "Start a new one: twohands run"
            )
        plan = _plan(journal, procedure, tell)
        where = standing(plan, journal.before)
        if any(event["kind"] == "end" for event in journal.before):
            raise JournalError(f"The visit {journal.folder.name} is over.", "Start a new one: twohands run")
        return Resuming(journal, plan, where)
    except BaseException:
        journal.close()
        raise


def _plan(journal: Journal, procedure: str, tell: Callable[[str], object]) -> Plan:
    first = journal.before[0]
    prior = Rates.model_validate(first["rates"]).prior() if first.get("rates") else None
    was = kept(journal.folder, first)
    if was is None:
        return ready_plan(
            procedure or str(first["procedure"]),
            str(first["equipment"]),
            str(first["meter"]),
            str(first.get("language") or ""),
            prior,
        )

    def today(one: Kept) -> Plan:
        return ready_plan(one.source, one.equipment.id, one.meter.id, one.procedure.language)

    for line in changes(was, today):
        tell(line)
    return kept_plan(was.procedure, was.equipment, was.meter, prior, was.order, was.talk)


def _opened(visits: Path, name: str, tell: Callable[[str], object]) -> Journal:
    if name != "latest":
        folder = visits / name
        if Path(name).name != name or not folder.is_dir():
            raise JournalError(f"There is no visit '{name}' in {visits}.", "Start a new one: twohands run")
        return Journal(folder)
    found, passed = unfinished(visits)
    for line in passed:
        tell(f"Passed over: {line}")
    for one in reversed(found):
        try:
            return Journal(one.folder)
        except InUse:
            raise
        except JournalError as error:
            tell(f"Passed over: {error.problem}")
    raise JournalError("There is no visit to go on with.", "Start a new one: twohands run")
