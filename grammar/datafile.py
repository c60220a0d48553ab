"""Read a YAML file into a pydantic model, with errors that name the line."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from grammar.errors import DataFileError


class Strict(BaseModel):
    """A frozen record that refuses keys it does not know, and numbers without end (.inf, .nan)."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=BaseModel)


class _UniqueKeys(yaml.SafeLoader):
    """A safe loader that refuses a key written twice in one mapping."""


def _mapping(loader: yaml.SafeLoader, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
    seen: dict[Any, int] = {}
    for key_node, _ in node.value:
        key = loader.construct_object(key_node, deep=True)
        if key in seen:
            raise yaml.MarkedYAMLError(
                problem=f"the key '{key}' stands twice (first in line {seen[key]})",
                problem_mark=key_node.start_mark,
            )
        seen[key] = key_node.start_mark.line + 1
    return yaml.SafeLoader.construct_mapping(loader, node, deep)


_UniqueKeys.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _mapping)


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
    """The plain data of a YAML file and its node tree. Raises DataFileError."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise DataFileError(path, None, f"cannot be read ({error.strerror}).", "Check the name and the rights.") from error
    except UnicodeDecodeError as error:
        raise DataFileError(path, None, "is not UTF-8 text.", "Save it again as UTF-8.") from error
    try:
        return yaml.load(text, Loader=_UniqueKeys), yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else None
        raise DataFileError(path, line, f"is not well-formed YAML: {error.problem}.", "Mend that line; look at its indent, colons and quotes.") from error
    except yaml.YAMLError as error:
        raise DataFileError(path, None, f"is not well-formed YAML: {error}.", "Mend the file.") from error


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
    if problems:
        raise problems[0]
    return value


def _as_data_error(path: Path, nodes: yaml.Node | None, item: dict[str, Any]) -> DataFileError:
    where = ".".join(str(part) for part in item["loc"]) or "the file"
    kind = item["type"]
    if kind == "missing":
        return DataFileError(path, line_of(nodes, item["loc"]), f"'{where}' is missing.", f"Add '{item['loc'][-1]}' there.")
    if kind == "extra_forbidden":
        return DataFileError(path, line_of(nodes, item["loc"]), f"'{where}' is not a key known here.", "Remove it or mend its spelling.")
    message = item["msg"].removeprefix("Value error, ")
    shown = repr(item.get("input"))
    if len(shown) > 60:
        shown = shown[:57] + "..."
    return DataFileError(path, line_of(nodes, item["loc"]), f"'{where}' is {shown}: {message}.", "Put a value of the right kind there.")
