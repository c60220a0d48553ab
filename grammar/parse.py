"""From heard words to an answer, under a scope. Never guesses: what is doubtful comes back as `Unclear`."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from grammar import spelling, units
from grammar.answers import Answer, Choice, Command, Heard, Reading, Unclear
from grammar.build import open_commands
from grammar.language import Language, language
from grammar.numbers import SpokenNumber, mistaken, read
from grammar.scope import Asked, Scope
from grammar.words import plain_words

Words = tuple[str, ...]
STRONG = 2
"""Strong words that an answer must have to count without its weak ones."""
NEAR = 1e-9
"""Relative slack when a value is held against the ends of the asked range."""


def understand(heard: Heard, scope: Scope) -> Answer:
    """What `heard` means where only `scope` is open. See `Unclear` for every reason it may mean nothing.

    The smell of gas is understood in any scope, also in the middle of other words;
    "no gas smell" counts too, since a false alarm costs a question and a missed one a house.
    """
    lang = language(scope.language)
    typed = heard.engine == "typed"
    words = plain_words(heard.text, lang, typed)
    told = _in_words(words, scope, lang, typed)
    if told is not None:
        return told
    text = " ".join(words)
    if not words:
        return Unclear("nothing", "")
    if scope.spelled and (spelled := spelling.characters(words, scope.language)):
        return Choice(f"{spelling.ID}{spelled}", text)
    if scope.asked is None:
        return Unclear("not_open", text)
    for option in scope.options:
        if option.id in lang.corrects:
            rest = _after(words, sorted(option.phrases, key=len, reverse=True))
            if rest:
                meant = _reading(rest, scope, scope.asked, lang, typed)
                if isinstance(meant, Reading):
                    return Choice(option.id, text, meant)
                if meant.reason != "not_open":
                    return Choice(option.id, text)
    return _reading(words, scope, scope.asked, lang, typed)


def command_in(text: str, scope: Scope) -> Command | None:
    """The open command that a recogniser heard, as `understand` would take it; no number is looked for."""
    lang = language(scope.language)
    told = _in_words(plain_words(text, lang), scope, lang, typed=False)
    return told if isinstance(told, Command) else None


def _in_words(words: Words, scope: Scope, lang: Language, typed: bool) -> Command | Choice | None:
    """The command or choice that the words are."""
    text = " ".join(words)
    for id in lang.anywhere:
        if any(within(tuple(phrase.split()), words) for phrase in lang.commands[id].spoken):
            return Command(id, text)
    if not words:
        return None
    for option in scope.options:
        keyed = (*option.typed, *lang.typed_options.get(option.id, ())) if typed else ()
        if text in option.phrases or text in keyed:
            return Choice(option.id, text)
    for id in open_commands(scope):
        said = lang.command(id)
        if text in said.spoken or (typed and text in said.typed):
            return Command(id, text)
    return None if typed else _but_for_weak_words(words, scope, lang)


def _but_for_weak_words(words: Words, scope: Scope, lang: Language) -> Choice | None:
    """The one answer that has the same strong words in the same order: "is woken up" for "it has woken up".

    A question has them too ("is everything shut down"), and is no answer.
    """
    strong = strong_words(words, lang)
    if len(strong) < STRONG:
        return None
    alike = [
        (one.id, phrase)
        for one in scope.options
        for phrase in (tuple(text.split()) for text in one.phrases)
        if strong_words(phrase, lang) == strong
    ]
    commands = (text for id in open_commands(scope) for text in lang.command(id).spoken)
    if len({id for id, _ in alike}) != 1 or any(strong_words(tuple(text.split()), lang) == strong for text in commands):
        return None
    return Choice(alike[0][0], " ".join(words)) if any(_lost(words, phrase, lang) for _, phrase in alike) else None


def strong_words(words: Words, lang: Language) -> Words:
    """Those that an engine does not easily lose."""
    return tuple(word for word in words if word not in lang.weak)


def _lost(heard: Words, said: Words, lang: Language) -> bool:
    """Whether only weak words were lost between the strong ones, or two that run together were taken for one."""
    pairs = zip(_weak_runs(heard, lang), _weak_runs(said, lang), strict=True)
    return all(_in_order(got, there) or (len(got) == 1 and len(there) > 1) for got, there in pairs)


def _weak_runs(words: Words, lang: Language) -> list[Words]:
    """The weak words before each strong one, and those after the last."""
    runs: list[Words] = [()]
    for word in words:
        if word in lang.weak:
            runs[-1] += (word,)
        else:
            runs.append(())
    return runs


def _in_order(part: Words, whole: Words) -> bool:
    """Whether all words of `part` stand in `whole` in the same order, with others between them or not."""
    rest = iter(whole)
    return all(word in rest for word in part)


@dataclass(frozen=True)
class _Said:
    """A number and the unit said with it (None when not said), its quantity; mistaken: what it may be misheard for."""

    number: SpokenNumber
    unit: str | None
    quantity: str
    mistaken: tuple[SpokenNumber, ...]


def _reading(words: Words, scope: Scope, asked: Asked, lang: Language, typed: bool) -> Reading | Unclear:
    text = " ".join(words)
    rest = _after(words, lang.lead_ins) or words
    over = (*lang.over_limit.spoken, *(lang.over_limit.typed if typed else ()))
    if " ".join(rest) in over:
        reading = Reading(
            math.inf,
            math.inf,
            math.inf,
            _step(asked),
            asked.quantity,
            asked.unit,
            False,
            True,
            text,
            lang.over_limit.spoken[0],
        )
        return reading if asked.over_limit else Unclear("out_of_range", text, reading)
    numbers = _numbers(rest, asked, lang)
    readings = [_one(said, asked, text) for said in numbers]
    spelled = [said.number.spelled for said in numbers]
    for low, high in _ranges(rest, asked, lang):
        joined = _joined(low, high, asked, text)
        if joined is not None:
            readings.append(joined)
            spelled.append(low.number.spelled and high.number.spelled)
    if not readings:
        return Unclear("not_open", text)
    if len(readings) > 1:
        return Unclear("doubtful", text, between=tuple(readings))
    reading = readings[0]
    if scope.digits_only and not spelled[0]:
        return Unclear("not_open", text, reading)
    return _fitting(reading, asked, text)


def _fitting(reading: Reading, asked: Asked, text: str) -> Reading | Unclear:
    """The reading if the display can show it, else why not."""
    if reading.quantity != asked.quantity:
        return Unclear("wrong_unit", text, reading)
    moving = reading.low != reading.high
    signs = not _signed(asked) and reading.low < 0
    if signs or not (_shown(reading.low, asked) and _shown(reading.high, asked)) or (moving and not asked.jumping):
        return Unclear("out_of_range", text, reading)
    if reading.step < _finest(reading, asked) * (1 - NEAR):
        return Unclear("too_fine", text, reading)
    if reading.sounds_like is not None and not _shown(reading.sounds_like, asked):
        return replace(reading, sounds_like=None)
    return reading


def _signed(asked: Asked) -> bool:
    """A direct current or voltage shows its sign on every meter, whatever the step foresees."""
    return asked.signed or (bool(asked.ranges) and units.quantity(asked.quantity).tag == "dc")


def _finest(reading: Reading, asked: Asked) -> float:
    """The least step (SI) that the display has for the reading: its range's, where the ranges are known.

    Of a display that moves, the end on the finer range counts. Without ranges the step's decimals count.
    """
    if not asked.ranges:
        return min(_step(asked), units.to_si(f"1e-{asked.decimals}", reading.unit))
    least = min(abs(reading.low), abs(reading.high))
    return next((step for top, step in asked.ranges if least <= top * (1 + NEAR)), asked.ranges[-1][1])


def _shown(value: float, asked: Asked) -> bool:
    """Whether the display can show the value: on its own ranges where they are known, else as the step foresees.

    The asked low and high then only say what is offered to a recogniser.
    """
    if asked.ranges:
        return abs(value) <= asked.ranges[-1][0] * (1 + NEAR)
    slack = NEAR * max(abs(asked.low), abs(asked.high))
    return asked.low - slack <= value <= asked.high + slack


def _step(asked: Asked) -> float:
    return units.to_si(f"1e-{asked.decimals}", asked.unit)


def _one(said: _Said, asked: Asked, text: str) -> Reading:
    unit = said.unit or asked.unit
    value = units.to_si(said.number.value, unit) + 0.0
    step = units.to_si(f"1e-{said.number.decimals}", unit)
    other = units.to_si(said.mistaken[0].value, unit) if said.mistaken else None
    return Reading(
        value, value, value, step, said.quantity, unit, said.unit is not None, False, text, said.number.digits, other
    )


def _joined(low: _Said, high: _Said, asked: Asked, text: str) -> Reading | None:
    """Two ends as one reading, the lesser first; a unit said once holds for both."""
    if low.unit is None and high.unit is not None:
        low = replace(low, unit=high.unit, quantity=high.quantity)
    if high.unit is None and low.unit is not None:
        high = replace(high, unit=low.unit, quantity=low.quantity)
    if low.quantity != high.quantity:
        return None
    first, second = sorted((_one(low, asked, text), _one(high, asked, text)), key=lambda one: one.value)
    others = [
        (one.sounds_like + two.value) / 2
        for one, two in ((first, second), (second, first))
        if one.sounds_like is not None
    ]
    return replace(
        first,
        value=(first.value + second.value) / 2,
        low=first.value,
        high=second.value,
        step=max(first.step, second.step),
        unit=second.unit,
        digits=f"{first.digits}–{second.digits}"
        if first.unit == second.unit
        else f"{first.digits} {units.symbol(first.unit)}–{second.digits}",
        sounds_like=others[0] if others else None,
    )


def _ranges(words: Words, asked: Asked, lang: Language) -> Iterator[tuple[_Said, _Said]]:
    """Both ends for every way to split a moving display's sentence."""
    rest = _after(words, sorted(lang.ranges.before, key=len, reverse=True)) or ()
    for between in lang.ranges.between:
        joint = tuple(between.split())
        for at in range(1, len(rest) - len(joint)):
            if rest[at : at + len(joint)] == joint:
                for low in _numbers(rest[:at], asked, lang):
                    for high in _numbers(rest[at + len(joint) :], asked, lang):
                        yield low, high


