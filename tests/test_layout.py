"""Rooms and trips: which folder may import which, and that no way leads round in a circle."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from tests.conftest import LONGEST

ROOT = Path(__file__).parents[1]
PRODUCT = ("grammar", "flows", "assistant")
ONE_ROOM = {"flows.procedure.spoken": "flows.procedure", "assistant.visit.demo": "assistant.visit"}
"""Folders that are a part of the room above them."""


def room_of(module: str) -> str:
    """The folder of a module; a module right in the top folder is a room of its own."""
    parts = module.split(".")
    folder = ROOT.joinpath(*parts)
    name = module if folder.is_dir() else ".".join(parts[:-1]) if len(parts) > 2 else module
    return ONE_ROOM.get(name, name)


def imports(path: Path) -> set[str]:
    """Modules of ours that a file imports, wherever in it the import stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                is_module = ROOT.joinpath(*inner.split(".")).with_suffix(".py").is_file()
                found.add(inner if is_module else node.module)
        elif isinstance(node, ast.ImportFrom):
            pytest.fail(f"{path.relative_to(ROOT)}, line {node.lineno}: write imports in full")
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {one for one in found if one.split(".")[0] in (*PRODUCT, "tests", "audio_fixtures")}


def edges() -> dict[str, set[str]]:
    """Room -> rooms that it imports, the product only."""
    graph: dict[str, set[str]] = {}
    for top in PRODUCT:
        for path in sorted((ROOT / top).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            module = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            here = room_of(module)
            graph.setdefault(here, set()).update(room_of(one) for one in imports(path))
            graph[here].discard(here)
    return graph


def test_no_way_leads_round_in_a_circle():
    graph = edges()
    assert len(graph) > 40
    try:
        order = list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(" <- ".join(error.args[1]))
    assert order.index("grammar.scope") < order.index("flows.talk") < order.index("assistant.visit")


def test_what_decides_knows_nothing_of_sound_and_disk():
    for here, there in edges().items():
        if here.startswith(("grammar", "flows")):
            assert not [one for one in there if one.startswith("assistant")], here
        if here.startswith("grammar"):
            assert not [one for one in there if one.startswith("flows")], here


def test_the_product_knows_nothing_of_the_laboratory():
    for here, there in edges().items():
        assert not [one for one in there if one.startswith(("tests", "audio_fixtures"))], here


def test_a_circle_would_be_found():
    with pytest.raises(CycleError):
        list(TopologicalSorter({"a": {"b"}, "b": {"a"}}).static_order())


def test_the_longest_test_files_are_there():
    for name in LONGEST:
        assert (ROOT / "tests" / name).is_file(), name
