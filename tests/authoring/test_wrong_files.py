"""What `twohands procedure check` says of wrong files: each named by its line, with the problem and its remedy.

Every case is a small edit of a file that has no problem: the trainers' template, the flame-sensing procedure, or the
small procedure of the tests with its Spanish texts. No case needs the walk.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from assistant.authoring.report import check_all
from assistant.authoring.starting import start
from flows.schema import PROCEDURES

SMALL = Path(__file__).parents[1] / "flows" / "small_procedure.yaml"
PROOF = "dead_proof: [meter_live, hot_neutral_dead, hot_ground_dead, neutral_ground_dead, meter_still_live]"
COIL_LIMITS = "  coil_low:  {value: 5,"
OUTLET = "Put one lead in each slot of the outlet at the furnace. Tell me the volts."


@dataclass(frozen=True)
class Wrong:
    """file: template, flame, small or spanish. old is replaced by new, once; more edits follow in pairs.

    line: a piece of the text that stands in the line that is named. problem, remedy: pieces of what is told.
    """

    file: str
    old: str
    new: str
    line: str
    problem: str
    remedy: str
    more: tuple[str, ...] = ()


T, F, S = "template", "flame", "spanish"
CASES = {
    # the shape of the file
    "a step that is not there": Wrong(T, "next: [{go: outlet}]", "next: [{go: outlett}]", "outlett", "there is no step 'outlett'", "Use one of: welcome"),
    "a key that is misspelt": Wrong(T, '    why: "Gas can', '    wy: "Gas can', "wy:", "'steps.welcome.wy' is not a key known here", "Remove it or mend its spelling"),
    "a key written twice": Wrong(T, "version: 1\n", "version: 1\nversion: 2\n", "version: 2", "the key 'version' stands twice", "Mend that line"),
    "broken YAML": Wrong(T, "start: welcome", "start: [welcome", "", "is not well-formed YAML", "look at its indent, colons and quotes"),
    "an old format": Wrong(T, "format: 2", "format: 1", "format: 1", "Input should be 2", "Put a value of the right kind there"),
    "a calculation that is not there": Wrong(T, "check: band\n      limits: {low: coil_low", "check: bend\n      limits: {low: coil_low", "bend", "there is no calculation 'bend'", "Use one of: band"),
    "a limit that is not there": Wrong(T, "{low: coil_low, high: coil_high}", "{low: coil_lo, high: coil_high}", "coil_lo,", "has a limit 'coil_lo'", "Add it under 'limits' or mend its name"),
    "a finding without a line": Wrong(T, '        edge: "The coil is good."\n', "", "say:", "nothing is said for 'edge'", "Add a line for 'edge' under 'say'"),
    "an answer more than is told": Wrong(T, "      made: {", "      no_use: {phrases: [\"not this\"]}\n      made: {", "no_use", "no sentence of 'mend' tells how to answer 'no_use'", "Let a line of 'say' hold: say: not this"),
    "steps that turn in a circle": Wrong(T, "next: [{go: finished}]", "next: [{go: outlet}]", "coil_ohms:", "from 'coil_ohms' no end can be reached", "Let its 'next' lead on"),
    "a step that nothing leads to": Wrong(T, "  # An end step", '  lonely: {title: Lonely, power: any, at: as_found, say: ["So long."], end: stopped}\n\n  # An end step', "lonely", "nothing leads to 'lonely'", "Name it in the 'next' of another step"),
    # where things stand
    "a thing that is not there": Wrong(T, "wire: any}\n  as_found", "wire: any, ladder: any}\n  as_found", "ladder", "there is no thing 'ladder'", "Use one of: leads"),
    "a position that is not there": Wrong(T, "dial: ac_volts, covers: any", "dial: ac_volt, covers: any", "ac_volt,", "'dial' has no position 'ac_volt'", "Use one of: unset, ac_volts"),
    "a thing left out": Wrong(T, "dial: ohms, covers: removed, wire: pulled}", "dial: ohms, covers: removed}", "at: ohms_test", "'coil_ohms' does not say where these stand: wire", "Name a position for each, or any"),
    "a beginning that is no position": Wrong(T, "covers: {begin: fitted}", "covers: {begin: ajar}", "things:", "'covers' cannot begin at 'ajar'", "Put a value of the right kind there"),
    "an end not as found": Wrong(T, "covers: fitted, wire: fitted}\n  volts", "covers: fitted, wire: any}\n  volts", "at: as_found", "the visit could end with 'wire' at pulled", "Let the end need: wire: fitted"),
    "a stand that is not there": Wrong(T, "at: ohms_test", "at: ohms_tets", "ohms_tets", "there is no stand 'ohms_tets'", "Use one of: anywhere"),
    "nothing that brings it about": Wrong(T, "sets: {things: {dial: ohms}}", "sets: {things: {dial: dc_volts}}", "at: ohms_test", "'coil_ohms' needs 'dial' at ohms, but no step brings it there", "Add a step whose answer sets it"),
    "a thing of one's own that nobody can tell": Wrong(T, ',\n    told: {pulled: "the wire is off the coil"}}', "}", "wire: {begin", "nothing tells that 'wire' stands at 'pulled'", "Add told: {pulled:"),
    # what could hurt
    "volts with the lead in the microamp jack": Wrong(T, "volts:     {leads: in_hand, red_jack: volts", "volts:     {leads: in_hand, red_jack: microamps", "at: volts", "'outlet' reads ac_volts; that needs 'red_jack' at 'volts'", "Declare red_jack: volts"),
    "volts with the dial on ohms": Wrong(T, "red_jack: volts, dial: ac_volts, covers: any", "red_jack: volts, dial: ohms, covers: any", "at: volts", "'outlet' reads ac_volts; that needs 'dial' at 'ac_volts'", "Declare dial: ac_volts"),
    "volts with the clips on": Wrong(F, "live_test:  {burner: out, jumper: none, leads: in_hand", "live_test:  {burner: out, jumper: none, leads: clipped", "at: live_test", "'supply' reads ac_volts; that needs 'leads' at 'in_hand'", "Declare leads: in_hand"),
    "ohms on a live furnace": Wrong(T, "title: Coil\n    check: 3\n    power: dead", "title: Coil\n    check: 3\n    power: any", "coil_ohms", "a step that asks for ohms needs 'power: dead'", "Put a value of the right kind there"),
    "power changed in one breath": Wrong(T, '        again: {say: "Do the lights or the fan show it? Say: it has woken up.", phrases: ["it has woken up", "yes it has woken up"]}\n', "", "running", "an answer that changes the power needs 'again'", "Put a value of the right kind there"),
    "a clip let go in one breath": Wrong(F, '        again:\n          say: "Look at the rod once more. Say: the rod is bare."\n          phrases: ["the rod is bare", "yes the rod is bare"]\n', "", "sets", "'leads' at 'in_hand' is only believed when it is said twice", "Give the answer 'again'"),
    "hands in on live power": Wrong(T, 'title: Covers off\n    check: 2\n    power: "off"', "title: Covers off\n    check: 2\n    power: any", "power: any", "'covers_off' moves 'covers', which is moved only with power off", "Write power: 'off'"),
    "a dead part at 200 volts": Wrong(T, COIL_LIMITS, '  dead_volts: {value: 200, origin: invented, source: "invented"}\n' + COIL_LIMITS, "dead_volts: {value: 200", "200", "3"),
    "a live part at 5 volts": Wrong(T, COIL_LIMITS, '  live_volts: {value: 5, origin: invented, source: "invented"}\n' + COIL_LIMITS, "live_volts: {value: 5", "5 V", "72"),
    "a proof without its bound": Wrong(T, "limits: {high: dead_volts}", "limits: {low: dead_volts}", "limits: {low: dead_volts}", "a proof by 'dead_volts' that a part is dead must be AC volts, judged by 'band' with the limit 'high' alone", "Write check: band"),
    "a proof of two readings": Wrong(T, PROOF, "dead_proof: [meter_live, meter_still_live]", "dead_proof", "a proof of dead power shows the meter live, the parts dead, and the meter live again", "Name at least three proofs"),
    "a proof that nobody makes": Wrong(T, "    proves: hot_ground_dead\n", "", "", "no step proves 'hot_ground_dead'", "Add 'proves' to the step", more=("    why: \"If neutral is open, hot to neutral can read zero and still be live.\"\n", "    why: \"If neutral is open, hot to neutral can read zero and still be live.\"\n    next: [{go: finished}]\n")),
    # figures
    "a limit without end": Wrong(T, COIL_LIMITS, "  coil_low:  {value: .inf,", ".inf", "inf", ""),
    "a limit that is no number": Wrong(T, COIL_LIMITS, "  coil_low:  {value: .nan,", ".nan", "nan", ""),
    "a limit below zero": Wrong(T, COIL_LIMITS, "  coil_low:  {value: -5,", "value: -5", "'coil_low' is -5, which is below 0", "A limit is 0 or more"),
    "a limit that no meter shows": Wrong(T, "coil_high: {value: 50,", "coil_high: {value: 1.0e+308,", "1.0e+308", "which no meter shows", "Give it in volts, ohms or amperes"),
    "low above high": Wrong(T, COIL_LIMITS, "  coil_low:  {value: 500,", "coil_", "coil_low", "coil_high"),
    # the words of a reading
    "ohms in a live step": Wrong(T, "Check one. The dial stays on A C volts.", "Check one. Set the dial to ohms.", "Set the dial to ohms", "it says to bring 'dial' to 'ohms', but no answer of 'outlet' sets it", "Give it a step of its own", more=("at the furnace. Tell me the volts.", "at the furnace. Tell me the ohms.")),
    "ohms named on the volts dial": Wrong(T, "at the furnace. Tell me the volts.", "at the furnace. Tell me the ohms.", "Tell me the ohms", "it names ohms, but the dial is declared at: ac_volts", "Name it: a c volts"),
    "the unit left unsaid": Wrong(T, "at the furnace. Tell me the volts.", "at the furnace. Tell me what it shows.", "say:", "'outlet' asks for ac_volts in the unit 'volt', and no sentence names it", "Ask for it: volts"),
    "volts asked for in ohms": Wrong(T, '"Tell me the ohms."', '"Tell me the volts, then the ohms."', "volts, then", "it names volts, but 'coil_ohms' asks for ohms", "Ask for: ohms"),
    "the dial left unsaid": Wrong(T, "Check three. The dial is on ohms. Put", "Check three. Put", "say:", "no sentence says where the dial is", "Say in one sentence: dial, ohms"),
    "the wrong jack": Wrong(T, "Check two. The red lead stays in the volts jack,", "Check two. The red lead stays in the microamp jack,", "microamp jack", "it names the microamp jack, but the red lead is declared at: volts", "Name the declared jack"),
    "the wrong jack in the line on the leads": Wrong(F, "Red lead in the volts jack, black lead in common.", "Red lead in the microamp jack, black lead in common.", "microamp jack", "it names the microamp jack, but the red lead is declared at: volts", "Name the declared jack"),
    "a place that the reading is not taken at": Wrong(F, "Put the red lead on R and the black lead on C.", "Put the red lead on R and the black lead on W.", "say:", "'secondary_r_c' is read at 'common', and no sentence names that", "Name one of: c", more=("Find the posts R and C on the board.", "Find the posts on the board.")),
    "leads that two lines send elsewhere": Wrong(F, "Red lead on R. Black lead on C.", "Red lead on R. Black lead on neutral.", "Black lead on neutral", "it puts the black lead on neutral, but the step puts it on common", "Let both name the same place"),
    # the words of a move
    "a move that nobody declares": Wrong(T, OUTLET, "Take the covers off. " + OUTLET, "Take the covers off. Put", "it says to bring 'covers' to 'removed', but no answer of 'outlet' sets it", "Give it a step of its own"),
    "a jumper that nobody declares": Wrong(F, "Check three. The dial stays on A C volts. Find", "Check three. Put the jumper on R and W. The dial stays on A C volts. Find", "Put the jumper on", "it says to bring 'jumper' to 'r_to_w', but no answer of 'secondary' sets it", "sets things: {jumper: r_to_w}"),
    "a move in a caution": Wrong(F, "The board is live next to these posts.", "Put the covers on first. The board is live next to these posts.", "Put the covers on first", "it says to bring 'covers' to 'fitted'", "or leave it out"),
    "power turned on by the way": Wrong(T, "Push the wire back on the coil.", "Push the wire back on the coil. Turn the furnace switch to on.", "Turn the furnace switch to on.", "it says to bring 'power' to 'on'", "sets power: on"),
    "a move left unsaid": Wrong(T, "Take the covers off and stand them out of the way.", "Make room for your hands.", "say:", "'removed' brings 'covers' to 'removed', and no sentence says so", "Name it in one sentence: covers"),
    "one's own thing left unsaid": Wrong(T, "Pull one wire off the coil.", "Pull one end off the coil.", "say:", "'pulled' brings 'wire' to 'pulled', and no sentence says so", "Let a sentence hold one of: wire"),
    "the dial sent elsewhere than declared": Wrong(T, '"Set the dial to ohms. The red', '"Set the dial to D C volts. The red', "D C volts. The red", "it says to bring 'dial' to 'dc_volts'", "Give it a step of its own"),
    # what is to be said
    "a phrase that is told and not taken": Wrong(T, "Then say: covers are off.", "Then say: covers are gone.", "covers are gone", "it tells to say 'covers are gone', and nothing here takes that", "Write one of: covers are off"),
    "an answer that nobody tells": Wrong(T, '", "Then say: covers are off."]', '"]', "phrases", "no sentence of 'covers_off' tells how to answer 'removed'", "Let a line of 'say' hold: say: covers are off"),
    "a second asking that does not tell": Wrong(T, 'say: "Give it a light tug. Say: it holds fast."', 'say: "Does it hold fast when you tug?"', "Does it hold fast", "it does not tell how to answer 'restored' again", "Let it hold: say: it holds fast"),
    "a reading shown as it is not taken": Wrong(T, '"Tell me the ohms."', '"Tell me the ohms, like this: twelve volts."', "twelve volts", "it tells to say 'twelve volts', and nothing here takes that", ""),
    "a curly apostrophe": Wrong(T, '["wire is pulled", "the wire is pulled"]', '["wire is pulled", "it’s pulled"]', "it’s pulled", "has characters that nobody speaks", 'Write: "it is pulled"'),
    "a dash": Wrong(T, '["wire is pulled", "the wire is pulled"]', '["wire is pulled", "wire – pulled"]', "wire – pulled", "has characters that nobody speaks", 'Write: "wire pulled"'),
    "a capital letter": Wrong(T, '["wire is pulled", "the wire is pulled"]', '["wire is pulled", "The wire is pulled"]', "The wire is pulled", "has characters that nobody speaks", 'Write: "the wire is pulled"'),
    "a word that nobody can pronounce": Wrong(T, '"air is clear"]', '"air is zzyklear"]', "zzyklear", "the dictionary of pronunciations does not know the word 'zzyklear'", "Say it with other words"),
    "a word that the model lacks": Wrong(T, '["wire is pulled", "the wire is pulled"]', '["wire is pulled", "wire hangs loose"]', "wire hangs loose", "the recogniser's model that ships does not know the word 'hangs'", "Say it with other words"),
    "answers that sound alike": Wrong(T, '["the air is clear", "air is clear"]', '["the air is clear", "say again now"]', "clear: {", "sound alike: distance", "Choose another phrase"),
    # how it is said
    "a word of another trade": Wrong(T, "Check one. The dial stays", "Check one. The knob stays", "The knob stays", "'knob' must not be spoken", "Say: dial"),
    "a valve of what": Wrong(T, "hang a tag on it. Treat all parts", "shut the valve. Treat all parts", "shut the valve", "'valve' stands alone", "Say which: valve, with gas"),
    "a hard sentence": Wrong(T, "The coil is broken, or a tip does not touch.", "Subsequently determine the electromagnetic characteristics of the transformer assembly.", "Subsequently", "has a Flesch-Kincaid grade of", "Use shorter words and shorter sentences"),
    "a sentence that nobody keeps in mind": Wrong(T, "A broken coil reads over limit.", "Put it on and " * 22 + "go.", "Put it on and Put it on", "seconds to say; at most 15", "Cut it in two, or say less"),
    "a number that the step does not give": Wrong(T, 'low: "That is too low for a live part. Find a live outlet."', 'low: "It should be {high}."', "{high}", "the line speaks {high}, but the step gives no limit 'high'", "Add 'high' under 'limits'"),
    # another language
    "llave, which is the gas valve": Wrong(S, "Apaga el interruptor del horno", "Apaga la llave del horno", "la llave", "'llave' must not be spoken", "Say: interruptor"),
    "luz, which is no power": Wrong(S, "Peligro. Para y corta la corriente.", "Peligro. Para y corta la luz.", "la luz", "'luz' must not be spoken", "Say: corriente"),
    "vivo, which is no voltage": Wrong(S, "Pon las puntas en una parte con tensión.", "Pon las puntas en una parte viva.", "parte viva", "'viva' must not be spoken", "Say: con tensión"),
    "ohms in a live step, in Spanish": Wrong(S, "El dial sigue en voltios de alterna. Pon", "Pon el dial en ohmios. Pon", "Pon el dial en ohmios. Pon", "it says to bring 'dial' to 'ohms', but no answer of 'live' sets it", "Give it a step of its own"),
    "the unit of another quantity, in Spanish": Wrong(S, '"Dime los ohmios."', '"Dime los hercios y los ohmios."', "hercios", "it names hercios, but 'path' asks for ohms", "Ask for: ohmios"),
    "the wrong jack, in Spanish": Wrong(S, "Pon la punta roja en el terminal de voltios.", "Pon la punta roja en el terminal de microamperios.", "terminal de microamperios. Pon el dial en voltios", "it names the terminal de microamperios, but the red lead is declared at: volts", "Name the declared jack"),
    "a phrase that is told and not taken, in Spanish": Wrong(S, "Luego di: pinzas puestas.", "Luego di: ya están puestas.", "ya están puestas", "it tells to say 'ya están puestas', and nothing here takes that", "Write one of: pinzas puestas"),
    "a move left unsaid, in Spanish": Wrong(S, "Quita las dos pinzas del cable de la varilla.", "Deja libre la varilla.", "say:", "'unhooked' brings 'leads' to 'in_hand', and no sentence says so", "Name it in one sentence: punta roja"),
    "a letter that nobody speaks, in Spanish": Wrong(S, 'phrases: ["pinzas puestas"]', 'phrases: ["pinzas puestas", "¡listas!"]', "¡listas!", "has characters that nobody speaks", 'Write: "listas"'),
}  # fmt: skip


def written(case: Wrong, folder: Path) -> Path:
    """The wrong file, with what must stand beside it. Returns the procedure's own file."""
    if case.file == T:
        procedure = start("wrong_file", folder)
    else:
        shipped = PROCEDURES / "flame_sensing.yaml" if case.file == F else SMALL
        procedure = folder / shipped.name
        shutil.copy(shipped, procedure)
    wrong = procedure
    if case.file == S:
        wrong = procedure.with_suffix(".es.yaml")
        shutil.copy(SMALL.with_suffix(".es.yaml"), wrong)
    text = wrong.read_text(encoding="utf-8")
    for old, new in zip((case.old, *case.more[::2]), (case.new, *case.more[1::2]), strict=True):
        assert old in text, old
        text = text.replace(old, new, 1)
    wrong.write_text(text, encoding="utf-8")
    return procedure


