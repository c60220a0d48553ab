"""The desk under fuzz: whole requests, through the application as a server hands them on; and backups of its store."""

from __future__ import annotations

import asyncio
import functools
import json
import shutil
import time
from collections import Counter
from typing import Any

from tests.lab.measure.fuzz_common import folder, refused, visits


class Desk:
    """An application without a socket, a store with twelve visits behind it, and one loop."""

    def __init__(self) -> None:
        from assistant.desk.access import Access
        from assistant.desk.app import make_app
        from assistant.desk.context import Desk as Parts
        from assistant.desk.live import Live
        from assistant.desk.received import Received
        from assistant.records.importing import Journal, import_events
        from assistant.records.store import open_store

        self.place = folder() / "desk"
        (self.place / "visits").mkdir(parents=True)
        self.store = open_store(str(self.place / "store.sqlite"))
        import_events(self.store, [Journal(events, False, "") for events in visits()])
        self.access = Access.fresh(time.monotonic)
        self.parts = Parts(
            self.store,
            self.access,
            Live(time.monotonic),
            Received(self.place / "received"),
            self.place / "visits",
            time.time,
        )
        self.app = make_app(self.parts)
        self.loop = asyncio.new_event_loop()
        self.count = 0

    def ask(
        self, method: str, path: bytes, query: bytes, headers: list[tuple[bytes, bytes]], body: bytes
    ) -> tuple[int, list[tuple[bytes, bytes]], bytes]:
        """One request; status, headers and body. Raises what the application raises."""
        from urllib.parse import unquote

        self.count += 1
        if self.count % 2000 == 0:
            shutil.rmtree(self.place / "received", ignore_errors=True)
            self.parts.live.visits.clear()
            self.parts.refused.clear()
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": unquote(path.decode("latin-1")),
            "raw_path": path,
            "root_path": "",
            "query_string": query,
            "headers": headers,
            "client": ("127.0.0.1", 5),
            "server": ("127.0.0.1", 80),
        }
        sent: list[dict[str, Any]] = []
        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            return given.pop(0) if given else {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            sent.append(message)

        async def whole() -> None:
            await asyncio.wait_for(self.app(scope, receive, send), 300)
            if self.parts.keeping:
                await asyncio.gather(*self.parts.keeping)

        self.loop.run_until_complete(whole())
        return sent[0]["status"], sent[0].get("headers", []), b"".join(one.get("body", b"") for one in sent[1:])

    def look(self, path: str) -> tuple[int, list[tuple[bytes, bytes]], bytes]:
        """A page, asked for with the token to look."""
        headers = [(b"host", b"127.0.0.1"), (b"authorization", f"Bearer {self.access.look}".encode())]
        return self.ask("GET", path.encode(), b"", headers, b"")


@functools.cache
def desk() -> Desk:
    return Desk()


PATHS = [
    "/api/visits",
    "/api/visits/{visit}",
    "/api/faults",
    "/api/boards",
    "/api/drift",
    "/api/progress",
    "/api/openapi.json",
    "/history",
    "/visit/{visit}",
    "/faults",
    "/boards",
    "/drift",
    "/",
    "/static/desk.js",
    "/visit/{visit}/audio/0001.flac",
    "/visit/{visit}/report.html",
]


def desk_seeds() -> list[bytes]:
    name = str(visits()[0][0]["visit"])
    found = []
    for path in PATHS:
        for other in ("none", "wrong", "send", "cookie abc", "basic bG9vazpsb29r"):
            found.append(f"GET {path.format(visit=name)}\n{other}\n\n".encode())
        for query in (
            "",
            "?since=2024-01-01&until=2025-01-01",
            "?text=row&limit=5&outcome=fail",
            "?after_at=1700000000000&after_id=x",
            "?probe=flame_current&conflict=true",
        ):
            found.append(f"GET {path.format(visit=name)}{query}\nlook\n\n".encode())
            found.append(f"GET {path.format(visit=name)}{query}\nnone\n\n".encode())
    lines = [dict(one.items()) for one in visits()[1][:6]]
    lines[0]["visit"] = "v-1"
    for place, part in ((0, lines[:1]), (0, lines), (1, lines[1:3])):
        body = json.dumps({"place": place, "events": part})
        found += [f"POST /api/received/m-1/v-1\nsend\n{body}".encode()] * 8
        found += [f"POST /api/received/m-1/v-1\n{other}\n{body}".encode() for other in ("none", "wrong", "look")]
    found += [
        b"GET /api/received/m-1/v-1\nsend\n",
        b"POST /session\nnone\ntoken=abc",
        b"POST /session\nnone\ntoken=%ff%00&token=2",
        b"POST /session/end\nlook\n",
    ] * 4
    return found


TALLY: Counter[str] = Counter()
"""Requests by what they came with, and the entries that came of those without the right token."""


def feed_desk(raw: bytes) -> bool:
    """Lines: method and target, whose token, then the body. What comes in without the token that is needed there, and
    is no page for everybody, counts as an entry, which is a find."""
    from assistant.desk.context import COOKIE

    first, _, rest = raw.partition(b"\n")
    token, _, body = rest.partition(b"\n")
    method, _, target = first.partition(b" ")
    target = target if target.startswith(b"/") else b"/" + target
    path, _, query = target.replace(b"\r", b"").replace(b" ", b"%20").partition(b"?")
    if path.startswith(b"/api/live") or path.endswith(b".pdf") or len(target) > 16_000:
        return False
    one = desk()
    headers = [(b"host", b"127.0.0.1"), (b"user-agent", b"fuzz")]
    right = {b"look": one.access.look, b"send": one.access.send}.get(token)
    shown = token[:300].replace(b"\r", b"").replace(b"\0", b"")
    if right:
        kind = f"with the token to {token.decode()}"
        headers.append((b"authorization", f"Bearer {right}".encode()))
    elif token == b"none":
        kind = "without a token"
    elif token.startswith(b"cookie "):
        kind = "with a made-up session"
        headers.append((b"cookie", COOKIE.encode() + b"=" + shown[7:]))
    else:
        kind = "with a wrong token"
        headers.append((b"authorization", shown if token.startswith(b"basic ") else b"Bearer " + shown))
    TALLY[kind] += 1
    status, answered, answer = one.ask(method.decode("latin-1").upper() or "GET", path, query, headers, body)
    assert status < 500 or status == 501, f"{status} {answer[:200]!r}"
    receiving = path.startswith(b"/api/received")
    entitled = right is not None and receiving == (token == b"send")
    cookie = any(name.lower() == b"set-cookie" and b"max-age=0" not in value.lower() for name, value in answered)
    public = path.rstrip(b"/") == b"" or b"/static" in path
    came_in = (status < 300 and not public) or cookie or visits()[0][0]["technician"].encode() in answer
    if not entitled and came_in:
        TALLY[f"entries {kind}"] += 1
        raise AssertionError(f"an entry {kind}: {path!r}, {status}")
    if not entitled:
        TALLY[f"turned away {kind}" if not public else f"a page for everybody {kind}"] += 1
    return status < 400


def desk_tally() -> str:
    return ", ".join(f"{count} {name}" for name, count in sorted(TALLY.items()))


def backup_seeds() -> list[bytes]:
    import gzip

    from assistant.records.backup import backup
    from assistant.records.importing import Journal, import_events
    from assistant.records.store import open_store

    # A few visits of a few lines: what is in doubt is the file around them, and short ones are quickly read.
    with open_store(str(folder() / "few.sqlite")) as store:
        import_events(store, [Journal([events[0], *events[-12:]], False, "") for events in visits()[:4]])
        backup(store, folder() / "b.gz")

    return [
        gzip.decompress((folder() / "b.gz").read_bytes()),
        b'{"twohands":"records","format":1}\n{"copies":0,"digest":"x"}\n',
    ]


def feed_backup(raw: bytes) -> bool:
    import gzip

    from assistant.records.backup import _copies

    path = folder() / "fed.gz"
    path.write_bytes(gzip.compress(raw, 1))
    return not refused(lambda: list(_copies(path)))
