"""How easy a sentence is, by the formula of its language."""

from __future__ import annotations

import re
from collections.abc import Callable

from assistant.authoring.rules import rules
from assistant.errors import MissingLibrary

Measure = Callable[[str], float]


def measure(language: str) -> Measure:
    """A function from a sentence to its grade or ease, the terms of the trade left out of account.

    Raises MissingLibrary without the package textstat.

    A language without a formula in `rules.yaml` raises KeyError; ask `rules().reading` first.
    """
    formula = rules().reading[language].formula
    try:
        from textstat.textstat import textstatistics
    except ImportError as error:
        raise MissingLibrary(
            "How easy the lines are cannot be measured: the package textstat is missing.",
            "Install it: pip install 'twohands[author]'",
        ) from error
    # An instance of our own: the package's shared one would change its language for everybody.
    tool = textstatistics()
    tool.set_lang(language)
    score: Measure = getattr(tool, formula)
    return lambda text: score(everyday(text, language))


def everyday(text: str, language: str) -> str:
    """The text with the neutral word of `rules.yaml` in place of every term of the trade."""
    terms = rules().terms.get(language)
    if terms is None:
        return text
    longest_first = sorted(terms.words, key=len, reverse=True)
    pattern = r"(?<!\w)(?:" + "|".join(map(re.escape, longest_first)) + r")(?!\w)"
    return re.sub(pattern, terms.neutral, text, flags=re.IGNORECASE)
