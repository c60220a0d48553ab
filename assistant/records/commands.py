"""`twohands records`: list, show, export and import visits."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import platformdirs

from assistant.errors import MissingLibrary
from assistant.privacy import privacy
from assistant.records.faultnames import fault_name
from assistant.records.findings import not_done, not_done_words, standing
from assistant.visit.details import details_of

if TYPE_CHECKING:
    from assistant.records.queries import Wanted
    from assistant.records.store import Store


def default_visits() -> Path:
    """Where visits are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "visits"


def default_received() -> Path:
    """Where journals from other machines are kept unless told otherwise."""
    return platformdirs.user_data_path("twohands") / "received"


DAY = click.DateTime(["%Y-%m-%d"])
MARKS = {"pass": "good", "fail": "fault", "close": "too close", "open": "open", None: "-"}


@contextmanager
def opened(url: str | None) -> Iterator[Store]:
    """The store of this machine, with visits worked out anew where the program has learnt to. Raises StoreError,
    MissingLibrary."""
    try:
        from assistant.records.importing import rederive
        from assistant.records.removing import retain
        from assistant.records.store import open_store
    except ImportError as error:
        raise MissingLibrary(
            f"The records need the package '{error.name}', which is not installed.",
            "Run: pip install 'twohands[records]'",
        ) from error
    with open_store(url) as store:
        rederive(store)
        retain(store, privacy(), time.time())
        yield store


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


def _wanted(family: str | None, since: datetime | None, until: datetime | None, **rest: Any) -> Wanted:
    from assistant.records.queries import Wanted

    stamp = [None if day is None else round(day.replace(tzinfo=UTC).timestamp() * 1000) for day in (since, until)]
    return Wanted(equipment=family, since=stamp[0], until=stamp[1], **rest)


@click.group()
@click.option(
    "--store",
    envvar="TWOHANDS_STORE",
    metavar="URL",
    help="A SQLite file or a postgresql:// URL; the user's own file by default.",
)
@click.pass_context
def records(context: click.Context, store: str | None) -> None:
    """Visits that were imported: list, show, export."""
    context.obj = store


@records.command("import")
@click.argument("paths", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.pass_obj
def import_(url: str | None, paths: tuple[Path, ...]) -> None:
    """Import journals: files, visit folders, or folders of visits. Doing it twice changes nothing."""
    with opened(url) as store:
        from assistant.records.importing import import_journals

        done = import_journals(store, paths)
    click.echo(
        f"{len(done.new)} new, {len(done.grown)} grown longer, {len(done.same)} known already, {len(done.conflicts)} in"
        " conflict."
    )
    for visit in done.conflicts:
        click.echo(
            f"  in conflict: {visit} differs from the copy in the store; both are kept. See: twohands records show"
            f" {visit}"
        )
    for visit in done.torn:
        click.echo(f"  torn: the last line of {visit} was cut short and is left out.")
    for problem in done.problems:
        click.echo(f"  not imported: {printable(problem)}", err=True)


@records.command("list")
@narrowing
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1), help="At most so many, newest first.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@click.pass_obj
def list_(url: str | None, limit: int, as_json: bool, **narrow: Any) -> None:
    """The newest visits."""
    with opened(url) as store:
        from assistant.records.queries import counted, listed

        rows, total = listed(store, _wanted(**narrow), limit), counted(store, _wanted(**narrow))
    if as_json:
        for row in rows:
            click.echo(json.dumps(row, ensure_ascii=False))
        return
    for row in rows:
        flags = "".join(
            (
                " [invented]" if row["invented"] else "",
                f" [{row['copies']} copies differ]" if (row["copies"] or 0) > 1 else "",
                " [torn]" if row["torn"] else "",
            )
        )
        _echo(
            f"{when(row['started_at'])}  {row['id']}  {row['equipment_name'] or row['equipment'] or '-'} "
            f" {row['technician'] or '-'}  {row['site'] or '-'}  {mark(row)}: {ending(row)}{flags}"
        )
    click.echo(f"{len(rows)} of {total} visits.")


@records.command()
@click.argument("visit")
@click.option("--json", "as_json", is_flag=True, help="Every journal line of the copy that is shown, as JSON lines.")
@click.pass_obj
def show(url: str | None, visit: str, as_json: bool) -> None:
    """One visit: its readings and verdicts, and where its copies differ. VISIT: a name, its beginning, or 'last'."""
    with opened(url) as store:
        from assistant.records.queries import difference, resolve, visit_copies

        found = visit_copies(store, resolve(store, visit))
    if as_json:
        for one in found[0].events:
            click.echo(json.dumps(one, ensure_ascii=False))
        return
    for line in _told(found[0].events):
        _echo(line)
    if found[0].torn:
        click.echo("The last line of the journal was cut short and is left out.")
    for other in found[1:]:
        part = difference(found[0], other)
        _echo(
            f"Conflict: another copy, from {other.origin or 'an unknown place'}, parts from this one at line"
            f" {part.place + 1}:"
        )
        _echo(f"  shown: {json.dumps(part.one, ensure_ascii=False) if part.one else 'nothing more'}")
        _echo(f"  other: {json.dumps(part.other, ensure_ascii=False) if part.other else 'nothing more'}")


