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

from assistant.errors import MissingLibrary
from assistant.privacy import privacy
from assistant.records.faultnames import fault_name
from assistant.records.lines import ending, mark, printable, told, when
from assistant.records.options import narrowing, places, wanted

if TYPE_CHECKING:
    from assistant.records.store import Store


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

        rows, total = listed(store, wanted(**narrow), limit), counted(store, wanted(**narrow))
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
    for line in told(found[0].events):
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
            count = write(store, what, kind, to, wanted(**narrow))
        except OSError as error:
            raise click.ClickException(f"{to} cannot be written: {error.strerror}. Choose another place.") from error
    click.echo(f"{count} rows in {to}.")


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
