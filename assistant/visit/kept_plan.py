"""What a visit goes by, kept in the visit: the whole procedure, the equipment and the meter, as they were when it
began.

They lie in plan.json beside the journal; the journal's first line holds a
digest of each. A resumed visit goes by these and by nothing else, so that a
file that was changed or thrown away meanwhile cannot change what was asked.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from assistant import private
from assistant.errors import JournalError
from assistant.visit.chain import ENCODE
from assistant.visit.plans import Order, order_of
from flows.judge.profiles import Equipment, Meter
from flows.procedure.compile import Plan
from flows.procedure.schema import Procedure
from flows.procedure.session import Level
from grammar.errors import TwohandsError
from grammar.guards import JOURNAL_BYTES

FILE = "plan.json"
FORMAT = 1
MODELS: dict[str, type[BaseModel]] = {"procedure": Procedure, "equipment": Equipment, "meter": Meter}


@dataclass(frozen=True)
class Kept:
    """The parts a visit was begun with. source: the procedure as it was asked for, an id or the path of a file.

    order: in which order the checks come; visits from before it was kept have the file's. talk: how much was told at
    the beginning; visits from before it was kept told all of it.
    """

    procedure: Procedure
    equipment: Equipment
    meter: Meter
    source: str
    order: Order = "file"
    talk: Level = "learner"


def digest(part: BaseModel) -> str:
    """SHA-256 of a part's canonical JSON, in hex."""
    return hashlib.sha256(ENCODE(part.model_dump(mode="json")).encode("ascii")).hexdigest()


def keep(folder: Path, plan: Plan, source: str) -> dict[str, str]:
    """Write the parts of a plan into a visit's folder, on disk when it returns; their digests by name, the order
    and how much is told. Raises JournalError."""
    parts = {"procedure": plan.procedure, "equipment": plan.equipment, "meter": plan.meter}
    if source.endswith((".yaml", ".yml")):
        source = str(Path(source).absolute())
    data = {
        "format": FORMAT,
        "source": source,
        "order": order_of(plan),
        "talk": plan.level,
        **{name: part.model_dump(mode="json") for name, part in parts.items()},
    }
    try:
        private.make_folder(folder)
        private.write_whole(folder / FILE, json.dumps(data, ensure_ascii=False, indent=1).encode())
    except OSError as error:
        raise JournalError(
            f"The procedure cannot be kept in {folder.name} ({error.strerror}).",
            "Check the folder and its rights, or choose another with --visits.",
        ) from error
    return {name: digest(part) for name, part in parts.items()} | {"order": order_of(plan), "talk": plan.level}


def kept(folder: Path, opening: dict[str, Any]) -> Kept | None:
    """What the visit in `folder` was begun with; None for one from before it was kept. Raises JournalError when it is
    gone or was changed."""
    wanted = opening.get("kept")
    if not wanted:
        return None
    try:
        with (folder / FILE).open("rb") as file:
            data = json.loads(file.read(JOURNAL_BYTES))
        parts = {name: model.model_validate(data[name]) for name, model in MODELS.items()}
        source, order = str(data["source"]), data.get("order", "file")
        talk = data.get("talk", "learner")
    except (OSError, ValueError, KeyError, TypeError, RecursionError, ValidationError) as error:
        raise JournalError(
            f"What the visit {folder.name} was begun with cannot be read from {FILE}.",
            "Start a new visit; the readings so far stay in the record.",
        ) from error
    for name, part in parts.items():
        if digest(part) != wanted.get(name):
            raise JournalError(
                f"The {name} kept in {folder.name} was changed since the visit began.",
                "Start a new visit; the readings so far stay in the record.",
            )
    if order != wanted.get("order", "file") or order not in get_args(Order):
        raise JournalError(
            f"The order of the checks kept in {folder.name} was changed since the visit began.",
            "Start a new visit; the readings so far stay in the record.",
        )
    if talk != wanted.get("talk", "learner") or talk not in get_args(Level):
        raise JournalError(
            f"What {folder.name} keeps of how much is told was changed since the visit began.",
            "Start a new visit; the readings so far stay in the record.",
        )
    return Kept(**parts, source=source, order=order, talk=talk)  # type: ignore[arg-type]


def changes(was: Kept, now: Callable[[Kept], Plan]) -> list[str]:
    """A sentence for each part whose file has changed or gone since. now: what the same names give today; its
    TwohandsError counts as gone."""
    try:
        plan = now(was)
    except TwohandsError:
        return ["What this visit was begun with cannot be loaded any more. It goes on with what it was begun with."]
    today = {"procedure": plan.procedure, "equipment": plan.equipment, "meter": plan.meter}
    return [
        f"The {name} has changed since this visit began. It goes on with the one that it was begun with."
        for name, part in today.items()
        if digest(part) != digest(getattr(was, name))
    ]
