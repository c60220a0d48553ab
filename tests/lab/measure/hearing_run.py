"""Hear every case with an engine, on several processes, keeping each result so that a run can go on where it
stopped."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.looks import LOOKS, averaged
from audio_fixtures.voices import voices
from grammar.answers import Heard, Word
from grammar.language import language
from tests.lab.digest import digest
from tests.lab.measure import hearing_scopes
from tests.lab.measure.hearing_cases import Case, Split, case
from tests.lab.measure.hearing_engines import LOOKED, PLACED, Ear, Ending
from tests.lab.measure.hearing_engines import ear as ear_named
from tests.lab.measure.hearing_sound import cache as cache_folder
from tests.lab.measure.hearing_sound import placed, scene, spoken

PAIR = "pair"
PARTNERS = ("sphinx", "small")
BOTH, ALL = "both:", "all:"
"""Before two folders with a comma between: two models, the second one's first look, or all other looks of both, as
the second opinion."""

TIMED = 8
"""One in so many cases runs with the partial words, as in a visit, and counts for the real-time factor and the delay.

The final words are decided on the whole utterance and do not depend on them.
"""


@dataclass(frozen=True)
class Job:
    """reply: "" for the case itself, "again" for the same words said once more, "yes" or "no" for the answer to a
    read-back, all in the same place."""

    number: int
    reply: str = ""


@dataclass(frozen=True)
class Result:
    """What an engine made of one job. ends: when speech ended, s. cpu, sound: processor and sound seconds. said: the
    words spoken."""

    job: Job
    endings: tuple[Ending, ...]
    cpu: float
    sound: float
    starts: float
    ends: float
    said: str


@cache
def fingerprint(engine: str) -> str:
    """Short name of the state of everything that a result of this engine depends on."""
    prefix = next((one for one in (PLACED, LOOKED) if engine.startswith(one)), None)
    folders = [Path(engine.removeprefix(prefix))] if prefix else []
    return digest(["tests.lab.measure.hearing_run"], folders)


def hear(engine: str, split: Split, jobs: Iterable[Job], processes: int, mark: str | None = None) -> dict[Job, Result]:
    """The result of every job; those that a file in the cache has are not run again.

    "pair" is what both recognisers heard, joined as the product joins them, at
    the processor time of both.
    """
    wanted = list(jobs)
    if engine == PAIR:
        first, second = (hear(one, split, wanted, processes, mark) for one in PARTNERS)
        return {job: joined(first[job], second[job]) for job in wanted}
    if models := two_models(engine):
        first, second = (hear(one, split, wanted, processes, mark) for one in models)
        return {job: of_two(engine, first[job], second[job]) for job in wanted}
    name = "".join(one if one.isalnum() else "-" for one in engine)
    path = cache_folder() / f"{mark or fingerprint(engine)}-{split}-{name}.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    known = {result.job: result for result in _read(path)}
    todo = [job for job in wanted if job not in known]
    if todo:
        with path.open("a", encoding="utf-8") as file:
            for number, result in enumerate(_run(engine, split, todo, processes), 1):
                known[result.job] = result
                file.write(json.dumps(_as_json(result)) + "\n")
                if number % 100 == 0:
                    file.flush()
                    print(f"{engine}: {number} of {len(todo)}", flush=True)
    return {job: known[job] for job in wanted}


def joined(first: Result, second: Result) -> Result:
    """One result out of two; both engines have the same endpointer, so their utterances are the same."""
    endings = tuple(
        Ending(replace(one.heard, engine=PAIR, second=other.heard), one.at, one.wait + other.wait)
        for one, other in zip(first.endings, second.endings, strict=True)
    )
    return replace(first, endings=endings, cpu=first.cpu + second.cpu)


def two_models(engine: str) -> tuple[str, ...]:
    """The two engines out of which "both:A,B" or "all:A,B" is made; () for any other name."""
    prefix = next((one for one in (BOTH, ALL) if engine.startswith(one)), None)
    return tuple(f"{LOOKED}{one}" for one in engine.removeprefix(prefix).split(",")) if prefix else ()


def of_two(engine: str, first: Result, second: Result) -> Result:
    """What both models made of the same utterances, as `engine` puts them together."""

    def put(one: Heard, other: Heard) -> Heard:
        opinions = [(other, 1)]
        if engine.startswith(ALL):
            opinions += [(look, LOOKS - 1) for look in (one.second, other.second) if look is not None]
        return replace(one, second=averaged(opinions))

    endings = tuple(
        Ending(put(one.heard, other.heard), one.at, one.wait + other.wait)
        for one, other in zip(first.endings, second.endings, strict=True)
    )
    return replace(first, endings=endings, cpu=first.cpu + second.cpu)


def _run(engine: str, split: Split, todo: list[Job], processes: int) -> Iterator[Result]:
    tasks = [(engine, split, job) for job in todo]
    if processes <= 1:
        yield from map(_one, tasks)
        return
    # a fresh process each, since engines hold threads and C state that do not survive a fork
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        yield from pool.imap_unordered(_one, tasks, chunksize=4)


@cache
def _ear(engine: str) -> Ear:
    return ear_named(engine)


def _one(task: tuple[str, Split, Job]) -> Result:
    engine, split, job = task
    return listened(_ear(engine), split, job)


def listened(ear: Ear, split: Split, job: Job) -> Result:
    """What an engine makes of one job."""
    here = case(job.number, split)
    scope = hearing_scopes.scopes()["readback" if job.reply in ("yes", "no") else here.scope]
    made = reply_scene(here, job.reply) if job.reply else scene(here)
    timed = job.number % TIMED == 0
    endings, cpu = ear.listen(made.sound, scope, partials=timed)
    return Result(
        job,
        tuple(endings),
        cpu if timed else float("nan"),
        len(made.sound) / SAMPLE_RATE,
        made.starts,
        made.ends,
        made.said,
    )


def reply_scene(here: Case, reply: str):
    """ "yes" or "no" in the words of the language, or the case once more at another pace, by its voice, in its room
    and noise."""
    if reply == "again":
        return scene(
            replace(here, rate=round(here.rate * float(np.random.default_rng((82, here.number)).uniform(0.9, 1.1)), 2)),
            again=True,
        )
    rng = np.random.default_rng((81, here.number, ("yes", "no").index(reply)))
    text = str(rng.choice(language("en").option(reply).phrases))
    names = [one.id for one in voices(here.split)]
    voice = names[here.number % len(names)] if here.voice == "recorded" else here.voice
    return placed(spoken(text, voice, here.rate), replace(here, voice=voice), rng, text)


def _as_json(result: Result) -> dict[str, Any]:
    endings = [
        {
            "at": round(one.at, 3),
            "wait": round(one.wait, 4),
            "text": one.heard.text,
            "confidence": one.heard.confidence,
            "alternatives": one.heard.alternatives,
            "words": [(word.text, word.confidence) for word in one.heard.words],
            "seconds": one.heard.seconds,
            "level": one.heard.level_db,
            "engine": one.heard.engine,
            "second": None if one.heard.second is None else one.heard.second.alternatives,
            "free": one.heard.free,
        }
        for one in result.endings
    ]
    return {
        "n": result.job.number,
        "reply": result.job.reply,
        "endings": endings,
        "cpu": round(result.cpu, 4),
        "sound": result.sound,
        "starts": result.starts,
        "ends": result.ends,
        "said": result.said,
    }


def _second(row: dict[str, Any]) -> Heard | None:
    if row.get("second") is None:
        return None
    pairs = tuple((text, confidence) for text, confidence in row["second"])
    text, confidence = pairs[0] if pairs else ("", 0.0)
    return Heard(text, confidence, alternatives=pairs, engine=row["engine"])


def _read(path: Path) -> Iterator[Result]:
    if not path.is_file():
        return
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue  # a line that was torn when a run was stopped; its case is heard again
        endings = tuple(
            Ending(
                Heard(
                    one["text"],
                    one["confidence"],
                    tuple(Word(text, confidence) for text, confidence in one["words"]),
                    tuple((text, confidence) for text, confidence in one["alternatives"]),
                    one["seconds"],
                    one["level"],
                    one["engine"],
                    _second(one),
                    one.get("free"),
                ),
                one["at"],
                one["wait"],
            )
            for one in row["endings"]
        )
        yield Result(
            Job(row["n"], row["reply"]), endings, row["cpu"], row["sound"], row["starts"], row["ends"], row["said"]
        )
