"""The room of evidence: what it may reach, and where its things are found."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "diagnose"
EVIDENCE, PROBE = ROOT / "evidence", ROOT / "probe"
EFFECTS = {"socket", "ssl", "threading", "subprocess", "time", "select", "selectors", "serial", "asyncio", "os", "shutil"}
ABOVE = {"source", "physics", "quantities", "site", "gauges"}
"""The rooms that evidence may import from."""


def imported(path: Path) -> Iterator[str]:
    """Every module that a file names, also inside functions."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (a.name for a in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{a.name}" for a in node.names)


def rooms(path: Path) -> set[str]:
    """The rooms of this program that a file imports from."""
    return {name.split(".")[1] for name in imported(path) if name.startswith("diagnose.") and name.count(".")}


FILES = sorted(EVIDENCE.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=[str(p.relative_to(EVIDENCE)) for p in FILES])
def test_evidence_has_no_effects_and_imports_only_from_above(path: Path) -> None:
    assert not {name.split(".")[0] for name in imported(path) if not name.startswith("diagnose.")} & EFFECTS
    assert rooms(path) <= ABOVE | {"evidence"}


@pytest.mark.parametrize("path", sorted(PROBE.glob("*.py")), ids=lambda p: p.name)
def test_probes_import_only_from_above(path: Path) -> None:
    assert rooms(path) <= ABOVE | {"evidence", "probe"}


READERS = sorted(p.parent for p in EVIDENCE.rglob("reader.py") if p.parent != EVIDENCE)
STAGES = ("read", "find", "take", "say")


@pytest.mark.parametrize("folder", READERS, ids=[str(p.relative_to(EVIDENCE)) for p in READERS])
def test_every_family_goes_one_way(folder: Path) -> None:
    """Bytes to values, values to findings, findings to readings and sentences; a stage never imports a later one."""
    for n, stage in enumerate(STAGES):
        path = folder / f"{stage}.py"
        assert path.exists(), stage
        here = ".".join(("diagnose", *folder.relative_to(ROOT).parts))
        later = {f"{here}.{x}" for x in ("reader", *STAGES[n + 1 :]) if (stage, x) != ("take", "say")}
        assert not later & set(imported(path))


def test_no_two_classes_of_the_rooms_have_one_name() -> None:
    """So that each can be found by its name."""
    named: dict[str, str] = {}
    for path in (*FILES, *sorted(PROBE.glob("*.py"))):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                name = node.name.lstrip("_")
                assert name not in named, f"{name} in {path.name} and {named[name]}"
                named[name] = path.name
