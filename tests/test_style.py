"""Style and types, as pyproject.toml sets them; what is wrong is told by the programs themselves."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CHECKS = {
    "ruff check": ("ruff", "check", "."),
    "ruff format": ("ruff", "format", "--check", "."),
    "mypy": ("mypy",),
}


@pytest.mark.parametrize("name", CHECKS)
def test_the_tree_is_clean(name: str, tmp_path: Path) -> None:
    program, *rest = CHECKS[name]
    command = [sys.executable, "-m", program, *rest, f"--cache-dir={tmp_path}"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{name} found:\n{done.stdout}\n{done.stderr}"
