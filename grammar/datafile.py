"""Read a YAML file into a pydantic model, with errors that name the line."""

from __future__ import annotations

import math
from copy import deepcopy
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from grammar import guards
from grammar.errors import DataFileError


class Strict(BaseModel):
    """A frozen record that refuses keys it does not know, and numbers without end (.inf, .nan)."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=BaseModel)


class _Guarded(yaml.SafeLoader):
    """A safe loader with the limits of `grammar.guards`, which refuses a key written twice in one mapping.

    Nodes are counted while they are composed, before anything is built from them;
    an alias counts as all that it stands for, so that a few lines cannot grow into millions.
    """

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self._depth = 0
        self._count = 0
        self._sizes: dict[int, int] = {}

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        event: yaml.Event = self.peek_event()  # type: ignore[no-untyped-call]
        if self._depth >= guards.YAML_DEPTH:
            raise _marked(f"it is nested more than {guards.YAML_DEPTH} deep", event.start_mark)
        before = self._count
        self._depth += 1
        node = super().compose_node(parent, index)
        self._depth -= 1
        if isinstance(event, yaml.AliasEvent):
            if id(node) not in self._sizes:
                raise _marked(f"the alias '{event.anchor}' stands inside what it stands for", event.start_mark)
            self._count += self._sizes[id(node)]
        else:
            self._count += 1
            self._sizes[id(node)] = self._count - before
        if self._count > guards.YAML_NODES:
            raise _marked(f"it holds more than {guards.YAML_NODES} values", event.start_mark)
        return node

    def construct_object(self, node: yaml.Node, deep: bool = False) -> Any:
        if isinstance(node, yaml.ScalarNode) and len(node.value) > guards.YAML_WORD:
            raise _marked(f"a value has more than {guards.YAML_WORD} characters", node.start_mark)
        try:
            value = super().construct_object(node, deep)
        except (ValueError, KeyError, AttributeError, TypeError, OverflowError) as error:
            # PyYAML's own constructors stumble over "!!int x", "2001-99-99" and the like.
            raise _marked(
                f"'{_short(node)}' cannot be read as {node.tag.rsplit(':', 1)[-1]}", node.start_mark
            ) from error
        if isinstance(value, int) and abs(value) >= guards.LARGEST_WHOLE:
            raise _marked("a whole number is too large", node.start_mark)
        if isinstance(value, float) and not math.isfinite(value):
            raise _marked(f"'{_short(node)}' is no finite number", node.start_mark)
        if isinstance(value, str) and any("\ud800" <= one <= "\udfff" for one in value):
            raise _marked("a text holds half a character", node.start_mark)
        return value


def _marked(problem: str, mark: Any) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=problem, problem_mark=mark)


def _short(node: yaml.Node) -> str:
    text = str(node.value) if isinstance(node, yaml.ScalarNode) else "this"
    return text if len(text) <= 40 else f"{text[:37]}..."


MERGE = "tag:yaml.org,2002:merge"


def _mapping(loader: yaml.SafeLoader, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
    if not isinstance(node, yaml.MappingNode):
        raise _marked("a mapping was expected", node.start_mark)
    seen: dict[Any, int] = {}
    for key_node, _ in node.value:
        if not isinstance(key_node, yaml.ScalarNode):
            raise _marked("a key is no single word", key_node.start_mark)
        if key_node.tag == MERGE:
            continue
        key = loader.construct_object(key_node, deep=True)
        if key in seen:
            raise _marked(f"the key '{_short(key_node)}' stands twice (first in line {seen[key]})", key_node.start_mark)
        seen[key] = key_node.start_mark.line + 1
    return yaml.SafeLoader.construct_mapping(loader, node, deep)


_Guarded.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _mapping)


def line_of(root: yaml.Node | None, path: tuple[Any, ...]) -> int | None:
    """The 1-based line of the deepest node that `path` reaches, or None for an empty file.

    `path` is a pydantic error location: mapping keys and sequence indices;
    parts that name a union branch match nothing and are passed over.
    """
    if root is None:
        return None
    node, line = root, root.start_mark.line + 1
    for part in path:
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                if key.value == str(part):
                    node, line = value, key.start_mark.line + 1
                    break
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            node = node.value[part]
            line = node.start_mark.line + 1
    return line


def read_yaml(path: Path) -> tuple[Any, yaml.Node | None]:
    """The plain data of a YAML file and its node tree, within the limits of `grammar.guards`. Raises DataFileError."""
    try:
        with path.open("rb") as file:
            raw = file.read(guards.YAML_BYTES + 1)
    except (OSError, ValueError) as error:
        raise DataFileError(
            path,
            None,
            f"cannot be read ({getattr(error, 'strerror', None) or error}).",
            "Check the name and the rights.",
        ) from error
    if len(raw) > guards.YAML_BYTES:
        raise DataFileError(
            path,
            None,
            f"is larger than {guards.YAML_BYTES // 1_000_000} MB.",
            "Give a data file; none is nearly as large.",
        )
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise DataFileError(
            path, raw.count(b"\n", 0, error.start) + 1, "is not UTF-8 text.", "Save it again as UTF-8."
        ) from error
    return parse_yaml(text, path)


def parse_yaml(text: str, path: Path) -> tuple[Any, yaml.Node | None]:
    """The same for the text of a file. Raises DataFileError."""
    try:
        data, node = _parsed(text)
        return deepcopy(data), node
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else None
        raise DataFileError(
            path,
            line,
            f"is not well-formed YAML: {error.problem}.",
            "Mend that line; look at its indent, colons and quotes.",
        ) from error
    except yaml.YAMLError as error:
        raise DataFileError(
            path, None, f"is not well-formed YAML: {str(error).splitlines()[0]}.", "Mend the file."
        ) from error
    except (ValueError, IndexError, OverflowError) as error:
        # PyYAML's scanner trips over "%YAML 1e9", "\U00110000" and the like.
        raise DataFileError(path, None, f"is not well-formed YAML: {error}.", "Mend the file.") from error


@lru_cache(maxsize=16)
def _parsed(text: str) -> tuple[Any, yaml.Node | None]:
    """Plain data and nodes of a text. Kept, for a file is asked for several times over: for its values, then for the
    lines of what is wrong with it. The data must not be changed."""
    loader = _Guarded(text)
    node = loader.get_single_node()
    return (None if node is None else loader.construct_document(node)), node


def problems_in(path: Path, model: type[Model]) -> tuple[Model | None, list[DataFileError]]:
    """The validated model (None if invalid) and every problem found, in file order."""
    try:
        data, nodes = read_yaml(path)
    except DataFileError as error:
        return None, [error]
    try:
        return model.model_validate(data), []
    except ValidationError as error:
        found = [_as_data_error(path, nodes, item) for item in error.errors()]
        return None, sorted(found, key=lambda one: one.line or 0)


def load_yaml(path: Path, model: type[Model]) -> Model:
    """The validated model. Raises DataFileError for the first problem."""
    value, problems = problems_in(path, model)
    if value is None:
        raise problems[0]
    return value


def _as_data_error(path: Path, nodes: yaml.Node | None, item: ErrorDetails) -> DataFileError:
    where = ".".join(str(part) for part in item["loc"]) or "the file"
    kind = item["type"]
    if kind == "missing":
        return DataFileError(
            path, line_of(nodes, item["loc"]), f"'{where}' is missing.", f"Add '{item['loc'][-1]}' there."
        )
    if kind == "extra_forbidden":
        return DataFileError(
            path, line_of(nodes, item["loc"]), f"'{where}' is not a key known here.", "Remove it or mend its spelling."
        )
    message = item["msg"].removeprefix("Value error, ")
    shown = repr(item.get("input"))
    if len(shown) > 60:
        shown = shown[:57] + "..."
    return DataFileError(
        path, line_of(nodes, item["loc"]), f"'{where}' is {shown}: {message}.", "Put a value of the right kind there."
    )
