"""From answers across visits to pictures with their words: what the pages for faults, boards, drift and progress
draw."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from assistant.desk import charts
from assistant.records.faultnames import fault_name, probe_name
from assistant.report.numbers import FACTORS, unit_of
from flows.errors import FlowError
from flows.faults import catalog
from flows.judge.profiles import Equipment, equipment, names

PROBES = [name for name, one in catalog.probes().items() if one.quantity != "yes_no"] + [
    "known_live_before",
    "known_live_after",
]
KINDS = 6
"""Families that have a colour and pattern of their own; the rest share the last."""
LIMITS = {
    "flame_current": (("flame_minimum", "minimum"), ("flame_sound", "sound")),
    "ground_path": (("ground_path_look", "look"), ("ground_path_bad", "bad")),
    "rod_to_ground": (("rod_low", "low"), ("rod_high", "high")),
    "supply_hot_neutral": (("supply_low", "low"), ("supply_high", "high")),
    "supply_hot_ground": (("supply_low", "low"), ("supply_high", "high")),
    "supply_neutral_ground": (("neutral_to_ground", "limit"),),
    "leads_together": (("lead_zero_max", "limit"),),
}
"""Which of a family's limits are drawn with a probe's readings over time."""
YEAR_MS = 31_557_600_000.0


def family_name(family: str) -> str:
    """The family's name from its profile, or its id where no profile is here."""
    profile = _profile(family)
    return profile.name if profile else family


def faults(found: dict[str, Any]) -> dict[str, Any]:
    """Rows by fault, most frequent first: a bar with a part for each family, and a line by quarter."""
    families = sorted({family for counts in found["by_family"].values() for family in counts})
    kinds = {family: f"f{min(place, KINDS - 1)}" for place, family in enumerate(families)}
    named = {fault: counts for fault, counts in found["by_family"].items() if fault}
    most = max((sum(counts.values()) for counts in named.values()), default=1)
    rows = []
    for fault, counts in sorted(named.items(), key=lambda pair: (-sum(pair[1].values()), pair[0])):
        parts = [(family_name(family), counts[family], kinds[family]) for family in families if family in counts]
        words = f"{fault_name(fault)}: " + ", ".join(f"{name} {count}" for name, count, _ in parts)
        quarters = _quarters(found["by_month"].get(fault, {}))
        rows.append(
            {
                "fault": fault,
                "name": fault_name(fault),
                "count": sum(counts.values()),
                "parts": parts,
                "bar": charts.stacked(parts, most, words),
                "spark": charts.spark(quarters, f"by quarter, last {quarters[-1]}" if quarters else ""),
            }
        )
    sound = sum(found["by_family"].get("", {}).values())
    return {
        "rows": rows,
        "families": [(family, family_name(family), kinds[family]) for family in families],
        "sound": sound,
        "visits": found["visits"],
    }


