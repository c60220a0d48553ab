"""The readings of a report: proofs, pairs before and after a mend, what was moved and ruled out."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path

import numpy as np

from assistant.report.page import clock, html, pdf
from assistant.report.story import tell
from assistant.visit.journal import read
from tests.flows.technician import Furnace
from tests.report.pages import Tags, outcome_of, pdf_text
from tests.visiting import visit_in


def test_a_mended_check_is_a_pair_and_its_first_reading_does_not_count_any_more(real_visits: dict[str, Path]) -> None:
    pairs = {
        "ground mended": [("Polarity", "71.0 V", "fail", "0.2 V", "pass")],
        "phase mended": [("Phasing", "142.6 V", "fail", "94.2 V", "pass")],
        "mended and stopped": [("Phasing", "142.6 V", "fail", "94.2 V", "pass")],
        "rod cleaned": [("Flame current", "0.60 µA", "fail", "2.70 µA", "pass")],
        "healthy": [],
    }
    for name, expected in pairs.items():
        story = tell(read(real_visits[name])[0])
        found = [
            (one.title, one.before.value, one.before.outcome, one.after.value, one.after.outcome) for one in story.pairs
        ]
        assert found == expected, name
        assert all(one.before.before and not one.before.counts and one.after.counts for one in story.pairs)
        page = Tags(html(story)).text
        assert ("before the fix" in page) == bool(expected)
        assert ("stopped to mend" in page) == bool(expected)


def test_the_dead_proof_is_printed_once(real_visits: dict[str, Path], tmp_path: Path) -> None:
    for name, times in (("healthy", 1), ("ground mended", 2)):
        events, _ = read(real_visits[name])
        story = tell(events)
        assert [one.held for one in story.proofs] == [True] * times
        assert all(
            [cell[0] for cell in one.cells] == ["118.4 V", "0.0 V", "0.0 V", "0.0 V", "118.3 V"] for one in story.proofs
        )
        text = Tags(html(story)).text
        assert text.count("Hot to neutral dead") == 1 and text.count("Proof that the power was off") == 1
        assert pdf_text(pdf(story), tmp_path).count("proven off") >= times


def test_a_proof_that_fails_is_printed_as_one_that_failed(tmp_path: Path) -> None:
    furnace = Furnace({"hot_neutral_dead": ["117.9", "0.00"]})
    story = tell(visit_in(tmp_path / "v", furnace))
    assert [one.held for one in story.proofs] == [False, True]
    assert story.proofs[0].cells == (("118.4 V", "pass"), ("117.9 V", "fail"), None, None, None)
    assert [one.finding for one in story.put_right] == ["high"]
    assert story.pairs == () and story.headline.tone == "good"
    assert "A danger was found at “Hot to neutral dead” and no longer stands." in Tags(html(story)).text


def test_what_was_moved_is_told_and_whether_it_was_put_back(real_visits: dict[str, Path]) -> None:
    events, _ = read(real_visits["healthy"])
    assert (
        tell(events).moved_words
        == "Moved: thermostat, red jack, covers, rod wire, door switch, leads, jumper. All was left as found."
    )
    cut = next(place for place, one in enumerate(events) if one["kind"] == "jumper") + 1
    story = tell(events[:cut])
    assert (
        "Out of place at the end: red jack: microamps; covers: removed; rod wire: pulled; door switch: held; leads:"
        " clipped; jumper: r to w." in story.moved_words
    )
    assert any("jumper: r to w. It must come off." in one for one in story.warnings)


def test_every_confirmed_reading_of_a_real_visit_stands_in_it(real_visits: dict[str, Path]) -> None:
    assert len(real_visits) >= 10
    for folder in real_visits.values():
        events, _ = read(folder)
        page = html(tell(events))
        taken = [one for one in events if one["kind"] == "reading"]
        proving = [one for one in taken if one["power"] == "said_off"]
        table = page.split('<table class="proof">')[1].split("</table>")[0] if proving else ""
        assert page.count('<div class="reading') == len(taken) - len(proving) > 1
        assert table.count(" V<span") == len(proving)
        assert all(clock(one["at"]) in table for one in proving)
        judged = [one for one in events if one["kind"] == "verdict" and one["power"] not in ("said_off", "dead")]
        assert page.count('class="bar"') >= len(judged)
        for one in taken:
            if one["quantity"] == "ac_volts":
                assert f"{one['value']:.1f} V" in page


def test_every_ruled_out_fault_stands_with_its_reading(real_visits: dict[str, Path]) -> None:
    events, _ = read(real_visits["corroded"])
    last = next(one for one in reversed(events) if one["kind"] == "assessment")
    found = {fault: one.probe for one in tell(events).ruled_out for fault in one.faults}
    assert found == {fault: probe for fault, probe in last["ruled_out"] if fault != "healthy"}
    assert len(found) > 10


def test_before_and_after_within_a_visit(find: Callable) -> None:
    events = find(
        lambda one: (
            outcome_of(one, "rod_voltage") == "fail"
            and any(event["kind"] == "fix" and event["step"] == "rod_voltage" for event in one)
            and not any(event["kind"] == "retaken" for event in one)
        )
    )
    story = tell(events)
    rod = [one for one in events if one["kind"] == "reading" and one["step"] == "rod_voltage"]
    pair = next(one for one in story.pairs if one.title == "Rod voltage")
    assert (pair.before.value, pair.after.value) == tuple(f"{one['value']:.1f} V" for one in rod)
    assert (pair.before.outcome, pair.after.outcome) == ("fail", "pass")
    assert f"Rod voltage: {pair.before.value} before, not good; {pair.after.value} after, good." in html(story)


def test_before_and_after_between_two_visits(real_visits: dict[str, Path]) -> None:
    bad, good = read(real_visits["corroded"])[0], read(real_visits["healthy"])[0]
    story = tell(good, earlier=bad)
    found = {
        one.before.probe: (one.before.value, one.before.outcome, one.after.value, one.after.outcome)
        for one in story.pairs
    }
    assert found["ground_path"] == ("5.80 Ω", "fail", "0.70 Ω", "pass")
    assert found.keys() == {one.probe for one in tell(bad).readings if one.counts and one.outcome in ("fail", "close")}
    assert tell(bad, earlier=good).pairs == ()


def test_a_misheard_reading_that_was_changed_is_not_a_repair(find: Callable) -> None:
    events = copy.deepcopy(
        find(
            lambda one: (
                one[-1]["fault"] is None
                and outcome_of(one, "supply") == "pass"
                and not any(event["kind"] == "retaken" for event in one)
            )
        )
    )
    place = next(at for at, one in enumerate(events) if one["kind"] == "verdict" and one["step"] == "supply")
    again = [copy.deepcopy(one) for one in events[place - 1 : place + 1]]
    withdrawn = {**events[place], "kind": "retaken", "step": "supply", "probe": "supply_hot_neutral"}
    story = tell([*events[: place + 1], withdrawn, *again, *events[place + 1 :]])
    assert story.pairs == ()
    assert [one.stands for one in story.readings if one.step == "supply"] == [False, True]


def test_phasing_picture_says_the_angle_of_the_three_voltages(real_visits: dict[str, Path]) -> None:
    """By the law of cosines on the readings themselves."""
    for name, words in (("healthy", "in phase"), ("swapped", "out of phase")):
        events, _ = read(real_visits[name])
        value = {one["probe"]: one["value"] for one in events if one["kind"] == "reading"}
        line, low, across = (value[probe] for probe in ("supply_hot_neutral", "secondary_r_c", "line_to_r"))
        angle = np.degrees(np.arccos(np.clip((line**2 + low**2 - across**2) / (2 * line * low), -1, 1)))
        assert f"is {angle:.0f} degrees, {words}." in html(tell(events))
