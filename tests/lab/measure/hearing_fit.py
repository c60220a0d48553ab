"""Set the trust of one engine on tuning voices: `python -m tests.lab.measure.hearing_fit --engine pair --name pair`.

Fits a logistic regression of "understood right" on the evidence of each heard
utterance, then the least thresholds at which wrong answers and talk taken as
answers stay under their shares. Prints the block for settings.yaml; hears
nothing but tuning voices.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import product
from pathlib import Path

import numpy as np
import yaml
from scipy.optimize import minimize

from assistant.hearing.weigh.evidence import Evidence, Said, candidates, evidence, trust
from assistant.hearing.weigh.meanings import meanings, texts_of
from assistant.hearing.weigh.settings import EngineSettings, HearingSettings, Trust, hearing_settings
from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.parse import understand
from tests.lab import made_with
from tests.lab.measure import hearing_natural, hearing_people, hearing_scopes
from tests.lab.measure.hearing_cases import Case, case
from tests.lab.measure.hearing_judge import outcome
from tests.lab.measure.hearing_run import Job, Result, hear, of_two, two_models

NAMES = tuple(one.name for one in fields(Evidence))
NEVER_AGAINST = ("fit", "share", "least_word", "level", "agree", "second", "free")
"""More of these never lowers the trust."""
LEAST_TRUST = 0.6
"""Where nothing is taken wrong at all, the samples are too few to go lower."""
MOST_TALK = 600
"""Sentences of tuning people."""
NATURAL_FROM = 50_000
"""Number of the first case in a natural voice."""
START = EngineSettings(
    share_power=1.0,
    prior_power=0.5,
    accept=0.5,
    accept_words=0.5,
    accept_commands=0.5,
    accept_yes=0.5,
    either=0.5,
    trust=Trust(base=0, fit=0, share=0, least_word=0, level=0, length=0, pace=0, option=0, command=0),
)


@dataclass(frozen=True)
class Sample:
    """The first thing heard in one case. kind: of the best meaning, "reading", "words", "command" or "yes"."""

    case: Case
    seen: Evidence
    outcome: str
    kind: str


def first_heard(case_: Case, result: Result) -> Heard | None:
    """The first ending with words that mean anything."""
    scope = hearing_scopes.scopes()[case_.scope]
    for ending in result.endings:
        told = understand(ending.heard, scope)
        if not (isinstance(told, Unclear) and told.reason == "nothing"):
            return ending.heard
    return None


@dataclass(frozen=True)
class Parsed:
    """The first thing heard in one case, and what each of its texts means."""

    case: Case
    heard: Heard
    said: Said


def parsed(results: Sequence[tuple[Case, Result]]) -> list[Parsed]:
    """Every case in which something was heard."""
    found = []
    for case_, result in results:
        heard = first_heard(case_, result)
        if heard is not None:
            found.append(Parsed(case_, heard, meanings(texts_of(heard), hearing_scopes.scopes()[case_.scope])))
    return found


def samples(those: Sequence[Parsed], engine: EngineSettings, settings: HearingSettings) -> list[Sample]:
    found = []
    for one in those:
        scope = hearing_scopes.scopes()[one.case.scope]
        options = candidates(one.heard, one.said, scope, engine, settings)
        if not options:
            continue
        best = options[0]
        kind = (
            "reading"
            if isinstance(best.answer, Reading)
            else "command"
            if isinstance(best.answer, Command)
            else "words"
        )
        if isinstance(best.answer, Choice) and best.answer.id == "yes":
            kind = "yes"
        seen = evidence(one.heard, one.said, best, scope, settings)
        found.append(Sample(one.case, seen, outcome(one.case, best.answer), kind))
    return found


def regress(rows: list[Sample]) -> tuple[Trust, np.ndarray]:
    """The trust weights and each sample's trust."""
    x = np.array([[getattr(one.seen, name) for name in NAMES] for one in rows])
    good = np.array([matches_truth(one) for one in rows], float)
    bounds = [(None, None)] + [(0.0, None) if name in NEVER_AGAINST else (None, None) for name in NAMES]

    def loss(weights: np.ndarray) -> float:
        z = weights[0] + x @ weights[1:]
        return float(np.mean(np.logaddexp(0, z) - good * z) + 2e-3 * np.sum(weights[1:] ** 2))

    best = minimize(loss, np.zeros(1 + len(NAMES)), bounds=bounds, method="L-BFGS-B").x
    weights = Trust(
        base=round(float(best[0]), 4),
        **{name: round(float(value), 4) for name, value in zip(NAMES, best[1:], strict=True)},
    )
    z = best[0] + x @ best[1:]
    return weights, 1 / (1 + np.exp(-z))


