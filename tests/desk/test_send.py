"""A technician's machine sends its journal; the network is pulled; nothing is lost, nothing comes twice."""

from __future__ import annotations

import json
import shutil
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from click.testing import CliRunner

from assistant.desk.commands import desk as desk_command
from assistant.desk.errors import SendError
from assistant.desk.send import Post, Sender, sending
from assistant.visit.journal import read


def arrived(served: Any, visit: str, sender: str = "m-test") -> list[dict[str, Any]]:
    path = served.desk.received.folder / sender / visit
    # The folder stands a moment before its first line does.
    return read(path)[0] if (path / "journal.jsonl").exists() else []


def add(folder: Path, events: list[dict[str, Any]]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "journal.jsonl").open("a", encoding="utf-8") as file:
        for event in events:
            file.write(json.dumps(event) + "\n")


def test_the_network_is_pulled_ten_times_and_nothing_is_lost_or_doubled(
    served: Any, network: Any, tmp_path: Path, soon: Callable[..., Any]
) -> None:
    events, folder = served.simulated[5], tmp_path / "van" / served.simulated[5][0]["visit"]
    add(folder, events[:1])
    sender = Sender(
        folder,
        Post(network.url, served.desk.access.send),
        "m-test",
        sleep=lambda seconds: time.sleep(min(seconds, 0.05)),
    )
    sender.start()
    piece = len(events) // 20 + 1
    for begin in range(1, len(events), piece):
        if network.pulled < 10 and begin % 2:
            network.deaf = network.pulled % 2 == 1
            if network.deaf:
                add(folder, events[begin : begin + piece])
                time.sleep(0.15)
                network.pull()
                network.deaf = False
            else:
                network.pull()
                add(folder, events[begin : begin + piece])
                time.sleep(0.1)
            network.plug()
        else:
            add(folder, events[begin : begin + piece])
        time.sleep(0.1)
    while network.pulled < 10:
        network.pull()
        time.sleep(0.1)
        network.plug()
    assert sender.stop(20) == 0
    assert network.pulled == 10
    visit = events[0]["visit"]
    assert arrived(served, visit) == events
    soon(lambda: len(served.desk.live.visits[f"m-test/{visit}"].events) == len(events))
    assert served.desk.live.visits[f"m-test/{visit}"].events == events


def test_an_answer_that_is_lost_does_not_double_the_lines(
    served: Any, network: Any, tmp_path: Path, soon: Callable[..., Any]
) -> None:
    """The lines arrive, the answer does not: the worst place to cut."""
    events, folder = served.simulated[6], tmp_path / served.simulated[6][0]["visit"]
    add(folder, events)
    post = Post(network.url, served.desk.access.send)
    sender = Sender(folder, post, "m-test")
    assert post.count("m-test", events[0]["visit"]) == 0
    sender._asked = True
    network.deaf = True
    with pytest.raises(OSError):
        sender.step()
    soon(lambda: len(arrived(served, events[0]["visit"])) == len(events))
    network.deaf = False
    assert sender.step()
    assert arrived(served, events[0]["visit"]) == events


def test_a_desk_that_restarts_knows_where_it_stood(served: Any, tmp_path: Path) -> None:
    from assistant.desk.received import Received

    events, folder = served.simulated[7], tmp_path / served.simulated[7][0]["visit"]
    add(folder, events[:50])
    first = Sender(folder, Post(served.url, served.desk.access.send), "m-test")
    assert first.step()
    path = served.desk.received.path("m-test", events[0]["visit"])
    path.write_bytes(path.read_bytes()[:-7])  # torn by a lost battery
    served.desk.received = Received(served.desk.received.folder)
    add(folder, events[50:])
    again = Sender(folder, Post(served.url, served.desk.access.send), "m-test")
    while not again.step():
        pass
    assert arrived(served, events[0]["visit"]) == events


def test_a_desk_that_lost_lines_is_asked_where_it_stands(served: Any, tmp_path: Path) -> None:
    events, folder = served.simulated[8], tmp_path / served.simulated[8][0]["visit"]
    add(folder, events[:50])
    sender = Sender(folder, Post(served.url, served.desk.access.send), "m-test")
    assert sender.step()
    shutil.rmtree(served.desk.received.folder / "m-test")
    add(folder, events[50:])
    assert not sender.step()
    assert sender.step()
    assert arrived(served, events[0]["visit"]) == events


def test_many_machines_at_once(served: Any, tmp_path: Path, soon: Callable[..., Any]) -> None:
    senders = []
    for number in range(6):
        folder = tmp_path / str(number) / served.simulated[number][0]["visit"]
        add(folder, served.simulated[number])
        senders.append(Sender(folder, Post(served.url, served.desk.access.send), f"m-{number}"))
    for sender in senders:
        sender.start()
    assert [sender.stop(30) for sender in senders] == [0] * 6
    for number in range(6):
        assert arrived(served, served.simulated[number][0]["visit"], f"m-{number}") == served.simulated[number]


def test_the_same_visit_from_two_machines_is_one_row_and_an_edit_shows(
    served: Any, tmp_path: Path, soon: Callable[..., Any]
) -> None:
    events = [{**served.simulated[9][0], "visit": "shared"}, *served.simulated[9][1:]]
    changed = [{**events[0], "site": "changed by hand"}, *events[1:]]
    client = served.client()
    for sender, lines in (("m-one", events), ("m-two", events), ("m-three", changed)):
        add(tmp_path / sender / "shared", lines)
        one = Sender(tmp_path / sender / "shared", Post(served.url, served.desk.access.send), sender)
        one.start()
        assert one.stop(20) == 0
        if sender == "m-two":
            soon(lambda: client.get("/api/visits?text=shared").json()["total"] == 1)
            assert client.get("/api/visits?text=shared").json()["visits"][0]["copies"] == 1
    soon(lambda: client.get("/api/visits?text=shared").json()["visits"][0]["copies"] == 2)
    assert client.get("/api/visits?text=shared").json()["total"] == 1
    page = client.get("/visit/shared").text
    assert "This visit came in two versions" in page
    assert "changed by hand" in page


