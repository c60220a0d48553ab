"""Vosk with a model folder: the small English one that ships, or one that somebody placed or fetched.

The vocabulary is restricted at run time to the phrases of the scope, which
needs a model with a dynamic graph (the "small" ones). Vosk makes a chain of
word pairs out of the phrases, so it may string words together that the scope
does not hold; the best sentence that the scope does hold is then taken, at its
own share of the whole.

How confidences are made: Vosk gives word confidences (minimum Bayes risk) and
alternatives (with scores in nats) in two result shapes, never both; so one
recogniser follows the speech for the partial words and decides on the word
confidences, a second decodes the whole utterance for the alternatives. The
alternatives share out 1 in proportion to exp(score), which is a posterior for
the chain models that Vosk uses. A word that only the second one has gets the
confidence of the sentence.

A small model that ships hears each whole utterance in one or several looks
(`looks.py`); what it makes of the later ones comes along as a second opinion
(`Heard.second`), which `assistant.hearing.weigh` weighs. The first look is also
heard without the grammar (`Heard.free`) where that is asked for: a number that is
only there because the grammar has nothing else does not come out again. A word's
confidence is then that of its sentence. All of these run side by side, one
thread each.
"""

from __future__ import annotations

import importlib.metadata
import json
import math
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Protocol

import numpy as np

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import CLOSED
from assistant.hearing.engines.looks import looks as looks_of
from assistant.hearing.engines.respelt import SETTINGS, VoskSettings, joined, missing
from assistant.hearing.engines.vosk_model import load_model, new_recogniser
from grammar.answers import Heard, Word
from grammar.datafile import load_yaml
from grammar.scope import Scope

MOST_ALTERNATIVES = 5
LOOKED_AT = 10
"""Alternatives asked of Vosk; some are not sentences of the scope."""


class PhraseSource(Protocol):
    """Where the phrases of a scope come from; the module `grammar.emit` is one."""

    def phrases(self, scope: Scope) -> list[str]: ...

    def accepts(self, scope: Scope, text: str) -> bool: ...


@dataclass(frozen=True)
class _Opened:
    grammar: str
    back: Mapping[str, str]


RESPELL = "Add words that sound the same to 'respell' in vosk.yaml, or use another model."
VOSK = "vosk"
"""What a placed model's words are weighed as."""


