"""Any key as push-to-talk. A headset button or a foot switch that sends a key is one too."""

from __future__ import annotations

import os
import selectors
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable
from typing import IO

BOUNCE = 0.15
"""Seconds within which a second press is the same one; a foot switch bounces, a held key repeats."""


class Keys:
    """Calls `pressed` for every key press, from a thread of its own, until `close`.

    On a terminal the keys come one by one and are not shown; Ctrl-C still ends the
    program. Without a terminal every piece of input counts as a press.
    """

    def __init__(
        self,
        pressed: Callable[[], None],
        source: IO[bytes] | IO[str] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._pressed = pressed
        self._file = (source or sys.stdin).fileno()
        self._clock = clock
        self._last = float("-inf")
        self._before: list | None = None
        self._wake_out, self._wake_in = os.pipe()
        self._thread = threading.Thread(target=self._read, daemon=True)

    def open(self) -> None:
        """Begin to watch the keys."""
        if os.isatty(self._file):
            self._before = termios.tcgetattr(self._file)
            tty.setcbreak(self._file, termios.TCSANOW)
        self._thread.start()

    def close(self) -> None:
        """Stop watching and give the terminal back as it was. Once only."""
        os.write(self._wake_in, b".")
        self._thread.join()
        os.close(self._wake_in)
        os.close(self._wake_out)
        if self._before is not None:
            termios.tcsetattr(self._file, termios.TCSANOW, self._before)

    def __enter__(self) -> Keys:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _some_key(self) -> bool:
        """Whether a key came; not at the end of the input, nor when the terminal has gone away."""
        try:
            return bool(os.read(self._file, 64))
        except OSError:
            return False

    def _read(self) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake_out, selectors.EVENT_READ)
            selector.register(self._file, selectors.EVENT_READ)
            while True:
                ready = {key.fd for key, _ in selector.select()}
                # A special key sends several bytes at once; they are one press.
                if self._wake_out in ready or not self._some_key():
                    return
                now = self._clock()
                if now - self._last >= BOUNCE:
                    self._pressed()
                self._last = now
