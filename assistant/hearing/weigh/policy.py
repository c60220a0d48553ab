"""What to do with doubt. Pure functions; the dialogue calls `weigh` on everything that is heard."""

from __future__ import annotations

from functools import lru_cache

from assistant.hearing.weigh.evidence import Said, candidates, evidence, trust
from assistant.hearing.weigh.meanings import meanings, texts_of
from assistant.hearing.weigh.settings import EngineSettings, HearingSettings, hearing_settings
from grammar.answers import Answer, Choice, Command, Heard, Reading, Unclear
from grammar.emit import UNKNOWN
from grammar.language import language
from grammar.scope import Scope

TYPED = "typed"
GAS = "gas"


def weigh(heard: Heard, scope: Scope, settings: HearingSettings | None = None) -> Answer:
    """The answer to act on: what was heard weighed with what the meter may show, or `Unclear`.

    Typed words and engines without settings are taken as understood. Gas is never
    weighed away, only held against what else was heard (`alarm`). Otherwise the likeliest
    meaning is taken when it is trusted enough; two readings that are only
    trusted together come back as Unclear("doubtful", between=...). A reading that
    is worth keeping in mind until the next try comes along as its `reading`, and any as `weak`.
    """
    settings = settings or hearing_settings()
    engine = settings.engines.get(heard.engine)
    if engine is None or heard.engine == TYPED or not (heard.text or (heard.second and heard.second.text)):
        return meanings((heard.text,), scope, heard.engine == TYPED)[heard.text]
    said = meanings(texts_of(heard), scope)
    warning = alarm(heard, said, scope)
    if warning is not None:
        return warning
    found = candidates(heard, said, scope, engine, settings)
    if not found:
        return said[heard.text]
    best = found[0]
    trusted = trust(evidence(heard, said, best, scope, settings), engine.trust)
    if trusted >= _needed(best.answer, engine):
        return best.answer
    weak = best.answer if isinstance(best.answer, Reading) else None
    kept = weak if trusted >= engine.twice else None
    if len(found) > 1 and isinstance(best.answer, Reading) and isinstance(found[1].answer, Reading):
        # what speaks against the best one but not against the sound speaks for the second
        together = trusted * (1 + found[1].share / best.share)
        if together >= engine.either:
            return Unclear("doubtful", heard.text, kept, (best.answer, found[1].answer), weak)
    return Unclear("doubtful", heard.text, kept, weak=weak)


def alarm(heard: Heard, said: Said, scope: Scope) -> Command | None:
    """ "I smell gas", if anybody who listened heard it. said: what the texts of `heard` mean.

    Where the engine also listened without the grammar, an alarm amid other words
    that only one look heard, and of which nothing came out again there, is talk.
    """
    opinions = [one for one in (heard, heard.second) if one is not None]
    told = [(one, answer) for one in opinions if isinstance(answer := said[one.text], Command) and answer.id == GAS]
    if not told:
        return None
    spoken, own = _alarm_words(scope)
    first, answer = told[0]
    beside = [word for word in first.text.split() if word not in spoken and word != UNKNOWN]
    if heard.free is None or len(told) > 1 or len(beside) <= 1 or own & set(heard.free.split()):
        return answer
    return None


@lru_cache(maxsize=64)
def _alarm_words(scope: Scope) -> tuple[frozenset[str], frozenset[str]]:
    """The words of the alarm, and those of them that nothing else in the scope has."""
    lang = language(scope.language)
    spoken = frozenset(word for phrase in lang.command(GAS).spoken for word in phrase.split())
    others = [phrase for option in scope.options for phrase in option.phrases]
    others += [phrase for id in scope.commands if id != GAS for phrase in lang.command(id).spoken]
    return spoken, spoken - {word for phrase in others for word in phrase.split()}


def _needed(answer: Answer, engine: EngineSettings) -> float:
    if isinstance(answer, Choice) and answer.id == "yes":
        return engine.accept_yes
    if isinstance(answer, Choice):
        return engine.accept_words
    if isinstance(answer, Command):
        return engine.accept_commands
    return engine.accept
