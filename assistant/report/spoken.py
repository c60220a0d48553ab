"""The report in under half a minute of speech."""

from __future__ import annotations

import re

from assistant.records.faultnames import advice_on, sentence_on
from assistant.records.findings import not_done_words
from assistant.report.story import Story

LONGEST = 28.0
"""Seconds; two below the half minute, for the breath between sentences."""
RATE = 150.0
"""Words a minute: at the slow end of ordinary English speech (common practice for read text is 150 to 160)."""
UNITS = {
    "V": "volts",
    "Ω": "ohms",
    "kΩ": "kilohms",
    "MΩ": "megohms",
    "µA": "microamps",
    "mA": "milliamps",
    "A": "amps",
    "Hz": "hertz",
}


def spoken_summary(story: Story) -> str:
    """What matters most first; sentences that would pass `LONGEST` are left out, the verdict never."""
    said: list[str] = []
    seconds = 0.0
    for sentence in _in_order(story):
        takes = spoken_seconds(sentence)
        if not said or seconds + takes <= LONGEST:
            said.append(sentence)
            seconds += takes
    return " ".join(said)


def spoken_seconds(text: str) -> float:
    """How long the text takes to say. A digit or a sign counts as a word: "7.413" is seven, point, four, one, three."""
    words = 0
    for word in text.split():
        digits = re.findall(r"[0-9.]", word.strip(".,;:!?"))
        words += len(digits) or 1
    return words * 60 / RATE


def _in_order(story: Story) -> list[str]:
    first, found = story.first, []
    found.append(story.headline.sentence)
    at_risk = any(one.stands for one in story.dangers)
    fault = str(story.ending.get("fault") or "healthy")
    if at_risk and fault != "healthy" and sentence_on(fault) not in story.headline.sentence:
        found.append(sentence_on(fault))
    found.append(not_done_words(story.not_done))
    found += [one for one in story.warnings if "Gas" not in one]
    standing = [one for one in story.readings if one.counts and not one.proves]
    for one in standing:
        if one.outcome == "fail":
            found.append(f"{one.title}: {_aloud(one.value)}, not good.")
    if story.headline.tone == "bad" and fault != "healthy":
        found.append(advice_on(fault))
    for one in story.doubtful:
        found.append(f"{one.title}: {_aloud(one.value)}, too close to call.")
    for pair in story.pairs:
        found.append(f"{pair.title}: {_aloud(pair.before.value)} before, {_aloud(pair.after.value)} after.")
    good = sum(one.outcome == "pass" for one in standing)
    if not at_risk:
        found.append("1 check was good." if good == 1 else f"{good} checks were good.")
    if first.get("equipment_name"):
        found.append(f"This was {first['equipment_name']}.")
    return [one for one in found if one.strip()]


def _aloud(value: str) -> str:
    """ "7.413 V" as it is said: "7.413 volts"."""
    size, _, unit = value.partition(" ")
    return f"{size} {UNITS.get(unit, unit)}".strip()
