"""Speaking over the program's voice: `python -m tests.lab interrupt --part own`, and `heard`, `noise`, `cancellers`.

own: how often the program takes its own voice for an answer, at three gains, three delays and in one echoing room.
heard: how often "I smell gas", "stop" and "no" over its voice are heard, and how soon it falls silent; voices that
nothing was tuned on, and with `--people FOLDER` recorded people who were kept for the test. noise: what a cough or a
knock does to it. cancellers: what each library leaves of its voice, and what it makes of somebody who speaks too.

All of it runs the program's own code, block by block (`interrupt_room.py`), with the voice and the recogniser of a
visit. Needs the extra `interrupt`; the canceller `livekit` is compared where it is installed.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import click
import numpy as np

from assistant.errors import MissingLibrary
from assistant.hearing.audio.duplex import Duplex
from assistant.hearing.audio.echo import FRAME, Canceller, SpeexCanceller, TwoCancellers, WebrtcCanceller
from assistant.hearing.audio.played import Cleaned
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Recognizer
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.rooms import Room, active
from assistant.hearing.weigh.policy import weigh
from assistant.speaking.voice import EspeakVoice, Voice
from assistant.visit.over import CutIn, Hold, Overhearing, Passed
from audio_fixtures.voices import say, voices
from grammar.answers import Choice, Command, Unclear
from tests.lab.measure.hearing_stats import percentile, wilson
from tests.lab.measure.interrupt_lines import Said, plans, turns
from tests.lab.measure.interrupt_room import Talking, Turn, Way

GAINS = (0.0, -12.0, -24.0)
"""dB of the loudspeaker at the microphone, over what was played."""
DELAYS = (0.06, 0.15, 0.3)
"""Seconds."""
WAYS: tuple[tuple[float, float, Room], ...] = (
    *((gain, delay, "open") for gain in GAINS for delay in DELAYS),
    (-6.0, 0.15, "basement"),
)  # fmt: skip
A_TURN = 25
"""Turns in one room before the next; each room begins with cancellers that know nothing."""
PERSON_DBFS = -26.0
"""Level of the person at the microphone (ITU-T P.56 practice, from memory)."""
WORDS = {"i smell gas": "gas", "stop": "stop", "no": "no"}
LEVELS = (20, 10, 0)
"""dB of the person over the program's voice, at the microphone."""


def power(sound: np.ndarray) -> float:
    """Mean square where somebody speaks."""
    wave = sound.astype(np.float64)
    return float(np.mean(wave[active(np.clip(wave, -32768, 32767).astype(np.int16))] ** 2))


def mean(sound: np.ndarray) -> float:
    """Mean square, never nothing."""
    return max(1e-3, float(np.mean(sound.astype(np.float64) ** 2)))


def rate(hits: int, total: int) -> str:
    """A share with its 95 % interval."""
    low, high = wilson(hits, total)
    return f"{hits} of {total}: {100 * hits / max(1, total):.1f} % ({100 * low:.1f}–{100 * high:.1f})"


@dataclass
class Bench:
    """voice, recogniser and everything that is said, ready to be put into a room."""

    voice: Voice
    recognizer: Recognizer
    said: list[Said]
    rng: np.random.Generator
    canceller: Callable[[], Canceller] = TwoCancellers

    def talking(self, gain_db: float, delay: float, room: Room) -> Talking:
        """A room in which nothing was said yet."""
        duplex = Duplex(lambda: iter(()), self.canceller())
        talking = Talking(Overhearing(self.recognizer, duplex), duplex, Way(gain_db, delay, room))
        talking.quiet(0.5)
        return talking

    def sounds(self, one: Said) -> list[np.ndarray]:
        return [self.voice.render(say.text) for say in one.says]

    @property
    def own_dbfs(self) -> float:
        """Level of the program's voice as it is played."""
        some = [self.voice.render(text) for text in ("Tell me the volts.", "Put the red lead on the hot wire.")]
        return float(np.mean([10 * np.log10(power(one) / 32768**2) for one in some]))


