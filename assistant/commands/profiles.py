"""A furnace family or a meter on the command line: one that ships, or a file of somebody's own."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from flows.judge.profiles import names


class Profile(click.ParamType):
    """The name of a shipped profile, or the path of a YAML file.

    kind: "equipment" or "meters".
    """

    def __init__(self, kind: Literal["equipment", "meters"]) -> None:
        self.kind: Literal["equipment", "meters"] = kind
        self.name = "profile"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        return f"[{'|'.join(names(self.kind))}|FILE]"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value in names(self.kind) or (value.endswith(".yaml") and Path(value).is_file()):
            return value
        self.fail(f"'{value}' is none of {', '.join(names(self.kind))}, nor a YAML file that is there.", param, ctx)