@records.command()
@click.argument("to", required=False, type=click.Path(dir_okay=False, path_type=Path))
@click.pass_obj
def rates(url: str | None, to: Path | None) -> None:
    """How often each fault was found in your own visits; written to the file TO for `twohands run --rates`."""
    with opened(url) as store:
        from assistant.records.rates import learnt as learnt_from

        seen = learnt_from(store)
    from flows.faults import catalog, rates

    text = rates.written(seen.counts, seen.visits)
    learnt, shipped = rates.Rates(format=1, visits=seen.visits, counts=seen.counts).prior(), catalog.shipped_prior()
    click.echo(
        f"{seen.visits} concluded visits; {seen.gainsaid} left out because the next visit there found another fault,"
        f" {seen.unknown} because their fault is not in the list."
    )
    for name, count in sorted(seen.counts.items(), key=lambda pair: -pair[1]):
        _echo(
            f"  {count:5}  {fault_name(name)}: {100 * shipped[name]:.1f} % as shipped, {100 * learnt[name]:.1f} % now"
        )
    if to:
        to.write_text(text, encoding="utf-8")
        click.echo(f"Written: {to}. Use it with: twohands run --rates {to}")


@records.command()
@click.argument("to", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--format", "format_", type=click.Choice(["csv", "json", "parquet"]), help="By the file's ending when left out."
)
@click.option("--what", type=click.Choice(["visits", "readings", "verdicts"]), default="visits", show_default=True)
@narrowing
@click.pass_obj
def export(url: str | None, to: Path, format_: str | None, what: str, **narrow: Any) -> None:
    """Write visits, readings or verdicts to the file TO as CSV, JSON or Parquet."""
    kind = format_ or to.suffix.lstrip(".").lower()
    if kind not in ("csv", "json", "parquet"):
        raise click.UsageError("Give --format csv, json or parquet, or a file name that ends so.")
    with opened(url) as store:
        from assistant.records.export import export as write

        try:
            count = write(store, what, kind, to, _wanted(**narrow))
        except OSError as error:
            raise click.ClickException(f"{to} cannot be written: {error.strerror}. Choose another place.") from error
    click.echo(f"{count} rows in {to}.")


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


