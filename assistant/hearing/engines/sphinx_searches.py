"""The searches of one PocketSphinx decoder: one a scope, kept for the next time, and one of phones alone."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Protocol

import pocketsphinx

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.engines.sphinx_settings import SphinxSettings
from grammar.scope import Scope

PHONES = "phones"
FAILURES = (RuntimeError, ValueError, KeyError, TypeError)
"""What PocketSphinx's binding raises."""


class JsgfGrammars(Protocol):
    """Where the JSGF of a scope comes from; the module `grammar.emit` is one."""

    def jsgf(self, scope: Scope) -> str: ...

    def accepts(self, scope: Scope, text: str) -> bool: ...

    def vocabulary(self, scope: Scope) -> frozenset[str]: ...

    def pronunciations(self, key: str) -> Mapping[str, str]: ...


class Searches:
    """Which search the decoder runs. `active` is the scope's, or "" where none is open."""

    def __init__(self, decoder: Any, settings: SphinxSettings, grammars: JsgfGrammars) -> None:
        """Raises one of FAILURES."""
        self.decoder = decoder
        self.grammars = grammars
        self.active = ""
        self._settings = settings
        self._languages: set[str] = set()
        self._kept: OrderedDict[Scope, str] = OrderedDict()
        self._alarms: dict[str, str] = {}
        self._made = 0
        decoder.add_allphone_file(PHONES, pocketsphinx.get_model_path("en-us/en-us-phone.lm.bin"))

    def use(self, grammars: JsgfGrammars) -> None:
        """Take grammars from elsewhere; all that was made of the others is dropped."""
        self._activate(PHONES)
        for search in self._kept.values():
            self._remove(search)
        self._kept.clear()
        self.grammars, self.active = grammars, ""

    def open(self, scope: Scope) -> None:
        """Make the scope's search the active one. Raises EngineError."""
        search = self._kept.get(scope)
        if search is None:
            search = self._add(scope)
        self._kept.move_to_end(scope)
        self.active = search
        self._activate(search)

    @contextmanager
    def phones(self) -> Iterator[None]:
        """Inside, the decoder takes any phone after any other."""
        with self._instead(PHONES):
            yield

    @contextmanager
    def alarm(self) -> Iterator[None]:
        """Inside, the decoder hears the alarm of the active scope against a loop of single words."""
        with self._instead(self._alarms[self.active]):
            yield

    @contextmanager
    def _instead(self, search: str) -> Iterator[None]:
        self._activate(search)
        try:
            yield
        finally:
            self._activate(self.active)

    def _activate(self, search: str) -> None:
        try:
            self.decoder.activate_search(search)
        except FAILURES as error:
            raise broken(error) from error

    def _add(self, scope: Scope) -> str:
        self._learn(scope.language)
        words = self.grammars.vocabulary(scope)
        unknown = sorted(word for word in words if self.decoder.lookup_word(word) is None)
        if unknown:
            raise EngineError(
                f"PocketSphinx cannot pronounce: {', '.join(unknown)}.",
                f"Add their phones to 'pronunciations' in the language file '{scope.language}'.",
            )
        self._made += 1
        search = f"scope{self._made}"
        have = self._settings
        try:
            if scope.asked is None:
                # sentences are few and long; a narrow beam loses them before their end
                with self._beams(have.sentence_beam, have.sentence_word_beam):
                    self.decoder.add_jsgf_string(search, self.grammars.jsgf(scope))
            else:
                self.decoder.add_jsgf_string(search, self.grammars.jsgf(scope))
                self._alarms[search] = f"alarm{self._made}"
                with self._beams(have.alarm_beam, have.alarm_word_beam):
                    self.decoder.add_jsgf_string(self._alarms[search], grammar.emit.alarm_jsgf(scope))
        except FAILURES as error:
            raise EngineError(
                f"PocketSphinx refuses the grammar of '{scope.name}' ({error}).", "Check the phrases of that step."
            ) from error
        self._kept[scope] = search
        if len(self._kept) > have.cached_scopes:
            _, oldest = self._kept.popitem(last=False)
            self._remove(oldest)
        return search

    @contextmanager
    def _beams(self, beam: float, word_beam: float) -> Iterator[None]:
        """A search that is added inside has these; the engine reads them when it makes one."""
        config = self.decoder.config
        own = {name: config[name] for name in ("beam", "pbeam", "wbeam")}
        try:
            config["beam"], config["pbeam"], config["wbeam"] = beam, beam, word_beam
            yield
        finally:
            for name, value in own.items():
                config[name] = value

    def _remove(self, search: str) -> None:
        self.decoder.remove_search(search)
        if search in self._alarms:
            self.decoder.remove_search(self._alarms.pop(search))

    def _learn(self, language: str) -> None:
        if language in self._languages:
            return
        for word, phones in self.grammars.pronunciations(language).items():
            try:
                self.decoder.add_word(word, phones, True)
            except FAILURES as error:
                raise EngineError(
                    f"PocketSphinx refuses the phones of '{word}' ({phones}).", "Use the phones of the CMU dictionary."
                ) from error
        self._languages.add(language)


def broken(error: Exception) -> EngineError:
    """What the binding raised while it listened, as ours."""
    return EngineError(f"PocketSphinx stopped working ({error}).", "Start the visit again with --resume.")
