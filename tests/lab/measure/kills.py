"""Sudden ends: the battery is lost at any moment of a visit, an import, a forgetting, a desk's writing; or the
process is killed.

    python -m tests.lab.measure.kills --losses 10000 --kills 300
    python -m tests.lab.measure.kills --losses 600 --no-syncs      the same without any sync: must find losses, or it
    could find none

A loss of power is simulated: each scenario runs once in a process whose
changes to files are recorded (powerloss.c, loaded before the C library); then,
for moments drawn from the whole run, a disk is laid out that has lost what
was not synced (powerloss.py), and what must hold is checked on it. A kill is
a real SIGKILL to a real process.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from tests.lab.measure.kill_scenarios import PROMISED, SCENARIOS, Scenario, failed, kept_promises
from tests.lab.measure.powerloss import Op, library, moments, trace


def recorded(name: str, work: Path) -> tuple[str, list[Op]]:
    """The root folder and the changes of one run of a scenario."""
    root, log = work / f"{name}-root", work / f"{name}-log"
    root.mkdir()
    environ = {**os.environ, "LD_PRELOAD": str(library(work)), "POWERLOSS_ROOT": str(root), "POWERLOSS_LOG": str(log)}
    subprocess.run([sys.executable, "-m", "tests.lab.measure.kill_scenarios", name, str(root)], check=True, env=environ)
    return str(root), trace(log)


def told(scenario: Scenario, place: Path, promised: list[str]) -> str:
    """What does not hold, unforeseen errors included."""
    try:
        return failed(scenario, place, promised)
    except Exception:
        return "TRACEBACK " + traceback.format_exc().strip().splitlines()[-1]


def losses(name: str, count: int, work: Path, seed: int, syncs: bool) -> Counter[str]:
    """Lose the battery `count` times; what did not hold, counted by what it was."""
    root, ops = recorded(name, work)
    mine = [op for op in ops if not op.path.endswith(f"/{PROMISED}")]
    promised: list[tuple[int, str]] = []
    done = 0
    for op in ops:
        if op.path.endswith(f"/{PROMISED}"):
            if op.kind == "W":
                promised += [(done, line) for line in op.data.decode().splitlines()]
        else:
            done += 1
    chance, bad = random.Random(f"{name}/{seed}"), Counter[str]()
    place = work / "laid"
    for number, (at, disk) in enumerate(moments(mine, root, count, chance, syncs), start=1):
        disk.lay(place, chance)
        why = told(SCENARIOS[name], place, [line for moment, line in promised if moment <= at])
        if why:
            bad[why[:150]] += 1
        shutil.rmtree(place)
        if number % 250 == 0:
            print(f"  {name}: {number} so far, {sum(bad.values())} broke a promise", flush=True)
    print(
        f"{name:9} {count:6} losses of power over {len(mine)} changes: {sum(bad.values())} broke a promise", flush=True
    )
    for why, times in bad.most_common(6):
        print(f"    {times} x {why}", flush=True)
    return bad


def kills(name: str, count: int, work: Path, seed: int) -> Counter[str]:
    """Kill a real process `count` times, at moments drawn from the time that it takes."""
    chance, bad, cut = random.Random(f"kill/{name}/{seed}"), Counter[str](), 0
    took = 0.5
    for number in range(count + 1):
        root = work / "killed"
        root.mkdir()
        begun = time.monotonic()
        child = os.fork()
        if child == 0:
            try:
                SCENARIOS[name].run(root)
            finally:
                os._exit(0)
        if number:
            time.sleep(chance.uniform(0, took))
            os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if number:
            cut += os.WIFSIGNALED(status)
        else:
            took = time.monotonic() - begun  # the first one only shows how long it takes
        why = told(SCENARIOS[name], root, list(kept_promises(root)))
        if why:
            bad[why[:150]] += 1
        shutil.rmtree(root)
    print(
        f"{name:9} {count:6} kills of a real process, {cut} before its end: {sum(bad.values())} broke a promise",
        flush=True,
    )
    for why, times in bad.most_common(6):
        print(f"    {times} x {why}", flush=True)
    return bad


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--losses", type=int, default=600, help="of power, all together")
    parser.add_argument("--kills", type=int, default=0, help="of real processes, all together")
    parser.add_argument("--only", choices=sorted(SCENARIOS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-syncs", action="store_true", help="take every sync for none")
    given = parser.parse_args()
    names = [given.only] if given.only else list(SCENARIOS)
    total = 0
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        for name in names:
            work = Path(folder) / name
            work.mkdir()
            if given.losses:
                total += sum(losses(name, given.losses // len(names), work, given.seed, not given.no_syncs).values())
            if given.kills:
                total += sum(kills(name, given.kills // len(names), work, given.seed).values())
    print(
        f"{given.losses // len(names) * len(names)} losses of power, {given.kills // len(names) * len(names)} kills: "
        f"{total} broke a promise"
    )
    sys.exit(1 if total and not given.no_syncs else 0)


if __name__ == "__main__":
    main()
