"""What to do is said with a fault that is named: when it is first named, with the verdict at the end, and in the
record."""

from __future__ import annotations

from dataclasses import replace

import pytest

from assistant.knowledge_store import knowledge
from assistant.practice.guided import without_names
from flows.faults import catalog
from flows.faults.sayings import sayings
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from flows.procedure.session import Say
from flows.reason.assess import assess
from flows.reason.naming import repair
from tests.flows.hard_visits import VISITS
from tests.flows.talking import CLOSE_UP, DEAD, HEAT, LAST, LIVE, OFF, PATH, START, TIDY, UNHOOK, VOLTS, WARM, Talk
from tests.flows.technician import Furnace, visited


def reasoned(known, language: str = "") -> Plan:
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"), language)
    return replace(plan, typed=True, assess=lambda evidence: assess(evidence, known, language=plan.language))


def hard(plan: Plan, name: str) -> Talk:
    return Talk(plan).say(*next(one for one in VISITS if one.name == name).words)


SWAPPED = (*START, "118.4", "yes", "0.3", "yes", "118.1", "yes")


def test_the_advice_comes_once_with_the_naming_and_once_at_the_end(known):
    due = catalog.fault("polarity_reversed").next
    talk = Talk(reasoned(known)).say(*SWAPPED)
    assert talk.spoken.count(due) == 1
    named = next(place for place, text in enumerate(talk.spoken) if text.startswith("It is hot and neutral swapped."))
    assert talk.spoken.index(due) == named + 1
    assert talk.saved("assessment")[-1]["advice"] == due

    ended = hard(reasoned(known), "hot and neutral swapped")
    said = [one.line for one in ended.effects if isinstance(one, Say)]
    assert said.count("advice") == 1 and said.index("advice") == said.index("assessment") + 1
    assert ended.end["advice"] == due and due in ended.end["summary"]
    assert ended.all_spoken.count(due) == 2


def test_a_fault_that_is_named_again_on_the_way_is_not_advised_again():
    """Named by the flame current, then once more as the flame drops out: the advice comes with the first and at the
    end."""
    told = {
        "supply": "123.7",
        "polarity_hot": "123.9",
        "polarity_neutral": "0.3",
        "secondary": "24.9",
        "phasing": "98.6",
        "rod_voltage": "71.4",
        "lead_zero": "0.3",
        "ground_path": "247 kilohms",
        "flame_current": "0.5",
    }
    known = knowledge("foxglove", "dunlin")
    plan = replace(
        load_plan("flame_sensing", equipment("foxglove"), meter("dunlin")),
        assess=lambda evidence: assess(evidence, known),
    )
    talk, _ = visited(
        plan,
        Furnace(
            {step: [text] for step, text in told.items()}, answers={"board_proof": "drops", "watch_cycle": "failed"}
        ),
    )
    assert talk.end["fault"] == "burner_corroded"
    said = [(one.line, one.text) for one in talk.everything if isinstance(one, Say)]
    assert sum(line == "advice" for line, _ in said) == 2
    assert sum(line == "assessment" and text.startswith("It is a corroded burner ground.") for line, text in said) > 2


def test_a_fault_that_nobody_names_brings_no_advice(known):
    talk = hard(reasoned(known), "healthy")
    assert talk.end["advice"] == "" and talk.end["fault"] is None
    assert {one["advice"] for one in talk.all_saved("assessment")} == {""}


def test_what_was_mended_on_the_way_is_not_advised_again_at_the_end(known):
    talk = hard(reasoned(known), "coated rod, cleaned")
    assert talk.end["fault"] == "rod_coated" and talk.end["advice"] == ""
    assert not any(isinstance(one, Say) and one.line == "advice" for one in talk.effects)


def test_a_burner_that_was_seen_not_to_light_is_named_with_its_advice(known):
    talk = hard(reasoned(known), "burner never lit")
    assert talk.end["fault"] == "never_lit" and talk.end["advice"] == catalog.fault("never_lit").next in talk.spoken


def test_a_burner_that_does_not_light_behind_a_failed_check_is_not_the_fault(known):
    words = (*START, *LIVE[:6], "12.1", "yes", "next check please", "106.3", "yes", "89", "yes")
    talk = Talk(reasoned(known)).say(*words, *DEAD, *PATH, *HEAT, "no flame at all", "yes")
    assert dict(talk.session.evidence)["board_proves_flame"] == "never_lit"
    assert [name for name, verdict in talk.session.verdicts if verdict.outcome != "pass"] != []
    talk.say(*OFF, *UNHOOK, *VOLTS, *CLOSE_UP, *WARM)
    assert talk.end["fault"] != "never_lit"


def test_a_pair_is_advised_for_both_and_what_serves_both_once():
    english = sayings()
    both = english.advice("rod_coated+burner_corroded")
    assert catalog.fault("rod_coated").next in both and catalog.fault("burner_corroded").next in both
    assert english.advice("rod_open+rod_insulator_cracked") == catalog.fault("rod_open").next


def test_in_spanish_it_is_said_in_spanish(known):
    due = sayings("es").advice("polarity_reversed")
    talk, _ = visited(
        reasoned(known, "es"),
        Furnace({"polarity_hot": ["0.3"], "polarity_neutral": ["118.1"]}, offers=["quiero parar"]),
    )
    assert due in talk.all_spoken and due != catalog.fault("polarity_reversed").next
    assert talk.end["advice"] == due


def test_a_trainee_is_not_told_what_to_do_about_a_fault_still_to_be_found(known):
    talk = Talk(without_names(reasoned(known))).say(*SWAPPED)
    assert talk.all_saved("assessment")[-1]["named"] == "polarity_reversed"
    assert not any(isinstance(one, Say) and one.line == "advice" for one in talk.everything)


HANDS_IN = (
    "clean",
    "tighten",
    "fit a new board",
    "fit a new rod",
    "swap",
    "open the plug",
    "push the wire",
    "pull the wire",
    "run a new",
    "join",
    "take the load",
)
OFF_FIRST = ("prove the power off", "prove both wires dead")


@pytest.mark.parametrize("name", list(catalog.faults().faults))
def test_advice_that_puts_hands_in_asks_for_proven_dead_power_first(name):
    said = catalog.fault(name).next.lower()
    work = [said.index(one) for one in HANDS_IN if one in said]
    off = [said.index(one) for one in OFF_FIRST if one in said]
    assert not work or (off and min(off) < min(work))


def test_both_languages_send_to_the_same_work():
    """Faults that are mended in the same way in one language are so in the other; the reasoning leans on it."""
    spanish = sayings("es")
    names = list(catalog.faults().faults)
    for one in names:
        for other in names:
            assert (repair(one) == repair(other)) == (spanish.advice(one) == spanish.advice(other))


def test_the_whole_visit_still_ends_after_its_advice(known):
    plan = reasoned(known)
    talk = Talk(plan).say(
        *START, *LIVE, *DEAD, *PATH, *HEAT, "i see a flame", "2.6", "yes", "flame stays lit", "yes", *TIDY, *LAST
    )
    assert talk.end["how"] == "finished"
