"""A furnace family or a meter on the command line: one that ships, or a file of somebody's own."""

from __future__ import annotations

from typing import Literal

import click

from flows.judge.profiles import is_there, names


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
        if is_there(self.kind, value):
            return value
        self.fail(f"'{value}' is none of {', '.join(names(self.kind))}, nor a YAML file that is there.", param, ctx)
