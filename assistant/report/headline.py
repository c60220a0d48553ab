"""The verdict of a visit in one plain sentence, and what to do next. Says no more than the readings do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from assistant.journal import in_alarm
from assistant.records.faultnames import advice_on, fault_name, sentence_on

if TYPE_CHECKING:
    from assistant.report.story import Taken


@dataclass(frozen=True)
class Headline:
    """tone: "good", "bad", "doubt", "open" or "alarm". sentence: the verdict. then: what follows from it, or ""."""

    tone: str
    sentence: str
    then: str


def headline(events: list[dict[str, Any]], standing: tuple[Taken, ...], again: bool) -> Headline:
    """The verdict. standing: readings that count. again: checks that were bad were made again after a repair."""
    end = events[-1] if events[-1].get("kind") == "end" else {}
    how, fault = end.get("how"), end.get("fault")
    bad = [one.title for one in standing if one.outcome == "fail"]
    close = [one.title for one in standing if one.outcome == "close"]
    if how == "gas" or in_alarm(events):
        return Headline("alarm", "Gas was smelled and the visit was broken off: nobody may use this furnace until the leak is found and mended.", "No verdict on the flame-sensing circuit can be given.")
    if fault and fault != "healthy":
        found = _with_fault(str(fault), bad, close, again)
        return found if how == "finished" else Headline(found.tone, found.sentence, f"{found.then} The visit ended before all checks were made.".strip())
    if how != "finished":
        reached = f"The readings so far show this: {_list(bad, inside=True)} not good." if bad else "No reading so far is outside its limits." if standing else "No reading was taken."
        return Headline("open", "The visit was not finished, so there is no verdict on the whole circuit.", reached)
    if bad:
        return Headline("bad", f"{_list(bad)} {'is' if len(bad) == 1 else 'are'} not good, and the readings do not yet point at one fault.", "Further tests are needed before a part is replaced.")
    if close:
        return Headline("doubt", f"No fault is proven, and {_list(close, inside=True)} {'is' if len(close) == 1 else 'are'} too close to call.", "The meter's own error is larger than what separates the reading from its limit. Take it again, or use a better meter.")
    if any(one.get("kind") == "skipped" for one in events):
        return Headline("good", "Every check that was made is good, but some were skipped.", "What was skipped is not proven.")
    return Headline("good", "Every check is good: no fault was found in the flame-sensing circuit.", "")


def _with_fault(fault: str, bad: list[str], close: list[str], again: bool) -> Headline:
    name = fault_name(fault)
    if again and not bad:
        doubt = f" {_list(close)} {'is' if len(close) == 1 else 'are'} still too close to call." if close else ""
        return Headline("doubt" if close else "good", f"{name[:1].upper()}{name[1:]} was found, and the checks made again afterwards are good.", f"What was found: {sentence_on(fault)}{doubt}")
    then = advice_on(fault)
    if close:
        then = f"{then} Too close to call: {_list(close)}.".strip()
    return Headline("bad", sentence_on(fault), then)


def _list(titles: list[str], inside: bool = False) -> str:
    """Titles as part of a sentence: "Phasing and ground path"; inside: not at its beginning."""
    words = [one[:1].lower() + one[1:] for one in dict.fromkeys(titles)]
    if not inside:
        words[0] = words[0][:1].upper() + words[0][1:]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
