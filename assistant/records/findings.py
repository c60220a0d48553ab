"""What a visit found beyond its verdicts: dangers that stand, checks that were not done, mended checks, things moved.

Taken from journal lines; pure. Lists, charts and reports all ask here, so that none of them can call good what
another calls a danger or not done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from assistant.records.faultnames import fault_name
from flows.faults import catalog
from flows.procedure.things import catalogue

Event = dict[str, Any]


@dataclass(frozen=True)
class Danger:
    """A finding of a failed safety check. text: the words that were spoken. stands: at the end of the lines.

    step, title: "" where no check found it and the readings together name it.
    """

    step: str
    title: str
    finding: str
    text: str
    stands: bool

    @property
    def short(self) -> str:
        """The check and the finding, in few words."""
        return _in_words(self.title, self.finding, True)


@dataclass(frozen=True)
class Fix:
    """A check that was stopped for. found: the fault as an id, or the check and its finding in words.

    again: the outcome of the same check taken again afterwards, None when it was not.
    """

    step: str
    title: str
    found: str
    again: str | None

    @property
    def mended(self) -> bool:
        return self.again == "pass"

    @property
    def name(self) -> str:
        """What was found, as part of a sentence."""
        known = all(part in catalog.faults().faults for part in self.found.split(catalog.JOIN))
        return fault_name(self.found) if known else f"a fault at {self.title[:1].lower()}{self.title[1:]}"

    @property
    def words(self) -> str:
        """What became of it, in a sentence."""
        after = {None: "was not taken again", "pass": "was taken again and is good"}
        told = after.get(self.again, "was taken again and is still not good")
        return f"{self.title}: stopped to mend {self.name}. The same check {told}."


@dataclass(frozen=True)
class Moved:
    """A thing that was moved, and where it was left. out_of_place: an end must not find it there."""

    thing: str
    place: str
    out_of_place: bool

    @property
    def words(self) -> str:
        """The thing and its place, in words."""
        return f"{self.thing}: {self.place}".replace("_", " ").removesuffix(": ")


def dangers(events: list[Event]) -> tuple[Danger, ...]:
    """Every safety finding of the visit, those that stand first. What the end names stands, whatever came before."""
    titles = _titles(events)
    found: dict[tuple[str, str], Danger] = {}
    for one in _of(events, "safety"):
        key = str(one.get("step")), str(one.get("finding"))
        text = str(one.get("text") or "") or (found[key].text if key in found else "")
        found[key] = Danger(key[0], _title(titles, key[0]), key[1], text, one.get("stands") is not False)
    for pair in _end(events).get("safety") or []:
        if isinstance(pair, list) and len(pair) == 2:
            step, finding = str(pair[0]), str(pair[1])
            text = found[step, finding].text if (step, finding) in found else ""
            found[step, finding] = Danger(step, _title(titles, step), finding, text, True)
    if not found:
        found |= {("", one.finding): one for one in _named(events)}
    return tuple(sorted(found.values(), key=lambda one: not one.stands))


def _named(events: list[Event]) -> list[Danger]:
    """What endangers by its nature and is named at the end, though the check that would find it was not made."""
    known, parts = catalog.faults().faults, str(_end(events).get("fault") or "").split(catalog.JOIN)
    return [
        Danger("", "", one, f"{known[one].says} {known[one].next}", True)
        for one in parts
        if one in known and known[one].danger
    ]


def standing(events: list[Event]) -> tuple[Danger, ...]:
    """The safety findings that stand."""
    return tuple(one for one in dangers(events) if one.stands)


def not_done(events: list[Event]) -> tuple[str, ...]:
    """Titles of the numbered checks that are missing: those that the end names, and what was skipped and never made
    up."""
    end, titles = _end(events), _titles(events)
    steps = dict.fromkeys([*map(str, end.get("missing") or []), *(step for step, _ in _skipped(events))])
    return tuple(dict.fromkeys(_title(titles, step) for step in steps))


def not_done_words(titles: tuple[str, ...]) -> str:
    """The missing checks in a sentence, the first of them where there are many; "" for none."""
    if not titles:
        return ""
    named, more = titles[: len(titles) if len(titles) <= NAMED_MOST else 2], len(titles) - 2
    rest = f" and {more} more checks" if len(titles) > NAMED_MOST else ""
    return f"Not done: {', '.join(named)}{rest}."


NAMED_MOST = 4
"""Checks that a sentence names one by one; a longer list stands elsewhere."""


def skipped(events: list[Event]) -> tuple[tuple[str, str], ...]:
    """Titles of the checks left out and not made up for later, with the reason given."""
    titles = _titles(events)
    return tuple((_title(titles, step), why) for step, why in _skipped(events))


def _skipped(events: list[Event]) -> tuple[tuple[str, str], ...]:
    open_: dict[str, str] = {}
    for one in events:
        step = str(one.get("step"))
        if one.get("kind") == "skipped":
            open_[step] = str(one.get("why") or "no reason was given")
        elif one.get("kind") in ("reading", "choice"):
            open_.pop(step, None)
    return tuple(open_.items())


def fixes(events: list[Event]) -> tuple[Fix, ...]:
    """The checks that were stopped for and mended, in their order, each once."""
    titles, named = _titles(events), ""
    found: dict[str, Fix] = {}
    for one in events:
        kind, step = one.get("kind"), str(one.get("step"))
        if kind == "assessment":
            named = str(one.get("named") or "")
        elif kind == "fix":
            found[step] = Fix(step, _title(titles, step), _fault_of(named, titles, one), None)
        elif kind == "verdict" and step in found:
            found[step] = Fix(step, found[step].title, found[step].found, str(one.get("outcome")))
    return tuple(found.values())


def found_fault(events: list[Event]) -> str | None:
    """The fault that the visit found: named at the end, or stopped for and mended on the way, or a danger that stands.

    A fault's id where a file knows it, else the check and its finding in words; None when nothing was found.
    """
    named = _end(events).get("fault")
    if named and named != catalog.HEALTHY:
        return str(named)
    on_the_way, at_risk = fixes(events), standing(events)
    if at_risk:
        return _in_words(at_risk[0].title, at_risk[0].finding)
    return on_the_way[-1].found if on_the_way else None


def moved(events: list[Event]) -> tuple[Moved, ...]:
    """Where each thing that was moved was left, in the order in which they were first moved."""
    known, places = catalogue().things, {}
    for one in _of(events, "moved"):
        places[str(one.get("thing"))] = str(one.get("to"))
    # What the end says is out of place counts, also for things that only one procedure knows.
    left = {str(one) for one in _end(events).get("left_set") or []}
    return tuple(
        Moved(thing, place, thing in left or (thing in known and place not in known[thing].as_found))
        for thing, place in places.items()
        if thing in left or thing not in known or set(known[thing].as_found) != set(known[thing].positions)
    )


def out_of_place(events: list[Event]) -> tuple[Moved, ...]:
    """What was not put back, by the moves and by what the end says."""
    told = moved(events)
    names = {one.thing for one in told}
    unnamed = [str(one) for one in _end(events).get("left_set") or [] if str(one) not in names]
    return (*(one for one in told if one.out_of_place), *(Moved(one, "", True) for one in unnamed))


def _fault_of(named: str, titles: dict[str, str], fix: Event) -> str:
    if named and named != catalog.HEALTHY:
        return named
    return _in_words(_title(titles, str(fix.get("step"))), str(fix.get("finding") or ""))


def _in_words(title: str, finding: str, spoken: bool = False) -> str:
    """A finding as the fault of that name (its id, or its name when spoken), or as the check and the finding in
    words."""
    if finding in catalog.faults().faults:
        return fault_name(finding) if spoken else finding
    return f"{title}: {finding.replace('_', ' ')}" if finding else title


def _titles(events: list[Event]) -> dict[str, str]:
    end = _end(events)
    read = {
        str(one.get("step")): str(one.get("check_title")) for one in _of(events, "reading") if one.get("check_title")
    }
    named = zip(map(str, end.get("missing") or []), map(str, end.get("missing_titles") or []), strict=False)
    return {**read, **dict(named)}


def _title(titles: dict[str, str], step: str) -> str:
    # A line without a step has none by its text, too.
    words = "a check without a name" if step in ("", str(None)) else step.replace("_", " ")
    return titles.get(step) or words[:1].upper() + words[1:]


def _end(events: list[Event]) -> Event:
    return next((one for one in reversed(events) if one.get("kind") == "end"), {})


def _of(events: list[Event], kind: str) -> list[Event]:
    return [one for one in events if one.get("kind") == kind]