def _quarters(months: dict[int, int]) -> list[int]:
    if not months:
        return []
    quarters = range(min(months) // 3, max(months) // 3 + 1)
    return [sum(months.get(quarter * 3 + place, 0) for place in range(3)) for quarter in quarters]


def boards(found: dict[str, Any]) -> dict[str, Any]:
    """The ribbons, the causes as bars, and people by how often."""
    outcome = found["outcome"]
    parts = [
        ("later found good", outcome["wrong"], "bad"),
        ("blamed again", outcome["again"], "doubt"),
        ("no fault at the next visit", outcome["quiet"], "good"),
        ("no visit since", outcome["no visit"], "quiet"),
    ]
    words = f"{found['condemned']} boards condemned: " + ", ".join(f"{count} {name}" for name, count, _ in parts)
    most = max(found["causes"].values(), default=1)
    causes = [
        {
            "fault": fault,
            "name": fault_name(fault),
            "count": count,
            "bar": charts.stacked([(fault_name(fault), count, "f0")], most, f"{fault_name(fault)}: {count}"),
        }
        for fault, count in sorted(found["causes"].items(), key=lambda pair: -pair[1])
    ]
    people = sorted(
        ({"technician": name, **counts} for name, counts in found["people"].items()),
        key=lambda one: (-one["wrong"], -one["condemned"], one["technician"]),
    )
    return {"ribbons": charts.ribbons(found["condemned"], parts, words), "causes": causes, "people": people}


def drift(found: dict[str, Any], readings: dict[str, list[tuple[int, float]]]) -> dict[str, Any]:
    """A panel for each family and a small picture for each furnace that moves most."""
    probe = found["probe"]
    quantity = catalog.probes()[probe].quantity if probe in catalog.probes() else "ac_volts"
    means = [point["mean"] for points in found["families"].values() for point in points]
    unit, _ = unit_of(quantity, max(means, key=abs, default=0.0))
    factor = FACTORS.get(unit, 1.0)
    panels = []
    for family, points in found["families"].items():
        limits = [(value / factor, name) for value, name in _limits(family, probe)]
        line = [(point["month"], point["mean"] / factor, point["spread"] / factor) for point in points]
        words = (
            f"{family_name(family)}, {probe_name(probe)}: from {line[0][1]:.3g} {unit} in"
            f" {charts.month_name(line[0][0])} to {line[-1][1]:.3g} {unit} in {charts.month_name(line[-1][0])}."
        )
        panels.append(
            {
                "name": family_name(family),
                "count": sum(point["n"] for point in points),
                "chart": charts.over_months(line, limits, unit, words),
                "words": words,
            }
        )
    return {
        "panels": panels,
        "unit": unit,
        "falling": [_furnace(one, readings, unit, factor) for one in found["falling"]],
        "rising": [_furnace(one, readings, unit, factor) for one in found["rising"]],
    }


def _furnace(
    one: dict[str, Any], readings: dict[str, list[tuple[int, float]]], unit: str, factor: float
) -> dict[str, Any]:
    points = [(at / YEAR_MS, value / factor) for at, value in readings.get(one["site"], [])]
    slope = one["slope"] / factor
    return {
        "site": one["site"],
        "slope": f"{slope:+.2g} {unit} a year",
        "n": one["n"],
        "chart": charts.scatter_line(points, None, f"{one['site']}: {one['n']} readings, {slope:+.2g} {unit} a year"),
    }


def progress(people: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A card for each technician: minutes a visit, and readings that were heard wrong or taken again, quarter by
    quarter."""
    cards = []
    for one in people:
        months = one["months"]
        minutes = _by_quarter([(month["month"], month["minutes"], month["visits"]) for month in months])
        slips = _by_quarter(
            [
                (month["month"], month["corrections"] + month["retaken"] + month["unclear"], month["visits"])
                for month in months
            ]
        )
        early, late = _mean(minutes[:2]), _mean(minutes[-2:])
        early_slips, late_slips = _mean(slips[:2]), _mean(slips[-2:])
        words = f"{one['technician']}: {early:.0f} minutes a visit at first, {late:.0f} lately"
        slip_words = (
            f"{one['technician']}: {early_slips:.0f} slips in a hundred readings at first, {late_slips:.0f} lately"
        )
        cards.append(
            {
                "technician": one["technician"],
                "first": one["first"],
                "visits": one["visits"],
                "early": early,
                "late": late,
                "early_slips": early_slips,
                "late_slips": late_slips,
                "minutes": charts.over_months(minutes, [], "min", words, floor=0.0) if len(minutes) > 1 else Markup(""),
                "slips": charts.over_months(slips, [], "%", slip_words, floor=0.0) if len(minutes) > 1 else Markup(""),
            }
        )
    return cards


def _by_quarter(months: list[tuple[int, float, int]]) -> list[tuple[int, float, float]]:
    """Means by quarter from (month, mean, number): (its middle month, mean, 0)."""
    sums: dict[int, list[float]] = {}
    for month, mean, number in months:
        one = sums.setdefault(month // 3, [0.0, 0.0])
        one[0] += mean * number
        one[1] += number
    return [(quarter * 3 + 1, total / number, 0.0) for quarter, (total, number) in sorted(sums.items())]


def _mean(points: list[tuple[int, float, float]]) -> float:
    return sum(value for _, value, _ in points) / max(1, len(points))


def _limits(family: str, probe: str) -> list[tuple[float, str]]:
    profile = _profile(family)
    return (
        [(profile.limits[key].value, name) for key, name in LIMITS.get(probe, ()) if key in profile.limits]
        if profile
        else []
    )


def _profile(family: str) -> Equipment | None:
    """A family that ships; a name from a journal is looked up in the list of names, never as a path."""
    try:
        return equipment(family) if family in names("equipment") else None
    except FlowError:
        return None
