"""What became of simulated visits, as a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audio_fixtures.rooms import NoiseKind, Split
from tests.lab.measure.hearing_report import rate
from tests.lab.measure.hearing_stats import percentile

QUIET = 30
"""dB from which on a room is called quiet."""


@dataclass(frozen=True)
class Setting:
    """One visit. reply: seconds of room before an answer begins."""

    number: int
    split: Split
    voice: str
    noise: NoiseKind
    snr: int
    furnace: int
    pace: float
    reply: float


@dataclass(frozen=True)
class Ended:
    """What became of it. least: turns of the same visit understood at once. minutes: of the technician's own sound.
    wrong: readings kept that were not said."""

    setting: Setting
    how: str
    rightly: bool
    turns: int
    least: int
    minutes: float
    wrong: int
    readings: int
    alarms: int
    stuck: str


def page(found: Sequence[Ended], levels: Sequence[int], split: Split, model: str = "") -> str:
    """The whole page: a row a level, then voices and noises, then where visits broke off."""
    about = (
        f"{len(found)} whole visits, healthy furnace, by simulated technicians with natural voices of the {split} part,"
        f" through detector, endpointer, {model or 'the two models that ship'}, weighing and dialogue; now and then a"
        ' cough, an "uh", talk to a customer, a first sound cut off. A technician gives up where one question was'
        " answered six times. Intervals of 95 %. Made by `python -m tests.lab visits --write`."
    )
    broken = [
        f"- {one.setting.voice}, {one.setting.noise}, {one.setting.snr} dB: "
        + (f"{one.how} at {one.stuck}" if one.stuck else f"{one.how}, {one.wrong} readings wrong")
        for one in found
        if not one.rightly
    ]
    parts = ["# Whole visits by voice", about, table(found, levels), by(found, "voice", levels)]
    parts += [by(found, "noise", levels), f"Not ended rightly: {len(broken)}."]
    return "\n\n".join(parts) + ("\n\n" + "\n".join(broken) if broken else "") + "\n"


def table(found: Sequence[Ended], levels: Sequence[int]) -> str:
    """One row a level."""
    lines = [
        (
            "| noise | visits | end rightly | turns over the least possible, median / p90 | readings kept wrong"
            " | visits with a false gas alarm | minutes of answers, median |"
        ),
        "|---|---|---|---|---|---|---|",
    ]
    for snr in levels:
        some = [one for one in found if one.setting.snr == snr]
        if not some:
            continue
        over = [one.turns / one.least for one in some if one.rightly]
        readings = sum(one.readings for one in some)
        minutes = [one.minutes for one in some if one.rightly]
        turns = f"{percentile(over, 0.5):.2f} / {percentile(over, 0.9):.2f}" if over else "–"
        wrong, alarms = sum(one.wrong for one in some), sum(one.alarms > 0 for one in some)
        lines.append(
            f"| {'quiet' if snr >= QUIET else f'{snr} dB'} | {len(some)} "
            f"| {rate(sum(one.rightly for one in some), len(some))} | {turns} "
            f"| {wrong} of {readings}: {rate(wrong, readings)} | {alarms}: {rate(alarms, len(some))} "
            f"| {f'{percentile(minutes, 0.5):.1f}' if minutes else '–'} |"
        )
    return "\n".join(lines)


def by(found: Sequence[Ended], field: str, levels: Sequence[int]) -> str:
    """Visits that end rightly by "voice" or "noise" and level."""
    levels = [snr for snr in levels if any(one.setting.snr == snr for one in found)]
    lines = [f"| {field} | " + " | ".join(f"{snr} dB" for snr in levels) + " |", "|---" * (len(levels) + 1) + "|"]
    for value in sorted({getattr(one.setting, field) for one in found}):
        cells = []
        for snr in levels:
            some = [one for one in found if getattr(one.setting, field) == value and one.setting.snr == snr]
            cells.append(f"{sum(one.rightly for one in some)} of {len(some)}")
        lines.append(f"| {value} | " + " | ".join(cells) + " |")
    return "\n".join(lines)
