"""The doorkeeper, with a clock in hand."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest

from assistant.desk.access import IDLE, LONGEST, WRONG_TRIES, WRONG_WINDOW, Access, Client
from assistant.desk.audit import A_MINUTE, Audit
from assistant.desk.errors import Refused

HERE, THIEF = Client("192.0.2.1", "a browser"), Client("192.0.2.66", "a browser")


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def access(clock: Clock) -> Access:
    return Access.fresh(clock)


def test_tokens_are_long_and_new_each_time(clock: Clock) -> None:
    made = [Access.fresh(clock) for _ in range(50)]
    tokens = {token for one in made for token in (one.look, one.send)}
    assert len(tokens) == 100
    assert min(map(len, tokens)) >= 43  # 256 bits in base 64


def test_the_right_token_opens_a_session(access: Access) -> None:
    name = access.sign_in(access.look, HERE)
    assert access.session(name, HERE)
    assert not access.session(name[:-1], HERE)
    assert not access.session(None, HERE)


@pytest.mark.parametrize("token", ["", "x", "é", "\udcff", "0" * 5000])
def test_a_wrong_token_opens_nothing(access: Access, token: str) -> None:
    with pytest.raises(Refused) as caught:
        access.sign_in(token, HERE)
    assert caught.value.status == 401


def test_the_send_token_does_not_look_and_the_look_token_does_not_send(access: Access) -> None:
    for call in (
        lambda: access.sign_in(access.send, HERE),
        lambda: access.bearer(f"Bearer {access.send}", HERE, sending=False),
        lambda: access.bearer(f"Bearer {access.look}", HERE, sending=True),
    ):
        with pytest.raises(Refused):
            call()
    access.bearer(f"Bearer {access.send}", HERE, sending=True)
    access.bearer(f"bearer {access.look}", HERE, sending=False)


def test_a_stolen_session_is_refused_and_ended(access: Access) -> None:
    for thief in (THIEF, Client(HERE.address, "another browser")):
        name = access.sign_in(access.look, HERE)
        assert not access.session(name, thief)
        assert not access.session(name, HERE)


def test_a_session_ends_when_idle_and_at_last_in_any_case(access: Access, clock: Clock) -> None:
    name = access.sign_in(access.look, HERE)
    for _ in range(int(LONGEST / (IDLE - 1))):
        clock.now += IDLE - 1
        assert access.session(name, HERE)
    clock.now += IDLE - 1
    assert not access.session(name, HERE)
    idle = access.sign_in(access.look, HERE)
    clock.now += IDLE + 1
    assert not access.session(idle, HERE)


def test_signing_out_ends_it(access: Access) -> None:
    name = access.sign_in(access.look, HERE)
    access.sign_out(name)
    assert not access.session(name, HERE)


def test_a_wrong_token_waits_and_the_right_one_never(access: Access, clock: Clock) -> None:
    """Many machines share an address behind one router; one with an old token must not lock the others out."""
    for _ in range(WRONG_TRIES):
        with pytest.raises(Refused, match="wrong"):
            access.sign_in("guess", HERE)
    with pytest.raises(Refused) as caught:
        access.sign_in("guess", THIEF)
    assert caught.value.status == 429
    assert access.sign_in(access.look, HERE)
    assert access.sign_in(access.look, THIEF)
    with pytest.raises(Refused) as caught:
        access.sign_in("another guess", HERE)
    assert caught.value.status == 401
    clock.now += WRONG_WINDOW
    with pytest.raises(Refused) as caught:
        access.sign_in("guess", HERE)
    assert caught.value.status == 401


def test_guesses_take_no_memory(access: Access) -> None:
    for number in range(5000):
        with pytest.raises(Refused):
            access.sign_in(f"guess {number}", HERE)
    assert len(access._wrong) <= 1000


def test_each_entry_and_refusal_is_noted(tmp_path: Path, clock: Clock) -> None:
    audit = Audit(tmp_path / "audit.jsonl", clock)
    access = Access.fresh(clock)
    access.note = audit.note
    name = access.sign_in(access.look, HERE)
    with pytest.raises(Refused):
        access.sign_in("x", THIEF)
    access.session(name, THIEF)
    for _ in range(50):
        access.bearer(f"Bearer {access.send}", HERE, sending=True)
    lines = [json.loads(line) for line in audit.path.read_text().splitlines()]
    assert [(one["what"], one["address"]) for one in lines] == [
        ("signed in", HERE.address),
        ("wrong token", THIEF.address),
        ("session of another client, ended", THIEF.address),
        ("send token", HERE.address),
    ]
    assert stat.S_IMODE(audit.path.stat().st_mode) == 0o600
    assert access.look not in audit.path.read_text() and access.send not in audit.path.read_text()


def test_knocking_does_not_fill_the_disk(tmp_path: Path, clock: Clock) -> None:
    audit = Audit(tmp_path / "audit.jsonl", clock)
    for _ in range(5000):
        audit.note("wrong token", HERE)
    clock.now += 60
    audit.note("wrong token", HERE)
    lines = audit.path.read_text().splitlines()
    assert len(lines) == A_MINUTE + 2 and "4880 more in a minute" in lines[-2]
