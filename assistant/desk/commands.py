"""`twohands desk`: serve the trainer's page; `twohands desk send`: bring journals to one."""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import time
from pathlib import Path

import click
import platformdirs

from assistant import private
from assistant.desk.errors import DeskError, SendError
from assistant.errors import MissingLibrary
from assistant.records.options import default_received, default_visits
from assistant.report.commands import find_visit


@click.group(invoke_without_command=True)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to answer on. Anything but this machine's own needs --certificate.",
)
@click.option("--port", default=8765, show_default=True, type=click.IntRange(0, 65535))
@click.option(
    "--visits",
    type=click.Path(file_okay=False, path_type=Path),
    default=default_visits,
    help="Folder of this machine's visits, shown live.",
)
@click.option(
    "--store",
    envvar="TWOHANDS_STORE",
    metavar="URL",
    help="A SQLite file or a postgresql:// URL; the user's own file by default.",
)
@click.option(
    "--received", type=click.Path(file_okay=False, path_type=Path), help="Folder for journals that other machines send."
)
@click.option(
    "--audit",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File in which each entry and each refusal is noted.",
)
@click.option(
    "--certificate", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="TLS certificate (PEM)."
)
@click.option(
    "--key", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="The certificate's key (PEM)."
)
@click.option(
    "--name", "names", multiple=True, help="A host name by which the desk may be opened; may be given more than once."
)
@click.option(
    "--behind-proxy",
    is_flag=True,
    help="A reverse proxy on this machine does TLS and says who asks; see assistant/desk/proxy.example.conf.",
)
@click.option(
    "--unprotected", is_flag=True, help="Answer on other addresses without TLS: tokens and records go in the clear."
)
@click.pass_context
def desk(
    context: click.Context,
    host: str,
    port: int,
    visits: Path,
    store: str | None,
    received: Path | None,
    audit: Path | None,
    certificate: Path | None,
    key: Path | None,
    names: tuple[str, ...],
    behind_proxy: bool,
    unprotected: bool,
) -> None:
    """Show visits on a local page: live, their history, and what shows only across many.

    Prints a link with a token to look, and a token with which other machines may send.
    """
    if context.invoked_subcommand:
        return
    if not _own(host) and not (certificate and key) and not unprotected:
        raise DeskError(
            "The desk would be open to the network without TLS.",
            "Give --certificate and --key, or --unprotected if you know that this network is safe.",
        )
    if behind_proxy and (certificate or not _own(host)):
        raise DeskError(
            "Behind a proxy the desk answers to this machine alone, and the proxy has the certificate.",
            "Leave --host and --certificate out, or --behind-proxy.",
        )
    if bool(certificate) != bool(key):
        raise DeskError("A certificate needs its key, and a key its certificate.", "Give both --certificate and --key.")
    try:
        import uvicorn

        from assistant.desk.access import Access
        from assistant.desk.app import make_app
        from assistant.desk.audit import Audit
        from assistant.desk.context import Desk
        from assistant.desk.live import Live
        from assistant.desk.received import Received
        from assistant.desk.serving import allow_files, configuration
        from assistant.desk.watch import Watch
        from assistant.records.commands import opened
    except ImportError as error:
        raise MissingLibrary(
            f"The desk needs the package '{error.name}', which is not installed.",
            "Run: pip install 'twohands[desk,records,report]'",
        ) from error
    with opened(store) as records, _bound(host, port) as listening:
        access = Access.fresh(time.monotonic)
        access.note = Audit(audit or platformdirs.user_data_path("twohands") / "desk-audit.jsonl", time.time).note
        place = received or default_received()
        private.make_folder(place)
        allow_files()
        desk_ = Desk(
            records,
            access,
            Live(time.monotonic),
            Received(place),
            visits,
            time.time,
            names=frozenset({"localhost", *(name.lower() for name in names)}),
            secure=bool(certificate) or behind_proxy,
            watches={"here": Watch(visits, time.time)},
        )
        shown = f"[{host}]" if ":" in host else host
        address = f"{'https' if certificate else 'http'}://{shown}:{listening.getsockname()[1]}"
        click.echo(f"Open:  {address}/#token={access.look}")
        click.echo(f"Send:  --desk {address} with TWOHANDS_DESK_TOKEN={access.send}")
        server = uvicorn.Server(configuration(make_app(desk_), certificate, key, behind_proxy))
        desk_.closing = lambda: server.should_exit
        # Ctrl-C and SIGTERM are the ways to close a desk, and come up here once it is closed.
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[listening])


@desk.command()
@click.argument("visit", nargs=-1, required=True)
@click.option("--desk", "url", required=True, metavar="URL", help="The desk's address.")
@click.option(
    "--token", envvar="TWOHANDS_DESK_TOKEN", required=True, help="Its send token; better given as TWOHANDS_DESK_TOKEN."
)
@click.option(
    "--ca",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Certificate to check the desk against, when a shop made its own.",
)
@click.option(
    "--visits", type=click.Path(file_okay=False, path_type=Path), default=default_visits, help="Folder of the visits."
)
@click.option(
    "--wait", default=60.0, show_default=True, help="Seconds to go on trying while the desk cannot be reached."
)
def send(visit: tuple[str, ...], url: str, token: str, ca: Path | None, visits: Path, wait: float) -> None:
    """Send journals that a desk lacks. Only the journal goes, no sound. Sending again changes nothing."""
    from assistant.desk.send import Post, Sender

    post, failed = Post(url, token, ca), False
    for name in visit:
        folder = find_visit(name, visits)
        sender = Sender(folder, post)
        sender.start()
        left = sender.stop(wait)
        if sender.gave_up:
            raise sender.gave_up
        failed |= left > 0
        click.echo(f"{folder.name}: {f'{left} lines still wait ({sender.trouble})' if left else 'all at the desk'}.")
    if failed:
        raise SendError(
            "Not everything has arrived.",
            "Run the same command again when the network is back; nothing is lost or doubled.",
        )


def _own(host: str) -> bool:
    """Whether only this machine can reach the address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _bound(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        # With the protocol named, asyncio turns off the delay that would hold each small answer back for 40 ms.
        listening = socket.socket(family, kind, protocol)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        # Already now: whoever opens the printed link at once waits for the server and is not refused.
        listening.listen(128)
    except OSError as error:
        raise DeskError(
            f"The desk cannot answer on {host}, port {port} ({error.strerror}).",
            "Choose another with --host and --port.",
        ) from error
    return listening
