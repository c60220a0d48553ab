"""A table of visits by hard customers: what a master would conclude, what the program does, turns, times off, minutes.

    python -m tests.lab.measure.visits

Minutes are reckoned, not measured: words spoken by the program at 150 a minute, and 3 seconds for each answer.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from assistant import knowledge_store as reason_store
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.reason.assess import assess
from tests.flows.hard_visits import VISITS
from tests.flows.talking import Talk

PER_MINUTE, PER_ANSWER = 150, 3.0


def main() -> None:
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
    known = reason_store.knowledge("larkspur", "dunlin", folder=Path(tempfile.mkdtemp()))
    plan = replace(plan, typed=True, assess=lambda evidence: assess(evidence, known))
    print(
        "| visit | a master would conclude | the program: end, fault, dangers, checks left | as a master | turns | off"
        " | minutes |\n|---|---|---|---|---|---|---|"
    )
    agreed = 0
    for visit in VISITS:
        talk = Talk(plan).say(*visit.words)
        end = talk.end
        minutes = sum(len(text.split()) for text in talk.all_spoken) / PER_MINUTE + talk.turns * PER_ANSWER / 60
        told = (
            f"{end['how']}; {end['fault'] or 'no fault named'};"
            f" {', '.join(one for _, one in end['safety']) or 'no danger'}; {len(end['missing'])} left"
        )
        safety = tuple(one for _, one in end["safety"])
        same = (end["how"], end["fault"], safety, bool(end["missing"])) == (
            visit.how,
            visit.fault,
            visit.safety,
            visit.missing,
        )
        agreed += same
        print(
            f"| {visit.name} | {visit.master} | {told} | {'yes' if same else 'NO'} | {talk.turns} | {talk.offs} |"
            f" {minutes:.1f} |"
        )
    print(f"\n{agreed} of {len(VISITS)} visits end as a master would end them.")


if __name__ == "__main__":
    main()
