"""A visit that is cut off at any line goes on to the same end, and the journal's door knows all that is written."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import flows
from assistant.visit import replay
from assistant.visit.answers import plain, to_data
from assistant.visit.journal_door import checked
from assistant.visit.journal_kinds import KINDS
from assistant.visit.replay import SHELL, standing
from assistant.visit.visit import opening
from flows.procedure.session import Effect, End, Listen, Resumed, Save, Say
from flows.talk.dialogue import advance, begin
from grammar.answers import Heard
from grammar.parse import understand
from tests import visiting
from tests.flows.technician import MOST, Furnace, Technician
from tests.visiting import typed_plan

Events = list[dict[str, Any]]
Advance = Callable[..., Any]
VISITS = {
    "healthy": Furnace(),
    "open ground": visiting.OPEN_GROUND,
    "ground mended": visiting.GROUND_MENDED,
    "rod cleaned": visiting.ROD_CLEANED,
    "supply skipped": visiting.SKIPPED,
    "never lit": visiting.NEVER_LIT,
    "dead test fails once": Furnace({"hot_neutral_dead": ["117.9", "0.00"]}),
    "gas, a false alarm": Furnace(says={"flame_current": "i smell gas"}),
    "a test between": visiting.CORRODED,
}
END = ("how", "fault", "missing", "safety", "left_set", "power")


class Record:
    """A journal in memory."""

    def __init__(self, events: Events) -> None:
        self.events = list(events)

    def write(self, kind: str, data: Any) -> None:
        line = {"v": 1, "seq": len(self.events) + 1, "at": "2026-03-02T09:00:00+00:00", "kind": kind, **plain(data)}
        self.events.append(checked(line))

    def keep(self, effects: list[Effect]) -> None:
        for one in effects:
            if isinstance(one, Save):
                self.write(one.kind, one.data)
            elif isinstance(one, Say):
                self.write("said", {"line": one.line, "text": one.text, "role": one.role})


def to_the_end(
    record: Record, session: Any, effects: list[Effect], technician: Technician, advance: Advance = advance
) -> Any:
    """Answer until the visit ends; the session it ends in."""
    plan = typed_plan()
    for _ in range(MOST):
        record.keep(effects)
        if any(isinstance(one, End) for one in effects):
            return session
        scope = next(one.scope for one in effects if isinstance(one, Listen))
        answer = understand(Heard(technician.answer(scope)), scope)
        record.write("heard", {"scope": scope.name, "text": answer.text, "answer": to_data(answer)})
        session, effects = advance(plan, session, answer)
    raise AssertionError(f"The visit does not end: {session.step}/{session.mode}.")


def whole(furnace: Furnace) -> Events:
    plan, record = typed_plan(), Record([])
    record.write("visit", opening(plan, visit="v", engine="typed", voice="none", program="test", invented=True))
    to_the_end(record, *begin(plan), Technician(plan, furnace))
    return record.events


def values_kept(events: Events) -> set[tuple[str, Any]]:
    return {(one["probe"], one["value"]) for one in events if one["kind"] == "reading"}


class Kept:
    """`advance` that does each answer to each session once: where a visit was before, it is not walked again.

    It is a pure function, which the visits that are walked without it show; every line of a long record is walked to
    from the beginning, and on from there to an end that is mostly the same.
    """

    def __init__(self) -> None:
        self.sessions: dict[Any, Any] = {}
        self.moved: dict[Any, Any] = {}

    def __call__(self, plan: Any, session: Any, given: Any) -> Any:
        key = (id(self.sessions.setdefault(session, session)), given)
        if key not in self.moved:
            after, effects = advance(plan, session, given)
            self.moved[key] = self.sessions.setdefault(after, after), tuple(effects)
        after, effects = self.moved[key]
        return after, list(effects)


@pytest.mark.parametrize("name", VISITS)
def test_cut_off_after_any_line_it_reaches_the_same_end(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    plan, events = typed_plan(), whole(VISITS[name])
    assert standing(plan, events).unsaved == ()
    kept = Kept()
    monkeypatch.setattr(replay, "advance", kept)
    before = None
    for cut in range(1, len(events)):
        where, record = standing(plan, events[:cut]), Record(events[:cut])
        if where == before:
            # Only a sentence was spoken since the line before: all that follows is the same.
            continue
        before = where
        for line in where.unsaved:
            record.write(line.kind, line.data)
        # What the furnace showed before the break it shows again only where it is asked again.
        technician = Technician(plan, VISITS[name], *_so_far(record.events, VISITS[name]))
        if where.session.mode == "offer":
            # Nothing was mended yet: asked again, the meter shows the same again.
            technician.shown[where.session.step] -= 1
        if where.session.mode != "ended":
            record.write("resumed", {"engine": "typed"})
            to_the_end(record, *kept(plan, where.session, Resumed()), technician, kept)
        again = record.events
        due = dict(events[-1])
        if where.session.step == "thermostat_set" and where.session.mode != "ended" and due["power"] == "dead":
            # The covers are on again: after the break the switch is asked for twice, and no hand goes in for a new
            # proof.
            due["power"] = "said_off"
        assert [again[-1].get(key) for key in END] == [due.get(key) for key in END], (
            f"{name}, line {cut}: {events[cut - 1]}"
        )
        assert values_kept(events[:cut]) <= values_kept(again) and standing(plan, again).unsaved == ()


def _so_far(events: Events, furnace: Furnace) -> tuple[dict[str, int], int, set[str]]:
    """How far a technician's lists are used up: confirmed readings, offers answered, words said once."""
    shown: dict[str, int] = {}
    for one in events:
        if one["kind"] == "reading":
            shown[one["step"]] = shown.get(one["step"], 0) + 1
    heard = [one for one in events if one["kind"] == "heard"]
    offered = sum(one["scope"].endswith("/offer") for one in heard)
    said = {
        step
        for step, text in furnace.says.items()
        if any(one["scope"] == f"{step}/ask" and one["text"] == text for one in heard)
    }
    return shown, offered, said


