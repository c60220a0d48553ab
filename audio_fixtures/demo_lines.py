"""The lines of the demonstration's clips.yaml: all that a technician of the demonstration may say, in that visit's
voice and room.

Taken from assistant/visit/demo/demo.yaml, so that a step added there needs nothing but
`python -m audio_fixtures.make`. A reading is recorded twice: as it is said,
and digit by digit for when it is asked again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from assistant.visit.demo.clips import FILE
from assistant.visit.demo.show import DemoFile, demo_file
from assistant.visit.recorded import spelled


def lines(data: DemoFile) -> Iterator[str]:
    """One line of the list for each sentence, no sentence of a visit twice."""
    for name, visit in data.visits.items():
        said = [*data.words(name).values(), *visit.also]
        for text in dict.fromkeys([*said, *(one for one in map(spelled, said) if one)]):
            words = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")
            room = f"voice: {visit.voice}, noise: {visit.noise}, snr_db: {visit.snr_db:g}"
            yield f'  - {{id: {name}/{words}, text: "{text}", {room}}}\n'


def write(file: Path = FILE, data: DemoFile | None = None) -> bool:
    """Put the list into the file, its header kept; whether anything changed. Raises DataFileError."""
    before = file.read_text(encoding="utf-8")
    header = before[: before.index("utterances:\n")] + "utterances:\n"
    after = header + "".join(lines(data or demo_file()))
    if after != before:
        file.write_text(after, encoding="utf-8")
    return after != before
