"""All that the desk's pages and interfaces share, and who is asking."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.requests import Request

from assistant.desk.access import Access, Client
from assistant.desk.errors import Refused
from assistant.desk.live import Live
from assistant.desk.received import Received
from assistant.desk.watch import Watch
from assistant.records.across import revision
from assistant.records.store import Store
from assistant.visit.journal_door import Broken, json_value
from grammar.guards import LINE_DEPTH

COOKIE = "twohands_desk"
LARGEST_BODY = 2_000_000
"""Bytes of one request."""
DEEPEST = LINE_DEPTH + 2
"""Of a request's JSON: lines in a list in an object."""
MOST_KEPT = 200
"""Answers kept; with more of them all are let go."""


@dataclass
class Kept:
    """Answers across visits, kept until the next import. Used by several threads: at worst one makes an answer
    again."""

    answers: dict[Any, tuple[int, Any]] = field(default_factory=dict)

    def get(self, store: Store, key: tuple[Any, ...], make: Callable[[], Any]) -> Any:
        """The answer called `key`, made by `make` when the store has changed since or it was never made."""
        now = revision(store)
        made, answer = self.answers.get(key, (-1, None))
        if made != now:
            answer = make()
            if len(self.answers) >= MOST_KEPT:
                self.answers.clear()
            self.answers[key] = (now, answer)
        return answer


@dataclass
class Desk:
    """One desk. visits: the folder of this machine's visits, or None. names: host names it answers to, besides
    addresses.
    closing: whether the desk is about to close, so that open streams end.

    refused: journals that could not be stored or followed, and why.
    wall: seconds since 1970. secure: served over TLS.
    """

    store: Store
    access: Access
    live: Live
    received: Received
    visits: Path | None
    wall: Callable[[], float]
    names: frozenset[str] = frozenset({"localhost"})
    secure: bool = False
    watches: dict[str, Watch] = field(default_factory=dict)
    closing: Callable[[], bool] = lambda: False
    kept: Kept = field(default_factory=Kept)
    keeping: set[asyncio.Task[Any]] = field(default_factory=set)
    refused: dict[str, str] = field(default_factory=dict)


def desk_of(request: Request) -> Desk:
    return request.app.state.desk


def client_of(request: Request) -> Client:
    return Client(request.client.host if request.client else "", request.headers.get("user-agent", ""))


def signed_in(request: Request) -> bool:
    return desk_of(request).access.session(request.cookies.get(COOKIE), client_of(request))


def may_look(request: Request) -> None:
    """A session or the look token. Raises Refused."""
    if "authorization" in request.headers:
        desk_of(request).access.bearer(request.headers["authorization"], client_of(request), sending=False)
    elif not signed_in(request):
        raise Refused(401, "You are not signed in.", "Open the page again with the token that the desk printed.")


def may_send(request: Request) -> None:
    """The send token. Raises Refused."""
    desk_of(request).access.bearer(request.headers.get("authorization"), client_of(request), sending=True)


def same_origin(request: Request) -> None:
    """A form that changes something must come from our own page. Raises Refused."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    ours = f"{request.url.scheme}://{request.headers.get('host', '')}"
    if site not in (None, "same-origin", "none") or (origin not in (None, ours)):
        raise Refused(403, "This came from another page.", "Sign in from the desk's own page.")


async def body_of(request: Request, largest: int = LARGEST_BODY) -> bytes:
    """The request's body. Raises Refused when it is too large."""
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > largest:
            raise Refused(413, "The request is too large.", f"Send at most {largest} bytes at a time.")
        parts.append(part)
    return b"".join(parts)


def json_of(body: bytes) -> Any:
    """Strict JSON, no deeper than a list of journal lines is. Raises Refused."""
    try:
        return json_value(body, DEEPEST)
    except Broken:
        raise Refused(400, "The body is not JSON.", "Send a JSON object in UTF-8.") from None
