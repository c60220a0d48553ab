"""Lines from a keyboard or a pipe, whatever comes: bytes that are no text, lines without end."""

from __future__ import annotations

from typing import BinaryIO, Protocol, TextIO

from grammar.guards import TYPED_CHARACTERS, whole_text

PIECE = 65_536


class Lines(Protocol):
    """What the ears of a keyboard read from."""

    def readline(self) -> str:
        """The next line with its line feed, "" at the end."""


class TypedLines:
    """Lines of a stream of bytes. What is no UTF-8 becomes the sign for "unknown", what is too long is cut; nothing
    ends a visit but the end."""

    def __init__(self, source: BinaryIO) -> None:
        self._source = source

    def readline(self) -> str:
        try:
            raw = piece = self._source.readline(PIECE)
            while piece and not piece.endswith(b"\n"):
                piece = self._source.readline(PIECE)
        except OSError:
            # The terminal has gone away; that is the end of what can be typed.
            return ""
        if not raw:
            return ""
        text = "".join(one if one.isprintable() else " " for one in whole_text(raw.decode("utf-8", "replace")))
        return text[:TYPED_CHARACTERS].strip() + "\n"


def typed_lines(source: TextIO) -> Lines:
    """The lines of `source`, read as bytes where it has them."""
    raw = getattr(source, "buffer", None)
    return source if raw is None else TypedLines(raw)
