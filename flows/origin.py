"""How far a figure is to be trusted."""

from __future__ import annotations

from typing import Literal

Origin = Literal["invented", "common practice", "standard", "maker"]
"""invented: true of nothing. common practice: without a source. standard, maker: the source names the document."""
