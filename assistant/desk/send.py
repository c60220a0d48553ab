"""Sends a journal to a desk while it is being written. The journal itself is the queue.

Nothing is sent unless somebody asked for it. What is on disk is read and sent
from where the desk stands; when the network drops the lines wait in the
journal, and when it is back they follow. Sending twice changes nothing.

    sender = Sender(folder, "https://desk:8765", token)
    sender.start(); ...the visit...; left = sender.stop(wait=10)
"""

from __future__ import annotations

import http.client
import json
import os
import re
import secrets
import ssl
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs

from assistant import private
from assistant.desk.errors import SendError
from assistant.errors import JournalError
from assistant.visit.forget import note_sent
from assistant.visit.journal import FILE, read

PAUSE = 0.15
"""Seconds between two looks at the journal."""
LONGEST_PAUSE = 15.0
"""Seconds between two tries while the network is down; they double up to this."""
PATIENCE = 6.0
"""Seconds to wait for one answer."""
FAREWELL = 5.0
"""Seconds after a visit in which its last lines may still be sent."""
TOKEN, AUTHORITY = "TWOHANDS_DESK_TOKEN", "TWOHANDS_DESK_CA"
PIECE = 500
"""Lines sent at a time."""


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A token must not follow a redirect to somewhere else."""

    def redirect_request(self, *_: Any) -> None:
        return None


@dataclass
class Post:
    """One desk's way in. Raises SendError for an address or certificate file that cannot be used.

    url: http or https. token: the send token. certificate: a PEM file that the
    desk's certificate is checked against, for one that a shop made itself.
    """

    url: str
    token: str
    certificate: Path | None = None

    def __post_init__(self) -> None:
        parts = urllib.parse.urlsplit(self.url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise SendError(f"'{self.url}' is no address of a desk.", "Give it as https://host:port.")
        if not re.fullmatch(r"[\x21-\x7e]{1,200}", self.token):
            raise SendError("The send token is missing or holds odd signs.", "Copy it as the desk printed it.")
        try:
            context = ssl.create_default_context(cafile=str(self.certificate) if self.certificate else None)
        except (OSError, ssl.SSLError) as error:
            raise SendError(
                f"The certificate file {self.certificate} cannot be used ({error}).", "Give a PEM file."
            ) from error
        self._opener = urllib.request.build_opener(_NoRedirect(), urllib.request.HTTPSHandler(context=context))

    def count(self, sender: str, visit: str) -> int:
        """How many lines of the visit are there. Raises OSError, SendError."""
        return int(self._ask(self._path(sender, visit), None)["count"])

    def lines(self, sender: str, visit: str, place: int, events: list[dict[str, Any]]) -> int:
        """Send lines; how many are there now. Raises OSError, SendError."""
        return int(
            self._ask(self._path(sender, visit), json.dumps({"place": place, "events": events}).encode())["count"]
        )

    def _path(self, sender: str, visit: str) -> str:
        quoted = "/".join(urllib.parse.quote(part, safe="") for part in (sender, visit))
        return f"{self.url.rstrip('/')}/api/received/{quoted}"

    def _ask(self, url: str, body: bytes | None) -> dict[str, Any]:
        request = urllib.request.Request(
            url, body, {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        )
        try:
            with self._opener.open(request, timeout=PATIENCE) as answer:
                return json.loads(answer.read())
        except urllib.error.HTTPError as error:
            raise _refusal(error) from error
        except (ValueError, http.client.HTTPException) as error:
            raise OSError("the answer was cut short or is none of a desk") from error


class Behind(Exception):
    """The desk lacks lines that we thought it had; ask it where it stands."""


def _refusal(error: urllib.error.HTTPError) -> Exception:
    if error.code in (400, 409, 429) or error.code >= 500:
        try:
            said = json.loads(error.read()).get("problem", "")
        except (ValueError, OSError, AttributeError):
            said = ""
        if error.code == 409 and "differ" not in said:
            return Behind(said)
        if error.code == 400:
            return SendError(
                f"The desk refused the journal. {said}".strip(),
                "Check that both machines have the same version of twohands.",
            )
        if error.code != 409:
            return OSError(f"the desk answered {error.code}")
        return SendError(said, "Import the visit on the desk's machine with: twohands records import.")
    reasons = {
        401: ("The desk refused the token.", "Use the send token that it printed."),
        413: ("The desk says the journal is too large.", "Import it there with: twohands records import."),
    }
    return SendError(
        *reasons.get(
            error.code,
            (
                f"The desk refused the journal ({error.code}).",
                "Check that both machines have the same version of twohands.",
            ),
        )
    )


def machine_id() -> str:
    """This machine's name for senders: random, made once, kept in the user's data folder."""
    path = platformdirs.user_data_path("twohands") / "sender-id"
    try:
        return path.read_text(encoding="ascii").strip()
    except OSError:
        private.make_folder(path.parent)
        private.write_whole(path, f"m-{secrets.token_hex(8)}\n".encode("ascii"))
        return path.read_text(encoding="ascii").strip()


class Sender:
    """Follows one visit's journal and sends it. One thread of its own; never disturbs the visit.

    trouble: the last thing that went wrong, or None. sent: lines that are at the desk.
    """

    def __init__(
        self, folder: Path, post: Post, sender: str | None = None, sleep: Callable[[float], None] | None = None
    ) -> None:
        self.folder = folder
        self.sent = 0
        self.trouble: str | None = None
        self.gave_up: SendError | None = None
        self._post = post
        self._sender = sender or machine_id()
        self._stop = threading.Event()
        self._wait = sleep or self._stop.wait
        self._asked = False
        self._size = -1
        self._thread = threading.Thread(target=self._run, name="send-journal", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, wait: float) -> int:
        """Send what is left for at most `wait` seconds; returns the lines that the desk still lacks."""
        deadline = time.monotonic() + wait
        while self._thread.is_alive() and not self.gave_up and self.waiting() and time.monotonic() < deadline:
            time.sleep(0.02)
        self._stop.set()
        if self._thread.ident:
            # A daemon: one that still hangs on a dead network need not be waited for.
            self._thread.join(max(0.0, deadline - time.monotonic()) + 0.5)
        return self.waiting()

    def waiting(self) -> int:
        """Lines on disk that have not arrived."""
        return len(read(self.folder)[0]) - self.sent if (self.folder / FILE).exists() else 0

    def step(self) -> bool:
        """One look and, where there is something new, one sending. True when all that is on disk has arrived.

        Raises OSError when the network fails, SendError when the desk refuses for good.
        """
        if not (self.folder / FILE).exists():
            return True
        size = (self.folder / FILE).stat().st_size
        if self._asked and size == self._size:
            return True
        events, _ = read(self.folder)
        if not events:
            return True
        visit = str(events[0].get("visit"))
        if not self._asked:
            self.sent = self._post.count(self._sender, visit)
            self._asked = True
        if self.sent < len(events):
            # Before the first line leaves: a copy that nobody knows of cannot be forgotten.
            note_sent(self.folder, self._post.url)
            try:
                self.sent = self._post.lines(self._sender, visit, self.sent, events[self.sent : self.sent + PIECE])
            except Behind:
                self._asked = False
                return False
        if self.sent < len(events):
            return False
        self._size = size
        return True

    def _run(self) -> None:
        pause = PAUSE
        while not self._stop.is_set():
            try:
                done = self.step()
                self.trouble, pause = None, PAUSE
                if not done:
                    continue
            except SendError as error:
                self.trouble, self.gave_up = error.text, error
                return
            except JournalError as error:
                self.trouble, pause = error.text, LONGEST_PAUSE
            except OSError as error:
                # The answer may have been lost after the lines arrived: ask again where the desk stands.
                self.trouble, pause, self._asked = str(error), min(pause * 2, LONGEST_PAUSE), False
            self._wait(pause)


@contextmanager
def sending(
    folder: Path, url: str, tell: Callable[[str], object], environ: Mapping[str, str] = os.environ
) -> Iterator[Sender]:
    """Send the journal in `folder` while the block runs, and for FAREWELL seconds after it.

    The send token comes from TWOHANDS_DESK_TOKEN, a certificate to check the
    desk against from TWOHANDS_DESK_CA. tell: gets one line when something is
    left. Raises SendError before anything begins when these cannot be used.
    """
    token, authority = environ.get(TOKEN, ""), environ.get(AUTHORITY)
    if not token:
        raise SendError(
            f"The desk's send token is not set in {TOKEN}.",
            "Copy it from where the desk printed it, or leave --desk out.",
        )
    sender = Sender(folder, Post(url, token, Path(authority) if authority else None))
    sender.start()
    try:
        yield sender
    finally:
        left = sender.stop(FAREWELL)
        if left:
            tell(
                f"{left} lines have not reached the desk ({sender.trouble or 'it did not answer in time'}). They are"
                f" kept here. Later: twohands desk send {folder.name} --desk {url}"
            )
