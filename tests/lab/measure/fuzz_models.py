"""Model folders under fuzz: whether a damaged one is still taken for whole, and what becomes of a program that loads
it.

The recogniser is not Python: what it does with a damaged file can end the
whole process. So each load is done in a child, and an end by a signal, or no
end at all, is a find.
"""

from __future__ import annotations

import functools
import os
import shutil
import signal
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from grammar.errors import TwohandsError
from tests.lab.measure.fuzz_common import ROOT, folder

OWN = ROOT / "grammar" / "model" / "twohands-en"
SMALL = 60_000
"""Bytes up to which a file is fed whole; a larger one is damaged at one place."""
PATIENCE = 60
"""Seconds that a load may take."""
REFUSED = 3


def model_seeds() -> list[bytes]:
    small = [path for path in sorted(OWN.rglob("*")) if path.is_file() and path.stat().st_size < SMALL]
    return [str(path.relative_to(OWN)).encode() + b"\n" + path.read_bytes()[:6000] for path in small]


def whole_model_seeds() -> list[bytes]:
    """Whole small files, and for each large one pieces to be put somewhere into it."""
    found = []
    for path in sorted(OWN.rglob("*")):
        if path.is_file() and path.suffix != ".json":
            name, raw = str(path.relative_to(OWN)).encode(), path.read_bytes()
            pieces = [raw] * 2 if len(raw) < SMALL else [raw[at : at + 64] for at in range(0, 4096, 512)]
            found += [name + b"\n" + piece for piece in pieces]
    return found


@functools.cache
def model_copy() -> Path:
    into = folder() / "model" / "twohands-en"
    shutil.copytree(OWN, into)
    return into


@contextmanager
def damaged(raw: bytes) -> Iterator[Path | None]:
    """The model with one of its files damaged as `raw` says: its name on the first line, then what is to stand there.
    None where that names no file of it."""
    name, _, content = raw.partition(b"\n")
    base = model_copy()
    path = base / name.decode("utf-8", "replace").replace("\0", "")[:100]
    if not (path.resolve().is_relative_to(base.resolve()) and path.is_file()):
        yield None
        return
    before = path.read_bytes()
    if len(before) >= SMALL:
        at = zlib.crc32(raw) % len(before)
        content = before[:at] + content + before[at + len(content) :] if at % 8 else before[:at]
    path.write_bytes(content)
    try:
        yield base
    finally:
        path.write_bytes(before)


def feed_model(raw: bytes) -> bool:
    """Whether the model is still taken for whole before anything loads it."""
    from assistant.models.whole import model_problem

    with damaged(raw) as base:
        return base is not None and not model_problem(base)


def feed_load(raw: bytes) -> bool:
    """Whether the model can still be loaded and heard with."""
    from assistant.hearing.engines import vosk_model

    with damaged(raw) as base:
        if base is None:
            return False
        child = os.fork()
        if child == 0:
            signal.alarm(PATIENCE)
            status = 1
            try:
                os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
                model = vosk_model.load_model(base)
                recogniser = vosk_model.new_recogniser(model, base, 16000, 0)
                recogniser.AcceptWaveform(b"\0\1" * 8000)
                recogniser.FinalResult()
                status = 0
            except TwohandsError:
                status = REFUSED
            finally:
                os._exit(status)
        _, status = os.waitpid(child, 0)
        assert not os.WIFSIGNALED(status), f"ended by {signal.Signals(os.WTERMSIG(status)).name}"
        assert os.waitstatus_to_exitcode(status) in (0, REFUSED), "an error that is none of ours"
        return status == 0
