"""`twohands report VISIT`: a PDF and a page, and what they say in half a minute."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from assistant import private
from assistant.errors import JournalError, MissingLibrary
from assistant.records.options import default_visits
from assistant.visit.journal import FILE, read

BACK = timedelta(days=14)
"""How far back an earlier visit to the same furnace counts as the one before the repair."""


@click.command()
@click.argument("visit")
@click.option(
    "--visits", type=click.Path(file_okay=False, path_type=Path), default=default_visits, help="Folder of the visits."
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where the report goes; the visit's own folder when left out.",
)
@click.option("--format", "format_", type=click.Choice(["both", "pdf", "html"]), default="both", show_default=True)
@click.option(
    "--before",
    metavar="VISIT",
    help="The visit before the repair; found by place and furnace when left out, 'none' for none.",
)
@click.option("--spoken", is_flag=True, help="Only print the summary that can be spoken in under half a minute.")
def report(visit: str, visits: Path, out: Path | None, format_: str, before: str | None, spoken: bool) -> None:
    """Make the report of a visit. VISIT: a folder, the name of a visit, its beginning, or 'last'."""
    folder = find_visit(visit, visits)
    events, torn = read_visit(folder)
    earlier = (
        None
        if before == "none"
        else read_visit(find_visit(before, visits))[0]
        if before
        else earlier_visit(folder, events)
    )
    try:
        from assistant.report.page import html, memo_sounds, pdf
        from assistant.report.spoken import spoken_summary
        from assistant.report.story import tell
    except ImportError as error:
        raise MissingLibrary(
            f"Reports need the package '{error.name}', which is not installed.", "Run: pip install 'twohands[report]'"
        ) from error
    story = tell(events, torn, earlier)
    if spoken:
        click.echo(spoken_summary(story))
        return
    to = out or folder
    sounds = memo_sounds(story, folder)
    for kind, make in (("html", lambda: html(story, sounds).encode()), ("pdf", lambda: pdf(story, sounds))):
        if format_ in ("both", kind):
            _write(to / f"report-{folder.name}.{kind}" if out else to / f"report.{kind}", make())


def find_visit(name: str, visits: Path) -> Path:
    """The folder of the visit called `name`. Raises JournalError when there is none or more than one."""
    if (Path(name) / FILE).is_file():
        return Path(name)
    there = sorted(path.parent for path in visits.glob(f"*/{FILE}"))
    if name == "last" and there:
        return max(there, key=lambda one: (one / FILE).stat().st_mtime)
    matches = [one for one in there if one.name == name] or [one for one in there if one.name.startswith(name)]
    if len(matches) == 1:
        return matches[0]
    if matches:
        raise JournalError(
            f"More than one visit begins with '{name}': {', '.join(one.name for one in matches[:5])}.",
            "Give more of the name.",
        )
    raise JournalError(
        f"There is no visit '{name}' in {visits}.", "Give its folder, or the folder of the visits with --visits."
    )


def read_visit(folder: Path) -> tuple[list[dict[str, Any]], bool]:
    """The lines of a visit. Raises JournalError, also for a journal that names no visit."""
    events, torn = read(folder)
    if not events or not all(isinstance(one, dict) for one in events) or events[0].get("kind") != "visit":
        raise JournalError(
            f"The journal in {folder.name} does not begin with a visit.", "Check that this is the folder of a visit."
        )
    return events, torn


def earlier_visit(folder: Path, events: list[dict[str, Any]]) -> list[dict[str, Any]] | None:
    """The newest visit beside this one to the same furnace at the same place, at most `BACK` earlier; None without
    one."""
    first, found = events[0], []
    if not first.get("site"):
        return None
    for path in folder.parent.glob(f"*/{FILE}"):
        if path.parent.name == folder.name:
            continue
        try:
            other, _ = read_visit(path.parent)
            gap = datetime.fromisoformat(first["at"]) - datetime.fromisoformat(other[0]["at"])
        except (JournalError, KeyError, ValueError, TypeError):
            continue
        if all(other[0].get(key) == first.get(key) for key in ("site", "equipment")) and timedelta(0) < gap <= BACK:
            found.append((gap, path.parent.name, other))
    return min(found)[2] if found else None


def _write(path: Path, content: bytes) -> None:
    try:
        private.make_folder(path.parent)
        private.write_whole(path, content)
    except OSError as error:
        raise JournalError(
            f"{path} cannot be written ({error.strerror}).", "Choose another folder with --out."
        ) from error
    click.echo(str(path))
