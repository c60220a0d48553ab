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
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pocketsphinx
from pydantic import Field
from scipy.signal import lfilter

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.audio.endpoint import EndpointSettings
from assistant.hearing.engines.base import Event
from assistant.hearing.engines.listening import Listener
from assistant.hearing.engines.room_model import room_model
from grammar.answers import Heard, Word
from grammar.datafile import Strict, load_yaml
from grammar.language import language
from grammar.parse import within
from grammar.scope import Scope

SETTINGS = Path(__file__).with_name("sphinx.yaml")
FRAMES_A_SECOND = 100
NATS = 1024.0
"""The engine's scores come as exp(score / 1024), score in nats (`SENSCR_SHIFT` of 10 bits)."""
MOST_ALTERNATIVES = 5
PHONES = "phones"
NOTHING: tuple[str, float, list[tuple[str, int, int]]] = ("", 0.0, [])
ROOM_FRAME = 480
"""Samples of a frame when the level of the voice is taken, 30 ms."""
ROOM_PERCENT = 10
"""Share of an utterance's frames, in percent, that are surely the room."""
SILENT_DB = 60.0
"""dB below the voice at which a room counts as digitally silent; a quiet real one lies at 30 to 50."""
FAILURES = (RuntimeError, ValueError, KeyError, TypeError)
"""What PocketSphinx's binding raises."""


class SphinxSettings(Strict):
    """Search and confidence settings.

    wip: word insertion probability, 0 to 1. lw: language weight, 1 to 20.
    scale: divisor of score differences in shares, 1 to 100.
    fit_middle: score above the phone loop, nats a frame, at which the fit is one half.
    fit_width: nats a frame from there to a fit of 0.73, above 0.
    beam, word_beam: how far a path may fall behind the best, 1e-80 to 1e-5; a narrow word beam keeps the
        lattice small, and the alternatives come out of the lattice. alarm_beam, alarm_word_beam: the same in the
        second search, for an alarm; sentence_beam, sentence_word_beam: where no reading is asked.
    room_db: dB below the voice at which a room's noise is added where the sound is digitally silent, 0 to 100.
    nbest_depth: sentences looked at for alternatives, 1 to 5000.
    cached_scopes: grammars kept, 2 to 1000.
    """

    version: int = Field(ge=1, le=1)
    wip: float = Field(gt=0, le=1)
    lw: float = Field(ge=1, le=20)
    scale: float = Field(ge=1, le=100)
    fit_middle: float = Field(ge=-20, le=20)
    fit_width: float = Field(gt=0, le=10)
    beam: float = Field(ge=1e-80, le=1e-5)
    word_beam: float = Field(ge=1e-80, le=1e-5)
    alarm_beam: float = Field(ge=1e-80, le=1e-5)
    alarm_word_beam: float = Field(ge=1e-80, le=1e-5)
    sentence_beam: float = Field(ge=1e-80, le=1e-5)
    sentence_word_beam: float = Field(ge=1e-80, le=1e-5)
    room_db: float = Field(ge=0, le=100)
    nbest_depth: int = Field(ge=1, le=5000)
    cached_scopes: int = Field(ge=2, le=1000)


class Grammars(Protocol):
    """Where the JSGF of a scope comes from; the module `grammar.emit` is one."""

    def jsgf(self, scope: Scope) -> str: ...

    def accepts(self, scope: Scope, text: str) -> bool: ...

    def vocabulary(self, scope: Scope) -> frozenset[str]: ...

    def pronunciations(self, key: str) -> Mapping[str, str]: ...


