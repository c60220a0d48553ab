"""Who may look and who may send.

Two tokens: one to look at everything, one only to send a journal. A browser
trades the look token for a session, which lives in a cookie that no script
can read, belongs to the address and browser that it was given to, ends when
idle, and ends for good when anybody else turns up with it.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field

from assistant.desk.errors import Refused

IDLE = 8 * 3600.0
"""Seconds after which an unused session ends."""
LONGEST = 7 * 24 * 3600.0
"""Seconds after which any session ends."""
WRONG_TRIES, WRONG_WINDOW = 10, 60.0
"""The same wrong token so many times in so many seconds, and it has to wait. Only that token: the right one always
opens, wherever it comes from, and 256 random bits are not found by trying."""
MOST_WRONG = 1000
"""Wrong tokens remembered; the oldest are let go."""


@dataclass(frozen=True)
class Client:
    """Who asks: address and the browser's own name."""

    address: str
    browser: str

    def mark(self) -> str:
        return hashlib.sha256(f"{self.address}\n{self.browser}".encode("utf-8", "surrogatepass")).hexdigest()


@dataclass
class _Session:
    mark: str
    begun: float
    used: float


@dataclass
class Access:
    """The desk's doorkeeper. clock: seconds that only rise. note: gets a word for each entry and each refusal, see
    `assistant.desk.audit`."""

    look: str
    send: str
    clock: Callable[[], float]
    note: Callable[[str, Client, bool], None] = lambda what, client, often: None
    _sessions: dict[str, _Session] = field(default_factory=dict)
    _wrong: dict[str, list[float]] = field(default_factory=dict)

    @classmethod
    def fresh(cls, clock: Callable[[], float]) -> Access:
        """With new tokens of 256 random bits each."""
        return cls(secrets.token_urlsafe(32), secrets.token_urlsafe(32), clock)

    def sign_in(self, token: str, client: Client) -> str:
        """A new session for the right look token. Raises Refused."""
        self._check(token, self.look, client)
        name = secrets.token_urlsafe(32)
        now = self.clock()
        self._sessions = {key: one for key, one in self._sessions.items() if not self._over(one, now)}
        self._sessions[_key(name)] = _Session(client.mark(), now, now)
        self.note("signed in", client, False)
        return name

    def session(self, name: str | None, client: Client) -> bool:
        """Whether the session is open to this client. One that is shown by another client is ended."""
        one = self._sessions.get(_key(name or ""))
        if one is None:
            return False
        now = self.clock()
        if self._over(one, now) or not hmac.compare_digest(one.mark, client.mark()):
            del self._sessions[_key(name or "")]
            self.note("session over" if self._over(one, now) else "session of another client, ended", client, False)
            return False
        one.used = now
        return True

    def sign_out(self, name: str | None) -> None:
        self._sessions.pop(_key(name or ""), None)

    def bearer(self, header: str | None, client: Client, sending: bool) -> None:
        """Check an Authorization header. Raises Refused; the send token opens nothing but sending, the look token
        does not send."""
        kind, _, token = (header or "").partition(" ")
        if kind.lower() != "bearer" or not token:
            raise Refused(401, "This needs a token.", "Send it as: Authorization: Bearer TOKEN.")
        self._check(token.strip(), self.send if sending else self.look, client)
        self.note("send token" if sending else "look token", client, True)

    def _check(self, token: str, right: str, client: Client) -> None:
        if hmac.compare_digest(token.encode("utf-8", "surrogatepass"), right.encode()):
            return
        now, key = self.clock(), _key(token)
        recent = [at for at in self._wrong.pop(key, []) if now - at < WRONG_WINDOW][-WRONG_TRIES:]
        while len(self._wrong) >= MOST_WRONG:
            del self._wrong[next(iter(self._wrong))]
        self._wrong[key] = [*recent, now]
        self.note("wrong token", client, False)
        if len(recent) >= WRONG_TRIES:
            raise Refused(
                429,
                "This wrong token came too often.",
                "Wait a minute, then use the token that the desk printed when it began.",
            )
        raise Refused(401, "The token is wrong.", "Use the token that the desk printed when it began.")

    @staticmethod
    def _over(one: _Session, now: float) -> bool:
        return now - one.used > IDLE or now - one.begun > LONGEST


def _key(name: str) -> str:
    """Sessions are kept by digest, so that a look into memory or a slow comparison gives none away."""
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
