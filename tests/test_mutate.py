"""The tool that changes the source: its changes are changes, and it tells what a room's tests do not notice."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutate.__main__ import KNOWN
from tests.mutate.hunt import DIED, Known, Touched, Unsound, chosen, hunt, read_known, sources
from tests.mutate.operators import applied, changes, one_line
from tests.mutate.rooms import ROOMS, Room

ROOT = Path(__file__).resolve().parents[1]
posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that can be forked")

# source, and every change of it
MADE = [
    ("x = 0", ["0 -> 1"]),
    ("x = 2", ["2 -> 1", "2 -> 3"]),
    ("x = 24", ["24 -> 23", "24 -> 240", "24 -> 25"]),
    ("x = 0.3", ["0.3 -> 0.03", "0.3 -> 3.0"]),
    ("x = True", ["True -> False"]),
    ("x = a < b", ["< -> <=", "< -> >"]),
    ("x = a >= b", [">= -> <=", ">= -> >"]),
    ("x = a == b", ["== -> !="]),
    ("x = a  not  in b", ["not in -> in"]),
    ("x = a is not b", ["is not -> is"]),
    ("x = a < b < c", ["< -> <=", "< -> >", "< -> <=", "< -> >"]),
    ("x = a == 'on-site'", ["== -> !=", "'on-site' -> \"no-such-word\""]),
    ("x = a in ('phone', 'none')", ["in -> not in", "'phone' -> \"no-such-word\"", "'none' -> \"no-such-word\""]),
    ("x = a and b", ["a -> True", "and -> or", "b -> True"]),
    ("x = (a) or (b)", ["a -> False", "or -> and", "b -> False"]),
    ("x = (a +  # more\n  b)", ["+ -> -"]),
    ("x = a // b", ["// -> /"]),
    ("x = a ** b - c", ["** -> *", "- -> +"]),
    ("x = not a", ["not a -> (a)"]),
    ("x = -a", ["-a -> (a)"]),
    ("x += a", ["+ -> ", "+ -> -"]),
    ("x = min(a, b)", ["min -> max"]),
    ("x = np.argmax(a)", ["argmax -> argmin"]),
    ("x = any(a) or b.sum()", ["any -> all", "any(a) -> False", "or -> and", "b.sum() -> False", "sum -> max"]),
    ("x = a if b else c", ["b -> not (b)"]),
    ("x = [a for a in b if a]", ["a -> True"]),
    ("x = 'µ' + y", ["+ -> -"]),  # columns count bytes
]
NONE = ['"""Says 1 + 2."""', "import a.b", "x: Literal[3]", "def f(a: tuple[int, ...]) -> X[2]: ...", "x = f'{a:>3}'", "x = 'word'"]


@pytest.mark.parametrize(("source", "wanted"), MADE, ids=[one_line(source) for source, _ in MADE])
def test_what_is_changed(source: str, wanted: list[str]) -> None:
    assert sorted(map(str, changes(source))) == sorted(wanted)


@pytest.mark.parametrize("source", NONE)
def test_what_is_left_alone(source: str) -> None:
    assert changes(source) == []


@pytest.mark.parametrize("file", ["diagnose/casework/gate.py", "diagnose/site/relations.py"])
def test_a_change_is_valid_differs_and_moves_nothing(file: str) -> None:
    source = (ROOT / file).read_text(encoding="utf-8")
    plain, made = ast.dump(ast.parse(source)), changes(source)
    assert len(made) > 50
    assert len({applied(source, c) for c in made}) == len(made)
    for c in made:
        other = applied(source, c)
        assert ast.dump(ast.parse(other)) != plain
        lines = source.splitlines()
        assert next(n for n, (one, two) in enumerate(zip(lines, other.splitlines(), strict=True), 1) if one != two) == c.line
        assert lines[c.line - 1].encode()[c.column - 1 :].decode().startswith(c.old.splitlines()[0])


SOURCE = """LEAST = 5


def enough(n: int) -> bool:
    return n >= LEAST


def never_called(n: int) -> int:
    return n + 1


def clipped(n: int) -> int:
    while n > 9:
        n -= 1
    return n
"""
TESTS = """import time

from diagnose.small import clipped, enough


def test_far_from_the_bound() -> None:
    assert enough(50)
    assert not enough(0)


def test_clipped() -> None:
    assert clipped(11) == 9
