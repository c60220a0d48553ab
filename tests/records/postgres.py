"""A PostgreSQL server of one's own, for as long as a block runs."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def _programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    on_path = shutil.which("initdb")
    if not found and not on_path:
        raise RuntimeError("PostgreSQL is needed: apt-get install postgresql")
    return found[-1].parent if found else Path(str(on_path)).parent


def _as_user() -> list[str]:
    """PostgreSQL refuses to run as root; Debian's package brings a user for it."""
    if os.geteuid() != 0:
        return []
    user = pwd.getpwnam("postgres")
    return ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]


@contextmanager
def server(settings: str = "-c fsync=off") -> Iterator[str]:
    """URL of the `postgres` database of a running server of its own. settings: more of its options."""
    programs, prefix = _programs(), _as_user()
    home = Path(
        subprocess.run(
            [*prefix, "mktemp", "-d", "/tmp/twohands-pg-XXXXXX"], check=True, capture_output=True, text=True
        ).stdout.strip()
    )
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = home / "data"
    subprocess.run(
        [
            *prefix,
            str(programs / "initdb"),
            "-D",
            str(data),
            "-U",
            "tester",
            "-A",
            "trust",
            "-N",
            "--no-instructions",
            "-E",
            "UTF8",
            "--locale=C.UTF-8",
        ],
        check=True,
        capture_output=True,
        cwd="/",
    )
    options = f"-p {port} -k {home} -c listen_addresses=127.0.0.1 -c max_connections=40 {settings}"
    start = [*prefix, str(programs / "pg_ctl"), "-D", str(data), "-w", "-l", str(home / "log"), "-o", options, "start"]
    subprocess.run(start, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/")
    try:
        yield f"postgresql://tester@127.0.0.1:{port}/postgres"
    finally:
        subprocess.run(
            [*prefix, str(programs / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop"],
            check=True,
            stdout=subprocess.DEVNULL,
            cwd="/",
        )
        subprocess.run([*prefix, "rm", "-rf", str(home)], check=True)
