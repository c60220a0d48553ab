"""`twohands check`: what is here, how loud the room is, what to install."""

from __future__ import annotations

import click

from assistant.commands import room_check
from assistant.visit.assemble import choosing_devices
from assistant.visit.interrupting import interrupt_option


@click.command()
@choosing_devices
@interrupt_option("auto")
def check(microphone: str, loudspeaker: str, interrupt: str) -> int:
    """Find microphone and loudspeaker, record the room, name the engine and the voice in use.

    Every microphone and loudspeaker is listed with its number; --microphone and --loudspeaker choose one here and in
    run, practice and voice. Be quiet for two seconds while it listens, and while it plays a short sound to find out
    whether the microphone hears the loudspeaker. What is missing is named with the command that installs it."""
    findings = room_check.check(microphone=microphone, loudspeaker=loudspeaker, interrupt=interrupt)
    for finding in findings:
        click.echo(f"{'ok  ' if finding.good else 'MISS'}  {finding.what:12} {finding.text}")
        for one in finding.devices:
            click.echo(f"      {'':12} {one}")
    return 0 if all(finding.good for finding in findings) else 1
