"""Open and close a sound device that may die meanwhile, without ever waiting long."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any

from assistant.errors import AudioError
from assistant.hearing.audio.portaudio import gone

CLOSING = 2.0
"""Longest wait, in seconds, for a dead device to close."""


_openings: list[threading.Thread] = []


def is_opening() -> bool:
    """Whether a device still hangs in opening: the sound library must not be started anew under it."""
    return any(one.is_alive() for one in _openings)


def within(limit: float, what: str, work: Callable[[], Any]) -> Any:
    """What `work` gives or raises, unless it takes longer than `limit` seconds: then the device is lost."""
    answers: queue.Queue[tuple[Any, AudioError | None]] = queue.Queue()

    def run() -> None:
        try:
            answers.put((work(), None))
        except AudioError as error:
            answers.put((None, error))

    thread = threading.Thread(target=run, daemon=True)
    _openings[:] = [one for one in _openings if one.is_alive()]
    _openings.append(thread)
    thread.start()
    try:
        answer, error = answers.get(timeout=limit)
    except queue.Empty:
        raise gone(what) from None
    if error is not None:
        raise error
    return answer


def first(candidates: list[int], start: Callable[[int], Any]) -> Any:
    """The stream of the first rate that the device takes. Raises AudioError of the last one."""
    for rate in candidates[:-1]:
        try:
            return start(rate)
        except AudioError:
            continue
    return start(candidates[-1])


def closed(stream: Any) -> None:
    """Close a stream without ever waiting long: a dead device may not answer."""
    if stream is None:
        return
    closing = threading.Thread(target=_abort, args=(stream,), daemon=True)
    closing.start()
    closing.join(CLOSING)


def _abort(stream: Any) -> None:
    stream.abort(ignore_errors=True)
    stream.close(ignore_errors=True)
