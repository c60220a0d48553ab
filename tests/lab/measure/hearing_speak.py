"""Make the speech of natural voices beforehand: `python -m tests.lab.measure.hearing_speak --split test`.

What lies in the cache then serves the benchmarks on a machine without the voices.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os

from tests.lab.measure.hearing_fit import NATURAL_FROM
from tests.lab.measure.hearing_natural import file_of, say, spoken_case
from tests.lab.measure.hearing_visits import spoken_texts


def _make(task: tuple[str, str, float]) -> str:
    try:
        say(*task)
    except KeyError as error:
        return f"no pronunciation for {error}"
    return ""


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing_speak", description=__doc__)
    asked.add_argument("--split", choices=("test", "tune"), default="test")
    asked.add_argument("--visits", action="store_true", help="all that whole visits may need")
    asked.add_argument("--cases", type=int, default=0, help="so many cases for hearing_fit --natural")
    asked.add_argument("--jobs", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    given = asked.parse_args()
    tasks = spoken_texts(given.split) if given.visits else []
    for number in range(given.cases):
        here = spoken_case(NATURAL_FROM + number, given.split)
        tasks.append((here.text, here.voice, 1.0))
    tasks = [task for task in dict.fromkeys(tasks) if not file_of(*task).is_file()]
    print(f"{len(tasks)} sentences to speak", flush=True)
    with multiprocessing.get_context("spawn").Pool(given.jobs) as pool:
        for number, problem in enumerate(pool.imap_unordered(_make, tasks, chunksize=2), 1):
            if problem or number % 100 == 0:
                print(number, problem, flush=True)


if __name__ == "__main__":
    main()
