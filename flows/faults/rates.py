"""Rates of faults learnt from a shop's own visits, as a file that a person can read and correct."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import yaml
from pydantic import Field, field_validator

from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.learn import TRUST, learn_priors
from grammar.datafile import Strict, load_yaml

HEAD = """# How often each fault was found in this shop's own visits. Written by `twohands records rates`;
# used by `twohands run --rates FILE`.
#
# counts  fault (a pair is joined by +) -> visits that named it and were not gainsaid by the next visit there
# trust   visits that the shipped rates count for; with as many of your own, both weigh the same
"""


class Rates(Strict):
    """counts: fault or pair id -> visits. trust: visits that the shipped prior counts for. visits: looked at in all."""

    format: int = Field(ge=1, le=1)
    visits: int = Field(ge=0)
    trust: float = Field(default=TRUST, gt=0)
    counts: dict[str, int]

    @field_validator("counts")
    @classmethod
    def _known(cls, counts: dict[str, int]) -> dict[str, int]:
        try:
            learn_priors(counts, catalog.shipped_prior())
        except FlowError as error:
            raise ValueError(error.text) from error
        return counts

    def prior(self) -> dict[str, float]:
        """Fault or pair id -> its rate, summing to 1."""
        return learn_priors(self.counts, catalog.shipped_prior(), self.trust)


def load_rates(path: Path) -> Rates:
    """The rates in a file. Raises DataFileError, naming file, line and remedy."""
    return load_yaml(path, Rates)


def written(counts: Mapping[str, int], visits: int) -> str:
    """The text of such a file, most frequent first."""
    ordered = dict(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])))
    return HEAD + yaml.safe_dump({"format": 1, "visits": visits, "trust": TRUST, "counts": ordered}, sort_keys=False)
