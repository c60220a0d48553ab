"""Whole visits with simulated technicians: `python -m tests.lab.measure.hearing_visits --visits 400`.

Natural voices that no model was made with go through the healthy visit of the
demonstration, each with readings of its own furnace, in six noises and four
levels, some quick, some slow, some with "uh", a cough, talk to a customer, or
the first sound cut off by the tone. Everything goes through the product's
detector, endpointer, recogniser, weighing and dialogue. Counts the visits
that end rightly, turns over the least possible, readings kept wrong, and false
gas alarms.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import cache
from itertools import zip_longest
from pathlib import Path

import numpy as np

from assistant.errors import AudioError
from assistant.hearing.audio.files import Conversation
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Final, Recognizer
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.looks import LOOKS
from assistant.hearing.engines.vosk_engine import VoskEngine
from assistant.hearing.weigh.policy import GAS, weigh
from assistant.models.placed import OWN
from assistant.visit.demo.show import demo_file
from assistant.visit.journal import Journal
from assistant.visit.mouth import SilentMouth
from assistant.visit.plans import ready_plan
from assistant.visit.recorded import RecordedTechnician
from assistant.visit.visit import Visit
from audio_fixtures.rooms import NOISES, Split, level, mix, noise, padded
from flows.procedure.session import Save
from flows.talk.believed import assessment
from flows.talk.dialogue import begin
from grammar.answers import Answer, Command, Heard, Reading
from grammar.parse import understand
from grammar.scope import Scope
from tests.lab.measure.hearing_natural import names, say
from tests.lab.measure.hearing_spoken import number
from tests.lab.measure.hearing_talk import TEST, TUNE
from tests.lab.measure.hearing_visits_page import Ended, Setting, page

RESULTS = Path(__file__).parent / "results" / "visits.md"

LEVELS = (30, 20, 10, 5)
"""dB, speech over noise; the first is a quiet room."""
FURNACES = 6
"""Sets of readings a voice."""
TALK = 5
"""Different sentences to a customer."""
PACES = (1.0, 0.9, 1.15)
QUIRKS = (("plain", 0.78), ("uh", 0.08), ("cough", 0.05), ("talk", 0.04), ("cut", 0.05))
"""What comes with an answer, and how often. cut: the first 60 ms fell under the tone."""
DISPLAY = {
    "supply": (119.0, 122.4, 1),
    "polarity_hot": (119.2, 122.0, 1),
    "polarity_neutral": (0.1, 0.6, 1),
    "secondary": (27.2, 28.6, 1),
    "phasing": (91.8, 94.6, 1),
    "rod_voltage": (95.2, 98.6, 1),
    "lead_zero": (0.1, 0.3, 1),
    "ground_path": (0.4, 0.9, 1),
    "flame_current": (3.1, 4.4, 1),
}
"""Step -> least and greatest display of a healthy furnace, decimals (common practice)."""


def setting(number_: int, split: Split) -> Setting:
    """The visit of that number; any 96 in a row are balanced over voices, noises and levels."""
    rng = np.random.default_rng((91, number_))
    voices = names(split)
    return Setting(
        number_,
        split,
        voices[number_ % len(voices)],
        NOISES[number_ // len(voices) % len(NOISES)],
        LEVELS[number_ // (len(voices) * len(NOISES)) % len(LEVELS)],
        furnace := int(rng.integers(FURNACES)),
        PACES[furnace % len(PACES)],
        float(rng.choice([0.15, 0.5, 1.5])),
    )


def words(voice: str, furnace: int) -> dict[str, str]:
    """What a technician says at each step, readings as people read them."""
    data = demo_file()
    rng = np.random.default_rng((92, furnace, *voice.encode()))
    said = dict(data.words("healthy"))
    for step, (low, high, decimals) in DISPLAY.items():
        said[step] = number(f"{rng.uniform(low, high):.{decimals}f}", rng)
    said["meter_live"] = said["meter_still_live"] = said["supply"]
    return said


class Clips:
    """Gives the sound of each answer in the visit's room, every time another."""

    def __init__(self, here: Setting) -> None:
        self._here = here
        self._rng = np.random.default_rng((93, here.number))
        self._loudness = float(self._rng.uniform(-32, -20))

    def __call__(self, text: str) -> np.ndarray:
        here, rng = self._here, self._rng
        spoken = say(text, here.voice, here.pace)
        quirk = str(rng.choice([name for name, _ in QUIRKS], p=[share for _, share in QUIRKS]))
        if quirk == "cut":
            spoken = spoken[round(0.06 * SAMPLE_RATE) :]
        elif quirk == "uh":
            spoken = _after(say("uh", here.voice, here.pace), 0.25, spoken)
        elif quirk == "cough":
            spoken = _after(_cough(rng), 0.5, spoken)
        elif quirk == "talk":
            others = TUNE if here.split == "tune" else TEST
            spoken = _after(say(others[int(rng.integers(TALK))], here.voice, here.pace), 1.2, spoken)
        speech = padded(level(spoken, self._loudness), 0.05 if quirk == "cut" else here.reply, 1.0)
        return mix(speech, noise(here.noise, len(speech), rng, here.split), here.snr)


