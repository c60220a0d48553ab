"""What a minute of one's own voice is worth: `python -m tests.lab.measure.hearing_voice`.

Each test voice reads the sentences of the voice set-up in a quiet room; then
the cases of the hearing benchmark that it speaks are heard without and with
what was learnt. The sentences are not among the cases' own recordings.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from assistant.hearing.adapt import own_voice
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.room_model import room_model
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.vosk_engine import VoskEngine
from assistant.models.placed import own_model
from tests.lab.measure.hearing_cases import SNRS, Case, case
from tests.lab.measure.hearing_engines import Streaming
from tests.lab.measure.hearing_judge import judge
from tests.lab.measure.hearing_run import PAIR, Job, joined, listened
from tests.lab.measure.hearing_sound import placed, spoken

READ_AT = 30
"""dB over the noise while the sentences are read: a quiet place."""


def read_by(voice: str) -> list[tuple[str, np.ndarray]]:
    """The sentences of the voice set-up, read in a quiet room."""
    said = []
    for number, text in enumerate(own_voice.sentences()):
        here = Case(number, "test", "reading", "", text, None, voice, "blower", READ_AT, "open", "wide", 1.0)
        made = placed(spoken(text, voice, 1.0), here, np.random.default_rng((83, number)), text)
        said.append((text, made.sound[int((made.starts - 0.4) * SAMPLE_RATE) : int((made.ends + 0.4) * SAMPLE_RATE)]))
    return said


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing_voice", description=__doc__)
    asked.add_argument(
        "--count",
        type=int,
        default=1_152,
        help="cases of the benchmark, of which those by synthetic test voices are heard",
    )
    given = asked.parse_args()
    os.nice(10)
    chosen = [
        here
        for number in range(given.count)
        if (here := case(number, "test")).voice != "recorded" and here.kind != "outside"
    ]
    plain, second = Streaming(SphinxEngine()), Streaming(VoskEngine(own_model()))
    found: Counter[tuple[str, int, str]] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for voice in sorted({here.voice for here in chosen}):
            learnt = own_voice.learn(read_by(voice), Path(folder) / voice, np.random.default_rng(1))
            own = Streaming(SphinxEngine(acoustic=room_model(Path(folder) / voice)))
            for here in (one for one in chosen if one.voice == voice):
                job = Job(here.number)
                theirs = listened(second, "test", job)
                for name, ear in (("without", plain), ("with", own)):
                    found[name, here.snr, judge(here, joined(listened(ear, "test", job), theirs)).outcome] += 1
            print(f"{voice}: learnt from {learnt.sentences} sentences", flush=True)
    print(f"\n{len(chosen)} cases; voice set-up, the {PAIR} of recognisers\n")
    print(
        "| set-up | "
        + " | ".join(f"{snr} dB: right / asked / wrong" for snr in SNRS)
        + " |\n"
        + "|---" * (1 + len(SNRS))
        + "|"
    )
    for name in ("without", "with"):
        print(f"| {name} | " + " | ".join(_shares(found, name, snr) for snr in SNRS) + " |")


def _shares(found: Counter[tuple[str, int, str]], name: str, snr: int) -> str:
    counts = [found[name, snr, outcome] for outcome in ("right", "asked", "wrong")]
    return " / ".join(f"{100 * one / max(1, sum(counts)):.1f}" for one in counts) + " %"


if __name__ == "__main__":
    main()
