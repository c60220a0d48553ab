"""What every target of the fuzz shares: what a target is, a folder of the run's own, simulated visits."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grammar.errors import TwohandsError

ROOT = Path(__file__).parents[3]


@dataclass(frozen=True)
class Target:
    """seeds: honest inputs. feed: whether an input was taken; raises only what nobody foresaw. tally: what a target
    counts besides, in words."""

    seeds: Callable[[], list[bytes]]
    feed: Callable[[bytes], bool]
    tally: Callable[[], str] = lambda: ""


@functools.cache
def folder() -> Path:
    """A folder of this run's own, in memory where the system has such a place; gone when the run is over."""
    memory = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(prefix="twohands-fuzz-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def refused(call: Callable[[], object]) -> bool:
    """Whether a call ended in one of our errors."""
    try:
        call()
    except TwohandsError as error:
        assert error.problem
        return True
    return False


@functools.cache
def visits() -> tuple[list[dict[str, Any]], ...]:
    from tests.lab.invented.visits import invented_visits

    return tuple(invented_visits(12, seed=4))
