"""Which fault a practice furnace hides: drawn by level, and what may be answered for it."""

from __future__ import annotations

import numpy as np

from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.faults.display import specimen
from flows.faults.draws import healthy, with_fault
from flows.faults.lessons import lessons
from flows.judge.profiles import Equipment, Meter
from flows.practice.furnace import PROVES, PracticeFurnace


def start(
    equipment: Equipment, meter: Meter, seed: int, level: str = "easy", fault: str | None = None
) -> PracticeFurnace:
    """A furnace whose fault is drawn by `level`, or is `fault` (id or pair) at that level's severity.

    The same seed gives the same furnace. Raises FlowError for an unknown level or fault, and for a rod that sparks as
    well.
    """
    levels = lessons().levels
    if equipment.rod != catalog.SENSE:
        raise FlowError(
            f"The practice furnace cannot spark with its flame rod, as {equipment.name} does.",
            "Choose a family whose rod only senses.",
        )
    if level not in levels:
        raise FlowError(f"There is no level '{level}'.", f"Choose one of: {', '.join(levels)}.")
    rng = np.random.default_rng(seed)
    chosen = levels[level]
    hidden = fault or _draw(chosen.faults, rng)
    circuit = healthy(equipment, meter, rng, 1)
    for one in catalog.parts(hidden):
        circuit = with_fault(circuit, one, rng.uniform(*chosen.severity, 1), rng.uniform(*chosen.severity, 1))
    own = specimen(meter, rng)
    return PracticeFurnace(equipment, hidden, seed, circuit, own, lights=_lights(hidden, rng))


def _lights(hidden: str, rng: np.random.Generator) -> bool:
    """Whether the burner lights with that fault: as often as the fault's own shares of what is seen say."""
    shares = [catalog.fault(one).shows.get(PROVES, {}).get("never_lit", 0.0) for one in catalog.parts(hidden)]
    return not any(share and rng.uniform() < share for share in shares)


def _draw(which: str, rng: np.random.Generator) -> str:
    prior = catalog.shipped_prior()
    size = 2 if which == "pair" else 1
    names = [
        name
        for name in prior
        if len(catalog.parts(name)) == size
        and all(catalog.fault(one).practice for one in catalog.parts(name))
        and (which != "easy" or catalog.fault(name).easy)
    ]
    # Evenly rather than by the prior: a trainee should meet the rare ones too.
    return names[int(rng.integers(len(names)))]


def is_same(a: str, b: str) -> bool:
    """Whether two fault ids are the same fault or the same pair in either order."""
    return set(catalog.parts(a)) == set(catalog.parts(b))


def choices(level: str) -> list[str]:
    """The faults that may be answered at a level."""
    which = lessons().levels[level].faults
    singles = [
        name
        for name, one in catalog.faults().faults.items()
        if catalog.fits(one, catalog.SENSE) and one.practice and (which != "easy" or one.easy)
    ]
    return singles if which != "pair" else [name for name in singles if name != HEALTHY]
