"""How easy a sentence is, by the formula of its language."""

from __future__ import annotations

from collections.abc import Callable

from assistant.authoring.rules import rules
from assistant.errors import MissingLibrary

Measure = Callable[[str], float]


def measure(language: str) -> Measure:
    """A function from a sentence to its grade or ease. Raises MissingLibrary without the package textstat.

    A language without a formula in `rules.yaml` raises KeyError; ask `rules().reading` first.
    """
    formula = rules().reading[language].formula
    try:
        from textstat.textstat import textstatistics
    except ImportError as error:
        raise MissingLibrary("How easy the lines are cannot be measured: the package textstat is missing.", "Install it: pip install 'twohands[author]'") from error
    # An instance of our own: the package's shared one would change its language for everybody.
    tool = textstatistics()
    tool.set_lang(language)
    return getattr(tool, formula)
