"""Which recogniser hears.

Vosk, as soon as somebody placed a model of the language; else, in English,
PocketSphinx and Vosk with the small model that ships, together; else
PocketSphinx alone, which knows English only.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from assistant import models
from assistant.audio.endpoint import EndpointSettings
from assistant.engines.base import Recognizer
from assistant.engines.pair import PairRecognizer
from assistant.engines.sphinx import SphinxRecognizer
from assistant.engines.vosk_engine import VoskRecognizer
from assistant.errors import EngineError, LanguageNotHeard, MissingLibrary

ENGINES = ("pair", "pocketsphinx", "vosk")
SPHINX_LANGUAGES = ("en",)
"""Languages of the model in PocketSphinx's wheel."""


@dataclass(frozen=True)
class Chosen:
    """engine: "vosk", "pocketsphinx" or "pair". reason: one plain sentence. folder: Vosk's model."""

    engine: str
    reason: str
    folder: Path | None = None


def plan(home: Path | None = None, wanted: str = "", language: str = "en") -> Chosen:
    """What would be used, without loading anything.

    home: the folder of models, `models.home()` by default. wanted: "vosk",
    "pocketsphinx", "pair" or "" for the best there is. Raises EngineError, LanguageNotHeard.
    """
    if wanted not in ("", *ENGINES):
        raise EngineError(f"There is no recogniser '{wanted}'.", f"Choose one of: {', '.join(ENGINES)}.")
    if wanted == "pocketsphinx":
        _must_be_heard(language, "PocketSphinx hears English only.")
        return Chosen("pocketsphinx", "PocketSphinx was asked for.")
    ready = [model for model in models.present(home) if model.language == language and not model.problem]
    if ready and wanted != "pair":
        return Chosen("vosk", f"The Vosk model {ready[0].name} is there.", ready[0].folder)
    _must_be_heard(language, f"No Vosk model for '{language}' is there.")
    own = models.own_model()
    if own is None:
        if wanted:
            raise EngineError(f"The recogniser '{wanted}' was asked for, but the model that ships is not whole.", "Install twohands again.")
        return Chosen("pocketsphinx", "No English Vosk model is there, so PocketSphinx listens with the model from its wheel.")
    if wanted == "vosk":
        return Chosen("vosk", "Vosk was asked for; it listens alone, with the small model that ships.", own)
    return Chosen("pair", "PocketSphinx and Vosk listen together, Vosk with the small model that ships.", own)


def recognizer(
    home: Path | None = None,
    wanted: str = "",
    words: frozenset[str] = frozenset(),
    endpoint: EndpointSettings | None = None,
    language: str = "en",
) -> tuple[Recognizer, Chosen]:
    """The recogniser, loaded, and why it was chosen.

    words: all that can be said; a Vosk model that lacks some of them is passed
    over, and the reason says so, unless Vosk was asked for. Raises EngineError,
    LanguageNotHeard where PocketSphinx would be left and does not know the language.
    """
    chosen = plan(home, wanted, language)
    if chosen.engine == "pocketsphinx":
        return SphinxRecognizer(endpoint), chosen
    try:
        vosk = VoskRecognizer(chosen.folder, endpoint)
    except (EngineError, MissingLibrary) as error:
        if wanted:
            raise
        _must_be_heard(language, error.problem)
        return SphinxRecognizer(endpoint), Chosen("pocketsphinx", f"{error.problem} PocketSphinx listens instead.")
    missing = vosk.missing(words, language)
    if missing and not wanted:
        vosk.close()
        lacks = f"The Vosk model {chosen.folder.name} does not know {len(missing)} of our words ({', '.join(missing[:3])})."
        _must_be_heard(language, lacks)
        reason = f"{lacks} PocketSphinx listens instead."
        return SphinxRecognizer(endpoint), Chosen("pocketsphinx", reason)
    if chosen.engine == "pair":
        return PairRecognizer(SphinxRecognizer(endpoint), vosk, endpoint), chosen
    return vosk, chosen


def _must_be_heard(language: str, why: str) -> None:
    if language not in SPHINX_LANGUAGES:
        raise LanguageNotHeard(why, "A small Vosk model of the language can be placed by hand: twohands model list.")
