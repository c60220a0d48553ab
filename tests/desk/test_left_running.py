"""A desk that people leave running: half-open requests, slow ones, huge ones, odd journals beside good ones."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from assistant.desk import serving
from assistant.desk.app import make_app
from assistant.desk.received import Received
from assistant.desk.watch import Tail, Watch
from assistant.report.scale import mark_text, scale_of
from tests.desk.conftest import bound, eventually

FIRST = {"v": 1, "seq": 1, "at": "2026-03-02T09:00:00+00:00", "kind": "visit", "visit": "v-1"}


@pytest.fixture
def limited(served: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, int]]:
    """The same desk again, served with the limits of the command and shorter times."""
    import threading

    monkeypatch.setattr(serving, "HEAD_SECONDS", 2.0)
    monkeypatch.setattr(serving, "BODY_SECONDS", 2.0)
    serving.allow_files()
    listening = bound()
    listening.listen(2048)
    app = make_app(served.desk)
    app.router.lifespan_context = _nothing
    server = uvicorn.Server(serving.configuration(app))
    threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
    eventually(lambda: server.started)
    yield listening.getsockname()
    server.should_exit = True


@contextlib.asynccontextmanager
async def _nothing(app: Any):
    yield


def ask(place: tuple[str, int], head: str, body: bytes = b"", seconds: float = 5.0) -> bytes:
    """A request as raw bytes and all that comes back."""
    with socket.create_connection(place, timeout=seconds) as one:
        one.sendall(head.replace("\n", "\r\n").encode() + b"\r\n\r\n" + body)
        found = b""
        with contextlib.suppress(TimeoutError, ConnectionError):
            while piece := one.recv(65536):
                found += piece
        return found


PATIENCE = 120
"""Seconds; the limits that are tested are two."""


def closed_by(one: socket.socket, more: bytes = b"") -> bool:
    """Whether the other side ends the connection, unless it says that all is well. more: sent again and again
    meanwhile."""
    deadline, found = time.monotonic() + PATIENCE, b""
    one.settimeout(0.05)
    while time.monotonic() < deadline:
        try:
            one.sendall(more)
            piece = one.recv(1000)
        except TimeoutError:
            continue
        except ConnectionError:
            return b" 200 " not in found
        if not piece:
            return b" 200 " not in found
        found += piece
    return False


def test_half_open_requests_keep_nobody_out(served: Any, limited: tuple[str, int]) -> None:
    """1,100 connections that never finish their first line; everybody else is served all the while."""
    open_ones = []
    try:
        for number in range(1100):
            one = socket.create_connection(limited, timeout=5)
            with contextlib.suppress(ConnectionError):
                one.sendall(b"GET / HT" if number % 2 else b"GET / HTTP/1.1\r\nHost: localhost\r\nX-A: ")
            open_ones.append(one)
            if number % 100 == 99:
                assert b" 200 " in ask(limited, "GET / HTTP/1.1\nHost: localhost\nConnection: close")
        assert b" 200 " in ask(limited, "GET / HTTP/1.1\nHost: localhost\nConnection: close")
    finally:
        for one in open_ones:
            one.close()


def test_a_request_that_comes_byte_by_byte_is_ended(limited: tuple[str, int]) -> None:
    with socket.create_connection(limited, timeout=PATIENCE) as one:
        assert closed_by(one, b"x")


def test_a_body_that_never_comes_is_ended(served: Any, limited: tuple[str, int]) -> None:
    right = f"Authorization: Bearer {served.desk.access.send}"
    head = f"POST /api/received/m-1/v-1 HTTP/1.1\nHost: localhost\n{right}\nContent-Length: 100000"
    with socket.create_connection(limited, timeout=PATIENCE) as one:
        one.sendall(head.replace("\n", "\r\n").encode() + b"\r\n\r\n{")
        assert closed_by(one)


def test_headers_without_end_are_refused(limited: tuple[str, int]) -> None:
    assert b" 400 " in ask(
        limited, "GET / HTTP/1.1\nHost: localhost\n" + "\n".join(f"X-{number}: {'y' * 200}" for number in range(400))
    )


def test_a_limits_name_in_a_journal_is_no_format() -> None:
    verdict = {
        "check": "nobody knows",
        "value": 1.0,
        "low": 0.9,
        "high": 1.1,
        "limits": [{"name": "{:>400000000}", "value": 5.0}, {"name": "{0.__class__}", "value": 6.0}],
    }
    texts = [mark_text(mark, "ohms") for mark in scale_of(verdict, "ohms").marks]
    assert texts == ["{:>400000000} 5.00 Ω", "{0.  class  } 6.00 Ω"]


def test_behind_a_proxy_the_one_who_asks_is_the_one_that_the_proxy_names(served: Any) -> None:
    import threading

    seen: list[tuple[str, str]] = []

    async def app(scope: Any, receive: Any, send: Any) -> None:
        seen.append((scope["client"][0], scope["scheme"]))
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body"})

    for proxied in (True, False):
        listening = bound()
        config = serving.configuration(app, proxied=proxied)
        config.lifespan = "off"
        server = uvicorn.Server(config)
        threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
        eventually(lambda server=server: server.started)
        ask(
            listening.getsockname(),
            "GET / HTTP/1.1\nHost: x\nX-Forwarded-For: 192.0.2.7\nX-Forwarded-Proto: https\nConnection: close",
        )
        server.should_exit = True
    assert seen == [("192.0.2.7", "https"), ("127.0.0.1", "http")]


ODD = {
    "deep": (
        b'{"v":1,"seq":2,"at":"2026-03-02T09:00:01+00:00","kind":"said","text":'
        + b"[" * 100_000
        + b"]" * 100_000
        + b"}"
    ),
    "half a character": b'{"v":1,"seq":2,"at":"2026-03-02T09:00:01+00:00","kind":"said","text":"\\ud800"}',
    "year 9999": b'{"v":1,"seq":2,"at":"9999-12-31T23:59:59+00:00","kind":"end","how":"finished"}',
    "not UTF-8": b'{"v":1,"kind":"said","text":"\xff"}',
    "null": b"null",
}


@pytest.mark.parametrize("raw", ODD.values(), ids=ODD)
def test_an_odd_line_ends_the_live_view_of_its_own_journal_alone(
    served: Any, soon: Callable[..., Any], raw: bytes
) -> None:
    place = served.visits / "odd" / "journal.jsonl"
    place.parent.mkdir()
    place.write_bytes(json.dumps({**FIRST, "visit": "odd"}).encode() + b"\n" + raw + b"\n")
    soon(lambda: "odd" in served.desk.refused)
    served.write([{**served.simulated[0][0], "visit": "good"}, *served.simulated[0][1:]], "good")
    soon(lambda: "here/good" in served.desk.live.visits and served.desk.live.visits["here/good"].ended)
    client = served.client()
    soon(lambda: client.get("/api/visits/good").status_code == 200)
    page = client.get("/")
    assert page.status_code == 200 and "Journals that could not be taken" in page.text
    for path in ("/history", "/visit/good", "/visit/good/report.html", "/faults", "/boards", "/drift", "/progress"):
        assert client.get(path).status_code == 200, path


def test_what_cannot_be_stored_is_not_taken(served: Any) -> None:
    """Before it is answered 200, not after."""
    client, url = served.client(signed_in=False), "/api/received/m-1/v-1"
    for line in (
        {"kind": "reading", "measured": "x"},
        {"kind": "end", "at": "9999-12-31T23:59:59+00:00"},
        {"kind": "said", "text": "\ud800"},
        {"kind": "heard", "answer": 5},
        {"v": 7, "kind": "said"},
    ):
        body = json.dumps({"place": 0, "events": [FIRST, {"at": FIRST["at"], **line}]})
        answer = client.post(url, content=body, headers=served.send)
        assert answer.status_code == 400, line
    assert client.get(url, headers=served.send).json() == {"count": 0}


def test_journals_that_wait_when_the_desk_opens_stand_alone(
    served: Any, soon: Callable[..., Any], tmp_path: Path
) -> None:
    from assistant.desk import background

    for number in range(6):
        served.write(
            [{**served.simulated[number][0], "visit": f"w-{number}"}, *served.simulated[number][1:]], f"w-{number}"
        )
    (served.visits / "bad").mkdir()
    (served.visits / "bad" / "journal.jsonl").write_bytes(json.dumps({**FIRST, "site": 7}).encode() + b"\n")
    import asyncio

    asyncio.run(background.keep(served.desk, background.unknown(served.desk)))
    client = served.client()
    assert all(client.get(f"/api/visits/w-{number}").status_code == 200 for number in range(6))
    assert any("is broken" in why or "is broken" in name for name, why in served.desk.refused.items())


def test_received_journals_are_the_owners_alone_and_on_disk(tmp_path: Path) -> None:
    received = Received(tmp_path / "received")
    received.take("m-1", "v-1", 0, [FIRST])
    for path in [tmp_path / "received", *(tmp_path / "received").rglob("*")]:
        assert path.stat().st_mode & 0o077 == 0, path


def test_a_tail_that_stumbled_goes_on_when_the_journal_was_mended(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    first = json.dumps(FIRST).encode() + b"\n"
    path.write_bytes(first + b"\0\0\0\n")
    tail = Tail(path)
    assert tail.more() == [FIRST] and tail.broken and tail.more() == []
    path.write_bytes(first)
    tail.more()
    path.write_bytes(first + json.dumps({**FIRST, "kind": "end", "how": "stopped"}).encode() + b"\n")
    assert [one["kind"] for one in tail.more()] == ["end"] and not tail.broken


def test_a_folder_that_goes_away_while_it_is_watched_ends_nothing(tmp_path: Path) -> None:
    for number in range(3):
        (tmp_path / "visits" / f"v{number}").mkdir(parents=True)
        (tmp_path / "visits" / f"v{number}" / "journal.jsonl").write_text(
            json.dumps({**FIRST, "visit": f"v{number}"}) + "\n"
        )
    watch = Watch(tmp_path / "visits", time.time)
    looking = watch.look()
    next(looking)
    import shutil

    shutil.rmtree(tmp_path / "visits")
    list(looking)
    assert list(watch.look()) == []
