"""Visits typed through the command line, to their record, report and last words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import flows
from assistant.cli import cli
from assistant.records.derive import derive
from assistant.report.spoken import spoken_summary
from assistant.report.story import tell
from assistant.visit.journal import read
from assistant.visit.plans import reasoned_plan
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.session import Session
from tests.flows.hard_visits import VISITS
from tests.flows.technician import visited
from tests.visiting import CORRODED, SKIPPED, typed_plan

OPEN_GROUND = next(one for one in VISITS if one.name == "open ground")


def typed(visits: Path, words: tuple[str, ...], *more: str) -> tuple[str, list[dict]]:
    """What was printed, and the lines of the record."""
    text = "".join(f"{one}\n" for one in words)
    done = CliRunner().invoke(cli, ["run", "--typed", "--visits", str(visits), *more], input=text)
    assert done.exit_code == 0, done.output
    return done.output, read(next(visits.iterdir()))[0]


def test_an_open_ground_is_named_first_in_print_record_and_report(tmp_path: Path) -> None:
    printed, events = typed(tmp_path, OPEN_GROUND.words)
    danger = "Danger. There is no ground"
    assert events[-1]["summary"].startswith(danger) and events[-1]["safety"] == [["polarity_neutral", "ground_open"]]
    closing = [one["text"] for one in events if one["kind"] == "said"][-4:]
    ends = printed[printed.rindex(danger) :]
    assert ends.index(danger) < ends.index("Not all is proven.") and closing[-1].startswith("Not all is proven.")
    story, row = tell(events), derive(events).visit
    assert story.headline.sentence.startswith(danger) and spoken_summary(story).startswith(danger)
    assert (row["outcome"], row["danger"]) == ("fail", "an open ground wire")
    for text in (ends, events[-1]["summary"], story.headline.sentence, story.headline.then, spoken_summary(story)):
        assert "good" not in text.replace("not good", "")


def test_a_skipped_check_is_the_last_word_and_the_visit_is_not_called_good(tmp_path: Path) -> None:
    _, words = visited(typed_plan(), SKIPPED)
    # The words were made for the order of the file.
    printed, events = typed(tmp_path, words, "--in-order")
    # What is held against the supply cannot be judged without it.
    left = ["Supply voltage", "Polarity", "Transformer secondary", "Phasing"]
    assert printed.strip().endswith(f"Not all is proven. These checks are not done: {', '.join(left)}.")
    assert (events[-1]["how"], events[-1]["missing_titles"]) == ("stopped", left)
    assert (derive(events).visit["outcome"], derive(events).visit["not_done"]) == ("open", ", ".join(left))
    assert "Not done: Supply voltage, Polarity" in tell(events).headline.then


def test_nobody_at_a_keyboard_is_sent_away_from_a_fan_also_after_a_break(tmp_path: Path) -> None:
    said = "bananas\nwhat a lovely day\nblue\ngreen\nred\n"
    first = (
        CliRunner().invoke(cli, ["run", "--typed", "--visits", str(tmp_path)], input=f"the air is clear\n{said}").output
    )
    again = CliRunner().invoke(cli, ["run", "--typed", "--visits", str(tmp_path), "--resume"], input=said).output
    for printed in (first, again):
        assert "does not fit" in printed and "fan" not in printed


@pytest.fixture(scope="module")
def offered() -> Session:
    """Where the reasoning names a test that the procedure has."""
    talk, _ = visited(typed_plan(), CORRODED)
    assert talk.end["fault"] == "burner_corroded"
    return talk.session


def test_the_next_best_test_is_one_that_the_procedure_has(offered: Session) -> None:
    plan = typed_plan()
    extra = {step.ask.probe for step in plan.procedure.steps.values() if step.extra and step.ask}
    taken = [one.probe for one in offered.taken]
    assert plan.next_test is not None and "burner_to_chassis" in taken and "burner_to_chassis" in extra
    found = {plan.next_test(Session("supply", taken=offered.taken[:many])) for many in range(len(taken) + 1)}
    assert "burner_to_chassis" in found and found <= extra | {None}
    assert plan.next_test(Session("supply")) is None


def test_a_procedure_without_reasoning_offers_no_test() -> None:
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    silent = replace(plan, procedure=plan.procedure.model_copy(update={"reason": False}))
    assert reasoned_plan(silent).next_test is None and reasoned_plan(plan).next_test is not None
    assert not plan.typed and typed_plan().typed


def test_a_family_of_ones_own_is_taken_from_its_file(tmp_path: Path) -> None:
    shipped = (Path(flows.__file__).parent / "equipment" / "foxglove.yaml").read_text(encoding="utf-8")
    mine = tmp_path / "mine.yaml"
    mine.write_text(shipped.replace("id: foxglove", "id: mine"), encoding="utf-8")
    words = ("the air is clear", "i am ready", "stop")
    _, events = typed(tmp_path / "visits", words, "--equipment", str(mine))
    assert events[0]["equipment"] == "mine"
    done = CliRunner().invoke(cli, ["run", "--typed", "--equipment", str(tmp_path / "none.yaml")])
    assert done.exit_code == 2 and "nor a YAML file that is there" in done.output
    assert "[dunlin|pocket|FILE]" in CliRunner().invoke(cli, ["run", "--help"]).output
