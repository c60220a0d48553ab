"""`twohands model`: list, fetch and remove recogniser models."""

from __future__ import annotations

import click

from assistant.models import placed as models


@click.group()
def model() -> None:
    """List, fetch and remove Vosk models. Without one, PocketSphinx listens with the model from its wheel."""


@model.command("list")
def list_models() -> None:
    """What is on this machine and what is known."""
    for one in models.listing():
        size = f"{one.bytes / 1e6:.0f} MB" if one.bytes else ""
        click.echo(f"{one.name:32} {size:>8}  {one.state}  {one.about}")
    click.echo(f"\nBy hand: {models.by_hand()}")


@model.command()
@click.argument("name", default="")
@click.option("--url", default="", help="Fetch from this address instead; needs --sha256.")
@click.option("--sha256", default="", help="The archive's SHA-256, 64 hexadecimal digits.")
def fetch(name: str, url: str, sha256: str) -> None:
    """Fetch a model by NAME, or from an address with its hash. Goes on where an earlier try stopped."""
    if not name and not url:
        raise click.UsageError("Give a NAME, or --url with --sha256. `twohands model list` shows the names.")
    with click.progressbar(length=100, label="Fetching", show_eta=True) as bar:

        def progress(done: int, total: int | None) -> None:
            if total:
                bar.length = total
                bar.update(done - bar.pos)

        got = models.fetch(name, url, sha256, progress=progress)
    click.echo(f"{got.name} is ready in {got.folder}.")


@model.command()
@click.argument("name")
def remove(name: str) -> None:
    """Remove a model by NAME."""
    models.remove(name)
    click.echo(f"{name} is removed.")
