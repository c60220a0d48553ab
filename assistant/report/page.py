"""The report as one HTML page with everything in it, and as a PDF of the same page."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from assistant.colours import colour, filled
from assistant.records.faultnames import fault_name, probe_name
from assistant.report.bars import bar
from assistant.report.errors import ReportError
from assistant.report.numbers import shown
from assistant.report.pictures import pairs_picture, phasor_picture
from assistant.report.spoken import spoken_seconds, spoken_summary
from assistant.report.story import ReportedReading, Story
from flows.errors import FlowError
from flows.judge.profiles import Equipment, Meter, equipment, meter
from grammar.errors import DataFileError

HERE = Path(__file__).parent
SOUND = {".flac": "audio/flac", ".wav": "audio/wav", ".ogg": "audio/ogg"}
LARGEST_MEMO = 4_000_000
"""Bytes; a longer memo is named, not put inside the page."""


def html(story: Story, sounds: Mapping[str, bytes] | None = None, for_print: bool = False) -> str:
    """The page. sounds: memo files by their name in the journal. Every text from the journal is escaped."""
    return (
        _environment()
        .get_template("report.html")
        .render(
            story=story,
            first=story.first,
            details=story.details.told(),
            family=_family(story),
            tool=_tool(story),
            sounds=_embedded(sounds or {}),
            for_print=for_print,
            pictures=_pictures(story),
            used=_used(story),
            spoken=spoken_summary(story),
            spoken_seconds=round(spoken_seconds(spoken_summary(story))),
            style=Markup(filled((HERE / "report.css").read_text(encoding="utf-8"))),
            began=moment(story.began),
            took=_took(story.began, story.ended),
        )
    )


def pdf(story: Story, sounds: Mapping[str, bytes] | None = None) -> bytes:
    """The same as a PDF, memos attached. Raises ReportError where a system library is missing."""
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:
        raise ReportError(
            f"A PDF cannot be made here: {str(error).splitlines()[0]}",
            "Run: pip install 'twohands[report]' and apt-get install libpango-1.0-0 libpangoft2-1.0-0, or ask for"
            " --format html.",
        ) from error
    return HTML(
        string=html(story, sounds, for_print=True), url_fetcher=URLFetcher(allowed_protocols=("data",))
    ).write_pdf()


def memo_sounds(story: Story, folder: Path) -> dict[str, bytes]:
    """The sound of each memo that lies in the visit's folder; a name that leads out of it is passed over."""
    found: dict[str, bytes] = {}
    base = folder.resolve()
    for memo in story.memos:
        if not memo.file:
            continue
        path = (base / memo.file).resolve()
        if (
            path.is_relative_to(base)
            and path.suffix in SOUND
            and path.is_file()
            and path.stat().st_size <= LARGEST_MEMO
        ):
            found[memo.file] = path.read_bytes()
    return found


@lru_cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["fault"] = fault_name
    environment.filters["probe"] = probe_name
    environment.filters["shown"] = shown
    environment.filters["bar"] = _bar
    environment.filters["clock"] = clock
    environment.filters["colour"] = colour
    return environment


def _bar(taken: ReportedReading) -> Markup:
    return Markup(bar(taken.scale, taken.words)) if taken.scale else Markup("")


def _pictures(story: Story) -> dict[str, tuple[str, str] | None]:
    """Name to (data URI, words), None for a picture that this visit has no readings for."""
    found = {}
    if story.phasor:
        found["phasor"] = phasor_picture(story.phasor)
    if story.pairs:
        found["pairs"] = pairs_picture(story.pairs)
    made = {
        name: (f"data:image/svg+xml;base64,{base64.b64encode(svg).decode()}", words)
        for name, (svg, words) in found.items()
    }
    return {"phasor": made.get("phasor"), "pairs": made.get("pairs")}


def _embedded(sounds: Mapping[str, bytes]) -> dict[str, str]:
    return {
        name: f"data:{SOUND[Path(name).suffix]};base64,{base64.b64encode(sound).decode()}"
        for name, sound in sounds.items()
    }


def _family(story: Story) -> Equipment | None:
    try:
        return equipment(_bare(story.first.get("equipment")))
    except (FlowError, DataFileError):
        return None


def _tool(story: Story) -> Meter | None:
    try:
        return meter(_bare(story.first.get("meter")))
    except (FlowError, DataFileError):
        return None


def _used(story: Story) -> dict[str, str]:
    """Quantity to one reading of it with its error, for the meter's table."""
    return {one.quantity: f"{one.value} {one.spread}" for one in reversed(story.readings) if one.spread}


def _bare(name: Any) -> str:
    """An id from a journal, or one that no profile has: a journal must not make us open a file by its path."""
    text = str(name or "")
    return text if text.replace("_", "").replace("-", "").isalnum() else "?"


def moment(at: str) -> str:
    """Day, hour and minute where the report is made, with what it is ahead of UTC; other text as it is."""
    try:
        local = datetime.fromisoformat(at).astimezone()
    except (ValueError, OverflowError):
        return at
    ahead = local.strftime("%z")
    return f"{local:%d %B %Y, %H:%M} (UTC{ahead[:3]}:{ahead[3:5]})"


def clock(at: str) -> str:
    """Hour, minute and second where the report is made; "" for what is no time."""
    try:
        return datetime.fromisoformat(at).astimezone().strftime("%H:%M:%S")
    except (ValueError, OverflowError):
        return ""


def _took(began: str, ended: str) -> str:
    try:
        minutes = round((datetime.fromisoformat(ended) - datetime.fromisoformat(began)).total_seconds() / 60)
    except (ValueError, TypeError):
        return ""
    if minutes < 1:
        return "under a minute"
    return ("1 minute" if minutes == 1 else f"{minutes} minutes") if minutes < 600 else ""
