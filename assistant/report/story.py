"""What a report tells, gathered from journal lines. Pure; every text is still unescaped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from assistant.chain import Checked, check
from assistant.records.derive import taken_back
from assistant.report.headline import Headline, headline
from assistant.report.numbers import number, plus_minus, shown
from assistant.report.scale import Scale, scale_of

Event = dict[str, Any]
WORDS = {"pass": "good", "fail": "not good", "close": "too close to call", None: "not judged"}


@dataclass(frozen=True)
class Taken:
    """A reading with its verdict, if there is one.

    value, spread: as printed. outcome: pass, fail, close or None. why: the line
    that was spoken. sources: limit with its value and where it comes from.
    judged: the number that was judged, where it is not the reading itself.
    how: how it was confirmed. stands: False when a later one took its place.
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
    before: Taken
    after: Taken


@dataclass(frozen=True)
class Memo:
    """A voice memo. file: inside the visit's folder, or None when no sound was kept. text: what the grammar heard of it."""

    file: str | None
    seconds: float
    step: str
    text: str


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
    """All of a report. first: the journal's first line. verified: whether the lines are those that were written. ranked: likeliest faults with their share."""

    first: Event
    headline: Headline
    readings: tuple[Taken, ...]
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
    def doubtful(self) -> tuple[Taken, ...]:
        return tuple(one for one in self.readings if one.stands and one.outcome == "close")


def tell(events: list[Event], torn: bool = False, earlier: list[Event] | None = None) -> Story:
    """The story of a visit. earlier: an earlier visit to the same furnace, for before and after."""
    readings = _readings(events)
    pairs, where = _pairs_within(readings), "in this visit"
    if earlier is not None:
        across = _pairs_across(_readings(earlier), readings)
        pairs, where = (pairs + across, f"between the visit of {_day(earlier)} and this one") if across else (pairs, where)
    last = next((one for one in reversed(events) if one.get("kind") == "assessment"), {})
    ranked = tuple((str(pair[0]), number(pair[1])) for pair in last.get("ranked") or [] if isinstance(pair, list) and len(pair) == 2)
    return Story(
        first=events[0],
        headline=headline(events, tuple(one for one in readings if one.stands), bool(pairs)),
        readings=readings,
        pairs=pairs,
        pairs_from=where,
        ruled_out=_ruled_out(events, last, readings),
        ranked=ranked,
        cannot_tell=tuple(map(str, last.get("cannot_tell") or [])),
        phasor=_phasor(events),
        cautions=_cautions(events),
        warnings=_warnings(events),
        skipped=_skipped(events, readings),
        memos=_memos(events),
        choices=tuple((str(one.get("step", "")).replace("_", " "), str(one.get("text", ""))) for one in events if one.get("kind") == "choice"),
        began=str(events[0].get("at", "")),
        ended=str(events[-1].get("at", "")),
        torn=torn,
        verified=check(events),
    )


def _readings(events: list[Event]) -> tuple[Taken, ...]:
    gone, after = taken_back(events), _verdicts_after(events)
    found = []
    for place, one in enumerate(events):
        if one.get("kind") != "reading":
            continue
        verdict = after[place]
        quantity = str(one.get("quantity"))
        measured = one.get("measured") or {}
        found.append(Taken(
            step=str(one.get("step")),
            title=str(one.get("check_title") or one.get("step")),
            probe=str(one.get("probe")),
            quantity=quantity,
            value=shown(one.get("value"), quantity),
            spread=plus_minus(measured.get("low"), measured.get("high"), quantity),
            outcome=verdict.get("outcome"),
            why=str(verdict.get("text") or ""),
            scale=scale_of(verdict, str(verdict.get("unit") or quantity)) if verdict else None,
            sources=tuple(_source(limit, str(verdict.get("unit") or quantity), str(verdict.get("check"))) for limit in verdict.get("limits") or [] if isinstance(limit, dict)),
            judged=_judged(one, verdict, quantity),
            how=str((one.get("confirmed") or {}).get("how") or ""),
            stands=place not in gone,
        ))
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
    """Place of each reading to the verdict on it: the next one of the same step, before another reading of it; {} for none."""
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


def _pairs_within(readings: tuple[Taken, ...]) -> tuple[Pair, ...]:
    """First bad, then taken again: the first and the last reading of a probe, where the first was not good."""
    pairs = []
    for probe in dict.fromkeys(one.probe for one in readings):
        same = [one for one in readings if one.probe == probe and one.outcome is not None]
        if len(same) > 1 and any(one.outcome != "pass" for one in same[:-1]):
            pairs.append(Pair(same[-1].title, next(one for one in same if one.outcome != "pass"), same[-1]))
    return tuple(pairs)