@records.command()
@click.argument("visit", nargs=-1)
@click.option("--customer", help="Every visit at this place, as `--site` named it.")
@click.option("--older-than", type=click.IntRange(1), metavar="DAYS", help="Every visit whose last line is older.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@places
@click.pass_obj
def forget(
    url: str | None,
    visit: tuple[str, ...],
    customer: str | None,
    older_than: int | None,
    yes: bool,
    visits: Path,
    received: Path,
) -> None:
    """Forget visits for good: in the store, on disk with all sound, and what other machines sent. VISIT: whole
    names."""
    from assistant.records.removing import found_everywhere, remove

    if not visit and customer is None and older_than is None:
        raise click.UsageError("Name a visit, or give --customer or --older-than.")
    with opened(url) as store:
        found = found_everywhere(store, visits, received, visit, customer, older_than, datetime.now(UTC))
        for name in sorted(set(visit) - {one.id for one in found}):
            click.echo(f"There is no visit '{name}' here.", err=True)
        if not found:
            raise click.ClickException("Nothing is here to forget.")
        for one in found:
            _echo(f"  {one.id}  {one.technician or '-'}  {one.site or '-'}  {', '.join(one.places)}")
        if not yes:
            click.confirm(f"Forget {len(found)} visits? This cannot be undone", abort=True)
        for line in remove(store, found):
            _echo(line)


@records.command()
@click.argument("visit", nargs=-1)
@places
@click.pass_obj
def verify(url: str | None, visit: tuple[str, ...], visits: Path, received: Path) -> int:
    """Find journals and copies that were changed since they were written; all of them when no VISIT is named."""
    from assistant.records.verifying import verify_all

    bad = count = 0
    with opened(url) as store:
        for one in verify_all(visits, received, store, frozenset(visit)):
            count += 1
            bad += not one.good
            _echo(
                f"  {'ok ' if one.state == 'whole' else 'old' if one.good else 'BAD'}  {one.visit}  ({one.where}) "
                f" {one.words}"
            )
    click.echo(f"{count} looked at, {bad} do not verify.")
    return 1 if bad or not count else 0


@records.command()
@click.argument("to", type=click.Path(dir_okay=False, path_type=Path))
@click.pass_obj
def backup(url: str | None, to: Path) -> None:
    """Write the whole store to the file TO. It holds names, places and speech: keep it as the store itself."""
    with opened(url) as store:
        from assistant.records.backup import backup as write

        click.echo(f"{write(store, to)} copies in {to}.")


@records.command()
@click.argument("source", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.pass_obj
def restore(url: str | None, source: Path) -> None:
    """Bring a backup back into the store, of either kind. What the store has already stays."""
    with opened(url) as store:
        from assistant.records.backup import restore as read

        done = read(store, source)
    click.echo(
        f"{len(done.new)} new, {len(done.grown)} grown longer, {len(done.same)} known already, {len(done.conflicts)} in"
        " conflict."
    )
    for problem in done.problems:
        _echo(f"  not restored: {problem}")


def _echo(line: str) -> None:
    """One line; marks that could steer the terminal are shown as what they are."""
    click.echo(printable(line))


def printable(line: str) -> str:
    """A line without marks that could steer a terminal; they are shown as what they are."""
    return "".join(one if one.isprintable() else f"\\x{ord(one):02x}" for one in line)


def when(at: int | None) -> str:
    """Milliseconds since 1970 as local date and minute."""
    return "-" if at is None else local_time(at).strftime("%Y-%m-%d %H:%M")


def local_time(at: int) -> datetime:
    """Milliseconds since 1970 as local time; what no calendar holds is the nearest that it does."""
    return datetime.fromtimestamp(min(max(at / 1000, 86_400.0), 2**37), UTC).astimezone()


def mark(row: dict[str, Any]) -> str:
    """The verdict in a word; a visit that was not finished is never called good, and a danger comes before
    everything."""
    return "DANGER" if row["danger"] else MARKS.get(row["outcome"], "-")


def ending(row: dict[str, Any]) -> str:
    """What stands and what was found, and how the visit ended, in a few words."""
    told = [row["danger"]] if row["danger"] else []
    if row["found"] and not (row["danger"] and fault_name(row["found"]) in row["danger"]):
        told.append(fault_name(row["found"]) + (", mended" if _is_mended(row) else ""))
    elif row["how"] == "finished" and not row["not_done"] and not told:
        told.append("no one fault named" if row["outcome"] in ("fail", "close") else fault_name(None))
    if row["how"] != "finished":
        told.append(ENDINGS.get(row["how"] or "", "not ended"))
    if row["not_done"]:
        missing = not_done_words(tuple(row["not_done"].split(", ")))
        told.append(missing[:1].lower() + missing[1:].rstrip("."))
    return "; ".join(told)


ENDINGS = {"stopped": "stopped before the end", "gas": "ended by a gas alarm", "interrupted": "interrupted"}


def _is_mended(row: dict[str, Any]) -> bool:
    """Whether what was found was mended in the visit itself and read again."""
    return row["outcome"] == "pass" or bool(row["mended"] and not row["fault"])


def _told(events: list[dict[str, Any]]) -> Iterator[str]:
    first = events[0]
    yield (
        f"{first.get('visit')}: {first.get('procedure_title') or first.get('procedure')},"
        f" {first.get('equipment_name')}, {first.get('meter_name')}{' (invented)' if first.get('invented') else ''}"
    )
    yield (
        f"{first.get('technician') or 'technician not named'}, {first.get('site') or 'site not named'},"
        f" {first.get('at')}"
    )
    for title, text, how in details_of(events).told():
        yield f"{title}: {text}{f' ({how})' if how else ''}"
    for danger in standing(events):
        yield f"  {'DANGER':>9}  {danger.short}: {danger.text}"
    if missing := not_done(events):
        yield f"  {'not done':>9}  {', '.join(missing)}"
    for one in events:
        kind = one.get("kind")
        if kind == "verdict":
            yield f"  {MARKS.get(one.get('outcome'), '?'):>9}  {one.get('step')}: {one.get('text')}"
        elif kind == "skipped":
            yield f"  {'skipped':>9}  {one.get('step')}: {one.get('why') or 'no reason given'}"
        elif kind == "retaken":
            yield f"  {'retaken':>9}  {one.get('step')}: the reading before this was taken back"
        elif kind == "order":
            yield f"  {'forward':>9}  {one.get('step')}: {one.get('why') or 'it tells the most'}"
        elif kind == "safety":
            words = one.get("text") if one.get("stands") is not False else f"{one.get('finding')} no longer stands"
            yield f"  {'DANGER' if one.get('stands') is not False else 'put right':>9}  {one.get('step')}: {words}"
        elif kind == "fix":
            yield (
                f"  {'mended':>9}  {one.get('step')}: stopped to mend it"
                f" ({str(one.get('finding') or 'named').replace('_', ' ')})"
            )
        elif kind == "alarm":
            yield f"  {'ALARM':>9}  {one.get('what')} at {one.get('step')}"
        elif kind == "end":
            yield f"  {'end':>9}  {one.get('how')}: {one.get('summary') or ''}"
