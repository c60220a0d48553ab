"""The acoustic model that was moved towards furnace rooms, where it ships."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parent / "models" / "furnace_room"
PARTS = {"mean": "means", "var": "variances", "sendump": "sendump"}
"""PocketSphinx setting -> file."""


def room_model(folder: Path = FOLDER) -> dict[str, str]:
    """Decoder settings that put the moved parts in place of the wheel's; none when they are not there."""
    found = {setting: folder / name for setting, name in PARTS.items()}
    return {setting: str(path) for setting, path in found.items()} if all(path.is_file() for path in found.values()) else {}
