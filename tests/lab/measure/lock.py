"""Pins what serves the network: every package that the desk needs, with its version and the digests of its files.

    python -m tests.lab.measure.lock            writes .lock/desk.txt anew
    pip install --require-hashes -r .lock/desk.txt && pip install --no-deps .

Asks pip what it would install for the extras `desk`, `records` and `report`
on this kind of machine and Python; nothing is installed.
"""

from __future__ import annotations

import json
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[3]
LOCK = ROOT / ".lock" / "desk.txt"
EXTRAS = "desk,records,report"


def resolved() -> list[tuple[str, str, str]]:
    """Name, version and SHA-256 of every package that would be installed, sorted."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        subprocess.run(
            [
                sys.executable,
                "-m",
                "pip",
                "install",
                "-q",
                "--dry-run",
                "--ignore-installed",
                "--report",
                str(report),
                f"{ROOT}[{EXTRAS}]",
            ],
            check=True,
        )
        found = json.loads(report.read_text(encoding="utf-8"))["install"]
    lines = []
    for one in found:
        name = one["metadata"]["name"].lower().replace("_", "-")
        if name != "twohands":
            lines.append((name, one["metadata"]["version"], one["download_info"]["archive_info"]["hashes"]["sha256"]))
    return sorted(lines)


def main() -> None:
    found = resolved()
    python = f"Python {sys.version_info.major}.{sys.version_info.minor}"
    head = (
        f"# Extras {EXTRAS}; {platform.system()} {platform.machine()}, {python}. Made by: python -m"
        " tests.lab.measure.lock\n"
    )
    LOCK.parent.mkdir(exist_ok=True)
    LOCK.write_text(
        head + "".join(f"{name}=={version} --hash=sha256:{digest}\n" for name, version, digest in found),
        encoding="utf-8",
    )
    print(f"{len(found)} packages in {LOCK.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
