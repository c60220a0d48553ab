"""Knowledge kept on disk, because building it takes a few seconds."""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from platformdirs import user_cache_dir

import flows
from flows.errors import FlowError
from flows.judge import profiles
from flows.judge.profiles import Equipment, Meter
from flows.reason import build as reason_build
from flows.reason.knowledge import Knowledge
from flows.reason.mixture import Components

HERE = Path(flows.__file__).parent
SEED = 20260
"""Seed of the shipped knowledge. Benches use other seeds."""
MADE_FROM = (
    "faults/*.yaml",
    "faults/*.py",
    "circuit/*.yaml",
    "circuit/*.py",
    "reason/build.py",
    "reason/mixture.py",
    "reason/knowledge.py",
)


@lru_cache
def knowledge(equipment: str, meter: str, seed: int = SEED, folder: Path | None = None) -> Knowledge:
    """Knowledge for an equipment id and a meter id: read from `folder` (the user's cache by default), else built and
    kept there.

    Raises FlowError or DataFileError for profiles that cannot be used.
    """
    return _read_or_built(profiles.equipment(equipment), profiles.meter(meter), seed, folder)


def knowledge_of(equipment: Equipment, meter: Meter) -> Knowledge:
    """The same for profiles in hand, which need not be those that ship under their ids."""
    try:
        ships = equipment == profiles.equipment(equipment.id) and meter == profiles.meter(meter.id)
    except FlowError:
        ships = False
    if ships:
        return knowledge(equipment.id, meter.id)
    return _read_or_built(equipment, meter, SEED, None)


def _read_or_built(family: Equipment, shown_by: Meter, seed: int, folder: Path | None) -> Knowledge:
    folder = folder or Path(user_cache_dir("twohands")) / "knowledge"
    path = folder / f"{family.id}-{shown_by.id}-{fingerprint(family, shown_by, seed)}.npz"
    found = load(path, family, shown_by)
    if found is None:
        found = reason_build.build_knowledge(family, shown_by, np.random.default_rng(seed))
        try:
            save(found, path)
        except OSError:
            # A cache that cannot be written only costs the seconds again.
            return found
    return found


def fingerprint(equipment: Equipment, meter: Meter, seed: int) -> str:
    """Changes whenever anything changes that knowledge is built from."""
    digest = hashlib.sha256(f"{seed}\n{equipment.model_dump_json()}\n{meter.model_dump_json()}".encode())
    for pattern in MADE_FROM:
        for path in sorted(HERE.glob(pattern)):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def save(knowledge: Knowledge, path: Path) -> None:
    """Write knowledge to `path`, whole or not at all. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    parts: dict[str, Any] = {
        f"c_{one.name}": np.asarray(getattr(knowledge.components, one.name)) for one in fields(Components)
    }
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            np.savez(file, hypotheses=np.array(knowledge.hypotheses), prior=knowledge.prior, **parts)
        os.replace(name, path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise


def load(path: Path, equipment: Equipment, meter: Meter) -> Knowledge | None:
    """The knowledge in `path`, None when there is none or it is torn."""
    try:
        with np.load(path, allow_pickle=False) as file:
            parts = {one.name: file[f"c_{one.name}"] for one in fields(Components)}
            for name in ("probes", "looks"):
                parts[name] = tuple(str(one) for one in parts[name])
            hypotheses = tuple(str(one) for one in file["hypotheses"])
            return Knowledge(equipment, meter, hypotheses, file["prior"], Components(**parts))
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
