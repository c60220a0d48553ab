"""PocketSphinx 5 with the English model that its wheel carries.

While somebody speaks, the decoder runs along for the partial words. When the
utterance is over it is decoded once more as a whole, because the mean of the
whole utterance is a far better reference in noise than a running one, and
because the same sound then always gives the same words.

How confidences are made: the N-best sentences, each at its best score, share
out 1 in proportion to exp(score / scale); so far this only says how well the
grammar's sentences are told apart. To see whether any of them was said, the
same sound is decoded as a free loop of phones; the difference of scores per
frame goes through a logistic curve, and both are multiplied. A word's
confidence is the share of the sentences that have it in the same place, times
the same fit. The curve is calibrated on synthetic voices (`sphinx.yaml`).
"""

from __future__ import annotations

import importlib.metadata
import math
from collections.abc import Mapping
from difflib import SequenceMatcher
from typing import Any

import numpy as np
import pocketsphinx

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import CLOSED
from assistant.hearing.engines.room_model import room_model
from assistant.hearing.engines.silent_room import with_room
from assistant.hearing.engines.sphinx_searches import FAILURES, JsgfGrammars, Searches, broken
from assistant.hearing.engines.sphinx_settings import SETTINGS, SphinxSettings
from grammar.answers import Heard, Word
from grammar.datafile import load_yaml
from grammar.language import language
from grammar.parse import within
from grammar.scope import Scope

FRAMES_A_SECOND = 100
NATS = 1024.0
"""The engine's scores come as exp(score / 1024), score in nats (`SENSCR_SHIFT` of 10 bits)."""
MOST_ALTERNATIVES = 5
Decoded = tuple[str, float, list[tuple[str, int, int]]]
"""Text, score in nats, and its words with first and last frame."""
NOTHING: Decoded = ("", 0.0, [])


