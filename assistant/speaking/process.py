"""The worker process as the visit sees it: asked, timed, replaced."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
from pathlib import Path
from typing import IO, Any, cast

from assistant.errors import MissingLibrary, VoiceError

WORKER = Path(__file__).with_name("worker.py")
START_LIMIT = 20.0
"""Seconds that a worker may take to start on a slow, busy machine."""

INSTALL = "Run: sudo apt-get install espeak-ng libespeak-ng1"
NOT_INSTALLED = "The voice cannot speak: eSpeak NG is not installed."
NO_PACKAGE = "The voice cannot speak: the Python package pyttsx3 is not installed."


class SpeechWorker:
    """One running worker. Not for use by two threads at once.

    Raises MissingLibrary when the synthesiser is not installed and VoiceError
    when the worker does not start.
    """

    def __init__(
        self,
        command: list[str] | None = None,
        environment: dict[str, str] | None = None,
        start_limit: float = START_LIMIT,
    ) -> None:
        # A session of its own: Ctrl-C ends the visit, and the visit ends the
        # worker when its last sentence is spoken. -P keeps this folder off the path.
        self._process = subprocess.Popen(
            command or [sys.executable, "-P", str(WORKER)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=None if environment is None else {**os.environ, **environment},
            start_new_session=True,
        )
        # Both are there, for both were asked for.
        self._jobs, self._lines = cast(IO[bytes], self._process.stdin), cast(IO[bytes], self._process.stdout)
        self._replies: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._number = 0
        threading.Thread(target=self._read, name="voice-replies", daemon=True).start()
        first = self._reply(0, start_limit)
        if first.get("missing"):
            self.close()
            if first.get("package") == "pyttsx3":
                raise MissingLibrary(NO_PACKAGE, "Run: pip install pyttsx3")
            raise MissingLibrary(NOT_INSTALLED, INSTALL)

    def render(self, text: str, voice: str, words_a_minute: int, file: Path, limit: float) -> None:
        """Write the spoken text as a WAV file. Raises VoiceError; the worker is of no more use then."""
        self._number += 1
        job = {"id": self._number, "text": text, "voice": voice, "rate": words_a_minute, "file": str(file)}
        try:
            self._jobs.write((json.dumps(job) + "\n").encode())
            self._jobs.flush()
        except (OSError, ValueError) as error:  # ValueError: the pipe was closed on this side
            raise self._gone() from error
        answer = self._reply(self._number, limit)
        if "error" in answer:
            raise VoiceError(
                f"The voice could not speak ({answer['error']}).", "Try again, or read the words on the screen."
            )

    def close(self) -> None:
        """End the worker at once."""
        self._process.kill()
        self._process.wait()
        with contextlib.suppress(BrokenPipeError):
            self._jobs.close()

    def _reply(self, number: int, limit: float) -> dict[str, Any]:
        try:
            answer = self._replies.get(timeout=limit)
        except queue.Empty:
            self.close()
            raise VoiceError(
                f"The voice did not answer within {limit:g} seconds.", "Try again, or read the words on the screen."
            ) from None
        if answer is None or answer.get("id") != number:
            raise self._gone()
        return answer

    def _gone(self) -> VoiceError:
        self.close()
        return VoiceError("The voice has stopped working.", "Try again, or read the words on the screen.")

    def _read(self) -> None:
        with self._lines as lines:
            for line in lines:
                self._replies.put(json.loads(line))
        self._replies.put(None)