def _after(first: np.ndarray, gap: float, second: np.ndarray) -> np.ndarray:
    return np.concatenate([first, np.zeros(round(gap * SAMPLE_RATE), np.int16), second])


def _cough(rng: np.random.Generator) -> np.ndarray:
    """Two bursts of noise that die away, 0.3 s."""
    time = np.arange(round(0.3 * SAMPLE_RATE)) / SAMPLE_RATE
    shape = np.exp(-time / 0.05) + 0.6 * np.exp(-np.maximum(time - 0.16, 0) / 0.04) * (time > 0.16)
    return np.round(6000 * shape * rng.standard_normal(len(time))).clip(-32768, 32767).astype(np.int16)


class Technician(RecordedTechnician):
    """Goes on where a misheard word has paused the visit."""

    def _answer(self, scope: Scope) -> str:
        return "continue" if scope.name.endswith("/paused") else super()._answer(scope)


class Count:
    """A watcher: readings kept, turns, alarms."""

    def __init__(self) -> None:
        self.turns = self.alarms = 0
        self.kept: list[tuple[str, float]] = []
        self.scope = ""

    def said(self, say_: object) -> None: ...

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        self.turns += 1
        self.alarms += isinstance(answer, Command) and answer.id == GAS

    def saved(self, save: Save) -> None:
        if save.kind == "reading":
            self.kept.append((str(save.data["step"]), float(save.data["value"])))  # type: ignore[arg-type]

    def listening(self, scope: Scope) -> None:
        self.scope = scope.name


class _Typed:
    """A recogniser that reads the technician's lips."""

    name = "typed"

    def __init__(self) -> None:
        self.text = ""

    def open(self, scope: Scope) -> None: ...

    def feed(self, chunk: np.ndarray) -> list[Final]:
        return []

    def finish(self) -> list[Final]:
        return [Final(Heard(self.text, 1.0, engine="typed"), np.zeros(160, np.int16))]

    def close(self) -> None: ...


def held(here: Setting, recognizer: Recognizer | _Typed) -> Ended:
    """One visit from its welcome to its end."""
    plan = ready_plan("flame_sensing", "larkspur", "dunlin")
    says = words(here.voice, here.furnace)
    tape = Conversation()
    clips = Clips(here)

    def clip(text: str) -> np.ndarray:
        if isinstance(recognizer, _Typed):
            recognizer.text = text
            return np.zeros(1600, np.int16)
        return clips(text)

    technician = Technician(plan, recognizer, says, clip, tape)
    watcher = Count()
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal(Path(folder) / "visit", lambda: datetime(2026, 1, 1, tzinfo=UTC))
        try:
            outcome = Visit(plan, technician, SilentMouth(), journal, [technician, watcher], weigh).run(*begin(plan))
        except AudioError:
            # led to a place where a technician on a healthy furnace has nothing to say
            outcome = None
        finally:
            journal.close()
    how = outcome.how if outcome else "lost"
    found = assessment(plan, outcome.session) if outcome else None
    wrong = sum(not _meant(says[step], value, plan, step) for step, value in watcher.kept)
    rightly = how == "finished" and (found is None or found.named in (None, "healthy")) and not wrong
    least = 0 if isinstance(recognizer, _Typed) else least_turns(here.voice, here.furnace)
    return Ended(
        here,
        how,
        rightly,
        watcher.turns,
        least,
        tape.seconds / 60,
        wrong,
        len(watcher.kept),
        watcher.alarms,
        "" if how == "finished" else watcher.scope,
    )