class VoskEngine:
    """An `Engine` on one model folder."""

    def __init__(
        self,
        folder: Path | str,
        settings: VoskSettings | None = None,
        phrases: PhraseSource = grammar.emit,
        name: str = VOSK,
        looks: int = 0,
        free: bool = True,
    ) -> None:
        """name: what its words are weighed as. looks: in how many looks to hear every utterance, the later ones as a
        second opinion, which is quick enough to decide at every pause; 0: as it is, with word confidences. free: with
        looks, whether to hear the first one without the grammar too. Raises EngineError, MissingLibrary.
        """
        self.name = name
        self.folder = Path(folder)
        self.settings = settings or load_yaml(SETTINGS, VoskSettings)
        self.eager = looks > 0
        self._looks = looks
        self._phrases = phrases
        self._model = load_model(self.folder)
        self._opened: dict[Scope, _Opened] = {}
        self._scope = CLOSED
        self._words = self._new(0)
        self._alternatives = [self._new(LOOKED_AT) for _ in range(max(1, looks))]
        self._free: Any = self._new(0) if looks and free else None
        self._threads = ThreadPoolExecutor(min(looks + 1, os.cpu_count() or 1)) if looks else None
        self._fed = 0

    @property
    def description(self) -> str:
        """For the record and `check`: the engine, its version and its model."""
        return f"Vosk {importlib.metadata.version('vosk')}, model {self.folder.name}"

    def missing(self, words: frozenset[str], language: str) -> list[str]:
        """Those of `words` that the model has neither as they are nor respelt."""
        return missing(words, self.settings.respell.get(language, {}), self._knows)

    def use(self, grammars: PhraseSource) -> None:
        """Take phrases from elsewhere from now on; an open scope is closed."""
        self._opened.clear()
        self._phrases, self._scope = grammars, CLOSED

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar. Raises EngineError."""
        opened = self._opened.get(scope)
        if opened is None:
            opened = self._opened[scope] = self._prepared(scope)
        for recogniser in (self._words, *self._alternatives):
            # Vosk changes the grammar of a recogniser only between utterances.
            recogniser.Reset()
            recogniser.SetGrammar(opened.grammar)
        self._scope = scope

    def close(self) -> None:
        """Free the engine and its model."""
        self._scope = CLOSED
        if self._threads is not None:
            self._threads.shutdown()
        self._words = self._free = self._model = None
        self._alternatives = []

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped."""
        self._words.Reset()

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""
        self._accept(self._words, sound)
        return self._ours(json.loads(self._words.PartialResult())["partial"])

    def conclude(self, sound: np.ndarray) -> Heard:
        """Decide on the whole utterance, int16 at 16 kHz."""
        if self._threads is None:
            return self._heard(self._shares(self._alternatives[0], sound), self._word_confidences(sound))
        sounds = looks_of(sound, self._looks)
        free = self._threads.submit(self._freely, sounds[0]) if self._free else None
        first, *others = self._threads.map(self._shares, self._alternatives, sounds)
        heard = replace(self._heard(first), second=self._together(others) if others else None)
        return replace(heard, free=free.result()) if free else heard

    def _heard(self, texts: list[tuple[str, float]], words: Sequence[Word] = ()) -> Heard:
        if not texts:
            return Heard("", 0.0, engine=self.name)
        kept = [pair for pair in texts if self._phrases.accepts(self._scope, pair[0])] or texts
        text, share = kept[0]
        placed = _placed(text.split(), share, words)
        return Heard(text, share, placed, tuple(kept[:MOST_ALTERNATIVES]), engine=self.name)

    def _together(self, looks: Sequence[list[tuple[str, float]]]) -> Heard:
        """What several looks of one utterance say, their shares averaged."""
        total: dict[str, float] = {}
        for texts in looks:
            for text, share in texts:
                total[text] = total.get(text, 0.0) + share / len(looks)
        return self._heard(sorted(total.items(), key=lambda pair: -pair[1]))

    def _word_confidences(self, sound: np.ndarray) -> list[Word]:
        self._words.Reset()
        self._accept(self._words, sound)
        found = json.loads(self._words.FinalResult()).get("result", [])
        # Vosk counts time from the first sample it ever got.
        begun = (self._fed - len(sound)) / SAMPLE_RATE
        heard = [
            Word(item["word"], min(1.0, item["conf"]), max(0.0, item["start"] - begun), max(0.0, item["end"] - begun))
            for item in found
        ]
        return joined(heard, self._back)

    def _freely(self, sound: np.ndarray) -> str:
        """The words where any may follow any."""
        self._free.Reset()
        self._accept(self._free, sound)
        return json.loads(self._free.FinalResult())["text"]

    def _shares(self, recogniser: Any, sound: np.ndarray) -> list[tuple[str, float]]:
        """Texts with their shares of 1, best first."""
        recogniser.Reset()
        self._accept(recogniser, sound)
        found = json.loads(recogniser.FinalResult()).get("alternatives", [])
        best: dict[str, float] = {}
        for item in found:
            text = self._ours(item["text"].strip())
            if text:
                best[text] = max(best.get(text, -math.inf), item["confidence"])
        if not best:
            return []
        top = max(best.values())
        weights = {text: math.exp(score - top) for text, score in best.items()}
        total = sum(weights.values())
        return sorted(((text, weight / total) for text, weight in weights.items()), key=lambda pair: -pair[1])

    def _accept(self, recogniser: Any, sound: np.ndarray) -> None:
        if recogniser is self._words:
            self._fed += len(sound)
        try:
            recogniser.AcceptWaveform(sound.tobytes())
        except Exception as error:  # vosk raises nothing finer
            raise EngineError(f"Vosk stopped working ({error}).", "Start the visit again with --resume.") from error

    def _new(self, alternatives: int) -> Any:
        return new_recogniser(self._model, self.folder, SAMPLE_RATE, alternatives)

    def _prepared(self, scope: Scope) -> _Opened:
        phrases = self._phrases.phrases(scope)
        words = frozenset(word for phrase in phrases for word in phrase.split() if word != grammar.emit.UNKNOWN)
        lacking = self.missing(words, scope.language)
        if lacking:
            raise EngineError(f"The model {self.folder.name} does not know: {', '.join(lacking)}.", RESPELL)
        table = self.settings.respell.get(scope.language, {})
        respell = {word: said for word, said in table.items() if word in words and not self._knows(word)}
        theirs = [
            " ".join(respell.get(word, word) for word in phrase.split())
            for phrase in phrases
            if phrase != grammar.emit.UNKNOWN or self._knows(phrase)
        ]
        return _Opened(json.dumps(theirs, ensure_ascii=False), {said: word for word, said in respell.items()})

    @property
    def _back(self) -> Mapping[str, str]:
        return self._opened[self._scope].back if self._scope in self._opened else {}

    def _ours(self, text: str) -> str:
        return " ".join(word.text for word in joined([Word(word, 1.0) for word in text.split()], self._back))

    def _knows(self, word: str) -> bool:
        return self._model.vosk_model_find_word(word) >= 0


def _placed(texts: list[str], share: float, heard: Sequence[Word]) -> tuple[Word, ...]:
    """The words of the chosen text, with time and confidence from `heard` where it has them too."""
    placed = [Word(text, share) for text in texts]
    for match in SequenceMatcher(None, texts, [word.text for word in heard], autojunk=False).get_matching_blocks():
        placed[match.a : match.a + match.size] = heard[match.b : match.b + match.size]
    return tuple(placed)
