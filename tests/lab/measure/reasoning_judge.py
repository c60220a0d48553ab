"""What counts as right, in the product's own words and in the second world's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from flows.faults import catalog
from flows.reason.naming import repair
from tests.outside import second_world_mapping as second

World = Literal["ours", "second"]


@dataclass(frozen=True)
class Judge:
    """world: whose truth ids the cases carry."""

    world: World = "ours"

    def said(self, name: str) -> frozenset[str]:
        """What a fault or pair of the product stands for, in the world's truth ids."""
        return frozenset(catalog.parts(name)) if self.world == "ours" else second.truth(name)

    def true(self, name: str) -> frozenset[str]:
        """What is truly there; truths that the product has one name for count as one."""
        whole = frozenset(name.split("+"))
        return whole if self.world == "ours" else second.same(whole)

    def there(self, name: str, truth: str) -> bool:
        """All that is said is truly there."""
        return self.said(name) <= self.true(truth)

    def exact(self, name: str, truth: str) -> bool:
        """It is all that is there, each under its own name."""
        return self.said(name) == frozenset(truth.split("+"))

    def mended(self, name: str, truth: str) -> bool:
        """All that is said is there, or is mended as something that is there."""
        if self.there(name, truth):
            return True
        if self.world == "ours":
            return set(repair(name)) <= set(repair(truth))
        return second.mends(self.said(name), self.true(truth))

    def sound_board(self, name: str, truth: str) -> bool:
        """A board is condemned and is sound."""
        condemned = any(catalog.fault(one).family == "board" for one in catalog.parts(name))
        if self.world == "ours":
            return condemned and not any(catalog.fault(one).family == "board" for one in truth.split("+"))
        return condemned and not self.true(truth) & second.same(second.BOARD)