class SphinxRecognizer:
    """A `Recognizer`. One decoder, one grammar a scope, kept for the next time."""

    name = "pocketsphinx"
    eager = False

    def __init__(
        self,
        endpoint: EndpointSettings | None = None,
        settings: SphinxSettings | None = None,
        grammars: Grammars = grammar.emit,
        acoustic: Mapping[str, str] | None = None,
    ) -> None:
        """acoustic: decoder settings that name other model files; by default the furnace-room ones where they ship, `{}` for the wheel's."""
        self._acoustic = room_model() if acoustic is None else acoustic
        self.settings = settings or load_yaml(SETTINGS, SphinxSettings)
        self._grammars = grammars
        self._languages: set[str] = set()
        self._searches: OrderedDict[Scope, str] = OrderedDict()
        self._alarms: dict[str, str] = {}
        self._made = 0
        self._scope: Scope | None = None
        self._active = ""
        self._open = False
        try:
            search = {"beam": self.settings.beam, "pbeam": self.settings.beam, "wbeam": self.settings.word_beam}
            self._decoder: Any = pocketsphinx.Decoder(
                lm=None, loglevel="FATAL", wip=self.settings.wip, lw=self.settings.lw, bestpath=False, **search, **self._acoustic
            )
            self._decoder.add_allphone_file(PHONES, pocketsphinx.get_model_path("en-us/en-us-phone.lm.bin"))
        except FAILURES as error:
            raise EngineError(f"PocketSphinx could not start ({error}).", "Install it again: pip install --force-reinstall pocketsphinx") from error
        self._listener = Listener(self, endpoint)

    @property
    def description(self) -> str:
        """For the record and `check`: the engine, its version and its model."""
        moved = ""
        if self._acoustic:
            moved = ", moved towards furnace rooms" if self._acoustic == room_model() else ", moved towards furnace rooms and a learnt voice"
        return f"PocketSphinx {importlib.metadata.version('pocketsphinx')}, US English model from its wheel{moved}"

    @property
    def room_dbfs(self) -> float | None:
        """Level of the room, dB below full scale; None when not heard yet."""
        return self._listener.endpointer.room_dbfs

    def use(self, grammars: Grammars) -> None:
        """Take grammars from elsewhere from now on; an open scope is closed."""
        self._stop()
        self._activate(PHONES)
        for search in self._searches.values():
            self._remove(search)
        self._searches.clear()
        self._grammars, self._scope, self._active = grammars, None, ""

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar. Raises EngineError."""
        if self._decoder is None:
            raise EngineError("The recogniser was closed.", "Start a new one.")
        self._stop()
        self._listener.drop()
        search = self._searches.get(scope)
        if search is None:
            search = self._add(scope)
        self._searches.move_to_end(scope)
        self._scope, self._active = scope, search
        self._activate(search)

    def feed(self, chunk: np.ndarray) -> list[Event]:
        """Take int16 samples at 16 kHz, shape (n,). Raises EngineError."""
        if not self._active:
            raise EngineError("The recogniser has no grammar yet.", "Open a scope before feeding sound.")
        return self._listener.feed(chunk)

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""
        return self._listener.finish() if self._active else []

    def close(self) -> None:
        """Free the engine."""
        self._decoder = None
        self._active = ""

    # what `Listener` asks for

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped."""
        self._stop()
        try:
            self._decoder.start_utt()
        except FAILURES as error:
            raise _broken(error) from error
        self._open = True

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""
        try:
            self._decoder.process_raw(sound.tobytes())
            hypothesis = self._decoder.hyp()
        except FAILURES as error:
            raise _broken(error) from error
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
            per_frame = (score - self._phone_score(sound)) / max(1, len(sound) * FRAMES_A_SECOND // 16_000)
        except FAILURES as error:
            raise _broken(error) from error
        fit = 1 / (1 + math.exp(-(per_frame - self.settings.fit_middle) / self.settings.fit_width))
        alternatives = tuple((one, share * fit) for one, share in shares[:MOST_ALTERNATIVES])
        spans = tuple(
            Word(word, fit * shared, start / FRAMES_A_SECOND, end / FRAMES_A_SECOND)
            for (word, start, end), shared in zip(words, _word_shares(text.split(), shares), strict=True)
        )
        return Heard(text, alternatives[0][1], spans, alternatives, engine=self.name)

    def _decode(self, sound: np.ndarray) -> tuple[str, float, list[tuple[str, int, int]]]:
        """The best text, its score in nats, and its words with first and last frame."""
        self._afresh()
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), full_utt=True)
        self._decoder.end_utt()
        hypothesis = self._decoder.hyp()
        if not hypothesis or not hypothesis.hypstr:
            return "", 0.0, []
        words = [(item.word.split("(")[0], item.start_frame, item.end_frame + 1) for item in self._decoder.seg() if item.word[0] not in "<[+("]
        text = " ".join(word for word, _, _ in words)
        return text, _nats(hypothesis.score), words

    def _decode_alarm(self, sound: np.ndarray) -> tuple[str, float, list[tuple[str, int, int]]]:
        """As `_decode`, for what is heard anywhere; empty where it was not said.

        Beside a large grammar of numbers the beam drops phrases that begin with
        a short weak word, "I smell gas" first of all; against a loop of single
        words they are found, and the loop takes what is no alarm.
        """
        if self._scope is None or self._scope.asked is None:
            return NOTHING
        self._activate(self._alarms[self._active])
        try:
            heard = self._decode(sound)
        finally:
            self._activate(self._active)
        words = tuple(heard[0].split())
        lang = language(self._scope.language)
        return heard if any(within(tuple(phrase.split()), words) for id in lang.anywhere for phrase in lang.command(id).spoken) else NOTHING

    def _scores(self, text: str, score: float) -> dict[str, float]:
        """Texts and their scores in nats: the best one and what else the lattice holds."""
        best: dict[str, float] = {}
        refused = {""}
        for looked_at, one in enumerate(self._decoder.nbest() or (), 1):
            words = one.hypstr if one is not None and one.hypstr else ""
            # The lattice holds each sentence many times, and also some that break off in the middle of a rule.
            if words in best or (words not in refused and self._grammars.accepts(self._scope, words)):
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
        self._activate(PHONES)
        try:
            self._afresh()
            self._decoder.start_utt()
            self._decoder.process_raw(sound.tobytes(), full_utt=True)
            self._decoder.end_utt()
            hypothesis = self._decoder.hyp()
        finally:
            self._activate(self._active)
        return _nats(hypothesis.score) if hypothesis else 0.0

    def _afresh(self) -> None:
        """Forget what earlier sound has left behind, so that the same sound always gives the same words.

        Once a decoder has run along with live sound it takes a running mean
        for every later utterance, whole ones included; only new features
        bring back the mean of the whole utterance.
        """
        self._decoder.reinit_feat()

    def _stop(self) -> None:
        if self._open:
            self._open = False
            self._decoder.end_utt()

    def _activate(self, search: str) -> None:
        try:
            self._decoder.activate_search(search)
        except FAILURES as error:
            raise _broken(error) from error

    def _add(self, scope: Scope) -> str:
        self._learn(scope.language)
        unknown = sorted(word for word in self._grammars.vocabulary(scope) if self._decoder.lookup_word(word) is None)
        if unknown:
            raise EngineError(f"PocketSphinx cannot pronounce: {', '.join(unknown)}.", f"Add their phones to 'pronunciations' in the language file '{scope.language}'.")
        self._made += 1
        search = f"scope{self._made}"
        try:
            if scope.asked is None:
                # sentences are few and long; a narrow beam loses them before their end
                with self._beams(self.settings.sentence_beam, self.settings.sentence_word_beam):
                    self._decoder.add_jsgf_string(search, self._grammars.jsgf(scope))
            else:
                self._decoder.add_jsgf_string(search, self._grammars.jsgf(scope))
                self._alarms[search] = f"alarm{self._made}"
                with self._beams(self.settings.alarm_beam, self.settings.alarm_word_beam):
                    self._decoder.add_jsgf_string(self._alarms[search], grammar.emit.alarm_jsgf(scope))
        except FAILURES as error:
            raise EngineError(f"PocketSphinx refuses the grammar of '{scope.name}' ({error}).", "Check the phrases of that step.") from error
        self._searches[scope] = search
        if len(self._searches) > self.settings.cached_scopes:
            _, oldest = self._searches.popitem(last=False)
            self._remove(oldest)
        return search

    @contextmanager
    def _beams(self, beam: float, word_beam: float) -> Iterator[None]:
        """A search that is added inside has these; the engine reads them when it makes one."""
        config = self._decoder.config
        own = {name: config[name] for name in ("beam", "pbeam", "wbeam")}
        try:
            config["beam"], config["pbeam"], config["wbeam"] = beam, beam, word_beam
            yield
        finally:
            for name, value in own.items():
                config[name] = value

    def _remove(self, search: str) -> None:
        self._decoder.remove_search(search)
        if search in self._alarms:
            self._decoder.remove_search(self._alarms.pop(search))

    def _learn(self, language: str) -> None:
        if language in self._languages:
            return
        for word, phones in self._grammars.pronunciations(language).items():
            try:
                self._decoder.add_word(word, phones, True)
            except FAILURES as error:
                raise EngineError(f"PocketSphinx refuses the phones of '{word}' ({phones}).", "Use the phones of the CMU dictionary.") from error
        self._languages.add(language)