def test_a_refused_token_stops_the_sender_and_says_so(served: Any, tmp_path: Path, soon: Callable[..., Any]) -> None:
    folder = tmp_path / "v"
    add(folder, served.simulated[0])
    sender = Sender(folder, Post(served.url, "wrong"), "m-test")
    sender.start()
    assert sender.stop(20) == len(served.simulated[0])
    assert sender.gave_up is not None
    assert "refused the token" in sender.gave_up.text


def test_sending_during_a_visit_as_run_does_it(
    served: Any, network: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, soon: Callable[..., Any]
) -> None:
    monkeypatch.setattr("assistant.desk.send.machine_id", lambda: "m-test")
    monkeypatch.setattr("assistant.desk.send.FAREWELL", 1.0)
    events, told = served.simulated[11], []
    visit, folder = events[0]["visit"], tmp_path / events[0]["visit"]
    environ = {"TWOHANDS_DESK_TOKEN": served.desk.access.send}
    with sending(folder, network.url, told.append, environ) as sender:
        add(folder, events[:30])
        # The answer to the last line is still under way when the line has arrived.
        soon(lambda: len(arrived(served, visit)) == sender.sent == 30)
        network.pull()
        add(folder, events[30:])
    assert len(told) == 1
    assert f"{len(events) - 30} lines have not reached the desk" in told[0]
    network.plug()
    with sending(folder, network.url, told.append, environ):
        soon(lambda: arrived(served, visit) == events)
    assert len(told) == 1
    with pytest.raises(SendError, match="send token is not set"), sending(folder, network.url, told.append, {}):
        pass


@pytest.mark.parametrize("url", ["ftp://x", "desk", "http://", "javascript:alert(1)"])
def test_an_address_that_is_none_is_said(url: str) -> None:
    with pytest.raises(SendError, match="no address"):
        Post(url, "token")


def test_a_token_with_a_line_end_is_refused_before_it_is_sent() -> None:
    with pytest.raises(SendError, match="odd signs"):
        Post("http://127.0.0.1:1", "a\r\nX-Other: b")


def test_the_token_does_not_follow_a_redirect(served: Any, tmp_path: Path) -> None:
    import http.server

    seen: list[str] = []

    class Elsewhere(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            seen.append(self.path)
            self.send_response(302)
            self.send_header("Location", f"http://127.0.0.1:{self.server.server_port}/elsewhere")
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    server = http.server.HTTPServer(("127.0.0.1", 0), Elsewhere)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    with pytest.raises(SendError):
        Post(f"http://127.0.0.1:{server.server_port}", "secret").count("m", "v")
    server.shutdown()
    assert seen == ["/api/received/m/v"]


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate that a shop made itself."""
    pem, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    subprocess.run(
        [
            "openssl",
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=desk",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
            "-keyout",
            str(key),
            "-out",
            str(pem),
        ],
        check=True,
        capture_output=True,
    )
    return pem, key


def test_the_command_serves_over_tls_and_send_brings_visits_there(
    served: Any, tmp_path: Path, certificate: tuple[Path, Path], soon: Callable[..., Any]
) -> None:
    pem, key = certificate
    visits, events = tmp_path / "van", served.simulated[10]
    add(visits / events[0]["visit"], events)
    arguments = [
        "--port",
        "0",
        "--visits",
        str(tmp_path / "none"),
        "--store",
        str(tmp_path / "tls.sqlite"),
        "--received",
        str(tmp_path / "got"),
        "--certificate",
        str(pem),
        "--key",
        str(key),
    ]
    with subprocess.Popen(
        [sys.executable, "-m", "assistant", "desk", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        link, send = process.stdout.readline(), process.stdout.readline()
        assert link.startswith("Open:  https://127.0.0.1:")
        url, token = send.split()[2], send.split("=")[1].strip()
        told = ["send", events[0]["visit"], "--desk", url, "--visits", str(visits)]
        trusting = CliRunner().invoke(desk_command, [*told, "--ca", str(pem)], env={"TWOHANDS_DESK_TOKEN": token})
        doubting = CliRunner().invoke(desk_command, [*told, "--wait", "1"], env={"TWOHANDS_DESK_TOKEN": token})
        with httpx.stream(
            "GET",
            f"{url}/api/live",
            headers={"Authorization": f"Bearer {link.strip().split('#token=')[1]}"},
            verify=ssl.create_default_context(cafile=str(pem)),
        ) as stream:
            lines = stream.iter_lines()
            assert next(lines).startswith("retry")
            process.terminate()
            assert [line for line in lines if line.startswith("event")] == []  # ends by itself, cleanly
        assert process.stderr is not None
        assert process.stderr.read() == ""
    assert trusting.output.endswith("all at the desk.\n"), trusting.output
    assert "still wait" in doubting.output
    assert "certificate" in doubting.output.lower()
    got = next((tmp_path / "got").glob("*/*/journal.jsonl"))
    assert read(got.parent)[0] == events


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["--host", "0.0.0.0"], "without TLS"), (["--host", "192.0.2.1", "--unprotected"], "cannot answer on")],
)
def test_the_desk_does_not_open_itself_to_the_network_unasked(tmp_path: Path, arguments: list[str], words: str) -> None:
    result = CliRunner().invoke(
        desk_command, [*arguments, "--store", str(tmp_path / "s.sqlite"), "--visits", str(tmp_path)]
    )
    assert result.exit_code == 1
    assert words in str(result.exception)