def keep_case(one: Case, group: str) -> bool:
    """Whether a case is an answer by one of "people", "natural" (voices) or "others"."""
    natural = one.voice in hearing_natural.names("tune")
    person = "/" in one.voice
    return one.kind != "outside" and {"people": person, "natural": natural, "others": not (person or natural)}[group]


def matches_truth(one: Sample) -> bool:
    return one.outcome == "right" and one.case.kind != "outside"


def needed(one: Sample, engine: EngineSettings) -> float:
    """The trust that this meaning needs."""
    return {
        "reading": engine.accept,
        "words": engine.accept_words,
        "command": engine.accept_commands,
        "yes": engine.accept_yes,
    }[one.kind]


def with_thresholds(
    engine: EngineSettings, rows: list[Sample], trusts: np.ndarray, wrong: float, talk: float
) -> EngineSettings:
    """The engine with the least thresholds at which at most `wrong` answers and `talk` pieces of talk are taken for
    readings, and as much talk and a quarter as many answers for words and for commands."""
    outside = [one.case.kind == "outside" for one in rows]

    def least(kinds: tuple[str, ...], allowed: float) -> float:
        among = [one.kind in kinds for one in rows]
        inside = threshold(rows, trusts, [not out and kept for out, kept in zip(outside, among, strict=True)], allowed)
        return max(
            inside, threshold(rows, trusts, [out and kept for out, kept in zip(outside, among, strict=True)], talk)
        )

    accept, accept_words, accept_commands = (
        least(("reading",), wrong),
        least(("words", "yes"), wrong / 4),
        least(("command",), wrong / 4),
    )
    # a "yes" that was not said is the one thing that no read-back mends
    accept_yes = max(accept_words, 1 - (1 - accept_words) / 2)
    return replace_settings(
        engine,
        accept=accept,
        accept_words=accept_words,
        accept_commands=accept_commands,
        accept_yes=round(accept_yes, 3),
        either=round(max(0.5, accept * 0.8), 3),
    )


def threshold(rows: list[Sample], trusts: np.ndarray, keep: list[bool], allowed: float) -> float:
    """The least trust from which the wrong ones are at most `allowed`: just above the first that is one too many."""
    wrong = sorted(
        (float(trust) for one, trust, kept in zip(rows, trusts, keep, strict=True) if kept and one.outcome == "wrong"),
        reverse=True,
    )
    most = int(allowed)
    return max(LEAST_TRUST, min(1.0, round(wrong[most] + 0.0005, 3))) if len(wrong) > most else LEAST_TRUST


def fitted(
    those: Sequence[Parsed], powers: tuple[float, float, float], allowed: tuple[float, float], settings: HearingSettings
) -> tuple[EngineSettings, int, int, int]:
    """An engine with these powers, its best meanings that are right, answers taken at once and taken wrong.

    powers: of its share, of the prior, of the second opinion. allowed: answers and pieces of talk taken wrong.
    """
    share, prior, second = powers
    engine = replace_settings(START, share_power=share, prior_power=prior, second_power=second)
    rows = samples(those, engine, settings)
    weights, trusts = regress(rows)
    engine = with_thresholds(replace_settings(engine, trust=weights), rows, trusts, *allowed)
    sure = [value >= needed(one, engine) for one, value in zip(rows, trusts, strict=True)]
    right = [matches_truth(one) for one in rows]
    wrong = [one.outcome == "wrong" and one.case.kind != "outside" for one in rows]
    return (
        engine,
        sum(right),
        sum(good and taken for good, taken in zip(right, sure, strict=True)),
        sum(bad and taken for bad, taken in zip(wrong, sure, strict=True)),
    )