def with_room(sound: np.ndarray, below_db: float) -> np.ndarray:
    """int16 sound; where it falls digitally silent, the noise of a room is added so many dB below the voice.

    Microphones that cut the noise off between words leave a silence that no
    room has, and the models are lost in it. A room that can be heard is left
    as it is. The noise falls with frequency and is always the same.
    """
    frames = sound[: len(sound) // ROOM_FRAME * ROOM_FRAME].reshape(-1, ROOM_FRAME).astype(np.float64)
    if not len(frames):
        return sound
    powers = np.sort(np.mean(np.square(frames), axis=1))
    quiet, voice = float(np.percentile(powers, ROOM_PERCENT)), float(powers[len(powers) // 2 :].mean())
    if quiet > voice * 10 ** (-SILENT_DB / 10) or voice == 0:
        return sound
    noise = lfilter([1.0], [1.0, -0.95], np.random.default_rng(1).normal(size=len(sound)))
    noise *= np.sqrt(voice * 10 ** (-below_db / 10) / np.mean(np.square(noise)))
    return np.clip(np.rint(sound + noise), -32768, 32767).astype(np.int16)


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


def _broken(error: Exception) -> EngineError:
    return EngineError(f"PocketSphinx stopped working ({error}).", "Start the visit again with --resume.")
