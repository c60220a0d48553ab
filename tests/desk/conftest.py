"""A desk that really serves, a network that can be pulled, a real browser, and axe-core."""

from __future__ import annotations

import contextlib
import itertools
import json
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from assistant.desk.access import Access
from assistant.desk.app import make_app
from assistant.desk.context import Desk
from assistant.desk.live import Live
from assistant.desk.received import Received
from assistant.desk.watch import Watch
from assistant.records.importing import Journal, import_events
from assistant.records.store import Store, open_store
from tests.lab.invented.visits import invented_visits

Events = list[dict[str, Any]]


@dataclass
class Served:
    """A running desk. url: without a slash at the end."""

    url: str
    desk: Desk
    visits: Path
    server: uvicorn.Server
    simulated: list[Events]
    clients: list[httpx.Client] = field(default_factory=list)

    @property
    def look(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.desk.access.look}"}

    @property
    def send(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.desk.access.send}"}

    def client(self, browser: str = "a browser", signed_in: bool = True) -> httpx.Client:
        """An HTTP client, with a session when wanted."""
        one = httpx.Client(base_url=self.url, headers={"User-Agent": browser}, timeout=20)
        self.clients.append(one)
        if signed_in:
            assert one.post("/session", data={"token": self.desk.access.look}).status_code == 303
        return one

    def write(self, events: Events, name: str | None = None) -> Path:
        """Add lines to a journal in the visits folder, as a visit would."""
        path = self.visits / (name or events[0]["visit"]) / "journal.jsonl"
        path.parent.mkdir(exist_ok=True)
        with path.open("a", encoding="utf-8") as file:
            for event in events:
                file.write(json.dumps(event) + "\n")
        return path


def eventually(wanted: Callable[[], Any], seconds: float = 20.0) -> Any:
    """What `wanted` gives as soon as it is true; fails after `seconds`."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        found = wanted()
        if found:
            return found
        time.sleep(0.02)
    pytest.fail("it did not come about in time")


@pytest.fixture(scope="session")
def soon() -> Callable[..., Any]:
    return eventually


def serve(app: Any, listening: socket.socket) -> uvicorn.Server:
    """Serve in a thread until `should_exit` is set."""
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", access_log=False, proxy_headers=False, timeout_graceful_shutdown=1)
    )
    threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
    eventually(lambda: server.started)
    return server


def bound() -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.bind(("127.0.0.1", 0))
    return listening


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Events]]:
    """A store file with 250 simulated visits, and those visits."""
    path, made = tmp_path_factory.mktemp("store") / "filled.sqlite", list(invented_visits(250, seed=31))
    with open_store(str(path)) as store:
        import_events(store, [Journal(events, False, "simulated") for events in made])
    return path, made


def running(store: Store, folder: Path, simulated: list[Events]) -> Iterator[Served]:
    visits, listening = folder / "visits", bound()
    visits.mkdir()
    (folder / "received").mkdir()
    desk = Desk(
        store,
        Access.fresh(time.monotonic),
        Live(time.monotonic),
        Received(folder / "received"),
        visits,
        time.time,
        watches={"here": Watch(visits, time.time)},
    )
    server = serve(make_app(desk), listening)
    desk.closing = lambda: server.should_exit
    served = Served(f"http://127.0.0.1:{listening.getsockname()[1]}", desk, visits, server, simulated)
    yield served
    for client in served.clients:
        client.close()
    server.should_exit = True
    eventually(lambda: not server.started or not server.servers or not any(one.is_serving() for one in server.servers))


@pytest.fixture
def served(tmp_path: Path, filled: tuple[Path, list[Events]]) -> Iterator[Served]:
    """A desk with 250 visits in its history and nobody on a visit."""
    shutil.copy(filled[0], tmp_path / "desk.sqlite")
    with open_store(str(tmp_path / "desk.sqlite")) as store:
        yield from running(store, tmp_path, filled[1])


def cut(one: socket.socket) -> None:
    """Close a connection even while another thread waits on it."""
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()


class Network:
    """A cable between a sender and a desk that can be pulled: a TCP relay. deaf: answers are swallowed and the line
    cut."""

    def __init__(self, port: int) -> None:
        self.port, self.up, self.deaf, self.pulled = port, True, False, 0
        self._listening = bound()
        self._listening.listen(50)
        self.url = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        self._open: set[socket.socket] = set()
        self._guard = threading.Lock()
        threading.Thread(target=self._accept, daemon=True).start()

    def pull(self) -> None:
        """Cut what is open and let nothing new through."""
        self.up = False
        self.pulled += 1
        with self._guard:
            for one in self._open:
                cut(one)
            self._open.clear()

    def plug(self) -> None:
        self.up = True

    def close(self) -> None:
        self.pull()
        self._listening.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            if not self.up:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.port))
            with self._guard:
                self._open |= {near, far}
            threading.Thread(target=self._carry, args=(near, far, False), daemon=True).start()
            threading.Thread(target=self._carry, args=(far, near, True), daemon=True).start()

    def _carry(self, source: socket.socket, to: socket.socket, answer: bool) -> None:
        try:
            while data := source.recv(4096):
                if answer and self.deaf:
                    break
                to.sendall(data)
        except OSError:
            pass  # The cable was pulled, which is what it is for.
        cut(source)
        cut(to)


@pytest.fixture
def network(served: Served) -> Iterator[Network]:
    cable = Network(int(served.url.rsplit(":", 1)[1]))
    yield cable
    cable.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """axe-core's source, as the package axe-playwright-python carries it; the browser is driven by selenium."""
    return resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


def chromium(width: int) -> webdriver.Chrome:
    if not shutil.which("chromium") or not shutil.which("chromedriver"):
        pytest.fail("These tests need a browser: apt-get install chromium chromium-driver")
    options = Options()
    options.binary_location = str(shutil.which("chromium"))
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(str(shutil.which("chromedriver"))))
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    return browser


@pytest.fixture(scope="session")
def browsers() -> Iterator[dict[int, webdriver.Chrome]]:
    """Chromium at a telephone's width and at a desk's."""
    both = {width: chromium(width) for width in (360, 1280)}
    yield both
    for browser in both.values():
        browser.quit()


@pytest.fixture
def names() -> Iterator[str]:
    """Visit names that were not used before."""
    return (f"20260302-0900{number:02d}-test" for number in itertools.count())
