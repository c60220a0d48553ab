"""The doorkeeper, with a clock in hand."""

from __future__ import annotations

import pytest

from assistant.desk.access import IDLE, LONGEST, WRONG_TRIES, WRONG_WINDOW, Access, Client
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
    for call in (lambda: access.sign_in(access.send, HERE), lambda: access.bearer(f"Bearer {access.send}", HERE, sending=False), lambda: access.bearer(f"Bearer {access.look}", HERE, sending=True)):
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


def test_guessing_is_slowed_for_that_address_alone(access: Access, clock: Clock) -> None:
    for _ in range(WRONG_TRIES):
        with pytest.raises(Refused, match="wrong"):
            access.sign_in("guess", HERE)
    with pytest.raises(Refused) as caught:
        access.sign_in(access.look, HERE)
    assert caught.value.status == 429
    assert access.sign_in(access.look, THIEF)
    clock.now += WRONG_WINDOW
    assert access.sign_in(access.look, HERE)
