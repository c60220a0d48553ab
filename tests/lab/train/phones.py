"""The sounds of English as the pronouncing dictionary writes them.

Source: CMU Pronouncing Dictionary, 39 phones without stress, as shipped in
the `pocketsphinx` package. Output 0 of the network is the blank; phone i of
`PHONES` is output i + 1.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from grammar.errors import GrammarError

PHONES = [
    "AA",
    "AE",
    "AH",
    "AO",
    "AW",
    "AY",
    "B",
    "CH",
    "D",
    "DH",
    "EH",
    "ER",
    "EY",
    "F",
    "G",
    "HH",
    "IH",
    "IY",
    "JH",
    "K",
    "L",
    "M",
    "N",
    "NG",
    "OW",
    "OY",
    "P",
    "R",
    "S",
    "SH",
    "T",
    "TH",
    "UH",
    "UW",
    "V",
    "W",
    "Y",
    "Z",
    "ZH",
]
BLANK = 0
OUTPUTS = len(PHONES) + 1
INDEX = {phone: i + 1 for i, phone in enumerate(PHONES)}


def dictionary_file() -> Path:
    """Where `pocketsphinx` keeps its English dictionary. Raises GrammarError."""
    import pocketsphinx

    path = Path(pocketsphinx.get_model_path()) / "en-us" / "cmudict-en-us.dict"
    if not path.exists():
        raise GrammarError(
            "The English dictionary is not in the pocketsphinx package.", "Run: pip install pocketsphinx"
        )
    return path


def read_dictionary(path: Path) -> dict[str, list[tuple[str, ...]]]:
    """Word -> its pronunciations, in file order. Lines: `word PH PH`, `word(2) PH PH`."""
    words: dict[str, list[tuple[str, ...]]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        word, *sounds = line.split()
        if word.endswith(")") and "(" in word:
            word = word[: word.rindex("(")]
        words.setdefault(word, []).append(tuple(sounds))
    return words


@cache
def dictionary() -> dict[str, list[tuple[str, ...]]]:
    """The installed dictionary, read once."""
    return read_dictionary(dictionary_file())
