"""The verdict of a visit in one plain sentence, and what to do next. Says no more than the readings do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from assistant.records.faultnames import advice_on, fault_name, sentence_on
from assistant.records.findings import Danger, fixes, not_done, not_done_words, standing
from assistant.report.numbers import number
from assistant.visit.journal import in_alarm

if TYPE_CHECKING:
    from assistant.report.story import ReportedReading


@dataclass(frozen=True)
class Headline:
    """tone: "good", "bad", "doubt", "open" or "alarm". sentence: the verdict. then: what follows from it, or ""."""

    tone: str
    sentence: str
    then: str


def headline(events: list[dict[str, Any]], counting: tuple[ReportedReading, ...], again: bool) -> Headline:
    """The verdict; what endangers somebody first, whatever else was found.

    counting: readings that the verdict rests on. again: checks that were bad were made again after a repair.
    """
    end = events[-1] if events[-1].get("kind") == "end" else {}
    at_risk = " ".join(dict.fromkeys(one.text or _unsaid(one) for one in standing(events)))
    if end.get("how") == "gas" or in_alarm(events):
        then = f"{at_risk} No verdict on the flame-sensing circuit can be given.".strip()
        return Headline("alarm", GAS, then)
    found = _verdict(events, end, counting, again)
    if at_risk and found.sentence in at_risk:
        return Headline("alarm", at_risk, not_done_words(not_done(events)))
    if at_risk:
        return Headline("alarm", at_risk, f"{found.sentence} {found.then}".strip())
    return found


GAS = "Gas was smelled and the visit was broken off: nobody may use this furnace until the leak is found and mended."
UNFINISHED = "The visit was not finished, so there is no verdict on the whole circuit."
STOPPED = "All checks were made, but the visit was stopped before its end, so the furnace is not called good."
PARTLY = "Not every check was made, so there is no verdict on the whole circuit."


def _unsaid(danger: Danger) -> str:
    return f"Danger: {danger.short}. Leave it off until it is put right."


def _verdict(
    events: list[dict[str, Any]], end: dict[str, Any], counting: tuple[ReportedReading, ...], again: bool
) -> Headline:
    finished, missing, mended = end.get("how") == "finished", not_done(events), fixes(events)
    whole = finished and not missing
    bad = [one.title for one in counting if one.outcome == "fail"]
    close = [one.title for one in counting if one.outcome == "close"]
    fault = str(end.get("fault") or "healthy")
    lacking = not_done_words(missing)
    if fault != "healthy":
        named = _with_fault(fault, advice_on(fault) or str(end.get("advice") or ""), bad, close, again)
        if whole:
            return named
        more = lacking or "The visit ended before all checks were made."
        return Headline("open" if named.tone == "good" else named.tone, named.sentence, f"{named.then} {more}".strip())
    told = " ".join(one.words for one in mended)
    if not whole:
        all_made = end.get("missing") == [] and not missing and not bad and not close
        sentence = PARTLY if finished else STOPPED if all_made else UNFINISHED
        parts = (_so_far(counting, bad, close), _likely(events), told, lacking)
        return Headline("open", sentence, " ".join(one for one in parts if one))
    if bad:
        sentence = f"{_list(bad)} {_are(bad)} not good, and the readings do not yet point at one fault."
        return Headline("bad", sentence, f"Further tests are needed before a part is replaced. {told}".strip())
    if close:
        return Headline(
            "doubt",
            f"No fault is proven, and {_list(close, inside=True)} {_are(close)} too close to call.",
            "The meter's own error is larger than what separates the reading from its limit. Take it again, or use a"
            " better meter.",
        )
    if mended:
        found, was = [one.name for one in mended], "was" if len(mended) == 1 else "were"
        if all(one.mended for one in mended):
            return Headline("good", f"{_list(found)} {was} found and mended, and every check is good now.", told)
        return Headline("doubt", f"{_list(found)} {was} stopped for, and not every check was made again.", told)
    return Headline("good", "Every check is good: no fault was found in the flame-sensing circuit.", "")


def _so_far(counting: tuple[ReportedReading, ...], bad: list[str], close: list[str]) -> str:
    """What can be said of the readings of a visit that is not whole."""
    if bad:
        return f"The readings so far show this: {_list(bad, inside=True)} not good."
    if close:
        return f"The readings so far show this: {_list(close, inside=True)} too close to call."
    return "No reading so far is outside its limits." if counting else "No reading was taken."


def _likely(events: list[dict[str, Any]]) -> str:
    """What the readings together said last, where they point more at one fault than at all else."""
    last: dict[str, Any] = next((one for one in reversed(events) if one.get("kind") == "assessment"), {})
    first = next(iter(last.get("ranked") or []), None)
    if not isinstance(first, list) or len(first) != 2 or first[0] == "healthy" or not number(first[1]) >= 0.5:
        return ""
    return str(last.get("sentence") or "")


def _are(titles: list[str]) -> str:
    return "is" if len(dict.fromkeys(titles)) == 1 else "are"


def _with_fault(fault: str, advice: str, bad: list[str], close: list[str], again: bool) -> Headline:
    name = fault_name(fault)
    if again and not bad:
        doubt = f" {_list(close)} {'is' if len(close) == 1 else 'are'} still too close to call." if close else ""
        return Headline(
            "doubt" if close else "good",
            f"{name[:1].upper()}{name[1:]} was found, and the checks made again afterwards are good.",
            f"What was found: {sentence_on(fault)}{doubt}",
        )
    then = advice
    if close:
        then = f"{then} Too close to call: {_list(close)}.".strip()
    return Headline("bad", sentence_on(fault), then)


def _list(titles: list[str], inside: bool = False) -> str:
    """Titles as part of a sentence: "Phasing and ground path"; inside: not at its beginning."""
    words = [one[:1].lower() + one[1:] for one in dict.fromkeys(titles)]
    if not inside:
        words[0] = words[0][:1].upper() + words[0][1:]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