def told(path: Path) -> list[str]:
    """What the quick check tells, without the real voice."""
    return [one.text for one in check_all(path, ("larkspur",), "dunlin", True, False, lambda line: None)]


@pytest.mark.parametrize("name", CASES)
def test_a_wrong_file_is_told_with_its_line_and_remedy(name, tmp_path):
    case = CASES[name]
    path = written(case, tmp_path)
    problems = told(path)
    hits = [one for one in problems if case.problem in one and case.remedy in one]
    assert hits, problems
    found = re.match(r"(?P<file>[\w.]+), line (?P<line>\d+): ", hits[0])
    assert found, hits[0]
    line = (tmp_path / found["file"]).read_text(encoding="utf-8").splitlines()[int(found["line"]) - 1]
    assert case.line in line, (line, hits[0])
    print(f"{name}: {hits[0]}")


@pytest.mark.parametrize("file", [T, F, S])
def test_the_files_that_are_made_wrong_are_right(file, tmp_path):
    case = Wrong(file, "version: ", "version: ", "", "", "")
    own = {T: "wrong_file", F: "flame_sensing", S: "small_procedure"}[file]
    assert [one for one in told(written(case, tmp_path)) if own in one] == []


def test_there_are_as_many_as_are_promised():
    assert len(CASES) >= 30
