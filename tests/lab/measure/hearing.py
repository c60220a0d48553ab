"""How well a reading is heard beside a running furnace: `python -m tests.lab.measure.hearing`.

Makes utterances from seeds (voices, noises, rooms, microphones), lets every
engine hear the same sound, and prints one table: right, asked again, wrong;
with --readme it also writes the table and a plot into README.md. Results are
kept in a cache outside the repository, so that a stopped run goes on.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from tests.lab.measure.hearing_cases import Split, case
from tests.lab.measure.hearing_judge import believes, judge, judge_again, slips
from tests.lab.measure.hearing_report import RESULTS, Column, breakdown, plot, put_between_markers, short_table, table
from tests.lab.measure.hearing_run import Job, hear
from tests.lab.measure.hearing_sound import cache

ROOT = Path(__file__).parents[3]
HEADING = "# What it hears\n\nWritten by `python -m tests.lab.measure.hearing --readme`."
SMALLER = {"whisper": 80, "plain": 40, "sphinx": 80, "pair": 80}
"""Slow or plain engines hear one in so many cases, evenly out of every block."""


def column(engine: str, split: Split, count: int, processes: int, mark: str | None, again_below: int) -> Column:
    """Everything one engine makes of the first `count` cases, read-backs included, and second tries of those below
    `again_below`."""
    name, _, label = engine.partition("=")
    numbers = range(0, count, SMALLER.get(name, 1))
    heard = hear(name, split, [Job(number) for number in numbers], processes, mark)
    judged = [judge(case(number, split), heard[Job(number)]) for number in numbers]
    asked = [
        one for one in judged if one.case.kind != "outside" and one.outcome == "asked" and one.case.number < again_below
    ]
    tries = hear(name, split, [Job(one.case.number, "again") for one in asked], processes, mark)
    again = [judge_again(one.case, one, tries[Job(one.case.number, "again")]) for one in asked]
    wrong, wrong_again = (
        [one.case.number for one in found if one.case.kind == "reading" and one.outcome == "wrong"]
        for found in (judged, again)
    )
    replies = hear(
        name,
        split,
        [Job(number, reply) for number in (*wrong, *wrong_again) for reply in ("yes", "no")],
        processes,
        mark,
    )

    def chance(number: int) -> float:
        return slips(believes(replies[Job(number, "yes")]), believes(replies[Job(number, "no")]))

    return Column(label or name, judged, list(map(chance, wrong)), again, list(map(chance, wrong_again)), again_below)


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing", description=__doc__)
    asked.add_argument("--count", type=int, default=2_000, help="utterances; a full run has 20,000 or more")
    asked.add_argument("--split", choices=("test", "tune"), default="test")
    asked.add_argument(
        "--engines",
        default="ours,sphinx,plain",
        help="comma-separated: ours, sphinx, small, pair, plain, whisper, vosk:FOLDER; NAME=LABEL gives a label",
    )
    asked.add_argument("--jobs", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    asked.add_argument(
        "--mark", help="name of the kept results instead of a digest of the code, to go on with a run after an edit"
    )
    asked.add_argument(
        "--again",
        type=int,
        default=0,
        help="utterances below this number that are asked again are said once more (whole numbers of 288 are balanced)",
    )
    asked.add_argument(
        "--readme",
        action="store_true",
        help="write the short table into README.md, the whole one and the plot beside the results",
    )
    given = asked.parse_args()
    os.nice(10)
    columns = [
        column(engine, given.split, given.count, given.jobs, given.mark, given.again)
        for engine in given.engines.split(",")
    ]
    text = table(columns)
    print(text)
    for field in ("noise", "room", "band", "voice", "scope"):
        print("\n" + breakdown(columns[0].cases, field))
    print(f"\nSounds and results are kept in {cache()}")
    if given.readme:
        picture = RESULTS / "hearing.png"
        plot(columns, picture)
        whole = RESULTS / "hearing.md"
        whole.write_text(
            f"{HEADING}\n\n{text}\n\n![Understood right and taken wrong against noise]({picture.name})\n",
            encoding="utf-8",
        )
        others = ", with other recognisers on the same cases" if len(columns) > 1 else ""
        link = f"[The whole table]({whole.relative_to(ROOT).as_posix()}){others}."
        put_between_markers(ROOT / "README.md", f"{short_table(columns[0])}\n\n{link}")


if __name__ == "__main__":
    main()
