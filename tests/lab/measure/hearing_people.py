"""How people's short answers are heard: `python -m tests.lab.measure.hearing_people RECORDINGS --part tune`.

Single digits, yes, no and stop by people (the split is tests/lab/train/people.yaml),
in quiet and in pink noise, through the whole ear: detector, endpointer, recogniser,
weighing. `--talk` lets read sentences through, which should become nothing at all.
The recordings are not part of the project.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE
from audio_fixtures.rooms import level, mix, padded
from grammar.answers import Choice, Command, Heard, Reading
from grammar.parse import understand
from grammar.scope import Scope
from tests.lab.measure import hearing_scopes
from tests.lab.measure.hearing_cases import Case
from tests.lab.measure.hearing_engines import Ear
from tests.lab.measure.hearing_engines import ear as ear_named
from tests.lab.measure.hearing_judge import Judged, judge
from tests.lab.measure.hearing_report import false_alarm, rate
from tests.lab.measure.hearing_run import Job, Result
from tests.lab.measure.hearing_stats import percentile
from tests.lab.train import people, sentences

QUIET = 40
SNRS = (QUIET, 20, 10, 5)
"""dB; the first is a quiet room."""
WHERE = ("dead", "leads", "ground_path", "flame")
"""Scopes in which a single digit may well be the answer."""
LEADS = (0.4, 1.0)
"""Seconds of the room before the recording: who answers at once, and who waits."""
AFTER = 1.2
ADULT = 16


@dataclass(frozen=True)
class Said:
    """One recorded utterance in one condition."""

    case: Case
    utterance: people.Utterance
    lead: float


def short_answers(recordings: Path, part: people.Part, snrs: Sequence[int] = SNRS) -> Iterator[Said]:
    """Every short answer of that part in each noise."""
    chosen = [one for one in people.utterances(recordings, part, ("commands",)) if one.text in people.SHORT]
    for number, one in enumerate(chosen):
        digit = one.text in sentences.DIGITS
        scope = WHERE[number % len(WHERE)] if digit else "readback"
        kind = "reading" if digit else "words"
        for place, snr in enumerate(snrs):
            case = Case(
                number * len(snrs) + place,
                part,
                kind,
                scope,
                one.text,
                truth(one.text, scope),
                f"{one.set}/{one.speaker}",
                "pink",
                snr,
                "open",
                "wide",
                1.0,
            )
            yield Said(case, one, LEADS[number % len(LEADS)])


def talk(recordings: Path, part: people.Part, most: int = 10_000, snrs: Sequence[int] = (QUIET, 10)) -> Iterator[Said]:
    """Sentences that are no answer, each in one noise and one scope."""
    sets = tuple(name for name, one in people.people_file().sets.items() if one.talk)
    names = list(hearing_scopes.scopes())
    chosen = list(people.utterances(recordings, part, sets))
    order = np.random.default_rng(85).permutation(len(chosen))[:most]
    for number, at in enumerate(order):
        one = chosen[int(at)]
        yield Said(
            Case(
                100_000 + number,
                part,
                "outside",
                names[number % len(names)],
                one.text,
                None,
                f"{one.set}/{one.speaker}",
                "pink",
                snrs[number // len(names) % len(snrs)],
                "open",
                "wide",
                1.0,
            ),
            one,
            LEADS[1],
        )


def truth(text: str, scope: str) -> float | str | None:
    """What typed words mean in a scope: SI value, or the id of an answer or command."""
    answer = understand(Heard(text), hearing_scopes.scopes()[scope])
    if isinstance(answer, Reading):
        return answer.value
    return answer.id if isinstance(answer, Choice | Command) else None


def pink(samples: int, rng: np.random.Generator) -> np.ndarray:
    """Noise that falls by 3 dB an octave from 20 Hz, unit power."""
    hertz = np.fft.rfftfreq(samples, 1 / SAMPLE_RATE)
    spectrum = (rng.normal(size=len(hertz)) + 1j * rng.normal(size=len(hertz))) / np.sqrt(np.maximum(hertz, 20))
    wave = np.fft.irfft(spectrum, samples)
    return wave / wave.std()


def sound(said: Said) -> np.ndarray:
    """int16 at 16 kHz: the recording at a drawn level in its noise."""
    rng = np.random.default_rng((84, said.case.number))
    dry = level(people.samples(said.utterance), float(rng.uniform(-32, -20)))
    speech = padded(dry, said.lead, AFTER)
    return mix(speech, pink(len(speech), rng), said.case.snr)


@cache
def _ear(engine: str) -> Ear:
    return ear_named(engine)


def listened(task: tuple[str, Said]) -> tuple[Said, Result]:
    """What an engine makes of one utterance."""
    engine, said = task
    made = sound(said)
    scope: Scope = hearing_scopes.scopes()[said.case.scope]
    endings, cpu = _ear(engine).listen(made, scope, partials=False)
    ends = len(made) / SAMPLE_RATE - AFTER
    return said, Result(
        Job(said.case.number), tuple(endings), cpu, len(made) / SAMPLE_RATE, said.lead, ends, said.case.text
    )


def hear(engine: str, those: Sequence[Said], processes: int) -> list[tuple[Said, Result]]:
    """All of them, in order."""
    tasks = [(engine, said) for said in those]
    if processes <= 1:
        return list(map(listened, tasks))
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        return list(pool.imap(listened, tasks, chunksize=8))


def table(found: Sequence[tuple[Said, Judged, Result]]) -> str:
    """Rows: what was said and how loud the noise was."""
    lines = [
        "| said | noise | right at once | asked again | not noticed | wrong and taken | utterances |",
        "|---|---|---|---|---|---|---|",
    ]
    groups = {
        "single digits": lambda one: one.case.kind == "reading",
        "yes, no, stop": lambda one: one.case.kind == "words",
    }
    for name, keep in groups.items():
        for snr in SNRS:
            some = [(judged, result) for said, judged, result in found if keep(said) and said.case.snr == snr]
            if not some:
                continue
            shares = [
                rate(sum(judged.outcome == outcome for judged, _ in some), len(some)) for outcome in ("right", "asked")
            ]
            missed = rate(sum(not result.endings for _, result in some), len(some))
            wrong = rate(sum(judged.outcome == "wrong" for judged, _ in some), len(some))
            lines.append(
                f"| {name} | {'quiet' if snr == QUIET else f'{snr} dB'} | {shares[0]} | {shares[1]} | {missed} |"
                f" {wrong} | {len(some)} |"
            )
    return "\n".join(lines)


def talk_table(found: Sequence[tuple[Said, Judged, Result]]) -> str:
    """Talk by set and age: taken for an answer, taken for gas."""
    lines = ["| talk | taken as an answer | taken for a gas alarm | utterances |", "|---|---|---|---|"]
    for name in dict.fromkeys(_who(said.utterance) for said, _, _ in found):
        some = [judged for said, judged, _ in found if _who(said.utterance) == name]
        taken = sum(one.outcome == "wrong" and not false_alarm(one) for one in some)
        lines.append(
            f"| {name} | {rate(taken, len(some))} | {rate(sum(map(false_alarm, some)), len(some))} | {len(some)} |"
        )
    return "\n".join(lines)


def _who(one: people.Utterance) -> str:
    if "age" not in one.about:
        return one.set
    who = {"f": "women", "m": "men"}[one.about["gender"]] if int(one.about["age"]) >= ADULT else "children"
    return f"{one.set}, {who}"


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing_people", description=__doc__)
    asked.add_argument("recordings", type=Path)
    asked.add_argument("--part", choices=("tune", "test"), default="tune")
    asked.add_argument("--engine", default="ours", help="as in tests.lab.measure.hearing")
    asked.add_argument("--talk", type=int, default=0, help="so many sentences of talk besides")
    asked.add_argument("--jobs", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    given = asked.parse_args()
    os.nice(10)
    answers = hear(given.engine, list(short_answers(given.recordings, given.part)), given.jobs)
    print(table([(said, judge(said.case, result), result) for said, result in answers]))
    print(
        f"\nreal-time factor, median: {percentile([result.cpu / result.sound for _, result in answers], 0.5):.3f},"
        " without partial words"
    )
    if given.talk:
        others = hear(given.engine, list(talk(given.recordings, given.part, given.talk)), given.jobs)
        print("\n" + talk_table([(said, judge(said.case, result), result) for said, result in others]))


if __name__ == "__main__":
    main()
