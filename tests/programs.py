"""Which programs a Python file starts or looks for, read off its source.

Understood are `subprocess.run` and its kin and `shutil.which`, with the program
written there, in a list that is given a name in the same file, in a constant,
or handed to a function of the file that starts it. What cannot be read off is
told with its line, so that nothing is passed over in silence.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

STARTERS = {"run", "Popen", "call", "check_call", "check_output"}
OURSELVES = "python"
"""Stands for `sys.executable`."""


@dataclass
class Found:
    """programs: names without folder; unread: lines whose program could not be read off."""

    programs: set[str] = field(default_factory=set)
    unread: list[int] = field(default_factory=list)


def programs_of(source: str, constants: dict[str, ast.expr] | None = None) -> Found:
    """The programs of a file's source. constants: values of names that it takes from other files."""
    return _Reader(ast.parse(source), constants or {}).found()


def constants_of(path: Path) -> dict[str, ast.expr]:
    """Names in capitals that a file gives a value to, for `programs_of`."""
    found: dict[str, ast.expr] = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        target = (
            node.targets[0]
            if isinstance(node, ast.Assign)
            else node.target
            if isinstance(node, ast.AnnAssign)
            else None
        )
        if isinstance(target, ast.Name) and target.id.isupper() and node.value is not None:
            found[target.id] = node.value
    return found


class _Reader:
    def __init__(self, tree: ast.Module, constants: dict[str, ast.expr]) -> None:
        self.tree = tree
        self.functions = {node.name: node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        self.inside = {id(child): outer for outer in self.functions.values() for child in ast.walk(outer)}
        self.values: dict[str, list[ast.expr]] = {name: [value] for name, value in constants.items()}
        for node in ast.walk(tree):
            for name, value in _named(node):
                self.values.setdefault(name, []).append(value)
        self.handed: set[str] = set()

    def found(self) -> Found:
        found = Found()
        for call in self._calls(lambda call: _is_starter(call)):
            self._take(call, call.args[0] if call.args else None, found)
        for name in sorted(self.handed):
            for call in self._calls(lambda call, name=name: _called(call) == name):
                handed = (
                    ast.Tuple(list(call.args))
                    if self.functions[name].args.vararg
                    else call.args[0]
                    if call.args
                    else None
                )
                self._take(call, handed, found)
        return found

    def _calls(self, wanted) -> Iterator[ast.Call]:
        return (node for node in ast.walk(self.tree) if isinstance(node, ast.Call) and wanted(node))

    def _take(self, call: ast.Call, argument: ast.expr | None, found: Found) -> None:
        names = self._read(argument, self.inside.get(id(call)), 0) if argument is not None else None
        if names is None:
            found.unread.append(call.lineno)
        else:
            found.programs |= names

    def _read(self, node: ast.expr, where: ast.FunctionDef | None, depth: int) -> set[str] | None:
        """Program names that an expression may stand for; None when that cannot be told."""
        if depth > 8:
            return None
        match node:
            case ast.Constant(value=str(text)):
                # an option is no program: it follows a front that was read before
                return set() if text.startswith("-") else {text.rsplit("/", 1)[-1]}
            case ast.Attribute(value=ast.Name(id="sys"), attr="executable"):
                return {OURSELVES}
            case ast.Call(func=ast.Name(id="str"), args=[inner]):
                return self._read(inner, where, depth + 1)
            case ast.Call(func=ast.Name(id=name)) if name in self.functions:
                returned = [
                    one.value
                    for one in ast.walk(self.functions[name])
                    if isinstance(one, ast.Return) and one.value is not None
                ]
                return self._any(returned, where, depth)
            case ast.BinOp(op=ast.Div(), right=right):
                return self._read(right, where, depth + 1)
            case ast.List(elts=[]) | ast.Tuple(elts=[]):
                return set()
            case ast.List(elts=[ast.Starred(value=front), *rest]) | ast.Tuple(elts=[ast.Starred(value=front), *rest]):
                return self._any([front, ast.List(rest)], where, depth)
            case ast.List(elts=[first, *_]) | ast.Tuple(elts=[first, *_]):
                return self._read(first, where, depth + 1)
            case ast.Dict(values=values):
                return self._any(values, where, depth)
            case ast.Subscript(value=inner):
                return self._read(inner, where, depth + 1)
            case ast.Name(id=name):
                arguments = where.args if where else None
                if arguments and name in {
                    one.arg for one in (*arguments.args, *([arguments.vararg] if arguments.vararg else []))
                }:
                    self.handed.add(where.name)
                    return set()
                return self._any(self.values[name], where, depth) if name in self.values else None
        return None

    def _any(self, nodes: list[ast.expr], where: ast.FunctionDef | None, depth: int) -> set[str] | None:
        read = [self._read(one, where, depth + 1) for one in nodes]
        return None if any(one is None for one in read) else set().union(*read)


def _called(call: ast.Call) -> str:
    return (
        call.func.attr
        if isinstance(call.func, ast.Attribute)
        else call.func.id
        if isinstance(call.func, ast.Name)
        else ""
    )


def _is_starter(call: ast.Call) -> bool:
    owner = call.func.value if isinstance(call.func, ast.Attribute) else None
    name = owner.id if isinstance(owner, ast.Name) else ""
    return (name == "subprocess" and _called(call) in STARTERS) or (name == "shutil" and _called(call) == "which")


def _named(node: ast.AST) -> Iterator[tuple[str, ast.expr]]:
    """Names and the expressions that they are given; a loop's name is given each item."""
    if isinstance(node, ast.Assign):
        pairs = [(target, node.value) for target in node.targets]
    elif isinstance(node, ast.AnnAssign) and node.value is not None:
        pairs = [(node.target, node.value)]
    elif isinstance(node, ast.comprehension | ast.For):
        items = node.iter.elts if isinstance(node.iter, ast.List | ast.Tuple) else [node.iter]
        pairs = [(node.target, item) for item in items]
    else:
        return
    for target, value in pairs:
        if isinstance(target, ast.Name):
            yield target.id, value
        elif isinstance(target, ast.Tuple):
            several = value.elts if isinstance(value, ast.Tuple) else [value] * len(target.elts)
            yield from (
                (one.id, each) for one, each in zip(target.elts, several, strict=False) if isinstance(one, ast.Name)
            )
