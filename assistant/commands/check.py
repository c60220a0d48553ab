"""`twohands check`: what is here, how loud the room is, what to install."""

from __future__ import annotations

import click

from assistant.commands import room_check


@click.command()
def check() -> int:
    """Find microphone and loudspeaker, record the room, name the engine and the voice in use.

    Be quiet for two seconds while it listens. What is missing is named with the command that installs it.
    """
    findings = room_check.check()
    for finding in findings:
        click.echo(f"{'ok  ' if finding.good else 'MISS'}  {finding.what:12} {finding.text}")
    return 0 if all(finding.good for finding in findings) else 1