def _meant(said: str, value: float, plan: object, step: str) -> bool:
    asked = plan.step(step).ask  # type: ignore[attr-defined]
    scope = Scope("meant", asked if hasattr(asked, "decimals") and hasattr(asked, "ranges") else None)
    answer = understand(Heard(said), scope) if scope.asked else None
    if isinstance(answer, Reading):
        return abs(answer.value - value) <= 1e-9 + 1e-9 * abs(value)
    from grammar.numbers import parse

    spoken = parse(said)
    scale = 1e-6 if getattr(asked, "unit", "") == "microamp" else 1.0
    return spoken is not None and abs(float(spoken.digits) * scale - value) <= 1e-9


@cache
def least_turns(voice: str, furnace: int) -> int:
    """Turns of a visit in which everything is understood at once."""
    return held(Setting(0, "tune", voice, "blower", 30, furnace, 1.0, 0.5), _Typed()).turns


@cache
def _recognizer(folder: str) -> Listener:
    return Listener(VoskEngine(Path(folder), name=OWN, looks=LOOKS)) if folder else recognizer(wanted="vosk")[0]


def _one(task: tuple[Setting, str]) -> Ended:
    here, folder = task
    return held(here, _recognizer(folder))


def spoken_texts(split: Split) -> list[tuple[str, str, float]]:
    """Every (text, voice, pace) that visits may need, so that the speech can be made beforehand."""
    from grammar.numbers import digits_spoken, parse

    found: dict[tuple[str, str, float], None] = {}
    others = TUNE if split == "tune" else TEST
    for voice in names(split):
        for furnace in range(FURNACES):
            pace = PACES[furnace % len(PACES)]
            for text in (*words(voice, furnace).values(), "continue", "uh", *others[:TALK]):
                found[text, voice, pace] = None
                spoken = parse(text)
                if spoken is not None:
                    found[digits_spoken(spoken.digits), voice, pace] = None
    return list(found)


def in_turn(start: int, count: int, levels: Sequence[int], split: Split) -> list[Setting]:
    """The visits of `count` numbers from `start` on, at these levels, in turns: broken off anywhere, each level has as
    many as the others, and voices and noises come round alike."""
    by_level: dict[int, list[Setting]] = {snr: [] for snr in levels}
    for number_ in range(start, start + count):
        here = setting(number_, split)
        if here.snr in by_level:
            by_level[here.snr].append(here)
    return [here for some in zip_longest(*by_level.values()) for here in some if here is not None]


def held_until(tasks: Sequence[tuple[Setting, str]], jobs: int, minutes: float, keep: Callable[[Ended], None]) -> None:
    """One after the other, or `jobs` side by side, until they are over or `minutes` of processor time are."""
    if jobs <= 1:
        for task in tasks:
            if time.process_time() > 60 * minutes:
                return
            keep(_one(task))
        return
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        for one in pool.imap_unordered(_one, tasks):
            keep(one)


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing_visits", description=__doc__)
    asked.add_argument("--visits", type=int, default=96)
    asked.add_argument("--start", type=int, default=0)
    asked.add_argument("--split", choices=("test", "tune"), default="test")
    asked.add_argument("--levels", type=int, nargs="+", choices=LEVELS, default=list(LEVELS))
    asked.add_argument("--model", default="", help="a model folder instead of the two that ship")
    asked.add_argument("--jobs", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    asked.add_argument("--minutes", type=float, default=math.inf, help="of processor time, with one job")
    asked.add_argument("--write", action="store_true", help=f"put the table into {RESULTS.name}, after every visit")
    given = asked.parse_args()
    os.nice(10)
    tasks = [(here, given.model) for here in in_turn(given.start, given.visits, given.levels, given.split)]
    found: list[Ended] = []

    def keep(one: Ended) -> None:
        found.append(one)
        here = one.setting
        how = "rightly" if one.rightly else f"{one.how} {one.stuck}"
        print(f"{here.number} {here.voice} {here.noise} {here.snr} dB: {how}, {one.turns}/{one.least}", flush=True)
        if given.write:
            RESULTS.write_text(page(found, LEVELS, given.split, given.model))

    held_until(tasks, given.jobs, given.minutes, keep)
    print(page(found, LEVELS, given.split, given.model))


if __name__ == "__main__":
    main()
