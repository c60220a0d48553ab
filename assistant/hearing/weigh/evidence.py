"""What speaks for and against one heard utterance, as numbers between engines alike."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher

from assistant.hearing.weigh.prior import prior, said_partly
from assistant.hearing.weigh.settings import EngineSettings, HearingSettings, Trust
from grammar.answers import Answer, Choice, Command, Heard, Reading, Unclear, meaning
from grammar.scope import Scope

LEAST = 5e-3
"""Shares nearer to 0 or 1 than this say no more."""
LOUDEST_DB = 30.0
"""A level above this over the room says no more."""


@dataclass(frozen=True)
class Candidate:
    """One meaning of an utterance. share: of all meanings heard, after the prior (0 to 1)."""

    answer: Answer
    text: str
    share: float


@dataclass(frozen=True)
class Evidence:
    """fit: how well any sentence of the grammar fits the sound, logit. share: of the best candidate, logit.

    least_word: confidence of the least certain word, logit. level: loudness
    above the room, tens of dB. length: words, logarithm. short: 1 where it is one word. pace: seconds of speech a word.
    option, command: 1 where the best candidate is one. expected: logarithm of
    the chance that the display shows a reading, 0 for words. partly: 1 where a
    reading has some of the display's decimals, not all and not none. Where a second
    recogniser listened too, else 0: agree: 1 where its best meaning is the
    same; silent: 1 where it heard nothing that means anything; second: the
    share it gives the best candidate, logit. Where the engine also listened
    without the grammar, else 0: free: share of the best candidate's words that
    it heard again, in order; beside: other words there, for each of its words.
    """

    fit: float
    share: float
    least_word: float
    level: float
    length: float
    pace: float
    option: float
    command: float
    expected: float
    partly: float
    agree: float
    silent: float
    second: float
    free: float
    beside: float
    short: float


Said = Mapping[str, Answer]
"""What each text of the utterance means (`meanings`)."""


def candidates(
    heard: Heard, said: Said, scope: Scope, engine: EngineSettings, settings: HearingSettings
) -> list[Candidate]:
    """Every meaning among the alternatives of all that listened, likeliest first. said: of every text in `heard`."""
    first = shares(heard, said)
    second = shares(heard.second, said) if heard.second is not None else {}
    found: list[Candidate] = []
    for key, one in {**second, **first}.items():
        weight = max(first[key].share if key in first else 0.0, LEAST) ** engine.share_power
        if second:
            weight *= max(second[key].share if key in second else 0.0, LEAST) ** engine.second_power
        if isinstance(one.answer, Reading):
            weight *= prior(one.answer, scope, settings) ** engine.prior_power
        else:
            weight *= (settings.no_reading if scope.asked else 1.0) ** engine.prior_power
        found.append(Candidate(one.answer, one.text, weight))
    total = sum(one.share for one in found)
    return sorted((Candidate(one.answer, one.text, one.share / total) for one in found), key=lambda one: -one.share)


def shares(heard: Heard, said: Said) -> dict[object, Candidate]:
    """Meaning -> what one recogniser heard with it; its shares, of all that it heard, summed."""
    pairs = heard.alternatives or (((heard.text, heard.confidence),) if heard.text else ())
    whole = sum(confidence for _, confidence in pairs) or 1.0
    found: dict[object, Candidate] = {}
    for text, confidence in pairs:
        answer = said[text]
        if isinstance(answer, Unclear):
            continue
        key, share = meaning(answer), confidence / whole
        known = found.get(key, Candidate(answer, text, 0.0))
        found[key] = Candidate(known.answer, known.text, known.share + share)
    return found


def evidence(heard: Heard, said: Said, best: Candidate, scope: Scope, settings: HearingSettings) -> Evidence:
    """The evidence for the best candidate. said: as in `candidates`."""
    fit = sum(confidence for _, confidence in heard.alternatives) or heard.confidence
    count = max(1, len(best.text.split()))
    least = min((word.confidence for word in heard.words), default=heard.confidence)
    level = 1.0 if heard.level_db is None else min(max(heard.level_db, 0.0), LOUDEST_DB) / 10
    agree = silent = second = 0.0
    if heard.second is not None:
        theirs = shares(heard.second, said)
        silent = float(not theirs)
        if theirs:
            agree = float(max(theirs, key=lambda key: theirs[key].share) == meaning(best.answer))
            second = _logit(theirs[meaning(best.answer)].share if meaning(best.answer) in theirs else 0.0)
    expected = partly = 0.0
    if isinstance(best.answer, Reading) and scope.asked is not None:
        expected = math.log(prior(best.answer, scope, settings))
        partly = float(said_partly(best.answer, scope.asked))
    free, beside = _again(best.text.split(), heard.free)
    return Evidence(
        fit=_logit(fit),
        share=_logit(best.share),
        least_word=_logit(least),
        level=level,
        length=math.log(count),
        pace=max(0.0, heard.seconds - settings.silence) / count,
        option=float(isinstance(best.answer, Choice)),
        command=float(isinstance(best.answer, Command)),
        expected=expected,
        partly=partly,
        agree=agree,
        silent=silent,
        second=second,
        free=free,
        beside=beside,
        short=float(count == 1),
    )


def _again(words: list[str], free: str | None) -> tuple[float, float]:
    """Share of `words` that were heard without the grammar too, in order, and how many others for each."""
    if free is None or not words:
        return 0.0, 0.0
    others = free.split()
    found = sum(block.size for block in SequenceMatcher(None, words, others, autojunk=False).get_matching_blocks())
    return found / len(words), (len(others) - found) / len(words)


def trust(seen: Evidence, weights: Trust) -> float:
    """The chance (0 to 1) that the best candidate is what was said."""
    total = weights.base + sum(getattr(weights, name) * value for name, value in vars(seen).items())
    return 1 / (1 + math.exp(-min(max(total, -50.0), 50.0)))


def _logit(share: float) -> float:
    share = min(max(share, LEAST), 1 - LEAST)
    return math.log(share / (1 - share))
