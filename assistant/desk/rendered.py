"""A page from its template. Every text goes through templates that escape it; pictures are drawn here."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from assistant.desk import figures
from assistant.records.faultnames import fault_name, probe_name
from assistant.records.lines import ending, local_time

HERE = Path(__file__).parent


@lru_cache
def _environment() -> Environment:
    from assistant.report.bars import bar

    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "fault": fault_name,
        "ending": ending,
        "family": figures.family_name,
        "probe": probe_name,
        "day": day_text,
        "moment": moment_text,
        "bar": lambda taken: Markup(bar(taken.scale, taken.words)) if taken.scale else "",
    }
    environment.globals |= {
        "query": lambda **given: urlencode(
            {key: value for key, value in given.items() if value not in (None, "", False)}
        )
    }
    return environment


def page(name: str, status: int = 200, /, **given: Any) -> HTMLResponse:
    """The template `name` filled in. given: its values."""
    return HTMLResponse(_environment().get_template(name).render(**given), status)


def day_text(at: int | None) -> str:
    return "–" if at is None else local_time(at).strftime("%d %b %Y")


def moment_text(at: int | None) -> str:
    return "–" if at is None else local_time(at).strftime("%d %b %Y, %H:%M")