class SphinxEngine:
    """An `Engine`. One decoder, one search a scope."""

    name = "pocketsphinx"
    eager = False

    def __init__(
        self,
        settings: SphinxSettings | None = None,
        grammars: JsgfGrammars = grammar.emit,
        acoustic: Mapping[str, str] | None = None,
    ) -> None:
        """acoustic: decoder settings that name other model files; by default the furnace-room ones where they ship,
        `{}` for the wheel's. Raises EngineError.
        """
        self._acoustic = room_model() if acoustic is None else acoustic
        self.settings = have = settings or load_yaml(SETTINGS, SphinxSettings)
        self._scope = CLOSED
        self._running = False
        try:
            search = {"beam": have.beam, "pbeam": have.beam, "wbeam": have.word_beam}
            self._decoder: Any = pocketsphinx.Decoder(
                lm=None, loglevel="FATAL", wip=have.wip, lw=have.lw, bestpath=False, **search, **self._acoustic
            )
            self._searches = Searches(self._decoder, have, grammars)
        except FAILURES as error:
            raise EngineError(
                f"PocketSphinx could not start ({error}).",
                "Install it again: pip install --force-reinstall pocketsphinx",
            ) from error

    @property
    def description(self) -> str:
        """For the record and `check`: the engine, its version and its model."""
        moved = ""
        if self._acoustic:
            learnt = "" if self._acoustic == room_model() else " and a learnt voice"
            moved = f", moved towards furnace rooms{learnt}"
        return f"PocketSphinx {importlib.metadata.version('pocketsphinx')}, US English model from its wheel{moved}"

    def use(self, grammars: JsgfGrammars) -> None:
        """Take grammars from elsewhere from now on; an open scope is closed."""
        self._stop()
        self._searches.use(grammars)
        self._scope = CLOSED

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar. Raises EngineError."""
        self._stop()
        self._searches.open(scope)
        self._scope = scope

    def close(self) -> None:
        """Free the engine."""
        self._decoder = self._searches.decoder = None
        self._scope = CLOSED

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped."""
        self._stop()
        try:
            self._decoder.start_utt()
        except FAILURES as error:
            raise broken(error) from error
        self._running = True

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""
        try:
            self._decoder.process_raw(sound.tobytes())
            hypothesis = self._decoder.hyp()
        except FAILURES as error:
            raise broken(error) from error
        return hypothesis.hypstr if hypothesis else ""

    def conclude(self, sound: np.ndarray, second: str = "") -> Heard:
        """Decide on the whole utterance, int16 at 16 kHz.

        second: the words of another recogniser; where it heard the same, there
        is no alarm to look for a second time.
        """
        self._stop()
        sound = with_room(sound, self.settings.room_db)
        try:
            text, score, words = self._decode(sound)
            scores = self._scores(text, score)
            alarm = NOTHING if text and text == second else self._decode_alarm(sound)
            if alarm[0]:
                scores = {alarm[0]: alarm[1]}
            if not scores:
                return Heard("", 0.0, engine=self.name)
            shares = self._shares(scores)
            if alarm[0]:
                text, score, words = alarm
            elif not text:
                # No path came to an end of the grammar, but the lattice may hold one that nearly did.
                text, score = shares[0][0], scores[shares[0][0]]
                words = [(word, 0, 0) for word in text.split()]
            per_frame = (score - self._phone_score(sound)) / max(1, len(sound) * FRAMES_A_SECOND // SAMPLE_RATE)
        except FAILURES as error:
            raise broken(error) from error
        fit = 1 / (1 + math.exp(-(per_frame - self.settings.fit_middle) / self.settings.fit_width))
        alternatives = tuple((one, share * fit) for one, share in shares[:MOST_ALTERNATIVES])
        spans = tuple(
            Word(word, fit * shared, start / FRAMES_A_SECOND, end / FRAMES_A_SECOND)
            for (word, start, end), shared in zip(words, _word_shares(text.split(), shares), strict=True)
        )
        return Heard(text, alternatives[0][1], spans, alternatives, engine=self.name)

    def _decode(self, sound: np.ndarray) -> Decoded:
        """The best text, its score in nats, and its words with first and last frame."""
        self._afresh()
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), full_utt=True)
        self._decoder.end_utt()
        hypothesis = self._decoder.hyp()
        if not hypothesis or not hypothesis.hypstr:
            return "", 0.0, []
        words = [
            (item.word.split("(")[0], item.start_frame, item.end_frame + 1)
            for item in self._decoder.seg()
            if item.word[0] not in "<[+("
        ]
        text = " ".join(word for word, _, _ in words)
        return text, _nats(hypothesis.score), words

    def _decode_alarm(self, sound: np.ndarray) -> Decoded:
        """As `_decode`, for what is heard anywhere; empty where it was not said.

        Beside a large grammar of numbers the beam drops phrases that begin with
        a short weak word, "I smell gas" first of all; against a loop of single
        words they are found, and the loop takes what is no alarm.
        """
        if self._scope.asked is None:
            return NOTHING
        with self._searches.alarm():
            heard = self._decode(sound)
        words = tuple(heard[0].split())
        lang = language(self._scope.language)
        alarms = [tuple(phrase.split()) for id in lang.anywhere for phrase in lang.command(id).spoken]
        return heard if any(within(alarm, words) for alarm in alarms) else NOTHING

    def _scores(self, text: str, score: float) -> dict[str, float]:
        """Texts and their scores in nats: the best one and what else the lattice holds."""
        best: dict[str, float] = {}
        refused = {""}
        for looked_at, one in enumerate(self._decoder.nbest() or (), 1):
            words = one.hypstr if one is not None and one.hypstr else ""
            # The lattice holds each sentence many times, and also some that break off in the middle of a rule.
            if words in best or (words not in refused and self._searches.grammars.accepts(self._scope, words)):
                best[words] = max(best.get(words, -math.inf), _nats(one.score))
            else:
                refused.add(words)
            if looked_at >= self.settings.nbest_depth or len(best) > MOST_ALTERNATIVES:
                break
        # The best path is now and then missing from the N-best list.
        if text:
            best[text] = max(best.get(text, -math.inf), score, *best.values())
        return best

    def _shares(self, scores: dict[str, float]) -> list[tuple[str, float]]:
        """Texts with their shares of 1, likeliest first."""
        top = max(scores.values())
        weights = {one: math.exp((score - top) / self.settings.scale) for one, score in scores.items()}
        total = sum(weights.values())
        return sorted(((one, weight / total) for one, weight in weights.items()), key=lambda pair: -pair[1])

    def _phone_score(self, sound: np.ndarray) -> float:
        """The score, in nats, of the sound as a free loop of phones."""
        with self._searches.phones():
            self._afresh()
            self._decoder.start_utt()
            self._decoder.process_raw(sound.tobytes(), full_utt=True)
            self._decoder.end_utt()
            hypothesis = self._decoder.hyp()
        return _nats(hypothesis.score) if hypothesis else 0.0

    def _afresh(self) -> None:
        """Forget what earlier sound has left behind, so that the same sound always gives the same words.

        Once a decoder has run along with live sound it takes a running mean
        for every later utterance, whole ones included; only new features
        bring back the mean of the whole utterance.
        """
        self._decoder.reinit_feat()

    def _stop(self) -> None:
        if self._running:
            self._running = False
            self._decoder.end_utt()


def _nats(score: float) -> float:
    return NATS * math.log(score) if score > 0 else -1e6


def _word_shares(words: list[str], shares: list[tuple[str, float]]) -> list[float]:
    """For each word of the best text, the share of all texts that have it in the same place."""
    found = [0.0] * len(words)
    for text, share in shares:
        for match in SequenceMatcher(None, words, text.split(), autojunk=False).get_matching_blocks():
            for place in range(match.a, match.a + match.size):
                found[place] += share
    return found