@dataclass
class Owned:
    """How the program's own voice was taken."""

    sentences: int = 0
    seconds: float = 0.0
    kinds: Counter = field(default_factory=Counter)
    answers: list[str] = field(default_factory=list)

    def add(self, one: Said, turn: Turn) -> None:
        self.sentences += len(one.says)
        self.seconds += turn.seconds
        for _, event in turn.happened:
            self.kinds[type(event).__name__ + (f" ({event.why})" if isinstance(event, Passed) else "")] += 1
            if isinstance(event, CutIn):
                self.answers.append(f"{event.answer} over {[say.text for say in one.says]}")


def own(bench: Bench, sentences: int, minutes: float) -> Owned:
    """Nobody but the program speaks, in one room after the other."""
    found, begun, place = Owned(), time.monotonic(), 0
    order = list(bench.rng.permutation(len(bench.said)))
    while found.sentences < sentences and time.monotonic() - begun < 60 * minutes:
        way = WAYS[place // A_TURN % len(WAYS)]
        if place % A_TURN == 0:
            talking = bench.talking(*way)
        one = bench.said[order[place % len(order)]]
        place += 1
        found.add(one, talking.speak(one.says, bench.sounds(one), one.listen, weigh))
        if place % 100 == 0:
            click.echo(f"{found.sentences} sentences, {found.seconds / 3600:.2f} h, {dict(found.kinds)}")
    return found


def speaks(bench: Bench, word: str, people: dict[str, list[np.ndarray]]) -> np.ndarray:
    """Somebody saying a word, trimmed, at the person's level: float64."""
    if people.get(word):
        sound = people[word][int(bench.rng.integers(len(people[word])))].astype(np.float64)
    else:
        those = [one.id for one in voices("test") if one.engine != "festival"]
        sound = say(word, those[int(bench.rng.integers(len(those)))], bench.rng.uniform(0.9, 1.15)).astype(np.float64)
    loud = np.flatnonzero(np.abs(sound) > 0.03 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    return sound * np.sqrt(32768**2 * 10 ** (PERSON_DBFS / 10) / power(sound))


def recorded(folder: Path | None) -> dict[str, list[np.ndarray]]:
    """What recorded people say of the words, those of the test part alone."""
    if folder is None:
        return {}
    from assistant.hearing.audio.files import read
    from tests.lab.train import people

    found: dict[str, list[np.ndarray]] = {}
    whole: dict[Path, np.ndarray] = {}
    for one in people.utterances(folder, "test", ("commands",)):
        if one.text in WORDS:
            if one.file not in whole:
                whole[one.file] = read(one.file)
            sound = whole[one.file]
            found.setdefault(one.text, []).append(sound[one.start : one.end])
    return found


def fits(one: Said, word: str) -> bool:
    """Whether the word is open there, and not part of what is said."""
    scope = one.listen.scope
    is_open = {"gas": True, "stop": "stop" in scope.commands, "no": "no" in one.listen.at_once}[WORDS[word]]
    said = " ".join(say.text.lower() for say in one.says)
    return is_open and not scope.name.endswith("alarm") and not any(part in said.split() for part in word.split()[-1:])


def heard(bench: Bench, cases: int, levels: tuple[int, ...], folder: Path | None, minutes: float) -> None:
    """Prints how often each word is heard at each level, and how soon the voice gives way."""
    people = recorded(folder)
    begun = time.monotonic()
    for level in levels:
        counts = {word: Counter() for word in WORDS}
        soft, onset, silent = [], [], []
        talking = bench.talking(PERSON_DBFS - level - bench.own_dbfs, 0.15, "basement")
        for _ in range(cases):
            for word, id in WORDS.items():
                one = next(
                    one
                    for one in (bench.said[int(place)] for place in bench.rng.permutation(len(bench.said)))
                    if fits(one, word) and sum(map(len, bench.sounds(one))) > 2.4 * SAMPLE_RATE
                )
                sounds = bench.sounds(one)
                person = speaks(bench, word, people)
                at = bench.rng.uniform(0.3, min(10.0, sum(map(len, sounds)) / SAMPLE_RATE - 1.8))
                turn = talking.speak(one.says, sounds, one.listen, weigh, person, at)
                talking.quiet(0.4)
                counts[word][_outcome(turn, id)] += 1
                start = turn.base + at * SAMPLE_RATE
                if turn.soft is not None:
                    soft.append((turn.soft - start) / SAMPLE_RATE)
                if turn.silent is not None and _outcome(turn, id) == "heard":
                    onset.append((turn.silent - start) / SAMPLE_RATE)
                    silent.append((turn.silent - start - len(person)) / SAMPLE_RATE)
            if time.monotonic() - begun > 60 * minutes:
                break
        click.echo(f"{level:+d} dB over its voice{', stop and no by recorded people' if people else ''}")
        for word, found in counts.items():
            total = sum(found.values())
            click.echo(f"  {word:12} heard {rate(found['heard'], total)}; asked again {found['asked']}, "
                       f"missed {found['missed']}, taken for something else {found['other']}")  # fmt: skip
        for name, those in (("softer after the first sound", soft), ("silent after the first sound", onset),
                            ("silent after the last sound", silent)):  # fmt: skip
            click.echo(
                f"  {name}: p50 {1000 * percentile(those, 0.5):.0f} ms, p95 {1000 * percentile(those, 0.95):.0f} ms"
            )


def _outcome(turn: Turn, id: str) -> str:
    found = turn.cut_in
    if found is None:
        return "missed"
    answer = found.answer
    if isinstance(answer, (Command, Choice)) and answer.id == id:
        return "heard"
    return "asked" if isinstance(answer, Unclear) else "other"


def bursts(rng: np.random.Generator) -> np.ndarray:
    """A cough or a knock, made from noise: two bursts of 0.15 to 0.3 s, or one of 20 ms. float64."""
    count = round(0.5 * SAMPLE_RATE)
    wave = rng.normal(size=count)
    shape = np.zeros(count)
    if rng.uniform() < 0.5:
        for start in (0.0, 0.27):
            length = round(rng.uniform(0.12, 0.22) * SAMPLE_RATE)
            first = round(start * SAMPLE_RATE)
            shape[first : first + length] = np.exp(-np.arange(length) / (0.05 * SAMPLE_RATE))
        spectrum = np.fft.rfft(wave)
        pitch = np.fft.rfftfreq(count, 1 / SAMPLE_RATE)
        wave = np.fft.irfft(spectrum / (1 + (pitch / 900) ** 2), count)
    else:
        shape[: round(0.02 * SAMPLE_RATE)] = 1.0
    wave *= shape
    return wave * np.sqrt(32768**2 * 10 ** (PERSON_DBFS / 10) / max(1e-9, power(wave)))


def noise(bench: Bench, cases: int) -> None:
    """Prints what coughs and knocks do."""
    kinds: Counter = Counter()
    talking = bench.talking(PERSON_DBFS - 10 - bench.own_dbfs, 0.15, "basement")
    for _ in range(cases):
        one = bench.said[int(bench.rng.integers(len(bench.said)))]
        sounds = bench.sounds(one)
        at = bench.rng.uniform(0.2, max(0.3, sum(map(len, sounds)) / SAMPLE_RATE - 1.0))
        turn = talking.speak(one.says, sounds, one.listen, weigh, bursts(bench.rng), at)
        kinds["cut short"] += turn.cut_in is not None
        kinds["begun again"] += turn.cut_in is None and any(isinstance(event, Hold) for _, event in turn.happened)
        kinds["softer"] += turn.soft is not None
    click.echo(f"coughs and knocks over its voice: {cases}")
    for name, count in kinds.items():
        click.echo(f"  {name}: {rate(count, cases)}")


class Livekit:
    """The WebRTC canceller as the package `livekit` brings it; compared, not used."""

    name = "WebRTC of livekit"

    def __init__(self) -> None:
        from livekit import rtc

        self._frame, self._library = rtc.AudioFrame, rtc.AudioProcessingModule(echo_cancellation=True)

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        out = []
        for at in range(0, len(near), FRAME):
            played, taken = (
                self._frame(bytearray(one[at : at + FRAME].tobytes()), SAMPLE_RATE, 1, FRAME) for one in (far, near)
            )
            self._library.process_reverse_stream(played)
            self._library.set_stream_delay_ms(0)
            self._library.process_stream(taken)
            out.append(np.frombuffer(bytes(taken.data), np.int16))
        left = np.concatenate(out)
        return Cleaned(left, left)

    def forget(self) -> None:
        """Made anew for every room."""


def cancellers(bench: Bench, cases: int, words: int) -> None:
    """Prints, for each library, what it leaves of the program's voice and of a voice beside it, and its pace."""
    far = np.concatenate([sound for one in bench.said[:cases] for sound in bench.sounds(one)])
    far = far[: len(far) // FRAME * FRAME]
    click.echo(f"{len(far) / SAMPLE_RATE:.0f} s of its voice; dB taken out in the first 3 s, and after")
    for kind in (WebrtcCanceller, SpeexCanceller, Livekit, TwoCancellers):
        try:
            kind()
        except (ImportError, MissingLibrary):
            click.echo(f"{kind.name}: not installed")
            continue
        told = []
        for gain, delay, room in (WAYS[0], WAYS[4], WAYS[8], WAYS[9]):
            canceller, way = kind(), Way(gain, delay, room)
            silence = np.zeros(480)
            near = np.concatenate([way.through(far[at : at + 480].astype(np.float64), silence)[0]
                                   for at in range(0, len(far) // 480 * 480, 480)])  # fmt: skip
            begun = time.perf_counter()
            left = canceller.clean(near, far[: len(near)])
            pace = len(near) / SAMPLE_RATE / (time.perf_counter() - begun)
            parts = (slice(0, 3 * SAMPLE_RATE), slice(3 * SAMPLE_RATE, None))
            first, later = (10 * np.log10(mean(near[part]) / mean(left.others[part])) for part in parts)
            told.append(f"{gain:+.0f} dB {1000 * delay:.0f} ms {room}: {first:.0f}, {later:.0f}")
        click.echo(f"{kind.name}: {'; '.join(told)}; {pace:.0f} times as fast as the sound")
    for kind in (WebrtcCanceller, SpeexCanceller, TwoCancellers):
        bench.canceller = kind
        owned = own(bench, words, 60)
        click.echo(f"{kind.name}: of {owned.sentences} sentences of its own {owned.kinds.get('CutIn', 0)} taken for an"
                   f" answer, {owned.kinds.get('Hold', 0)} falls silent, words refused"
                   f" {sum(count for name, count in owned.kinds.items() if name.startswith('Passed'))}")  # fmt: skip
        heard(bench, max(4, words // 40), (10,), None, 60)


@click.command(help=__doc__)
@click.option("--part", type=click.Choice(["own", "heard", "noise", "cancellers"]), required=True)
@click.option("--count", default=10_000, show_default=True, help="Sentences (own), or cases of each word and level.")
@click.option("--minutes", default=600.0, show_default=True, help="Stop after so long.")
@click.option("--level", "levels", type=int, multiple=True, help="dB of the person over its voice.")
@click.option("--people", type=click.Path(exists=True, file_okay=False, path_type=Path), help="Recordings of people.")
@click.option("--seed", default=1, show_default=True)
def main(part: str, count: int, minutes: float, levels: tuple[int, ...], people: Path | None, seed: int) -> None:
    rng = np.random.default_rng(seed)
    said = [one for plan in plans() for one in turns(plan, rng)]
    voice = EspeakVoice("en")
    bench = Bench(voice, recognizer()[0], said, rng)
    try:
        if part == "own":
            owned = own(bench, count, minutes)
            click.echo(f"{owned.sentences} sentences, {owned.seconds / 3600:.2f} hours, {len(WAYS)} ways")
            click.echo(f"own voice taken for an answer: {rate(len(owned.answers), owned.sentences)}")
            click.echo("\n".join(f"  {name}: {number}" for name, number in sorted(owned.kinds.items())))
            click.echo("\n".join(owned.answers))
        elif part == "heard":
            heard(bench, count, levels or LEVELS, people, minutes)
        elif part == "noise":
            noise(bench, count)
        else:
            cancellers(bench, 12, count)
    finally:
        voice.close()


if __name__ == "__main__":
    main()
