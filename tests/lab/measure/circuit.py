"""How fast the circuit model reads, and how near it comes to ngspice. Run: OPENBLAS_NUM_THREADS=1 python -m
tests.lab.measure.circuit"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable

import numpy as np

from flows.circuit import Furnace, flame_current, nominal, read_many, spread, table, volts
from flows.circuit.furnace import in_blocks
from flows.circuit.network import live
from flows.judge.profiles import equipment
from tests.flows.dense import node_volts

FURNACES = 100_000
ROUNDS = 5
AIM = 100_000


def rate(work: Callable[[], object], n: int) -> tuple[float, float]:
    """Furnaces a second by the wall clock and by processor time, each the best of ROUNDS.

    The wall clock is the claim; on a busy machine it is a floor. Processor time is shown beside
    it, and on a virtual machine it may come out too kind.
    """
    wall = processor = np.inf
    for _ in range(ROUNDS):
        start, start_processor = time.perf_counter(), time.process_time()
        work()
        wall, processor = min(wall, time.perf_counter() - start), min(processor, time.process_time() - start_processor)
    return n / wall, n / processor


def speed() -> None:
    healthy = nominal(equipment("larkspur"))
    furnaces = spread(healthy, np.random.default_rng(20), FURNACES)
    print(
        f"{FURNACES:,} furnaces drawn about larkspur, one thread, best of {ROUNDS}; aim {AIM:,} a second, linear part"
    )
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'furnaces a second':36}{'wall clock':>12}{'over aim':>10}{'processor':>12}")

    def line(name: str, keys: list[str]) -> None:
        wall, processor = rate(lambda: read_many(furnaces, keys), FURNACES)
        print(f"{name:36}{wall:12,.0f}{wall / AIM:9.1f}x{processor:12,.0f}")

    guided = [key for key, probe in table().items() if probe.guided]
    linear = [key for key in guided if table()[key].function not in ("dc_amps", "watch")]
    line(f"all {len(linear)} linear guided readings", linear)
    line(f"all {len(guided)} guided readings", guided)
    for key in table():
        line(key, [key])
    few = spread(healthy, np.random.default_rng(21), 10_000)

    def every_node(f: Furnace) -> np.ndarray:
        return node_volts(live(f), f.shape[0])["hot"]

    wall, processor = rate(lambda: in_blocks(every_node, few), 10_000)
    print(f"{'every node, np.linalg.solve':36}{wall:12,.0f}{wall / AIM:9.1f}x{processor:12,.0f}   (for comparison)")


def agreement() -> None:
    from tests.outside import spice_netlist as spice
    from tests.outside.circuit_cases import FLAMES, LINEAR, NAME, PAIRS

    print("\nAgainst ngspice, relative difference")
    for name, f in LINEAR.items():
        worst = 0.0
        for a, b, plugged in PAIRS:
            theirs = spice.ac_volts(f, NAME.get(a, a), NAME.get(b, b), plugged=plugged)
            if theirs > 1e-3:
                worst = max(worst, abs(float(volts(f, a, b, plugged=plugged)) / theirs - 1))
        print(f"  {name:34} AC volts, worst of {len(PAIRS)}: {worst:.1e}")
    for name, f in FLAMES.items():
        theirs, ours = spice.flame(f, meter=True)["wire"], float(flame_current(f))
        print(
            f"  {name:34} flame current {ours * 1e6:7.4f} µA, ngspice {theirs * 1e6:7.4f} µA: {ours / theirs - 1:+.1e}"
        )


def main() -> int:
    speed()
    if shutil.which("ngspice") is None:
        print("ngspice is not installed: no agreement measured.")
        return 1
    agreement()
    return 0


if __name__ == "__main__":
    sys.exit(main())
