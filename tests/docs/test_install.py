"""The commands of README.md that install the program, against what pyproject.toml demands."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

from diagnose.inference.library import FLAG, RELEASE

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NEEDED = [Requirement(text) for text in PROJECT["dependencies"]]


def steps(block: str) -> list[list[str]]:
    """The commands of a line, split at `&&`, each as its words."""
    commands: list[list[str]] = [[]]
    for word in shlex.split(block):
        if word == "&&":
            commands.append([])
        else:
            commands[-1].append(word)
    return commands


def test_each_is_one_line() -> None:
    assert len(BLOCKS) == 3
    assert all(block.count("\n") == 1 for block in BLOCKS)


def test_the_engine_is_built_with_its_flag() -> None:
    for block in BLOCKS[:2]:
        assert steps(block)[1][:4] == [FLAG, ".venv/bin/pip", "install", "-q"]


def test_without_a_compiler_every_dependency_but_the_engine_is_named() -> None:
    make, wheels, program, play = steps(BLOCKS[2])
    assert make == ["python3", "-m", "venv", ".venv"]
    assert wheels[:5] == [".venv/bin/pip", "install", "-q", "--only-binary", ":all:"]
    assert wheels[5:] == [r.name for r in NEEDED if r.name != "durable-rules"]
    assert program == [".venv/bin/pip", "install", "-q", "--no-deps", "."]
    assert play == steps(BLOCKS[0])[-1]


def test_the_engine_is_demanded_where_it_can_be_built() -> None:
    (engine,) = [r for r in NEEDED if r.name == "durable-rules"]
    assert str(engine.specifier) == f"=={RELEASE}"
    assert engine.marker is not None
    assert [engine.marker.evaluate({"sys_platform": p}) for p in ("linux", "darwin", "win32")] == [True, True, False]


def test_the_readme_names_the_pythons_of_the_project() -> None:
    tested = [c.rpartition(" ")[2] for c in PROJECT["classifiers"] if c.startswith("Programming Language :: Python :: 3.")]
    assert tested
    assert PROJECT["requires-python"] == f">={tested[0]}"
    assert f"You need Python {', '.join(tested[:-1])} or {tested[-1]}" in README
