"""Values with many parts are built by keyword: two figures that change places would pass every check of types."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1] / "diagnose"
ROOMS = ("casework", "report", "shell", "commandline")
MOST = 5  # parts told apart by their place alone


def classes(tree: ast.AST) -> Iterator[str]:
    """Named tuples and dataclasses of a file."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            marks = [ast.unparse(x) for x in (*node.bases, *node.decorator_list)]
            if any("NamedTuple" in x or "dataclass" in x for x in marks):
                yield node.name


VALUES = {name for path in ROOT.rglob("*.py") for name in classes(ast.parse(path.read_text(encoding="utf-8")))}


def by_place(source: str) -> list[str]:
    """Calls that build a value with more than MOST parts by their place: `name in line n`."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and len(node.args) > MOST:
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            found += [f"{name} in line {node.lineno}"] if name in VALUES else []
    return found


@pytest.mark.parametrize("path", [p for room in ROOMS for p in sorted((ROOT / room).rglob("*.py"))], ids=lambda p: f"{p.parent.name}/{p.name}")
def test_many_parts_are_named(path: Path) -> None:
    assert by_place(path.read_text(encoding="utf-8")) == []


def test_one_built_by_place_would_be_found() -> None:
    assert by_place("x = v.StepView(1, 2, 3, 4, 5, 6)\ny = print(1, 2, 3, 4, 5, 6)\n") == ["StepView in line 1"]
