"""Which recogniser hears.

Vosk, as soon as somebody placed a model of the language; else, in English,
Vosk with the two small models that ship, or the one that is whole; else
PocketSphinx alone, which knows English only. PocketSphinx listens along with a
small model when that is asked for, or when a technician's voice was learnt: it
is what learns one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from assistant.errors import EngineError, LanguageNotHeard, MissingLibrary
from assistant.hearing.audio.endpoint import EndpointSettings
from assistant.hearing.engines.base import ENGINES, Engine, Recognizer
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.looks import LOOKS
from assistant.hearing.engines.pair import PairEngine
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.two import TwoEngine
from assistant.hearing.engines.vosk_engine import RESPELL, VOSK, VoskEngine
from assistant.models import placed as models

Small = TypeVar("Small", bound=VoskEngine | TwoEngine)
SPHINX_LANGUAGES = ("en",)
"""Languages of the model in PocketSphinx's wheel."""


@dataclass(frozen=True)
class Chosen:
    """engine: "vosk", "pocketsphinx" or "pair". reason: one plain sentence. folder: Vosk's model."""

    engine: str
    reason: str
    folder: Path | None = None


def plan(home: Path | None = None, wanted: str = "", language: str = "en", learnt: bool = False) -> Chosen:
    """What would be used, without loading anything.

    home: the folder of models, `models.home()` by default. wanted: "vosk",
    "pocketsphinx", "pair" or "" for the best there is. learnt: whether a voice
    was learnt. Raises EngineError, LanguageNotHeard.
    """
    if wanted not in ("", *ENGINES):
        raise EngineError(f"There is no recogniser '{wanted}'.", f"Choose one of: {', '.join(ENGINES)}.")
    if wanted == "pocketsphinx":
        _must_be_heard(language, "PocketSphinx hears English only.")
        return Chosen("pocketsphinx", "PocketSphinx was asked for.")
    ready = [model for model in models.present(home) if model.language == language and not model.problem]
    if ready and wanted != "pair":
        return Chosen("vosk", f"The Vosk model {ready[0].name} is there.", ready[0].folder)
    own = models.own_model()
    if wanted == "vosk":
        _must_be_heard(language, f"No Vosk model for '{language}' is there.")
        if own is None:
            raise EngineError(
                "Vosk was asked for, but no English model is there.",
                "Fetch one or place one by hand: twohands model list",
            )
        return Chosen("vosk", "Vosk was asked for; it listens with the small models that ship.", own)
    return _without_placed(language, f"No Vosk model for '{language}' is there.", wanted, learnt)


def _without_placed(language: str, why: str, wanted: str = "", learnt: bool = False) -> Chosen:
    """The best that ships. why: what is the matter with a placed model, if it must be told.

    Raises EngineError, LanguageNotHeard.
    """
    _must_be_heard(language, why)
    own = models.own_model()
    if own is not None and (wanted == "pair" or learnt):
        return Chosen("pair", "PocketSphinx and Vosk listen together, Vosk with the small model that ships.", own)
    if own is not None:
        return Chosen("vosk", "Vosk listens with the small models that ship.", own)
    if wanted:
        raise EngineError(
            "Two recognisers were asked for, but the small model that ships is not whole.", "Install twohands again."
        )
    return Chosen(
        "pocketsphinx", "No English Vosk model is there, so PocketSphinx listens with the model from its wheel."
    )


def recognizer(
    home: Path | None = None,
    wanted: str = "",
    words: frozenset[str] = frozenset(),
    endpoint: EndpointSettings | None = None,
    language: str = "en",
    acoustic: Mapping[str, str] | None = None,
) -> tuple[Recognizer, Chosen]:
    """The recogniser, loaded, and why it was chosen.

    acoustic: PocketSphinx's settings of a learnt voice. words: all that can be
    said; a Vosk model that lacks some of them is passed over, and the reason
    says so, unless Vosk was asked for. Raises EngineError, LanguageNotHeard
    where PocketSphinx would be left and does not know the language.
    """
    engine, chosen = _engine(plan(home, wanted, language, acoustic is not None), wanted, words, language, acoustic)
    return Listener(engine, endpoint), chosen


def _engine(
    chosen: Chosen, wanted: str, words: frozenset[str], language: str, acoustic: Mapping[str, str] | None
) -> tuple[Engine, Chosen]:
    """The engine of the plan, or what listens in its place."""
    while chosen.engine != "pocketsphinx":
        try:
            # whoever asks for Vosk by name takes it as it is
            asked = frozenset() if wanted == "vosk" else words
            if chosen.engine == "pair":
                one = _checked(_alone(chosen), asked, language)
                return PairEngine(SphinxEngine(acoustic=acoustic), one), chosen
            return _checked(_vosk(chosen), asked, language), chosen
        except (EngineError, MissingLibrary) as error:
            if wanted:
                raise
            chosen = _instead(chosen, error, language, acoustic is not None)
    return SphinxEngine(acoustic=acoustic), chosen


def _instead(chosen: Chosen, error: EngineError | MissingLibrary, language: str, learnt: bool) -> Chosen:
    """What listens in place of a Vosk model that cannot. Raises EngineError, LanguageNotHeard."""
    if chosen.folder == models.own_model():
        return Chosen("pocketsphinx", f"{error.problem} PocketSphinx listens instead.")
    other = _without_placed(language, error.problem, learnt=learnt)
    return replace(other, reason=f"{error.problem} {other.reason}")


def _vosk(chosen: Chosen) -> VoskEngine | TwoEngine:
    """Vosk with the chosen model; both that ship in place of the one that hears alone. Raises EngineError,
    MissingLibrary."""
    people = models.own_model(models.WITH_PEOPLE)
    if chosen.folder != models.own_model() or people is None:
        return _alone(chosen)
    assert chosen.folder is not None, "a plan with Vosk names its folder"
    first = VoskEngine(people, name=models.OWN, looks=1)
    return TwoEngine(first, VoskEngine(chosen.folder, name=models.OWN, looks=1, free=False))


def _alone(chosen: Chosen) -> VoskEngine:
    """Vosk with the chosen model. Raises EngineError, MissingLibrary."""
    assert chosen.folder is not None, "a plan with Vosk names its folder"
    own = chosen.folder == models.own_model()
    looks = LOOKS if own and chosen.engine == "vosk" else 0
    return VoskEngine(chosen.folder, name=models.OWN if own else VOSK, looks=looks)


def _checked(vosk: Small, words: frozenset[str], language: str) -> Small:
    """The engine, if it knows all of `words`. Raises EngineError."""
    missing = vosk.missing(words, language)
    if missing:
        vosk.close()
        some = ", ".join(missing[:3])
        raise EngineError(
            f"The Vosk model {vosk.folder.name} does not know {len(missing)} of our words ({some}).", RESPELL
        )
    return vosk


def _must_be_heard(language: str, why: str) -> None:
    if language not in SPHINX_LANGUAGES:
        raise LanguageNotHeard(why, "A small Vosk model of the language can be placed by hand: twohands model list.")
