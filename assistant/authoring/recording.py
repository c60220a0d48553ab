"""All that a procedure says, as sound files with one list."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from assistant.authoring.errors import AuthoringError
from assistant.authoring.lines import lines_of
from assistant.hearing.audio.files import write
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.voice import Voice
from flows.procedure.compile import Plan

LIST = "lines.csv"


def record(
    plan: Plan,
    voice: Voice,
    folder: Path,
    kind: str = "flac",
    rate: str = "normal",
    done: Callable[[str], None] = lambda name: None,
) -> tuple[int, float]:
    """Every line into `folder`, numbered in the order of the procedure; how many, and the seconds of all.

    kind: "flac" or "wav". lines.csv has a row for each: file, step, role, seconds, text.
    Raises AuthoringError, VoiceError, AudioError.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / LIST).open("w", encoding="utf-8", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(["file", "step", "role", "seconds", "text"])
            total, lines = 0.0, lines_of(plan)
            for number, line in enumerate(lines, 1):
                sound = voice.render(line.text, rate)
                name = f"{number:03d}-{line.step}-{line.role.replace(' ', '_')}.{kind}"
                write(folder / name, sound)
                seconds = len(sound) / SAMPLE_RATE
                total += seconds
                rows.writerow([name, line.step, line.role, f"{seconds:.2f}", line.text])
                done(name)
    except OSError as error:
        raise AuthoringError(
            f"{folder} cannot be written ({error.strerror}).", "Choose another folder with --into."
        ) from error
    return len(lines), total
