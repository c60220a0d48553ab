"""How alike two phrases sound: edits over phones, cheap between phones that share features.

Phones are those of the CMU dictionary that PocketSphinx brings; a language whose spelling
tells its sounds has rules for its letters instead (`letters` in its file). Their features
are the rows and columns of the chart of the International Phonetic Association
(Handbook of the IPA, 1999; chart revised 2020); the symbols are matched by the
CMU dictionary's own key words. How much each feature counts is our choice, set
so that a change of every feature costs as much as one phone lost.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, product
from pathlib import Path

import pocketsphinx

from grammar.build import open_commands
from grammar.emit import accepts, vocabulary
from grammar.errors import GrammarError
from grammar.language import Language, language
from grammar.scope import Scope

APART = 1.0
"""Least distance between phrases that mean different things; "repeat" and "ready", which a recogniser was seen to mix
up, lie below it."""

# phone: (place from lips 0 to glottis 7, manner, voiced)
_CONSONANTS = {
    "P": (0, "stop", 0),
    "B": (0, "stop", 1),
    "M": (0, "nasal", 1),
    "W": (0, "glide", 1),
    "F": (1, "fricative", 0),
    "V": (1, "fricative", 1),
    "TH": (2, "fricative", 0),
    "DH": (2, "fricative", 1),
    "T": (3, "stop", 0),
    "D": (3, "stop", 1),
    "N": (3, "nasal", 1),
    "S": (3, "fricative", 0),
    "Z": (3, "fricative", 1),
    "L": (3, "lateral", 1),
    "R": (3, "glide", 1),
    "SH": (4, "fricative", 0),
    "ZH": (4, "fricative", 1),
    "CH": (4, "affricate", 0),
    "JH": (4, "affricate", 1),
    "Y": (5, "glide", 1),
    "K": (6, "stop", 0),
    "G": (6, "stop", 1),
    "NG": (6, "nasal", 1),
    "HH": (7, "fricative", 0),
}
# phone: (height from close 0 to open 6, from front 0 to back 2, rounded); a diphthong is its two ends
_VOWELS = {
    "IY": ((0, 0, 0),),
    "IH": ((1, 0.5, 0),),
    "EH": ((4, 0, 0),),
    "AE": ((5, 0, 0),),
    "AA": ((6, 2, 0),),
    "AO": ((4, 2, 1),),
    "UH": ((1, 1.5, 1),),
    "UW": ((0, 2, 1),),
    "AH": ((4, 1.5, 0),),
    "ER": ((3, 1, 0),),
    "EY": ((2, 0, 0), (1, 0.5, 0)),
    "AY": ((6, 0.5, 0), (1, 0.5, 0)),
    "OY": ((4, 2, 1), (1, 0.5, 0)),
    "AW": ((6, 0.5, 0), (1, 1.5, 1)),
    "OW": ((2, 2, 1), (1, 1.5, 1)),
}
_SIBILANTS = {"S", "Z", "SH", "ZH", "CH", "JH"}
_NEAR_MANNERS = {
    frozenset(pair)
    for pair in [
        ("stop", "affricate"),
        ("affricate", "fricative"),
        ("glide", "lateral"),
        ("nasal", "lateral"),
        ("stop", "fricative"),
    ]
}
_WEAK = {"HH": 0.5, "AH": 0.7}
"""Phones that cost less to lose: the breath, and the vowel that unstressed syllables fall to."""
LOSS = 1.0
ACROSS = 1.5
"""Cost of a vowel for a consonant."""


@dataclass(frozen=True)
class TooClose:
    """Two phrases that mean different things and sound alike. distance: as `distance` gives it."""

    first: str
    second: str
    first_id: str
    second_id: str
    distance: float

    @property
    def text(self) -> str:
        return (
            f"'{self.first}' ({self.first_id}) and '{self.second}' ({self.second_id}) sound alike: distance"
            f" {self.distance:.2f}."
        )


@lru_cache
def dictionary() -> dict[str, tuple[tuple[str, ...], ...]]:
    """Every word of PocketSphinx's dictionary with its pronunciations, read once on first use."""
    path = Path(pocketsphinx.get_model_path()) / "en-us" / "cmudict-en-us.dict"
    found: dict[str, list[tuple[str, ...]]] = defaultdict(list)
    for line in path.read_text(encoding="utf-8").splitlines():
        word, *phones = line.split()
        found[word.split("(")[0]].append(tuple(phones))
    return {word: tuple(ways) for word, ways in found.items()}


def ways(word: str, key: str = "en") -> tuple[tuple[str, ...], ...]:
    """The pronunciations of a word. Raises GrammarError when nobody knows any."""
    lang = language(key)
    own = lang.pronunciations.get(word)
    if own:
        return (tuple(own.split()),)
    if lang.letters:
        return (_by_letters(word, lang),)
    try:
        return dictionary()[word]
    except KeyError:
        raise GrammarError(
            f"No pronunciation is known for '{word}'.",
            "Add it to 'pronunciations' in the language file, in phones of the CMU dictionary.",
        ) from None


