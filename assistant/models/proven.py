"""Whether a model can be loaded at all, found out in a process of its own.

The recogniser's library trusts its files: a damaged one can end the whole
program without a word. So a model is first loaded and heard with in a child;
that the same bytes did well once is remembered in the user's cache.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import subprocess
import sys
from pathlib import Path

from platformdirs import user_cache_dir

TRIAL = """
import sys, vosk
vosk.SetLogLevel(-1)
recogniser = vosk.KaldiRecognizer(vosk.Model(sys.argv[1]), 16000)
recogniser.SetWords(True)
recogniser.AcceptWaveform(bytes(8000))
recogniser.FinalResult()
"""
PATIENCE = 300
"""Seconds for one trial: a large model on a slow machine."""


def load_problem(folder: Path, kept: Path | None = None) -> str:
    """What comes of loading the model, as one sentence; "" where it loads. kept: where it is remembered."""
    kept = kept or Path(user_cache_dir("twohands")) / "models"
    mark = kept / fingerprint(folder)
    if mark.exists() or not sys.executable:
        return ""
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-c", TRIAL, str(folder)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=PATIENCE,
        )
    except subprocess.TimeoutExpired:
        return f"Vosk cannot load the model {folder.name}: it is damaged, and loading it does not come to an end."
    except OSError:
        return ""  # No process can be started here, so nothing is known against the model.
    if done.returncode:
        return f"Vosk cannot load the model {folder.name}: it is damaged."
    try:
        kept.mkdir(parents=True, exist_ok=True)
        mark.touch()
    except OSError:
        pass  # A cache that cannot be written only costs the trial again.
    return ""


def fingerprint(folder: Path) -> str:
    """Changes with every byte of the model, every name in it, and the recogniser's version. Raises OSError."""
    digest = hashlib.sha256(importlib.metadata.version("vosk").encode())
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            digest.update(f"\n{path.relative_to(folder)} {path.stat().st_size}\n".encode("utf-8", "surrogateescape"))
            with path.open("rb") as file:
                digest.update(hashlib.file_digest(file, "sha256").digest())
    return digest.hexdigest()
