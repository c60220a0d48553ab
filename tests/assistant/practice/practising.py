"""Typed exercises through the command line, and what they leave behind."""

from __future__ import annotations

import json
import re
from pathlib import Path

from click.testing import CliRunner

from assistant.cli import cli
from assistant.practice import record

PROOF = [
    "volts at a live outlet",
    "volts from line to neutral",
    "volts from line to ground wire",
    "volts from neutral to ground wire",
    "volts at a live outlet",
]

DEAD = ["turn the power off", *PROOF]


def practise(folder: Path, *lines: str, **options: object) -> str:
    """A typed free exercise through the command line; what it printed."""
    wanted = {"fault": "burner_corroded", "seed": 7, "trainee": "Robin", "record": folder} | options
    arguments = [
        "practice",
        "--free",
        "--typed",
        *(part for name, value in wanted.items() if value is not None for part in (f"--{name}", str(value))),
    ]
    done = CliRunner().invoke(cli, arguments, input="\n".join(lines) + "\n", standalone_mode=False)
    assert done.exception is None, done.exception
    return done.output


def kept(folder: Path) -> list[dict]:
    return [json.loads(line) for line in (folder / record.FILE).read_text().splitlines()]


def shown(output: str) -> list[str]:
    return re.findall(r"Your meter shows ([^\n]+?)\.(?:\n| )", output)


def ohms(display: str) -> float:
    """The value of a display of ohms, by the prefix that it was spoken with."""
    number, unit = display.split()
    return float(number) * {"ohms": 1.0, "kilohms": 1e3, "megohms": 1e6}[unit]