def _by_letters(word: str, lang: Language) -> tuple[str, ...]:
    """The phones of a word whose spelling tells them: at each place the first rule that fits."""
    found: list[str] = []
    place = 0
    while place < len(word):
        match, sounds = next(
            (
                (hit, sounds)
                for pattern, sounds in lang.letters
                if (hit := pattern.match(word, place)) and hit.end() > place
            ),
            (None, ()),
        )
        if match is None:
            raise GrammarError(
                f"Nothing tells how '{word[place]}' in '{word}' sounds.",
                f"Add a rule for it to 'letters' in the language file '{lang.key}'.",
            )
        found += sounds
        place = match.end()
    return tuple(found)


def phones(phrase: str, key: str = "en") -> tuple[tuple[str, ...], ...]:
    """Every pronunciation of a phrase, one word after another. Raises GrammarError."""
    return tuple(
        tuple(phone for word in way for phone in word) for way in product(*(ways(word, key) for word in phrase.split()))
    )


def phone_cost(one: str, other: str) -> float:
    """0 for the same phone, 0.2 for a voice alone, above 1 when nearly every feature differs."""
    if one == other:
        return 0.0
    if one in _CONSONANTS and other in _CONSONANTS:
        (place, manner, voice), (place2, manner2, voice2) = _CONSONANTS[one], _CONSONANTS[other]
        away = 0.0 if manner == manner2 else 0.5 if frozenset((manner, manner2)) in _NEAR_MANNERS else 1.0
        hiss = (one in _SIBILANTS) != (other in _SIBILANTS)
        return 0.35 * min(abs(place - place2) / 3, 1) + 0.5 * away + 0.2 * (voice != voice2) + 0.3 * hiss
    if one in _VOWELS and other in _VOWELS:
        (start, *_), (start2, *_) = _VOWELS[one], _VOWELS[other]
        return (_vowel_cost(start, start2) + _vowel_cost(_VOWELS[one][-1], _VOWELS[other][-1])) / 2
    return ACROSS


def _vowel_cost(one: tuple[float, float, int], other: tuple[float, float, int]) -> float:
    return 0.9 * abs(one[0] - other[0]) / 6 + 0.6 * abs(one[1] - other[1]) / 2 + 0.2 * (one[2] != other[2])


def phone_distance(one: Sequence[str], other: Sequence[str]) -> float:
    """Weighted edit distance (Wagner and Fischer 1974) between two rows of phones."""
    row = [0.0]
    for phone in other:
        row.append(row[-1] + _loss(phone))
    for phone in one:
        fresh = [row[0] + _loss(phone)]
        for at, against in enumerate(other):
            fresh.append(
                min(row[at] + phone_cost(phone, against), row[at + 1] + _loss(phone), fresh[at] + _loss(against))
            )
        row = fresh
    return row[-1]


def _loss(phone: str) -> float:
    return _WEAK.get(phone, LOSS)


@lru_cache(maxsize=65536)
def distance(one: str, other: str, key: str = "en") -> float:
    """How far apart two phrases sound: edits over the root of the longer one's phones. Raises GrammarError.

    The root stands between counting (one lost sound in a long phrase is as clear as in
    a short one) and a share (it drowns in it). The nearest pronunciations count.
    """
    pairs = product(phones(one, key), phones(other, key))
    return min(phone_distance(first, second) / math.sqrt(max(len(first), len(second))) for first, second in pairs)


def meanings(scope: Scope) -> list[tuple[str, str]]:
    """(id, phrase) of every answer in words, command and over-limit phrase that the scope offers to the recogniser."""
    lang = language(scope.language)
    found = [(option.id, phrase) for option in scope.options for phrase in option.phrases]
    found += [(id, phrase) for id in open_commands(scope) for phrase in lang.command(id).spoken]
    if scope.asked and scope.asked.over_limit:
        found += [("over_limit", phrase) for phrase in lang.over_limit.spoken]
    return found


def readings_of_one_word(scope: Scope) -> list[tuple[str, str]]:
    """("reading", word) for every word that is a whole reading by itself."""
    return [
        ("reading", word)
        for word in sorted(vocabulary(scope))
        if scope.asked and accepts(replace(scope, options=(), commands=()), word)
    ]


def check_apart(scope: Scope, least: float = APART, readings: bool = False) -> list[TooClose]:
    """Every two phrases of the scope that mean different things and lie nearer than `least`, nearest first.

    readings: hold one-word readings against the phrases too. Readings are never held
    against each other: they are read back, and teens and tens asked digit by digit.
    Raises GrammarError.
    """
    said = meanings(scope) + (readings_of_one_word(scope) if readings else [])
    found = []
    for (first_id, first), (second_id, second) in combinations(said, 2):
        if first_id != second_id:
            away = distance(first, second, scope.language)
            if away < least:
                found.append(TooClose(first, second, first_id, second_id, away))
    return sorted(found, key=lambda one: (one.distance, one.first, one.second))