def written_by_the_dialogue() -> Iterator[tuple[str, set[str]]]:
    """Kind and fields of every `Save("kind", {...})` in the dialogue's source."""
    for path in Path(flows.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and getattr(node.func, "id", "") == "Save"
                and isinstance(node.args[0], ast.Constant)
            ):
                fields = node.args[1].keys if len(node.args) > 1 and isinstance(node.args[1], ast.Dict) else []
                yield str(node.args[0].value), {str(key.value) for key in fields if isinstance(key, ast.Constant)}


def test_every_kind_that_the_dialogue_writes_has_its_types_and_comes_back_after_a_kill() -> None:
    found = dict(written_by_the_dialogue())
    assert {"reading", "verdict", "moved", "safety", "fix", "end", "power", "skipped", "retaken"} <= found.keys()
    assert found.keys() <= KINDS.keys()
    assert found.keys() & set(SHELL) == {"trouble"}
    for kind, fields in written_by_the_dialogue():
        assert fields <= KINDS[kind].__annotations__.keys(), kind


@pytest.mark.parametrize("name", VISITS)
def test_every_field_that_a_visit_writes_is_typed(name: str) -> None:
    common = {"v", "seq", "at", "kind"}
    lines = whole(VISITS[name])
    assert len(lines) > 5
    for one in lines:
        assert one.keys() - common <= KINDS[one["kind"]].__annotations__.keys(), one["kind"]


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("moved", {"thing": "jumper", "to": 3, "step": "jumper_on"}),
        ("moved", {"thing": ["jumper"], "to": "none", "step": "jumper_off"}),
        ("safety", {"step": "supply", "finding": "high", "text": "Danger.", "stands": "yes"}),
        ("fix", {"step": "phasing", "finding": {}}),
        ("reading", {"counts_as": 4}),
        ("end", {"missing": "supply"}),
        ("end", {"safety": [["supply", 3]]}),
        ("end", {"missing_titles": [None]}),
        ("end", {"power": True}),
    ],
)
def test_a_field_of_another_type_is_refused_at_the_door(kind: str, data: dict[str, Any]) -> None:
    with pytest.raises(Exception, match="of the wrong kind"):
        raise_at_the_door(kind, data)


def raise_at_the_door(kind: str, data: dict[str, Any]) -> None:
    from assistant.visit.journal_door import Broken

    try:
        checked({"v": 1, "seq": 1, "at": "2026-03-02T09:00:00+00:00", "kind": kind, **data})
    except Broken as error:
        raise ValueError(error.reason) from error


def test_a_record_in_which_something_was_moved_elsewhere_is_not_gone_on_with() -> None:
    events = whole(Furnace())
    place = next(at for at, one in enumerate(events) if one["kind"] == "moved" and one["thing"] == "jumper")
    for key, value in (("to", "none"), ("thing", "leads")):
        changed = [*events[:place], {**events[place], key: value}, *events[place + 1 :]]
        with pytest.raises(Exception, match="cannot be walked through again"):
            standing(typed_plan(), changed)


def test_after_a_break_it_says_how_everything_stands() -> None:
    plan, events = typed_plan(), whole(Furnace())
    place = next(at for at, one in enumerate(events) if one["kind"] == "jumper" and one["on"]) + 1
    for cut, wanted in ((place, True), (5, False)):
        _, effects = advance(plan, standing(plan, events[:cut]).session, Resumed())
        said = [one.text for one in effects if isinstance(one, Say) and one.line == "as_it_stands"]
        assert bool(said) == wanted
        if wanted:
            assert said[0].startswith("As it stands: ") and "jumper" in said[0] and "jack" in said[0]