def more(engine: str, recordings: Path | None, natural: int, processes: int) -> list[tuple[Case, Result]]:
    """Short answers and talk by tuning people, and cases in natural tuning voices."""
    if models := two_models(engine):
        first, second = (more(one, recordings, natural, processes) for one in models)
        return [(here, of_two(engine, one, other)) for (here, one), (_, other) in zip(first, second, strict=True)]
    found: list[tuple[Case, Result]] = []
    if recordings is not None:
        said = [*hearing_people.short_answers(recordings, "tune"), *hearing_people.talk(recordings, "tune", MOST_TALK)]
        found += [(one.case, result) for one, result in hearing_people.hear(engine, said, processes)]
    if natural:
        tasks = [(engine, hearing_natural.spoken_case(NATURAL_FROM + number, "tune")) for number in range(natural)]
        with multiprocessing.get_context("spawn").Pool(processes) as pool:
            found += pool.map(hearing_natural.heard, tasks, chunksize=4)
    return found


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing_fit", description=__doc__)
    asked.add_argument("--engine", default="pair")
    asked.add_argument("--name", default="pair", help="the engine's own name, as in what it hears")
    asked.add_argument("--count", type=int, default=1_152)
    asked.add_argument(
        "--voices", default="", help="only these tuning voices, comma-separated (for an engine trained on the others)"
    )
    asked.add_argument("--jobs", type=int, default=1)
    asked.add_argument("--mark")
    asked.add_argument("--wrong", type=float, default=0.02, help="share of answers that may be taken wrong")
    asked.add_argument("--talk", type=float, default=0.01, help="share of talk that may be taken as an answer")
    asked.add_argument(
        "--people",
        type=Path,
        help="a folder of recordings: short answers and talk by the people kept for tuning come besides",
    )
    asked.add_argument("--natural", type=int, default=0, help="so many cases in natural voices kept for tuning besides")
    given = asked.parse_args()
    os.nice(10)
    names = set(filter(None, given.voices.split(",")))
    chosen = [number for number in range(given.count) if not names or case(number, "tune").voice in names]
    heard = hear(given.engine, "tune", [Job(number) for number in chosen], given.jobs, given.mark)
    results = [(case(number, "tune"), heard[Job(number)]) for number in chosen] + more(
        given.engine, given.people, given.natural, given.jobs
    )
    settings = hearing_settings()
    those = parsed(results)
    inside = sum(one.kind != "outside" for one, _ in results)
    allowed = (given.wrong * inside, given.talk * (len(results) - inside))
    twice = any(one.heard.second is not None for one in those)
    powers = list(product((1.0, 2.0), (0.0, 0.5, 0.75), (0.25, 0.5, 1.0) if twice else (0.0,)))
    best: tuple[int, EngineSettings] | None = None
    with multiprocessing.get_context("spawn").Pool(given.jobs) as pool:
        fits = [pool.apply_async(fitted, (those, one, allowed, settings)) for one in powers]
        for power, fit in zip(powers, fits, strict=True):
            engine, right, taken, wrong = fit.get()
            print(
                f"share^{power[0]} prior^{power[1]} second^{power[2]}: best meaning right {100 * right / inside:.1f} %,"
                f" taken at once {100 * taken / inside:.1f} %, wrong {100 * wrong / inside:.1f} %"
            )
            if best is None or taken > best[0]:
                best = (taken, engine)
    assert best is not None
    engine = best[1]
    if given.name in settings.engines:
        engine = replace_settings(engine, made_with=made_with.thresholds(given.name))
    rows = samples(those, engine, settings)
    for name in ("people", "natural", "others"):
        some = [one for one in rows if keep_case(one.case, name)]
        total = sum(keep_case(one, name) for one, _ in results)
        good = [matches_truth(one) and trust(one.seen, engine.trust) >= needed(one, engine) for one in some]
        bad = [one.outcome == "wrong" and trust(one.seen, engine.trust) >= needed(one, engine) for one in some]
        print(
            f"{name}: {total} answers, best meaning right {100 * sum(map(matches_truth, some)) / max(1, total):.1f} %,"
            f" taken {100 * sum(good) / max(1, total):.1f} %, wrong {100 * sum(bad) / max(1, total):.1f} %"
        )
    print(yaml.safe_dump({given.name: engine.model_dump()}, sort_keys=False))


def replace_settings(engine: EngineSettings, **changes: object) -> EngineSettings:
    return EngineSettings.model_validate(
        {
            **engine.model_dump(),
            **{key: one.model_dump() if isinstance(one, Trust) else one for key, one in changes.items()},
        }
    )


if __name__ == "__main__":
    main()
