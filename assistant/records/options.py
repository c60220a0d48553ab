"""Options that several commands of `twohands records` take: what narrows a list, and where journals lie."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import platformdirs

if TYPE_CHECKING:
    from assistant.records.queries import Wanted


def default_visits() -> Path:
    """Where visits are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "visits"


def default_received() -> Path:
    """Where journals from other machines are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "received"


DAY = click.DateTime(["%Y-%m-%d"])


def narrowing(command: Any) -> Any:
    """The options that narrow a list."""
    for option in (
        click.option("--danger", is_flag=True, help="Only visits in which a danger stands."),
        click.option("--conflict", is_flag=True, help="Only visits that were imported in two versions."),
        click.option("--text", help="Found in the visit's name, site, technician, summary or numbers."),
        click.option("--until", type=DAY, help="Only visits before this day, 2026-03-02."),
        click.option("--since", type=DAY, help="Only visits on or after this day."),
        click.option("--site", help="Only this site."),
        click.option("--technician", help="Only this technician."),
        click.option(
            "--outcome",
            type=click.Choice(["pass", "fail", "close", "open"]),
            help="Only visits whose worst verdict is this; open: good so far, and not all was done.",
        ),
        click.option("--fault", help="Only this fault, or 'none'."),
        click.option("--family", help="Only this equipment family."),
    ):
        command = option(command)
    return command


def wanted(family: str | None, since: datetime | None, until: datetime | None, **rest: Any) -> Wanted:
    """What the options of `narrowing` ask for."""
    from assistant.records.queries import Wanted

    stamp = [None if day is None else round(day.replace(tzinfo=UTC).timestamp() * 1000) for day in (since, until)]
    return Wanted(equipment=family, since=stamp[0], until=stamp[1], **rest)


place_options = (
    click.option(
        "--visits",
        type=click.Path(file_okay=False, path_type=Path),
        default=default_visits,
        help="Folder of this machine's visits.",
    ),
    click.option(
        "--received",
        type=click.Path(file_okay=False, path_type=Path),
        default=default_received,
        help="Folder of the journals that other machines sent.",
    ),
)


def places(command: Any) -> Any:
    """The options that say where journals lie."""
    for option in reversed(place_options):
        command = option(command)
    return command