"""


def planted(folder: Path, source: str = SOURCE, tests: str = TESTS) -> Path:
    for name, text in {
        "diagnose/__init__.py": "", "diagnose/small.py": source, "tests/__init__.py": "", "tests/test_small.py": tests,
        "pyproject.toml": '[tool.pytest.ini_options]\naddopts = "--import-mode=importlib"\npythonpath = ["."]\n',
    }.items():  # fmt: skip
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


SMALL = Room("small", ("diagnose/small.py",), ("tests/test_small.py",))


@posix
def test_what_is_not_noticed_is_listed_and_what_is_noticed_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.mutate.hunt.SLACK_SECONDS", 0.5)
    root = planted(tmp_path / "root")
    fates = hunt(root, SMALL, tmp_path / "work")
    how = {(f.change.line, str(f.change)): f.how for f in fates}
    assert how == {
        (1, "5 -> 6"): "lives", (1, "5 -> 4"): "lives", (1, "5 -> 50"): "lives",  # 50 is still enough
        (5, ">= -> >"): "lives", (5, ">= -> <="): "failed",
        (9, "+ -> -"): "no test touches it", (9, "1 -> 0"): "no test touches it", (9, "1 -> 2"): "no test touches it",
        (13, "> -> <"): "failed", (13, "> -> >="): "failed", (13, "9 -> 8"): "failed", (13, "9 -> 10"): "failed", (13, "9 -> 90"): "failed",
        (14, "- -> +"): "took too long", (14, "- -> "): "failed", (14, "1 -> 0"): "took too long", (14, "1 -> 2"): "lives",
    }  # fmt: skip
    assert (root / "diagnose/small.py").read_text(encoding="utf-8") == SOURCE
    assert all(f.test for f in fates if f.how in DIED)


@posix
def test_tests_that_fail_as_they_are_end_the_hunt(tmp_path: Path) -> None:
    root = planted(tmp_path / "root", tests=TESTS + "    assert clipped(3) == 4\n")
    with pytest.raises(Unsound, match="test_clipped fails"):
        hunt(root, SMALL, tmp_path / "work")
    with pytest.raises(Unsound, match="no test runs"):
        hunt(planted(tmp_path / "other", tests=""), SMALL, tmp_path / "elsewhere")


def test_tests_that_touch_the_line_are_chosen_the_quickest_first() -> None:
    f = "small.py"
    touched = Touched({"slow": 9.0, "quick": 1.0, "other": 0.1}, {"slow": {(f, 5)}, "quick": {(f, 5)}, "other": {(f, 13)}})
    (turned,) = [c for c in changes(SOURCE) if str(c) == ">= -> <="]
    assert chosen(SOURCE, f, turned, touched, 20) == (["quick", "slow"], 0)
    assert chosen(SOURCE, f, turned, touched, 0.5) == (["quick"], 1)
    (bound,) = [c for c in changes(SOURCE) if str(c) == "5 -> 6"]
    assert chosen(SOURCE, f, bound, touched, 20) == (["quick", "slow", "other"], 0)  # those first that use the constant


def test_rooms_name_what_is_there() -> None:
    for room in ROOMS.values():
        assert all((ROOT / f).is_file() for f in sources(ROOT, room)), room.name
        assert all((ROOT / t).exists() for t in room.tests), room.name


def test_what_lives_for_a_reason_is_still_there() -> None:
    """Each row names a line of the source as it stands and a change that can be made there."""
    for row in read_known(KNOWN):
        source = (ROOT / row.file).read_text(encoding="utf-8")
        lines = source.splitlines()
        assert any(one_line(lines[c.line - 1]) == row.text and str(c) == row.change for c in changes(source)), row


def test_a_row_of_the_list_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "rows.txt"
    path.write_text("# remark\n\na.py :: x = 1 :: 1 -> 2 :: nobody reads x\n", encoding="utf-8")
    assert read_known(path) == [Known("a.py", "x = 1", "1 -> 2", "nobody reads x")]
    path.write_text("a.py :: x = 1 :: 1 -> 2\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"rows\.txt:1: a line is"):
        read_known(path)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["attic"], "invalid choice: 'attic'"), (["gate", "--most", "0"], "a number from 1 on"),
        (["gate", "--only", "x.py"], "no file of the room gate"),
    ],
)
def test_a_wrong_command_is_told_in_a_line(words: list[str], says: str) -> None:
    done = subprocess.run([sys.executable, "-m", "tests.mutate", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
