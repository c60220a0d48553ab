"""Reading a report back: its page and its PDF."""

from __future__ import annotations

import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

Events = list[dict[str, Any]]


class Tags(HTMLParser):
    """Collects tags with their attributes and the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def pdf_text(content: bytes, tmp_path: Path) -> str:
    """The PDF's text by another program (poppler)."""
    (tmp_path / "r.pdf").write_bytes(content)
    return subprocess.run(
        ["pdftotext", "-layout", str(tmp_path / "r.pdf"), "-"], check=True, capture_output=True, text=True
    ).stdout


def outcome_of(events: Events, step: str) -> str | None:
    return next((one["outcome"] for one in events if one["kind"] == "verdict" and one["step"] == step), None)
