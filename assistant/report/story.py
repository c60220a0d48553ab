"""What a report tells, gathered from journal lines. Pure; every text is still unescaped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from assistant.records.derive import taken_back
from assistant.records.findings import Danger, Fix, Moved, dangers, fixes, moved, not_done, skipped
from assistant.report.course import Line, Memo, Proof, cautions, memos, proof_steps, proofs, warnings
from assistant.report.headline import Headline, headline
from assistant.report.numbers import number, plus_minus, shown
from assistant.report.scale import Scale, scale_of
from assistant.visit.chain import Checked, check
from assistant.visit.details import Details, details_of

Event = dict[str, Any]
WORDS = {"pass": "good", "fail": "not good", "close": "too close to call", None: "not judged"}


@dataclass(frozen=True)
class ReportedReading:
    """A reading with its verdict, if there is one.

    value, spread: as printed. outcome: pass, fail, close or None. why: the line
    that was spoken. sources: limit with its value and where it comes from.
    judged: the number that was judged, where it is not the reading itself.
    how: how it was confirmed. stands: False when it was taken back. before: it
    stands, and the same check was taken again after it, once something was mended.
    proves: it is part of the proof that the power is off. counts_as: the probe that the fault reasoning took it for.
    """

    step: str
    title: str
    probe: str
    quantity: str
    value: str
    spread: str
    outcome: str | None
    why: str
    scale: Scale | None
    sources: tuple[str, ...]
    judged: str
    how: str
    stands: bool
    before: bool = False
    proves: bool = False
    counts_as: str = ""

    @property
    def counts(self) -> bool:
        """Whether it is the reading that the verdict of the visit rests on."""
        return self.stands and not self.before

    @property
    def word(self) -> str:
        return WORDS.get(self.outcome, "not judged")

    @property
    def words(self) -> str:
        """What the bar shows, in one sentence."""
        return f"{self.title}: {self.value} {self.spread}, {self.word}.".replace(" ,", ",")


@dataclass(frozen=True)
class Pair:
    """A check before and after. Both with a verdict on the same probe."""

    title: str
    before: ReportedReading
    after: ReportedReading


@dataclass(frozen=True)
class RuledOut:
    """One reading and the faults that it did most to rule out, as ids."""

    probe: str
    value: str
    faults: tuple[str, ...]


@dataclass(frozen=True)
class Phasor:
    """Three voltages (V): supply, secondary, and across from hot to R, with their half intervals."""

    supply: float
    secondary: float
    across: float
    spread: tuple[float, float, float]
    outcome: str | None
    why: str


@dataclass(frozen=True)
class Story:
    """All of a report. first: the journal's first line. ending: its end line, {} without one. verified: whether the
    lines are those that were written. ranked: likeliest faults with their share."""

    first: Event
    details: Details
    ending: Event
    headline: Headline
    dangers: tuple[Danger, ...]
    not_done: tuple[str, ...]
    fixes: tuple[Fix, ...]
    moved: tuple[Moved, ...]
    proofs: tuple[Proof, ...]
    proof_titles: tuple[str, ...]
    readings: tuple[ReportedReading, ...]
    pairs: tuple[Pair, ...]
    pairs_from: str
    ruled_out: tuple[RuledOut, ...]
    ranked: tuple[tuple[str, float], ...]
    cannot_tell: tuple[str, ...]
    phasor: Phasor | None
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    skipped: tuple[tuple[str, str], ...]
    memos: tuple[Memo, ...]
    choices: tuple[tuple[str, str], ...]
    began: str
    ended: str
    torn: bool
    verified: Checked

    @property
    def doubtful(self) -> tuple[ReportedReading, ...]:
        return tuple(one for one in self.readings if one.counts and one.outcome == "close")

    @property
    def proof_limits(self) -> tuple[str, ...]:
        """The limits of the proof that the power is off, each once."""
        return tuple(dict.fromkeys(source for one in self.readings if one.proves for source in one.sources))

    @property
    def put_right(self) -> tuple[Danger, ...]:
        """Dangers that were found and no longer stand."""
        return tuple(one for one in self.dangers if not one.stands)

    @property
    def moved_words(self) -> str:
        """What was moved, and whether all of it was put back."""
        names = ", ".join(one.thing.replace("_", " ") for one in self.moved)
        left = "; ".join(one.words for one in self.moved if one.out_of_place)
        return f"Moved: {names}. " + (f"Out of place at the end: {left}." if left else "All was left as found.")


def tell(events: list[Event], torn: bool = False, earlier: list[Event] | None = None) -> Story:
    """The story of a visit. earlier: an earlier visit to the same furnace, for before and after."""
    readings = _readings(events)
    # Before a fix had a line of its own, a check that was made again after a repair was one taken back.
    told = any(one.get("kind") in ("fix", "moved") for one in events)
    pairs, where = _pairs_within(tuple(one for one in readings if one.stands or not told)), "in this visit"
    if earlier is not None:
        across = _pairs_across(_readings(earlier), readings)
        pairs, where = (
            (pairs + across, f"between the visit of {_day(earlier)} and this one") if across else (pairs, where)
        )
    last = next((one for one in reversed(events) if one.get("kind") == "assessment"), {})
    ranked = tuple(
        (str(pair[0]), number(pair[1]))
        for pair in last.get("ranked") or []
        if isinstance(pair, list) and len(pair) == 2
    )
    return Story(
        first=Line(events[0]),
        details=details_of(events),
        ending=Line(events[-1] if events[-1].get("kind") == "end" else {}),
        headline=headline(events, tuple(one for one in readings if one.counts), bool(pairs)),
        dangers=dangers(events),
        not_done=not_done(events),
        fixes=fixes(events),
        moved=moved(events),
        proofs=proofs(events),
        proof_titles=tuple(proof_steps(events).values()),
        readings=readings,
        pairs=pairs,
        pairs_from=where,
        ruled_out=_ruled_out(events, last, readings),
        ranked=ranked,
        cannot_tell=tuple(map(str, last.get("cannot_tell") or [])),
        phasor=_phasor(events),
        cautions=cautions(events),
        warnings=warnings(events),
        skipped=skipped(events),
        memos=memos(events),
        choices=tuple(
            (str(one.get("step", "")).replace("_", " "), str(one.get("text", "")))
            for one in events
            if one.get("kind") == "choice"
        ),
        began=str(events[0].get("at", "")),
        ended=str(events[-1].get("at", "")),
        torn=torn,
        verified=check(events),
    )


def _readings(events: list[Event]) -> tuple[ReportedReading, ...]:
    gone, after, proving = taken_back(events), _verdicts_after(events), proof_steps(events)
    last = {
        str(one.get("step")): place
        for place, one in enumerate(events)
        if one.get("kind") == "reading" and place not in gone
    }
    found = []
    for place, one in enumerate(events):
        if one.get("kind") != "reading":
            continue
        verdict = after[place]
        quantity = str(one.get("quantity"))
        measured = one.get("measured") or {}
        found.append(
            ReportedReading(
                step=str(one.get("step")),
                title=str(one.get("check_title") or one.get("step") or "A reading without a name"),
                probe=str(one.get("probe") or ""),
                quantity=quantity,
                value=shown(one.get("value"), quantity),
                spread=plus_minus(measured.get("low"), measured.get("high"), quantity),
                outcome=verdict.get("outcome"),
                why=str(verdict.get("text") or ""),
                scale=scale_of(verdict, str(verdict.get("unit") or quantity)) if verdict else None,
                sources=tuple(
                    _source(limit, str(verdict.get("unit") or quantity), str(verdict.get("check")))
                    for limit in verdict.get("limits") or []
                    if isinstance(limit, dict)
                ),
                judged=_judged(one, verdict, quantity),
                how=str((one.get("confirmed") or {}).get("how") or ""),
                stands=place not in gone,
                before=place not in gone and last[str(one.get("step"))] > place,
                proves=str(one.get("step")) in proving,
                counts_as=str(one.get("counts_as") or ""),
            )
        )
    return tuple(found)


def _judged(reading: Event, verdict: Event, quantity: str) -> str:
    """The judged number where it prints otherwise than the reading: leads taken off, a sign dropped."""
    if not verdict:
        return ""
    text = shown(verdict.get("value"), str(verdict.get("unit") or quantity))
    if text == shown(reading.get("value"), quantity):
        return ""
    return f"judged as {text}, leads taken off" if verdict.get("check") == "path" else f"judged as {text}"


def _verdicts_after(events: list[Event]) -> dict[int, Event]:
    """Place of each reading to the verdict on it: the next one of the same step, before another reading of it; {} for
    none."""
    found: dict[int, Event] = {}
    following: dict[str, Event] = {}
    for place in range(len(events) - 1, -1, -1):
        one = events[place]
        kind, step = one.get("kind"), str(one.get("step"))
        if kind == "reading":
            later = following.get(step, {})
            found[place] = later if later.get("kind") == "verdict" else {}
        if kind in ("reading", "verdict", "retaken"):
            following[step] = one
    return found


def _source(limit: Event, quantity: str, check: str) -> str:
    name = str(limit.get("name", "")).replace("_", " ")
    value = f"{number(limit.get('value')):.0%}" if name == "share" else shown(limit.get("value"), quantity)
    return f"{name} {value}: {limit.get('origin')}, {limit.get('source')}"


def _pairs_within(readings: tuple[ReportedReading, ...]) -> tuple[Pair, ...]:
    """First bad, then taken again: the first and the last reading of a probe, where the first was not good."""
    pairs = []
    for probe in dict.fromkeys(one.probe for one in readings):
        same = [one for one in readings if one.probe == probe and one.outcome is not None and not one.proves]
        if len(same) > 1 and any(one.outcome != "pass" for one in same[:-1]):
            pairs.append(Pair(same[-1].title, next(one for one in same if one.outcome != "pass"), same[-1]))
    return tuple(pairs)


def _pairs_across(before: tuple[ReportedReading, ...], after: tuple[ReportedReading, ...]) -> tuple[Pair, ...]:
    """Checks that were not good in the earlier visit and were made again in this one."""
    old = {one.probe: one for one in before if one.counts and not one.proves and one.outcome in ("fail", "close")}
    return tuple(
        Pair(one.title, old[one.probe], one)
        for one in after
        if one.counts and one.probe in old and one.outcome is not None
    )


def _ruled_out(events: list[Event], last: Event, readings: tuple[ReportedReading, ...]) -> tuple[RuledOut, ...]:
    by_probe: dict[str, list[str]] = {}
    for pair in last.get("ruled_out") or []:
        if isinstance(pair, list) and len(pair) == 2 and pair[0] != "healthy":
            by_probe.setdefault(str(pair[1]), []).append(str(pair[0]))
    values = {one.probe: one.value for one in readings if one.stands}
    values |= {one.counts_as: one.value for one in readings if one.stands and one.counts_as}
    # The reading before a repair spoke for itself: what is counted as another probe does not take its place.
    values |= {one.probe: one.value for one in readings if one.stands and one.counts_as in ("", one.probe)}
    return tuple(RuledOut(probe, values.get(probe, ""), tuple(faults)) for probe, faults in by_probe.items())


def _phasor(events: list[Event]) -> Phasor | None:
    gone = taken_back(events)
    latest = {
        one.get("probe"): one for place, one in enumerate(events) if one.get("kind") == "reading" and place not in gone
    }
    three = [latest[probe] for probe in ("supply_hot_neutral", "secondary_r_c", "line_to_r") if probe in latest]
    if len(three) < 3:
        return None
    values = [number(one.get("value")) for one in three]
    if not all(math.isfinite(value) and value > 0 for value in values):
        return None
    spread = [
        (number((one.get("measured") or {}).get("high")) - value) for one, value in zip(three, values, strict=True)
    ]
    supply, secondary, across = (one if math.isfinite(one) else 0.0 for one in spread)
    verdict: Event = next(
        (
            one
            for place, one in reversed(list(enumerate(events)))
            if one.get("kind") == "verdict" and one.get("check") == "phasing" and place not in gone
        ),
        {},
    )
    return Phasor(
        values[0],
        values[1],
        values[2],
        (supply, secondary, across),
        verdict.get("outcome"),
        str(verdict.get("text") or ""),
    )


def _day(events: list[Event]) -> str:
    return str(events[0].get("at", ""))[:10]
