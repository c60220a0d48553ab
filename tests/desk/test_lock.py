"""What serves the network is pinned, with digests, and the pins satisfy what the package asks for."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]


def test_everything_that_the_desk_needs_is_pinned() -> None:
    lines = [
        line
        for line in (ROOT / ".lock" / "desk.txt").read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    ]
    pinned = {}
    for line in lines:
        found = re.fullmatch(r"([a-z0-9.-]+)==(\S+) --hash=sha256:([0-9a-f]{64})", line)
        assert found, line
        pinned[found[1]] = found[2]
    assert len(pinned) > 30
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for text in [
        *project["dependencies"],
        *(one for extra in ("desk", "records", "report") for one in project["optional-dependencies"][extra]),
    ]:
        wanted = Requirement(text)
        if wanted.marker is None or wanted.marker.evaluate():
            assert wanted.specifier.contains(pinned[wanted.name.lower().replace("_", "-")], prereleases=True), text
