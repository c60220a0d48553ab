"""An invented world for simulated visits: sites, furnaces that age, technicians who learn.

Everything here is made up and every visit made from it says `invented`. The
numbers follow common practice closely enough that charts drawn from them
look like a shop's: flame current falls as a rod fouls, trainees get quicker,
and a board is now and then blamed for somebody else's fault.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

FAMILIES = ("larkspur", "foxglove", "yarrow")
STREETS = (
    "Alder Row",
    "Brook End",
    "Cinder Path",
    "Dove Lane",
    "Elm Rise",
    "Ferry Street",
    "Granary Yard",
    "Hollow Way",
)
PEOPLE = (
    "Ada Quill",
    "Bram Osei",
    "Cleo Marsh",
    "Dario Fenn",
    "Edda Lowe",
    "Finn Abara",
    "Gita Rowan",
    "Hugo Petrel",
    "Ines Calder",
    "Jory Blake",
    "Kaya Thorn",
    "Lino Vance",
    "Mara Ebbing",
    "Nils Oduya",
    "Opal Wren",
    "Pia Sorrel",
)
FAULTS = {
    "rod_coated": 0.30,
    "connector_resistance": 0.17,
    "burner_corroded": 0.16,
    "board_not_sensing": 0.10,
    "polarity_reversed": 0.07,
    "secondary_swapped": 0.05,
    "supply_low": 0.04,
}
"""Invented shares of the true causes; what is left over is a sound circuit."""
PRONE = {
    "larkspur": {"rod_coated": 1.3},
    "foxglove": {"board_not_sensing": 1.6},
    "yarrow": {"connector_resistance": 2.2},
}


@dataclass
class Furnace:
    """One furnace at one site. trouble: the fault that waits to be found, or None."""

    site: str
    family: str
    fouling: float
    cleaned_day: float = 0.0
    trouble: str | None = None


@dataclass
class Technician:
    """joined: day of the first visit. visits: how many so far. pace: 1 is average."""

    name: str
    meter: str
    joined: float
    pace: float
    visits: int = 0

    def skill(self) -> float:
        """Chance of naming the true cause: 0.5 for a beginner, towards 0.97 after some 80 visits."""
        return 0.97 - 0.47 * math.exp(-self.visits / 30)


@dataclass
class World:
    """Furnaces and people of one invented shop, made from one seed."""

    chance: random.Random
    furnaces: list[Furnace] = field(default_factory=list)
    people: list[Technician] = field(default_factory=list)

    @classmethod
    def from_seed(cls, seed: int, sites: int, days: float) -> World:
        chance = random.Random(seed)
        world = cls(chance)
        for number in range(sites):
            street = STREETS[number % len(STREETS)]
            family = chance.choices(FAMILIES, (5, 3, 3))[0]
            world.furnaces.append(Furnace(f"{1 + number // len(STREETS)} {street}", family, chance.uniform(0.1, 0.9)))
        for number, name in enumerate(PEOPLE):
            joined = 0.0 if number < 6 else chance.uniform(0, days * 0.7)
            world.people.append(
                Technician(name, chance.choices(("dunlin", "pocket"), (4, 1))[0], joined, chance.uniform(0.85, 1.25))
            )
        return world

    def call(self, day: float) -> tuple[Furnace, Technician]:
        """Who is called where on `day`; an unsolved fault brings a call back sooner."""
        chance = self.chance
        furnace = chance.choice(self.furnaces)
        if furnace.trouble is None:
            weights = {name: share * PRONE[furnace.family].get(name, 1.0) for name, share in FAULTS.items()}
            sound = max(0.06, 1 - sum(weights.values()))
            furnace.trouble = chance.choices([*weights, None], [*weights.values(), sound])[0]
        there = [one for one in self.people if one.joined <= day]
        return furnace, chance.choice(there)
