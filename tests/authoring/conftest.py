"""Shared by the tests of authoring."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from assistant.authoring.report import check_all
from assistant.authoring.starting import start

TOLD = list[str]


@pytest.fixture
def template(tmp_path: Path) -> Path:
    """A new procedure from the template."""
    return start("my_own", tmp_path)


@pytest.fixture
def changed(template: Path) -> Callable[..., Path]:
    """changed(old, new, ...): the template with each old text, which must stand in it, put in place by the next."""

    def change(*pairs: str) -> Path:
        text = template.read_text(encoding="utf-8")
        for old, new in zip(pairs[::2], pairs[1::2], strict=True):
            assert old in text, old
            text = text.replace(old, new)
        template.write_text(text, encoding="utf-8")
        return template

    return change


@pytest.fixture
def problems() -> Callable[[Path], list[str]]:
    """problems(path): what a check without the proof finds, without the real voice."""
    return lambda path: [one.text for one in check_all(path, ("larkspur",), "dunlin", True, False, lambda line: None)]
