"""The house is one-way: no room imports one that imports it, directly or round about."""

import ast
import functools
from collections import defaultdict
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import NamedTuple

import pytest
from conftest import ROOT

PACKAGE = ROOT / "siteplanner"
LONGEST_MODULE, LONGEST_FUNCTION = 400, 80
LONGEST = {"siteplanner.run": 120}  # the whole way stays on one page


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in PACKAGE.rglob("*.py")}


class Function(NamedTuple):
    """What a function's definition says of it."""

    name: str
    lines: int
    kernel: bool
    annotated: bool


@functools.cache
def parsed(path: Path) -> tuple[set[str], list[Function]]:
    """Modules of the package that a file imports, also inside functions, and its functions."""
    found, functions = set(), []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= (inner & MODULES.keys()) or {node.module}
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            functions.append(described(node))
    return (found & MODULES.keys()) - {"siteplanner"}, functions


def described(node: ast.FunctionDef | ast.AsyncFunctionDef) -> Function:
    kernel = any(
        isinstance(d, ast.Call) and getattr(d.func, "id", "") in ("kernel", "part")
        for d in node.decorator_list
    )
    asked = [a for a in (*node.args.args, *node.args.kwonlyargs) if a.arg not in ("self", "cls")]
    annotated = node.returns is not None and all(a.annotation is not None for a in asked)
    return Function(node.name, node.end_lineno - node.lineno + 1, kernel, annotated)


@functools.cache
def arrows() -> dict[str, set[str]]:
    """What each module imports.

    The package's own face hands names on, and its entry runs the commands: neither is a room.
    """
    faces = ("siteplanner", "siteplanner.__main__")
    return {name: parsed(path)[0] for name, path in MODULES.items() if name not in faces}


def circles(depth: int) -> str:
    """Say which folders (``depth`` levels down) or modules import each other in a circle."""
    graph = defaultdict(set)
    through = {}
    for name, targets in arrows().items():
        for target in targets:
            one, other = (".".join(n.split(".")[:depth]) for n in (name, target))
            if one != other:
                graph[one].add(other)
                through.setdefault((one, other), f"{name} imports {target}")
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        circle = error.args[1]
        pairs = zip(circle[1:], circle[:-1], strict=True)
        return "; ".join(through[pair] for pair in pairs if pair in through)
    return ""


@pytest.mark.parametrize("depth", [2, 3, 4], ids=["rooms", "folders in rooms", "modules"])
def test_no_circle(depth):
    assert circles(depth) == ""


def test_a_circle_is_named_by_the_modules_that_close_it(monkeypatch):
    monkeypatch.setitem(arrows(), "siteplanner.base.grid", {"siteplanner.cli.app"})
    assert "siteplanner.base.grid imports siteplanner.cli.app" in circles(2)


def test_no_module_is_two_subjects():
    long = {n: len(p.read_text(encoding="utf-8").splitlines()) for n, p in MODULES.items()}
    assert {n: lines for n, lines in long.items() if lines > LONGEST.get(n, LONGEST_MODULE)} == {}


def functions():
    """Each function that is no kernel, with the name of its module."""
    for name, path in MODULES.items():
        yield from ((name, one) for one in parsed(path)[1] if not one.kernel)


def test_no_function_is_long():
    long = {f"{n}.{one.name}": one.lines for n, one in functions() if one.lines > LONGEST_FUNCTION}
    assert long == {}


def test_every_public_function_is_annotated():
    bare = [f"{n}.{f.name}" for n, f in functions() if not f.annotated and f.name[0] != "_"]
    assert bare == []


def test_no_folder_is_two_rooms():
    folders = defaultdict(int)
    for path in MODULES.values():
        folders[path.parent.relative_to(ROOT).as_posix()] += path.name != "__init__.py"
    assert {folder: count for folder, count in folders.items() if count > 16} == {}
