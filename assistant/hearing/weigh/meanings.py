"""What each text of an utterance means: the one place where hearing parses, each distinct text once."""

from __future__ import annotations

from collections.abc import Iterable

from grammar.answers import Answer, Heard
from grammar.parse import understand
from grammar.scope import Scope


def meanings(texts: Iterable[str], scope: Scope, typed: bool = False) -> dict[str, Answer]:
    """Text -> what it means in `scope`. typed: whether it came from a keyboard."""
    engine = "typed" if typed else ""
    return {text: understand(Heard(text, engine=engine), scope) for text in dict.fromkeys(texts)}


def texts_of(heard: Heard) -> list[str]:
    """Every text of an utterance, of all that listened, best first; one may come twice."""
    own = [heard.text, *(text for text, _ in heard.alternatives)]
    return own + (texts_of(heard.second) if heard.second is not None else [])