def _pairs_across(before: tuple[Taken, ...], after: tuple[Taken, ...]) -> tuple[Pair, ...]:
    """Checks that were not good in the earlier visit and were made again in this one."""
    old = {one.probe: one for one in before if one.stands and one.outcome in ("fail", "close")}
    return tuple(Pair(one.title, old[one.probe], one) for one in after if one.stands and one.probe in old and one.outcome is not None)


def _ruled_out(events: list[Event], last: Event, readings: tuple[Taken, ...]) -> tuple[RuledOut, ...]:
    by_probe: dict[str, list[str]] = {}
    for pair in last.get("ruled_out") or []:
        if isinstance(pair, list) and len(pair) == 2 and pair[0] != "healthy":
            by_probe.setdefault(str(pair[1]), []).append(str(pair[0]))
    values = {one.probe: one.value for one in readings if one.stands}
    return tuple(RuledOut(probe, values.get(probe, ""), tuple(faults)) for probe, faults in by_probe.items())


def _phasor(events: list[Event]) -> Phasor | None:
    gone = taken_back(events)
    latest = {one.get("probe"): one for place, one in enumerate(events) if one.get("kind") == "reading" and place not in gone}
    three = [latest.get(probe) for probe in ("supply_hot_neutral", "secondary_r_c", "line_to_r")]
    if any(one is None for one in three):
        return None
    values = [number(one.get("value")) for one in three if one]
    if not all(math.isfinite(value) and value > 0 for value in values):
        return None
    spread = [(number((one.get("measured") or {}).get("high")) - value) for one, value in zip(three, values, strict=True) if one]
    verdict = next((one for place, one in reversed(list(enumerate(events))) if one.get("kind") == "verdict" and one.get("check") == "phasing" and place not in gone), {})
    return Phasor(*values, tuple(one if math.isfinite(one) else 0.0 for one in spread), verdict.get("outcome"), str(verdict.get("text") or ""))


def _cautions(events: list[Event]) -> tuple[str, ...]:
    """Each caution once, as it was first said: in full; the short forms come later."""
    first: dict[str, str] = {}
    for one in events:
        if one.get("kind") == "said" and one.get("role") == "caution":
            first.setdefault(str(one.get("line") or one.get("text")), str(one.get("text")))
    return tuple(dict.fromkeys(first.values()))


def _warnings(events: list[Event]) -> tuple[str, ...]:
    found = []
    for one in events:
        if one.get("kind") == "alarm":
            found.append(f"Gas was smelled at the step “{str(one.get('step')).replace('_', ' ')}”. The visit ended there.")
        if one.get("kind") == "trouble":
            found.append(f"{one.get('problem') or ''} {one.get('remedy') or ''}".strip())
    end = events[-1] if events[-1].get("kind") == "end" else {}
    left = [str(one).replace("_", " ") for one in end.get("left_set") or []]
    if left:
        found.append(f"At the end this was still in place: {', '.join(left)}. It must come off.")
    power = next((one for one in reversed(events) if one.get("kind") == "power"), {})
    if power and power.get("state") != "on":
        found.append("When the visit ended the power was " + ("proven off." if power.get("state") == "dead" else "said to be off, and not proven off."))
    return tuple(found)


def _skipped(events: list[Event], readings: tuple[Taken, ...]) -> tuple[tuple[str, str], ...]:
    """Steps left out and not made up for later, with the reason given."""
    made = {one.step for one in readings if one.stands}
    why = {str(one.get("step")): str(one.get("why") or "no reason was given") for one in events if one.get("kind") == "skipped"}
    return tuple((step.replace("_", " "), reason) for step, reason in why.items() if step not in made)


def _memos(events: list[Event]) -> tuple[Memo, ...]:
    """Memos with the words that the grammar heard while each was recorded."""
    found, words = [], []
    for one in events:
        if one.get("kind") == "said" and one.get("line") == "memo_start":
            words = []
        elif one.get("kind") == "heard" and str(one.get("scope", "")).endswith("/memo") and (one.get("answer") or {}).get("id") != "end_note":
            words.append(str(one.get("text") or ""))
        elif one.get("kind") == "memo":
            text = str(one.get("text") or "") or " ".join(word for word in words if word)
            seconds = number(one.get("seconds"))
            found.append(Memo(one.get("file") if isinstance(one.get("file"), str) else None, seconds if math.isfinite(seconds) else 0.0, str(one.get("step") or "").replace("_", " "), text))
            words = []
    return tuple(found)


def _day(events: list[Event]) -> str:
    return str(events[0].get("at", ""))[:10]