def _numbers(words: Words, asked: Asked, lang: Language) -> tuple[_Said, ...]:
    """Every number with or without a unit that the words can mean."""
    found: dict[tuple[str, str | None, str], _Said] = {}
    for count, unit, tag in _unit_endings(words, lang):
        bare = words[: len(words) - count]
        quantity = asked.quantity if unit is None else units.quantity_of(unit, tag, asked.quantity)
        if quantity is None:
            continue
        numbers = read(bare, lang.key)
        others = mistaken(bare, lang.key) if numbers else ()
        for number in numbers:
            found.setdefault((number.digits, unit, quantity), _Said(number, unit, quantity, others))
    return tuple(found.values())


def _unit_endings(words: Words, lang: Language) -> Iterator[tuple[int, str | None, str]]:
    """(how many words, unit, tag) for each unit phrase that ends the words; first (0, None, "")."""
    yield 0, None, ""
    tags = [("", ())] + [
        (tag, tuple(text.split())) for tag, texts in lang.tags.items() for text in (*texts.phrases, *texts.also)
    ]
    for key, said in lang.units.items():
        for text in (*said.phrases, *said.also):
            unit = tuple(text.split())
            for tag, named in tags:
                for ending in {named + unit, unit + named}:
                    if words[-len(ending) :] == ending:
                        yield len(ending), key, tag


def _after(words: Words, starts: Sequence[str]) -> Words | None:
    """The words after the first of `starts` that begins them; None when none does."""
    for start in starts:
        said = tuple(start.split())
        if words[: len(said)] == said:
            return words[len(said) :]
    return None


def within(part: Words, words: Words) -> bool:
    """Whether `part` stands in `words`, in a row."""
    return any(words[at : at + len(part)] == part for at in range(len(words) - len(part) + 1))
