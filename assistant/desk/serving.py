"""How the desk serves, so that it can be left running: limits on connections, headers, bodies and time.

Uvicorn limits the size of headers, idle connections and requests at once. It
waits for ever for a request that was begun and not finished; that is limited
here. When every place is taken, the connection that has waited longest
without a whole request makes room for the new one, so that half-open
requests, however many, cannot keep anybody out.
"""

from __future__ import annotations

import asyncio
import resource
from pathlib import Path
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

CONNECTIONS = 256
"""At once, all together."""
HEAD_BYTES = 16_384
HEAD_SECONDS = 10.0
"""From a connection's first moment, or a next request's first byte, to the end of its headers."""
BODY_SECONDS = 60.0
"""From the end of the headers to the end of the body."""
IDLE_SECONDS = 15
GRACE = 3
"""Seconds that open streams get when the desk is closed."""
OPEN_FILES = 8_192


class Limited(H11Protocol):
    """Uvicorn's HTTP protocol with a limit on the time of a request, and on connections."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._due: asyncio.TimerHandle | None = None
        self._waits_for: Any = None
        self._began = self.loop.time()
        self._watch()
        if len(self.connections) > CONNECTIONS:
            waiting = [
                one for one in self.connections if one is not self and isinstance(one, Limited) and one.is_waiting
            ]
            leaves = min(waiting, key=lambda one: one._began) if waiting else self
            # Not only when the loop comes round to it: many may come at once.
            self.connections.discard(leaves)
            leaves.transport.abort()

    @property
    def is_waiting(self) -> bool:
        """Whether no request is being answered."""
        return self.conn.their_state is h11.IDLE and (self.cycle is None or self.cycle.response_complete)

    def data_received(self, data: bytes) -> None:
        if self.conn.their_state is h11.IDLE:
            # h11 measures only headers that are not whole yet; those that come in one piece are measured here.
            begun = self.conn.trailing_data[0] + data
            if len(begun) > HEAD_BYTES and b"\r\n\r\n" not in begun[: HEAD_BYTES + 4]:
                self.send_400_response("The headers are too large.")
                return
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        self._unwatch()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        self._unwatch()
        super().on_response_complete()
        self._began = self.loop.time()

    def _watch(self) -> None:
        """Set the time for what is waited for now; more bytes of the same do not set it back."""
        state = self.conn.their_state
        if state is self._waits_for:
            return
        self._unwatch()
        seconds = {h11.IDLE: HEAD_SECONDS, h11.SEND_BODY: BODY_SECONDS}.get(state)
        if seconds is not None:
            self._waits_for = state
            self._due = self.loop.call_later(seconds, self.transport.abort)

    def _unwatch(self) -> None:
        if self._due is not None:
            self._due.cancel()
        self._due, self._waits_for = None, None


def configuration(
    app: Any, certificate: Path | None = None, key: Path | None = None, proxied: bool = False
) -> uvicorn.Config:
    """Uvicorn's settings with all its limits. proxied: a reverse proxy on this machine says who asks, and by which
    scheme."""
    return uvicorn.Config(
        app,
        http=Limited,
        ws="none",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=proxied,
        forwarded_allow_ips="127.0.0.1,::1",
        limit_concurrency=CONNECTIONS + 64,
        h11_max_incomplete_event_size=HEAD_BYTES,
        timeout_keep_alive=IDLE_SECONDS,
        timeout_graceful_shutdown=GRACE,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )


def allow_files() -> None:
    """Let this process have as many open files as the system allows it, up to what the limits need with room to
    spare."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = OPEN_FILES if hard == resource.RLIM_INFINITY else min(OPEN_FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
