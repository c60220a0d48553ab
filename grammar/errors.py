"""The base of every error that a person may see.

TwohandsError                 one sentence what is wrong, one what to do
├── DataFileError             a data file is wrong: file, line, remedy
├── GrammarError              a scope or a phrase that cannot be made into a grammar
├── flows.errors.*            a procedure, limit or calculation that cannot stand
└── assistant.errors.*        audio, engine, voice, journal, model
"""

from __future__ import annotations

from pathlib import Path


class TwohandsError(Exception):
    """What is wrong and what to do about it, each as one plain sentence.

    `problem` and `remedy` stay on the object, so that the printed and the
    spoken form come from the same words.
    """

    def __init__(self, problem: str, remedy: str = "") -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(self.text)

    @property
    def text(self) -> str:
        return f"{self.problem} {self.remedy}".strip()


class DataFileError(TwohandsError):
    """A data file that cannot be used; names the file, the line and the remedy."""

    def __init__(self, file: Path | str, line: int | None, problem: str, remedy: str) -> None:
        self.file = Path(file)
        self.line = line
        where = f"{self.file.name}, line {line}" if line else self.file.name
        super().__init__(f"{where}: {problem}", remedy)


class GrammarError(TwohandsError):
    """A scope that cannot be turned into something a recogniser can hear."""
