"""The laboratory's front door: `python -m tests.lab` lists the stages, `python -m tests.lab STAGE --help` explains one.

What trains, fits, adapts and measures; README.md beside this file has the recipe
from nothing to what ships.
"""

from __future__ import annotations

import importlib
import sys
from dataclasses import dataclass

import click


@dataclass(frozen=True)
class Stage:
    """number: its place in the recipe. module: whose `main` it runs. does: one line."""

    number: int
    name: str
    module: str
    does: str


TRAIN, MEASURE, VOICE = "tests.lab.train", "tests.lab.measure", "tests.lab.voice"
PARTS = {
    1: "Corpus", 2: "Train", 3: "Export", 4: "Vocabulary", 5: "Thresholds", 6: "Adapt", 7: "Measure", 8: "Keep",
    9: "Voice",
}  # fmt: skip
STAGES = (
    Stage(1, "recordings", f"{TRAIN}.people", "recordings of people, split by speaker, as a corpus"),
    Stage(1, "synthesise", f"{TRAIN}.synthesise", "a corpus spoken by the training voices"),
    Stage(2, "train", f"{TRAIN}.train", "the network, on one or more corpora; needs PyTorch"),
    Stage(3, "export", f"{TRAIN}.export", "a model folder for Vosk out of a trained network; needs PyTorch"),
    Stage(3, "model", f"{TRAIN}.measure", "how a model folder hears the voices kept back for tuning"),
    Stage(4, "vocabulary", f"{TRAIN}.vocabulary", "the words of a model folder, made anew without training"),
    Stage(5, "fit", f"{MEASURE}.hearing_fit", "the trust and thresholds of one engine, on tuning voices"),
    Stage(6, "adapt", f"{MEASURE}.hearing_adapt", "PocketSphinx's acoustic model, moved towards furnace rooms"),
    Stage(7, "speak", f"{MEASURE}.hearing_speak", "the speech of natural voices, made beforehand"),
    Stage(
        7, "hearing", f"{MEASURE}.hearing", "how well a reading is heard, every engine side by side; the README's table"
    ),
    Stage(7, "people", f"{MEASURE}.hearing_people", "how short answers and talk by recorded people are heard"),
    Stage(7, "visits", f"{MEASURE}.hearing_visits", "whole visits with simulated technicians in noise"),
    Stage(7, "voice", f"{MEASURE}.hearing_voice", "what a minute of one's own voice is worth"),
    Stage(7, "fixtures", f"{MEASURE}.fixtures", "the recorded hearing set: right, asked again, wrong"),
    Stage(7, "interrupt", f"{MEASURE}.interrupt", "speaking over its voice: its own taken for an answer, yours heard"),
    Stage(7, "parses", f"{MEASURE}.parses", "how often an utterance is parsed, and how long weighing takes"),
    Stage(7, "engines", f"{MEASURE}.engines", "start, switching of the grammar and speed of the engines"),
    Stage(7, "reasoning", f"{MEASURE}.reasoning", "how well the reasoner diagnoses furnaces it has not seen"),
    Stage(7, "verdicts", f"{MEASURE}.verdicts", "how often a good furnace is too close to call"),
    Stage(7, "customers", f"{MEASURE}.visits", "visits by hard customers against what a master would conclude"),
    Stage(7, "circuit", f"{MEASURE}.circuit", "speed of the circuit model, and agreement with ngspice"),
    Stage(7, "walk", f"{MEASURE}.walk", "the safety walk in every order of the checks; takes long"),
    Stage(7, "talk", f"{MEASURE}.talk", "how much is said at each level, and how many readings are taken wrong"),
    Stage(7, "records", f"{MEASURE}.records", "the store and the desk with many visits"),
    Stage(7, "fuzz", f"{MEASURE}.fuzz", "files, lines and requests of every odd shape"),
    Stage(7, "kills", f"{MEASURE}.kills", "sudden ends and losses of power at any moment"),
    Stage(8, "lock", f"{MEASURE}.lock", "the pinned packages that the desk needs (.lock/desk.txt)"),
    Stage(8, "made_with", "tests.lab.made_with", "what ships was made with, beside what stands"),
    Stage(
        9, "sounds", f"{VOICE}.sounds", "the sentences that ship in a natural voice; only what is new or has changed"
    ),
    Stage(9, "listen", f"{VOICE}.listen", "how many words a neutral listener understands, natural and eSpeak NG"),
    Stage(9, "share", f"{VOICE}.share", "which share of the spoken seconds is natural, over invented visits"),
)


def listing() -> str:
    """Every stage, numbered, a line each."""
    lines = ["usage: python -m tests.lab STAGE [options]", ""]
    for number, part in PARTS.items():
        lines.append(f"{number} {part}")
        lines += [f"    {one.name:12}{one.does}" for one in STAGES if one.number == number]
    return "\n".join(
        [*lines, "", "python -m tests.lab STAGE --help tells a stage's options; tests/lab/README.md the recipe."]
    )


def run(given: list[str]) -> int:
    """Run one stage with its options. given: the command line's words. Returns the exit status."""
    if not given or given[0] in ("-h", "--help"):
        print(listing())
        return 0
    name, *options = given
    found = next((one for one in STAGES if one.name == name), None)
    if found is None:
        print(f"There is no stage '{name}'. Choose one of: {', '.join(one.name for one in STAGES)}.", file=sys.stderr)
        return 2
    program = f"python -m tests.lab {name}"
    module = importlib.import_module(found.module)
    if isinstance(module.main, click.Command):
        module.main.main(options, prog_name=program)
        return 0
    if {"-h", "--help"} & set(options) and not hasattr(module, "argparse"):
        # a bench without options
        print(module.__doc__)
        return 0
    sys.argv = [program, *options]
    return int(module.main() or 0)


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
