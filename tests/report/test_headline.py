"""What a report says first, and what it says aloud."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import soundfile

from assistant.report.page import html, pdf
from assistant.report.spoken import LONGEST, spoken_seconds, spoken_summary
from assistant.report.story import tell
from assistant.visit.journal import read
from flows.faults import catalog
from tests.flows.technician import Furnace
from tests.report.pages import Events, Tags, outcome_of, pdf_text
from tests.visiting import visit_in


def first_heading(events: Events) -> str:
    """The first sentence of the page."""
    page = Tags(html(tell(events)))
    text = page.text.split("Report of a visit")[1].split("invented data, true of no real furnace")[1]
    found = re.search(r"\S.*\S", re.sub("[✓✕≈…]|^\\s*!", "", text, flags=re.M))
    assert found is not None
    return found.group()


FIRST = {
    "healthy": "Every check is good: no fault was found in the flame-sensing circuit.",
    "corroded": catalog.fault("burner_corroded").says,
    "swapped": catalog.fault("secondary_swapped").says,
    "ground mended": "An open ground wire was found and mended, and every check is good now.",
    "phase mended": "Swapped transformer wires on the low side was found and mended, and every check is good now.",
    "rod cleaned": "A coated rod was found, and the checks made again afterwards are good.",
    "supply skipped": "The visit was not finished, so there is no verdict on the whole circuit.",
    "never lit": "The burner does not light. This is no fault of the flame sensing.",
    "mended and stopped": "The visit was not finished, so there is no verdict on the whole circuit.",
}


def test_a_named_fault_is_the_first_sentence(real_visits: dict[str, Path]) -> None:
    for name, sentence in FIRST.items():
        assert first_heading(read(real_visits[name])[0]) == sentence, name


def test_a_danger_that_stands_comes_before_the_fault_and_nothing_is_called_good(
    real_visits: dict[str, Path], tmp_path: Path
) -> None:
    events, _ = read(real_visits["open ground"])
    danger = next(one["text"] for one in events if one["kind"] == "safety")
    assert danger.startswith("Danger. There is no ground") and "Turn off the breaker" in danger
    assert first_heading(events) == danger
    story = tell(events)
    assert story.headline.tone == "alarm"
    spoken = spoken_summary(story)
    assert spoken.startswith(danger)
    for text in (story.headline.then, spoken, events[-1]["summary"]):
        assert "good" not in text.replace("not good", "")
    printed = pdf_text(pdf(story), tmp_path)
    assert printed.index("Danger. There is no ground") < printed.index("Not done:") < printed.index("Readings")


def test_what_is_not_done_is_named(real_visits: dict[str, Path]) -> None:
    for name, titles in (("supply skipped", ("Supply voltage",)), ("never lit", ("Flame current", "Watch one cycle"))):
        story = tell(read(real_visits[name])[0])
        section = Tags(html(story)).text.split("What is not certain")[1].split("Readings")[0]
        assert set(titles) <= set(story.not_done)
        for title in titles:
            assert title in section and title in story.headline.then and title in spoken_summary(story)
        assert story.headline.tone == ("bad" if name == "never lit" else "open")


def test_a_gas_alarm_that_was_false_is_not_told_as_an_end(tmp_path: Path) -> None:
    story = tell(visit_in(tmp_path / "v", Furnace(says={"flame_current": "i smell gas"})))
    assert [one for one in story.warnings if "Gas" in one] == [
        "Gas was smelled at the step “flame current”. It was called a false alarm, and the air clear."
    ]


def test_too_close_to_call_is_said_and_never_called_good(find: Callable) -> None:
    sound = find(
        lambda one: (
            outcome_of(one, "ground_path") == "pass"
            and one[-1]["how"] == "finished"
            and not one[-1]["fault"]
            and all(event.get("outcome", "pass") == "pass" for event in one)
        )
    )
    # The same visit with one verdict too close to call; such visits are rare among good furnaces.
    close = {"outcome": "close", "finding": "", "text": "It is too close to call."}
    events = [
        {**one, **close} if one["kind"] == "verdict" and one.get("step") == "ground_path" else one for one in sound
    ]
    story = tell(events)
    assert story.headline.sentence == "No fault is proven, and ground path is too close to call."
    assert story.headline.tone == "doubt"
    page = html(story)
    assert "Ground path: too close to call." in page
    assert "too close to call" in spoken_summary(story)


def test_what_was_skipped_is_said(find: Callable) -> None:
    events = find(
        lambda one: (
            any(event["kind"] == "skipped" for event in one)
            and one[-1]["missing"] == ["ground_path"]
            and not one[-1]["safety"]
        )
    )
    page = html(tell(events))
    assert "Ground path: skipped" in page
    assert "Not done: Ground path.</b> Nothing is known about it." in page
    old = [
        *events[:-1],
        {key: value for key, value in events[-1].items() if not key.startswith("missing")}
        | {"how": "finished", "fault": None},
    ]
    assert tell(old).headline.tone != "good" and "Not done: Ground path" in html(tell(old))
    events = old
    made_up = [
        *events[:-1],
        *(
            one
            for one in find(lambda other: outcome_of(other, "ground_path") == "pass")
            if one.get("step") == "ground_path"
        ),
        events[-1],
    ]
    assert "skipped" not in html(tell(made_up)).split("Cautions")[0].split("</style>")[1]


def test_an_unfinished_visit_gives_no_verdict(find: Callable) -> None:
    events = find(lambda one: one[-1]["how"] == "stopped" and not one[-1]["safety"] and not one[-1]["fault"])
    assert tell(events).headline.sentence == "The visit was not finished, so there is no verdict on the whole circuit."
    assert tell(events[:-1]).headline.sentence == tell(events).headline.sentence
    assert tell(events[:1]).headline.then == "No reading was taken."


def test_gas_comes_before_everything(find: Callable) -> None:
    events = find(lambda one: one[-1]["fault"] == "rod_coated")
    alarm = {**events[-1], "kind": "alarm", "what": "gas", "step": "rod_voltage"}
    story = tell([*events[:-1], alarm, {**events[-1], "how": "gas", "fault": None}])
    assert story.headline.tone == "alarm"
    assert story.headline.sentence.startswith("Gas was smelled")


def test_spoken_summary_is_under_half_a_minute_for_every_visit(find: Callable, real_visits: dict[str, Path]) -> None:
    made: list[Events] = []
    find(lambda one: made.append(one) or len(made) >= 300)
    assert len(made) == 300
    for events in [*made, *(read(folder)[0] for folder in real_visits.values())]:
        story = tell(events)
        text = spoken_summary(story)
        assert text.startswith(story.headline.sentence)
        assert spoken_seconds(text) <= LONGEST < 30


def test_the_voice_needs_less_than_half_a_minute(find: Callable, tmp_path: Path) -> None:
    """The longest of 300 summaries, spoken by eSpeak NG at 150 words a minute."""
    made: list[Events] = []
    find(lambda one: made.append(one) or len(made) >= 300)
    assert len(made) == 300
    longest = max((spoken_summary(tell(events)) for events in made), key=spoken_seconds)
    subprocess.run(["espeak-ng", "-s", "150", "-w", str(tmp_path / "said.wav"), longest], check=True)
    sound, rate = soundfile.read(tmp_path / "said.wav")
    assert 5 < len(sound) / rate < 30
