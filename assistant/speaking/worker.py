"""The synthesiser in a process of its own: one JSON line in, one JSON line out.

eSpeak NG can be started only once in a process, its driver leaves a running
loop behind when it fails, and a file that cannot be written is an error that
nobody sees. Here all that can happen to a process which the visit can replace.

Run as a script. In:  {"id", "text", "voice", "rate", "file"}
Out: {"id": 0, "ready": true} once, then {"id", "ok": true} or {"id", "error"}.
"missing": true stands beside an error of a library that is not installed.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable
from typing import Any, TextIO

WAIT = 60.0
"""Seconds for one sentence; the parent gives up long before."""


def _reply(out: TextIO, **answer: Any) -> None:
    out.write(json.dumps(answer) + "\n")
    out.flush()


def _start() -> tuple[Any, Callable[[], bool], Callable[[], int]]:
    """The engine; whether eSpeak's own thread has work; the rate that it has taken."""
    import pyttsx3
    from pyttsx3.drivers import _espeak

    engine = pyttsx3.init("espeak")
    engine.runAndWait()  # a new engine only queues what is set until its first loop has run
    # The driver's own getter leaves out the argument that asks for the value in
    # use, so that what it answers is left to chance.
    return engine, _espeak.IsPlaying, lambda: _espeak.dll.espeak_GetParameter(_espeak.RATE, 1)


def _settle(busy: Callable[[], bool]) -> None:
    """Wait for eSpeak's own thread: for a rate to be taken, for a callback to have returned.

    The driver's loop begins by cancelling what is still waiting in that
    thread, a new rate among it.
    """
    end = time.monotonic() + WAIT
    while busy():
        if time.monotonic() > end:
            raise RuntimeError("the synthesiser did not come to rest")
        time.sleep(0.0005)


def _speak(
    engine: Any, busy: Callable[[], bool], rate: Callable[[], int], finished: threading.Event, job: dict[str, Any]
) -> None:
    # The driver raises what a file refuses in a thread where nobody hears it.
    with open(job["file"], "wb"):
        pass
    finished.clear()
    engine.setProperty("voice", job["voice"])
    engine.setProperty("rate", job["rate"])
    _settle(busy)
    if rate() != job["rate"]:
        raise RuntimeError(f"the rate {job['rate']} was not taken")
    engine.save_to_file(job["text"], job["file"])
    engine.runAndWait()
    # runAndWait can return before the file is written, and the event after it
    # may be a late one of the loop before: only the file says that it is there.
    if not finished.wait(WAIT):
        raise RuntimeError("the synthesiser did not finish")
    _settle(busy)
    if not os.path.getsize(job["file"]):
        raise RuntimeError("the synthesiser wrote nothing")


def main() -> int:
    # The driver prints to standard output; the replies get a channel of their own.
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    try:
        engine, busy, rate = _start()
    except (ImportError, RuntimeError, OSError) as error:
        _reply(out, id=0, error=str(error), missing=True, package=getattr(error, "name", None))
        return 1
    finished = threading.Event()
    failures: list[str] = []
    engine.connect("finished-utterance", lambda **_: finished.set())
    engine.connect("error", lambda exception=None, **_: failures.append(str(exception)))
    _reply(out, id=0, ready=True)
    for line in sys.stdin:
        job = json.loads(line)
        failures.clear()
        try:
            _speak(engine, busy, rate, finished, job)
        except (RuntimeError, ValueError, OSError, KeyError) as error:
            failures.append(str(error))
        if failures:
            _reply(out, id=job["id"], error=failures[0])
        else:
            _reply(out, id=job["id"], ok=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
