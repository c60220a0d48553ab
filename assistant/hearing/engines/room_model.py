"""The acoustic model that was moved towards furnace rooms.

Half of its Gaussians are those of the PocketSphinx wheel, bit for bit, so only
the moved half ships (`models/furnace_room.npz`); the files that the engine
reads are put together in the user's cache when they are first asked for.
"""

from __future__ import annotations

import atexit
import hashlib
import io
import shutil
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import platformdirs

from assistant.errors import ModelError
from assistant.hearing.engines.acoustic import (
    WEIGHT_STEP,
    Acoustic,
    merged,
    read_acoustic,
    wheel_folder,
    write_acoustic,
)

MOVED = Path(__file__).parent / "models" / "furnace_room.npz"
PARTS = {"mean": "means", "var": "variances", "sendump": "sendump"}
"""PocketSphinx setting -> file."""


def room_model(folder: Path | None = None) -> dict[str, str]:
    """Decoder settings that put a folder's parts in place of the wheel's; none when they are not there.

    folder: by default that of the furnace-room model. Raises ModelError where that cannot be put together.
    """
    folder = folder or furnace_room()
    found = {setting: folder / name for setting, name in PARTS.items()}
    return (
        {setting: str(path) for setting, path in found.items()}
        if all(path.is_file() for path in found.values())
        else {}
    )


@cache
def furnace_room() -> Path:
    """The folder of the furnace-room model, put together where it is not there yet. Raises ModelError."""
    made_from = hashlib.sha256(MOVED.read_bytes() + (wheel_folder() / "sendump").read_bytes()).hexdigest()[:16]
    home = platformdirs.user_cache_path("twohands") / "acoustic"
    if room_model(home / made_from):
        return home / made_from
    beside = _beside(home)
    write_acoustic(furnace_room_model(), beside)
    if beside.parent != home:
        return beside
    try:
        return beside.rename(home / made_from)
    except OSError:
        # Another process was quicker, or an earlier one was cut off half way.
        if room_model(home / made_from):
            shutil.rmtree(beside, ignore_errors=True)
            return home / made_from
        return beside


def _beside(home: Path) -> Path:
    """A new folder in `home`; where that cannot be written, one for this process alone, which takes it along."""
    try:
        home.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(dir=home))
    except OSError:
        alone = Path(tempfile.mkdtemp(prefix="twohands-"))
        atexit.register(shutil.rmtree, alone, ignore_errors=True)
        return alone


def furnace_room_model() -> Acoustic:
    """The wheel's Gaussians and the moved ones, half and half. Raises ModelError."""
    wheel = read_acoustic(wheel_folder())
    try:
        with np.load(io.BytesIO(MOVED.read_bytes())) as data:
            means, variances, steps = data["means"], data["variances"], data["steps"]
    except (OSError, ValueError, KeyError) as error:
        raise ModelError(f"The moved acoustic model cannot be read ({error}).", "Install twohands again.") from error
    moved = Acoustic(means.astype(np.float64), variances.astype(np.float64), wheel.weights - steps * WEIGHT_STEP)
    return merged(wheel, moved)


def write_moved(moved: Acoustic, path: Path = MOVED) -> None:
    """Keep a model that was moved from the wheel's, as the little that differs: weights as steps from the wheel's."""
    # A weight that moved by 127 steps, 13 nepers, has come to nothing; further makes no difference.
    steps = np.clip(np.round((read_acoustic(wheel_folder()).weights - moved.weights) / WEIGHT_STEP), -127, 127)
    np.savez_compressed(
        path, means=moved.means.astype("<f4"), variances=moved.variances.astype("<f4"), steps=steps.astype(np.int8)
    )
