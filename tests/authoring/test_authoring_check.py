"""What `twohands procedure check` finds: every mistake put in is found, with its line and a remedy."""

from __future__ import annotations

import sys

import pytest

from assistant.authoring.length import by_letters
from assistant.authoring.lines import lines_of
from assistant.authoring.reading import measure
from assistant.authoring.report import check_all
from assistant.authoring.ways import called, endless, never_reached, on_the_way
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.voice import EspeakVoice
from flows.judge.profiles import equipment, meter, names
from flows.procedure.compile import load_plan
from flows.procedure.schema import load_procedure

COILS = "Put the leads on the two posts of the coil."
HARD = "Subsequently determine the electromagnetic characteristics of the transformer assembly."
STAND = "as_found:  {leads: in_hand, red_jack: [unset, volts], dial: any, covers: fitted, wire: %s, thermostat: found}"
OFF_COVERS = "    at: {leads: in_hand, red_jack: any, dial: any, covers: fitted%s, thermostat: any}"
TUG = (
    '        again: {say: "Give it a light tug. Say: it holds fast.", phrases: ["it holds fast", "yes it holds'
    ' fast"]}\n'
)
LONELY = '  lonely: {title: Lonely, power: "on", at: as_found, say: ["So long."], end: stopped}\n\n  # An end step'
MISTAKES = {
    "a step that is not there": (
        ["next: [{go: outlet}]", "next: [{go: outlett}]"],
        "there is no step 'outlett'. Use one of: welcome",
    ),
    "a key that is misspelt": (
        ['    why: "Gas can', '    wy: "Gas can'],
        "is not a key known here. Remove it or mend its spelling.",
    ),
    "a limit that is not there": (
        ["limits: {low: coil_low, high: coil_high}", "limits: {low: coil_lo, high: coil_high}"],
        "has a limit 'coil_lo'. Add it under 'limits' or mend its name.",
    ),
    "a finding without a line": (
        ['        edge: "The coil is good."\n', ""],
        "nothing is said for 'edge'. Add a line for 'edge' under 'say'.",
    ),
    "ohms on a live furnace": (
        ["title: Coil\n    check: 3\n    power: dead", "title: Coil\n    check: 3\n    power: any"],
        "a step that asks for ohms needs 'power: dead'",
    ),
    "ohms with the dial elsewhere": (
        [
            "ohms_test: {leads: in_hand, red_jack: volts, dial: ohms",
            "ohms_test: {leads: in_hand, red_jack: volts, dial: ac_volts",
        ],
        "'coil_ohms' reads ohms; that needs 'dial' at 'ohms'. Declare dial: ohms.",
    ),
    "volts with the red lead in any jack": (
        ["volts:     {leads: in_hand, red_jack: volts", "volts:     {leads: in_hand, red_jack: any"],
        "'outlet' reads ac_volts; that needs 'red_jack' at 'volts'. Declare red_jack: volts.",
    ),
    "a thing that a step leaves out": (
        [OFF_COVERS % ", wire: any", OFF_COVERS % ""],
        "'covers_off' does not say where these stand: wire. Name a position for each, or any.",
    ),
    "an end that leaves the wire off": (
        [STAND % "fitted", STAND % "any"],
        "the visit could end with 'wire' at pulled. Let the end need: wire: fitted.",
    ),
    "a need that nothing brings about": (
        [", sets: {things: {dial: ohms}}", ", sets: {things: {dial: dc_volts}}"],
        "'coil_ohms' needs 'dial' at ohms, but no step brings it there",
    ),
    "a move on power that may be live": (
        ['title: Covers off\n    check: 2\n    power: "off"', "title: Covers off\n    check: 2\n    power: any"],
        "'covers_off' moves 'covers', which is moved only with power off.",
    ),
    "a wire put back in one breath": (
        [TUG, ""],
        "'wire' at 'fitted' is only believed when it is said twice. Give the answer 'again'",
    ),
    "a hard sentence": (["The supply is good.", HARD], "has a Flesch-Kincaid grade of"),
    "a long sentence": (
        [COILS, "Put it on and " * 22 + "go."],
        "seconds to say; at most 15 can be kept in mind. Cut it in two, or say less.",
    ),
    "a long step": (
        [COILS, '", "'.join(["Put the leads on the coil. " * 6] * 3)],
        "seconds before it asks; at most 30",
    ),
    "answers that sound alike": (
        ['phrases: ["the air is clear", "air is clear"]', 'phrases: ["the air is clear", "say again now"]'],
        "sound alike: distance",
    ),
    "a word that nobody can pronounce": (
        ['air is clear"]', 'air is zzyklear"]'],
        "No pronunciation is known for 'zzyklear'.",
    ),
    "a step that nothing leads to": (
        ["  # An end step", LONELY],
        "nothing leads to 'lonely'. Name it in the 'next' of another step",
    ),
    "steps that turn in a circle": (
        ["next: [{go: finished}]", "next: [{go: coil_ohms}]"],
        "from 'coil_ohms' no end can be reached. Let its 'next' lead on",
    ),
    "a limit that is spoken but not given": (
        ['low: "That is too low for a live part. Find a live outlet."', 'low: "It should be {high}."'],
        "the line speaks {high}, but the step gives no limit 'high'.",
    ),
    "a key written twice": (
        ["version: 1\n", "version: 1\nversion: 2\n"],
        "the key 'version' stands twice (first in line ",
    ),
    "broken YAML": (["start: welcome", "start: [welcome"], "is not well-formed YAML"),
    "a name that YAML takes for a truth value": (["      pulled: {", "      off: {"], "Input should be a valid string"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_is_found_with_its_line_and_a_remedy(mistake, changed, problems):
    pairs, expected = MISTAKES[mistake]
    path = changed(*pairs)
    found = problems(path)
    hits = [one for one in found if expected in one]
    assert hits, found
    assert all(one.startswith("my_own.yaml, line ") for one in hits)


def test_the_line_named_is_the_line_of_the_mistake(changed, problems):
    path = changed("The coil is good.", HARD)
    lines = path.read_text(encoding="utf-8").splitlines()
    named = [int(one.split("line ")[1].split(":")[0]) for one in problems(path)]
    assert len(named) == 2
    assert all("Subsequently" in lines[number - 1] for number in named)


def test_all_mistakes_are_told_at_once(changed, problems):
    found = problems(
        changed(
            "next: [{go: outlet}]",
            "next: [{go: outlett}]",
            "limits: {low: coil_low, high: coil_high}",
            "limits: {low: coil_lo, high: coil_hi}",
        )
    )
    assert len(found) == 3


def test_the_template_is_proven_safe_and_the_walk_is_told(template):
    told: list[str] = []
    assert check_all(template, names("equipment"), "dunlin", False, False, told.append) == []
    states, answers = (int(word) for line in told if "Walked" in line for word in line.split() if word.isdigit())
    assert states > 1000 and answers > 20 * states
    assert told[-1] == "No problems found."


def test_the_quick_look_sees_what_is_gone_through_for_another_step(template):
    """Nothing names these in its `next`; they are there for what other steps need, or for a fix."""
    procedure = load_procedure(str(template))
    assert never_reached(procedure) == endless(procedure) == []
    on = {name: ahead for name, ahead in called(procedure).items() if ahead}
    assert {"wire_back", "covers_on", "restore"} <= on["finished"]
    assert {"wire_off", "dial_ohms", "meter_live", "meter_still_live", "mend"} <= on["coil_ohms"]
    way = on_the_way(procedure)
    assert {
        ("outlet", "power_off"),
        ("meter_still_live", "dial_ohms"),
        ("coil_ohms", "wire_back"),
        ("restore", "finished"),
    } <= way
    assert not any("mend" in pair for pair in way)


def test_the_walk_finds_a_step_behind_a_guard_that_never_holds(changed):
    """The quick look sees a way to it; only the walk sees that nobody ever goes it."""
    never = '  never: {title: Never, power: "off", at: as_found, say: ["So long."], end: stopped}\n\n  # An end step'
    guarded = "next: [{when: {power: [dead]}, go: never}, {go: coil_ohms}]"
    path = changed("next: [{go: coil_ohms}]", guarded, "  # An end step", never)
    assert check_all(path, ("larkspur",), "dunlin", True, False, lambda line: None) == []
    found = [one.text for one in check_all(path, ("larkspur",), "dunlin", False, False, lambda line: None)]
    assert (
        len(found) == 1
        and "'never' is never reached, whatever is answered." in found[0]
        and "my_own.yaml, line " in found[0]
    )


def test_a_quick_check_does_not_claim_safety(template):
    told: list[str] = []
    check_all(template, ("larkspur",), "dunlin", True, False, told.append)
    assert told[-1] == "No problems found. Safety is not proven: run it without --quick."


def test_a_missing_package_is_a_problem_in_plain_words(template, problems, monkeypatch):
    monkeypatch.setitem(sys.modules, "textstat.textstat", None)
    assert problems(template) == [
        "How easy the lines are cannot be measured: the package textstat is missing. Install it: pip install"
        " 'twohands[author]'"
    ]


def test_the_grade_is_flesch_and_kincaids():
    """0.39 words a sentence + 11.8 syllables a word - 15.59 (Kincaid and others 1975; from memory): 6 words of one
    syllable."""
    assert measure("en")("The cat sat on the mat.") == pytest.approx(0.39 * 6 + 11.8 - 15.59, abs=0.06)


def test_the_ease_is_fernandez_huertas():
    """206.84 - 60 syllables a word - 1.02 words a sentence (Fernández Huerta 1959; from memory): 4 words, 6
    syllables."""
    assert measure("es")("El perro come pan.") == pytest.approx(206.84 - 60 * 6 / 4 - 1.02 * 4, abs=0.06)


@pytest.mark.parametrize("language", ["en", "es"])
def test_seconds_by_letters_are_near_those_of_the_voice(language):
    """Within a fifth over a step's lines; the voice is the reference."""
    plan = load_plan("igniter_check", equipment("larkspur"), meter("dunlin"), language)
    lines = [line.text for line in lines_of(plan) if line.step == "welcome"]
    voice = EspeakVoice(language)
    try:
        real = sum(len(voice.render(text)) for text in lines) / SAMPLE_RATE
    finally:
        voice.close()
    assert sum(map(by_letters, lines)) == pytest.approx(real, rel=0.2)
