"""The interface against its own OpenAPI document: schemathesis makes requests that fit it and requests that do not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from openapi_spec_validator import validate
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

from assistant.desk.openapi import document


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory, filled: tuple[Path, list[Any]]) -> Iterator[Any]:
    import shutil

    from assistant.records.store import open_store
    from tests.desk.conftest import running

    folder = tmp_path_factory.mktemp("api")
    shutil.copy(filled[0], folder / "desk.sqlite")
    with open_store(str(folder / "desk.sqlite")) as store:
        yield from running(store, folder, filled[1])


def _open_to_all(whole: dict[str, Any]) -> dict[str, Any]:
    """The document without its tokens, so that every request carries the right one and reaches what lies behind;
    tokens have tests of their own."""
    del whole["components"]["securitySchemes"]
    for item in whole["paths"].values():
        for operation in item.values():
            del operation["security"]
    return whole


OPERATIONS = [(path, method) for path, item in document()["paths"].items() for method in item if path != "/api/live"]

MODES = [
    (path, method, mode)
    for path, method in OPERATIONS
    for mode in GenerationMode
    if mode == GenerationMode.POSITIVE or document()["paths"][path][method]["parameters"]
]
"""What takes no parameters cannot be asked wrongly."""


@pytest.mark.parametrize(("path", "method", "mode"), MODES)
def test_no_request_breaks_it(api: Any, path: str, method: str, mode: GenerationMode) -> None:
    headers = api.send if "/received/" in path else api.look
    operation = schemathesis.openapi.from_dict(_open_to_all(document()))[path][method]
    strategy, sent = operation.as_strategy(generation_mode=mode), []

    @settings(max_examples=25, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(case=strategy)
    def run(case: schemathesis.Case) -> None:
        # Lines that fit the schema can still be no visit: that they are refused is right.
        without = [positive_data_acceptance] if method == "post" else []
        sent.append(case.call_and_validate(headers=headers, base_url=api.url, excluded_checks=without).status_code)

    run()
    assert sent
    assert all(status < 500 and status not in (401, 429) for status in sent)


def test_the_document_is_openapi() -> None:
    validate(document())


def test_every_route_stands_in_the_document() -> None:
    from assistant.desk.api import ROUTES

    assert {(route.path, method) for route in ROUTES for method in route.methods - {"HEAD"}} == {
        (path, method.upper()) for path, item in document()["paths"].items() for method in item
    }
