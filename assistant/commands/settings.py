"""`twohands settings`: show and change what is the same for every command."""

from __future__ import annotations

import click

from assistant import settings as kept


@click.command()
@click.argument("name", required=False, type=click.Choice(kept.KEYS), metavar="[NAME]")
@click.argument("value", required=False)
@click.option("--remove", is_flag=True, help="Take NAME out again.")
def settings(name: str | None, value: str | None, remove: bool) -> int:
    """What is set and where the file is; NAME VALUE sets one.

    NAME: technician, company, licence, equipment, meter, language, rate, voice (natural or espeak), engine, my_voice,
    microphone, loudspeaker, interrupt, keep_sound or talk (learner, usual, brief).
    What stands on the command line goes before it; --microphone "" takes the default device.
    """
    if remove and (name is None or value is not None):
        raise click.UsageError("Give --remove with the NAME of one setting, and no value.")
    if name is None:
        return _shown()
    known = None if value is not None or remove else kept.settings().all_set.get(name)
    if value is None and not remove:
        click.echo(known if known is not None else f"{name} is not set. Set it: twohands settings {name} VALUE")
        return 0 if known is not None else 1
    path = kept.set_one(name, value)
    click.echo(f"{name} is no longer set. File: {path}" if remove else f"{name} is set. File: {path}")
    return 0


def _shown() -> int:
    # First, so that a file that is wrong can be found.
    click.echo(f"File: {kept.place()}{'' if kept.place().exists() else ' (not there yet)'}")
    found = kept.settings().all_set
    for name, value in found.items():
        click.echo(f"{name:12} {value}")
    if not found:
        click.echo(f"Nothing is set. These can be: {', '.join(kept.KEYS)}.")
    return 0
