"""`twohands check`: what is here, how loud the room is, what to install."""

from __future__ import annotations

import click

from assistant.commands import room_check
from assistant.visit.assemble import choosing_devices


@click.command()
@choosing_devices
def check(microphone: str, loudspeaker: str) -> int:
    """Find microphone and loudspeaker, record the room, name the engine and the voice in use.

    Every microphone and loudspeaker is listed with its number; --microphone and --loudspeaker choose one here and in
    run, practice and voice. Be quiet for two seconds while it listens. What is missing is named with the command that
    installs it."""
    findings = room_check.check(microphone=microphone, loudspeaker=loudspeaker)
    for finding in findings:
        click.echo(f"{'ok  ' if finding.good else 'MISS'}  {finding.what:12} {finding.text}")
        for one in finding.devices:
            click.echo(f"      {'':12} {one}")
    return 0 if all(finding.good for finding in findings) else 1
