"""Imports run one way: no circle of files, rooms in their order, and imports inside functions only where DEVELOPERS.md says that they pay.

An arrow is an import of a module of this program, wherever it stands: at the top, inside a function, under TYPE_CHECKING. Only one thing is
no arrow: that importing `a.b` runs `a/__init__.py` as well.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = (
    ("source",), ("physics", "quantities"), ("site",), ("gauges",), ("knowledge",), ("inference",), ("belief",), ("words",), ("casework",),
    ("evidence",), ("probe",), ("drill",), ("report",), ("shell",), ("commandline", "cli", "__main__"),
)  # fmt: skip
"""From the lowest to the highest: a room may import from itself and from those before it."""
MOST = 2.5  # imports inside functions for each 1000 lines, evidence left out; 1.8 when this was written, 9.0 before


class Arrow(NamedTuple):
    """An import: of what, in which line, inside a function, only for types."""

    to: str
    line: int
    late: bool
    typed: bool


def _name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def files(root: Path = ROOT) -> dict[str, Path]:
    """Modules of the program by name."""
    return {_name(p): p for p in sorted((root / "diagnose").rglob("*.py"))}


FILES = files()


def arrows(source: str, name: str, package: bool = False) -> Iterator[Arrow]:
    """The imports of one file: of its own program by module, of others by package."""
    yield from _arrows(ast.parse(source), name if package else name.rpartition(".")[0], False, False)


def _arrows(node: ast.AST, package: str, late: bool, typed: bool) -> Iterator[Arrow]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import):
            names = [a.name for a in child.names]
        elif isinstance(child, ast.ImportFrom):
            above = package.split(".")[: len(package.split(".")) + 1 - child.level] if child.level else []
            module = ".".join([*above, *([child.module] if child.module else [])])
            names = [f"{module}.{a.name}" if f"{module}.{a.name}" in FILES else module for a in child.names]
        else:
            names = []
        for to in dict.fromkeys(names):
            yield Arrow(to, child.lineno, late, typed)  # type: ignore[attr-defined]
        inside = late or isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda))
        yield from _arrows(child, package, inside, typed or (isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test)))


def graph() -> dict[str, list[Arrow]]:
    """Every file with its arrows."""
    return {name: list(arrows(p.read_text(encoding="utf-8"), name, p.name == "__init__.py")) for name, p in FILES.items()}


GRAPH = graph()


def circles(to: dict[str, set[str]]) -> list[list[str]]:
    """Groups of files that reach each other (Tarjan's strongly connected components), those of one file left out."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    open_: list[str] = []
    found: list[list[str]] = []

    def visit(v: str) -> None:
        order[v] = low[v] = len(order)
        open_.append(v)
        for w in sorted(to.get(v, ())):
            if w not in order:
                visit(w)
                low[v] = min(low[v], low[w])
            elif w in open_:
                low[v] = min(low[v], order[w])
        if low[v] == order[v]:
            at = open_.index(v)
            group, open_[at:] = sorted(open_[at:]), []
            if len(group) > 1 or v in to.get(v, ()):
                found.append(group)

    for v in to:
        if v not in order:
            visit(v)
    return found


def test_no_circle_of_files() -> None:
    assert circles({name: {a.to for a in found if a.to in FILES} for name, found in GRAPH.items()}) == []


def test_a_circle_would_be_found() -> None:
    """Also one that hides inside functions, and one of types."""
    a = arrows("def f():\n    from diagnose.shell import router\n", "diagnose.shell.first")
    b = arrows("from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from diagnose.shell.first import x\n", "diagnose.shell.router")
    c = arrows("from . import first\nfrom ..site.places import Kind\n", "diagnose.shell.desk")
    to = {"diagnose.shell.first": {x.to for x in a}, "diagnose.shell.router": {x.to for x in b}}
    assert circles(to) == [["diagnose.shell.first", "diagnose.shell.router"]]
    assert [x.to for x in c] == ["diagnose.shell.first", "diagnose.site.places"]
    assert circles({"a": {"a"}, "b": {"c"}, "c": set()}) == [["a"]]


@pytest.mark.parametrize("name", [n for n in FILES if n.count(".")])
def test_rooms_in_their_order(name: str) -> None:
    rank = {room: n for n, rooms in enumerate(ROOMS) for room in rooms}
    own = rank[name.split(".")[1]]
    upward = [a for a in GRAPH[name] if a.to in FILES and a.to.count(".") and rank[a.to.split(".")[1]] > own]
    assert not upward


def paying() -> set[str]:
    """The modules that DEVELOPERS.md names as imported late, by the first column of its table."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## Imports inside functions")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (`[^|]+) \|", table, re.MULTILINE)
    return {word for row in rows for word in re.findall(r"`([^`]+)`", row)}


def _late(name: str) -> list[Arrow]:
    return [a for a in GRAPH[name] if a.late and not a.typed]


INSIDE = [n for n in FILES if not n.startswith("diagnose.evidence") and _late(n)]


@pytest.mark.parametrize("name", INSIDE)
def test_an_import_inside_a_function_is_one_that_pays(name: str) -> None:
    known = paying()
    assert not [a for a in _late(name) if a.to not in known and a.to.split(".")[0] not in known]


def at_the_top(name: str) -> set[str]:
    """Everything that is there when a file has been imported."""
    seen: set[str] = set()
    todo = [name]
    while todo:
        here = todo.pop()
        for a in GRAPH[here]:
            parts = a.to.split(".")
            for n in range(1, len(parts) + 1) if not (a.late or a.typed) else ():
                module = ".".join(parts[:n])
                if module not in seen:
                    seen.add(module)
                    todo += [module] if module in FILES else []
    return seen


@pytest.mark.parametrize("name", INSIDE)
def test_no_import_inside_a_function_of_what_is_there_anyway(name: str) -> None:
    there = at_the_top(name)
    assert not [a for a in _late(name) if a.to in there]


def test_every_late_module_of_the_table_is_imported_late() -> None:
    used = {word for n in FILES for a in _late(n) for word in (a.to, a.to.split(".")[0])}
    assert paying() <= used


def test_few_imports_inside_functions() -> None:
    names = [n for n in FILES if not n.startswith("diagnose.evidence")]
    lines = sum(len(FILES[n].read_text(encoding="utf-8").splitlines()) for n in names)
    count = sum(len({a.line for a in _late(n)}) for n in names)
    assert 1000 * count / lines <= MOST


def test_little_is_read_before_the_command_line_is_understood() -> None:
    """`diagnose --help` and a slip of the finger wait for the rows and options alone."""
    names = {"diagnose", "diagnose.cli", "diagnose.shell", "diagnose.shell.probe_options", "diagnose.knowledge", "diagnose.knowledge.roles"}
    assert {m for m in at_the_top("diagnose.cli") if m in FILES and not m.startswith("diagnose.commandline")} <= names
