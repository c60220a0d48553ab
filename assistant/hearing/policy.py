"""What to do with doubt. Pure functions; the dialogue calls `weigh` on everything that is heard."""

from __future__ import annotations

from typing import Literal

from assistant.hearing.evidence import candidates, evidence, trust
from assistant.hearing.settings import EngineSettings, HearingSettings, hearing_settings
from grammar.answers import Answer, Choice, Command, Heard, Reading, Unclear
from grammar.parse import understand
from grammar.scope import Scope

Way = Literal["again", "which", "digits", "away", "push_to_talk"]
LADDER: tuple[Way, ...] = ("again", "digits", "away", "push_to_talk")
MOST_IN_ONE_WAY = 2
"""Asks in a row before the way of asking changes."""
LOUD_DB = 8.0
"""Speech less than this above the room is better moved than asked again."""
SPECIAL = ("typed",)


def weigh(heard: Heard, scope: Scope, settings: HearingSettings | None = None) -> Answer:
    """The answer to act on: what was heard weighed with what the meter may show, or `Unclear`.

    Typed words and engines without settings are taken as understood. Gas
    anywhere in what was heard is never weighed away. Otherwise the likeliest
    meaning is taken when it is trusted enough; two readings that are only
    trusted together come back as Unclear("doubtful", between=...).
    """
    plain = understand(heard, scope)
    settings = settings or hearing_settings()
    engine = settings.engines.get(heard.engine)
    if engine is None or heard.engine in SPECIAL or not (heard.text or (heard.second and heard.second.text)):
        return plain
    for alarm in (plain, understand(heard.second, scope) if heard.second else plain):
        if isinstance(alarm, Command) and alarm.id == "gas":
            return alarm
    found = candidates(heard, scope, engine, settings)
    if not found:
        return plain
    best = found[0]
    trusted = trust(evidence(heard, best, scope), engine.trust)
    if trusted >= _needed(best.answer, engine):
        return best.answer
    if len(found) > 1 and isinstance(best.answer, Reading) and isinstance(found[1].answer, Reading):
        # what speaks against the best one but not against the sound speaks for the second
        together = trusted * (1 + found[1].share / best.share)
        if together >= engine.either:
            return Unclear("doubtful", heard.text, between=(best.answer, found[1].answer))
    return Unclear("doubtful", heard.text)


def _needed(answer: Answer, engine: EngineSettings) -> float:
    if isinstance(answer, Choice) and answer.id == "yes":
        return engine.accept_yes
    if isinstance(answer, Choice):
        return engine.accept_words
    if isinstance(answer, Command):
        return engine.accept_commands
    return engine.accept


def next_way(asked: tuple[Way, ...], answer: Unclear, level_db: float | None = None, reading_asked: bool = True) -> Way:
    """How to ask now, given the ways of the asks in a row before this one (oldest first).

    Two readings in doubt are offered as "X or Y?"; in a loud room moving away
    comes before spelling. Never a third ask in one way.
    """
    if len(answer.between) > 1 and "which" not in asked[-1:]:
        return "which"
    loud = level_db is not None and level_db < LOUD_DB
    order: tuple[Way, ...] = ("again", "away", "digits", "push_to_talk") if loud else LADDER
    open_ways = [one for one in order if reading_asked or one != "digits"]
    for way in open_ways:
        if way not in asked:
            return way
    # every way was tried: go round, but not in the way that was just used twice
    last = asked[-MOST_IN_ONE_WAY:]
    return next(way for way in reversed(open_ways) if last != (way,) * MOST_IN_ONE_WAY)
