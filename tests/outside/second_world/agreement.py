"""Hold the fast solver against ngspice over many furnaces: python -m tests.outside.second_world.agreement --cases 200.

Prints figures over all cases together, never a design's own. Any one may run it; it needs the `ngspice` program.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import click
import numpy as np

from tests.outside.second_world.draws import SOUND
from tests.outside.second_world.periodic import steady_state
from tests.outside.second_world.plant import HERTZ, OMEGA, Plant, circuit
from tests.outside.second_world.population import furnaces
from tests.outside.second_world.spice import Case, means

BURDEN = 100.0
SOON, LONGER = 2.5, 30.0  # seconds of simulated time


def lit_case(plant: Plant) -> Case:
    """The lit, warm furnace with a meter's shunt at the rod terminal. Raises ValueError when it has no flame."""
    plant = plant.warm()
    law = plant.law()
    if law is None:
        raise ValueError("this furnace never lights; there is no flame to solve")
    return Case(circuit(plant, lit=True, shunt=BURDEN), "face", "b", law)


def both(plants: Sequence[Plant], per_run: int = 1, seconds: float = SOON) -> np.ndarray:
    """Rows (our amperes, ngspice's, our sense volts, ngspice's) for lit furnaces."""
    rows: list = [None] * len(plants)
    for home in {plant.home for plant in plants}:
        places = [k for k, plant in enumerate(plants) if plant.home == home]
        for start in range(0, len(places), per_run):
            group = places[start : start + per_run]
            cases = [lit_case(plants[k]) for k in group]
            judged = means(cases, "terminal", ("s", home), HERTZ, seconds)
            for k, case, (amperes, volts) in zip(group, cases, judged, strict=True):
                state = steady_state(case.circuit, case.rod, case.burner, case.law, OMEGA)
                ours = (float(state.mean["terminal"].real), float(state.mean.volts("s", home).real))
                rows[k] = (ours[0], amperes, ours[1], volts)
    return np.array(rows)


def agrees(row: np.ndarray) -> bool:
    """Whether a row's currents agree within one per cent and 5 nA."""
    return bool(abs(row[0] - row[1]) <= 0.01 * abs(row[1]) + 5e-9)


@click.command(help=__doc__)
@click.option("--cases", default=200, show_default=True)
@click.option("--seed", default=11, show_default=True)
def main(cases: int, seed: int) -> None:
    plants: list[Plant] = []
    truths: list[tuple[str, ...]] = []
    for part in ("tune", "test"):
        for furnace in furnaces(part, cases // 2, seed, calls=False):
            if furnace.plant.law() is not None:
                plants.append(furnace.plant)
                truths.append(furnace.truth)
    start = time.monotonic()
    rows = both(plants)
    # ngspice starts from rest; where an air gap leaves a node to charge slowly it has not settled yet, and runs on
    slow = [k for k in range(len(rows)) if not agrees(rows[k])]
    for k in slow:
        longer = both([plants[k]], seconds=LONGER)[0]
        click.echo(
            f"slow: {'+'.join(truths[k])}: ours {rows[k, 0] * 1e6:.4f} µA, ngspice {rows[k, 1] * 1e6:.4f} after"
            f" {SOON:g} s, {longer[1] * 1e6:.4f} after {LONGER:g} s"
        )
        rows[k] = longer
    click.echo(f"{len(slow)} had not settled; {sum(not agrees(row) for row in rows)} still apart by over 1 % and 5 nA")
    gap = np.abs(rows[:, 0] - rows[:, 1])
    seen = np.abs(rows[:, 1]) > 1e-7
    share = gap[seen] / np.abs(rows[seen, 1])
    kinds = {name for truth in truths for name in truth} - {SOUND}
    click.echo(f"{len(rows)} lit furnaces, {len(kinds)} kinds of fault, ngspice {time.monotonic() - start:.0f} s")
    click.echo(f"current: largest gap {gap.max() * 1e9:.2f} nA, median {np.median(gap) * 1e9:.2f} nA")
    click.echo(
        f"current over 0.1 µA ({seen.sum()}): gap median {np.median(share):.3%}, 99 of 100 under"
        f" {np.quantile(share, 0.99):.3%}, largest {share.max():.3%}"
    )
    volts = np.abs(rows[:, 2] - rows[:, 3]) / (np.abs(rows[:, 3]) + 1e-3)
    click.echo(f"sense volts: gap median {np.median(volts):.3%}, largest {volts.max():.3%}")


if __name__ == "__main__":
    main()
