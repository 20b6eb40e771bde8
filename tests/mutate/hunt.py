"""Running a room's tests on changed copies of its source.

A copy of the tree is made once. Its tests run once as they are, each with the lines that it touches and the time it
takes. For each change a process is forked in which everything is loaded that the changed module has no part in; it
writes the change into the copy and runs the tests that touch the changed line, the quickest first, until one fails.
What is no line of a function (a constant of the module) is tried with every test that touches the file, or none at all.
"""

from __future__ import annotations

import ast
import gc
import importlib
import json
import os
import random
import resource
import shutil
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import accumulate
from pathlib import Path
from types import FrameType
from typing import Any, NamedTuple

import pytest

from tests.mutate.operators import Change, applied, changes, one_line
from tests.mutate.rooms import Room

COPIED = ("diagnose", "tests", "rules", "cases", "docs", "pyproject.toml", "README.md", "DEVELOPERS.md", ".ci")
SLACK_SECONDS, SLACK = 10.0, 4.0  # processor time that a changed source may take: so much, and so many times what it took
WALL = 6.0  # and so many times that on the clock, for what waits
BUDGET = 60.0  # seconds of tests, as they are while their lines are noted, that one change is tried with
DIED = ("failed", "stopped", "took too long")
PYTEST = ["-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:randomly", "--hypothesis-seed=0", "--no-header"]


class Known(NamedTuple):
    """A change that no test can notice, and why: `text` is the line as it stands, `change` as it is shown."""

    file: str
    text: str
    change: str
    reason: str


class Fate(NamedTuple):
    """What became of a change: by which test it was noticed, and how; `test` is empty when it was not."""

    file: str
    change: Change
    text: str
    test: str
    how: str  # failed | stopped | took too long | lives | no test touches it
    tried: int
    left: int  # slower tests that touch it, too, and were not run


class Touched(NamedTuple):
    """What the tests do on the source as it is."""

    seconds: dict[str, float]  # test -> processor time
    lines: dict[str, set[tuple[str, int]]]  # test -> (file, line)


class Unsound(Exception):
    """The tests of a room do not pass as they are; the message says which."""


def read_known(path: Path) -> list[Known]:
    """The changes that no test can notice: `file :: line of source :: change :: why`, `#` for remarks."""
    found = []
    for n, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if line.strip() and not line.startswith("#"):
            parts = [part.strip() for part in line.split(" :: ")]
            if len(parts) != 4 or not all(parts):
                raise ValueError(f"{path.name}:{n}: a line is 'file :: source :: change :: why', with ' :: ' between")
            found.append(Known(*parts))
    return found


def sources(root: Path, room: Room) -> list[str]:
    """The files of a room, as paths below the root."""
    found: list[str] = []
    for name in room.sources:
        path = root / name
        found += sorted(str(p.relative_to(root)) for p in path.rglob("*.py")) if path.is_dir() else [name]
    return found


def hunt(
    root: Path, room: Room, folder: Path, most: int = 100, seed: int = 0, only: str = "",
    budget: float = BUDGET, tell: Callable[[Fate], None] = lambda fate: None,
) -> list[Fate]:  # fmt: skip
    """The fate of up to `most` changes of a room, drawn by `seed`, worked out in `folder`.

    Raises `Unsound` when the tests do not pass before anything is changed.
    """
    copy = folder / "tree"
    for name in COPIED:
        there = root / name
        if there.is_dir():
            shutil.copytree(there, copy / name, ignore=shutil.ignore_patterns("__pycache__", ".hypothesis"), symlinks=True)
        elif there.exists():
            copy.mkdir(parents=True, exist_ok=True)
            shutil.copy(there, copy / name)
    files = [f for f in sources(copy, room) if only in ("", f, Path(f).name)]
    drawn = [(f, c) for f in files for c in changes((copy / f).read_text(encoding="utf-8"))]
    drawn = sorted(random.Random(seed).sample(drawn, min(most, len(drawn))), key=lambda x: (x[0], x[1]))
    with surroundings(copy, folder):
        said = _apart(lambda: _first_run(copy, room, files), None)
        if isinstance(said, str):
            raise Unsound(f"{room.name}: the tests do not run to their end: {said}")
        seconds, lines, failed = said
        if failed or not seconds:
            what = f"{', '.join(failed)} fails" if failed else "no test runs"
            raise Unsound(f"{room.name}: before anything is changed, {what}; mend that first")
        touched = Touched(seconds, {t: {(f, n) for f, n in rows} for t, rows in lines.items()})
        fates: list[Fate] = []
        for f in files:
            mine = [c for name, c in drawn if name == f]
            if mine:
                fates += _told(copy, f, mine, touched, budget, tell)
    return fates


@contextmanager
def surroundings(copy: Path, folder: Path) -> Iterator[None]:
    """Everything that the tests start sees the copy, a cache and a home of its own, and one thread of arithmetic."""
    kept, here, path = dict(os.environ), Path.cwd(), list(sys.path)
    os.environ.update(
        PYTHONPATH=str(copy), XDG_CACHE_HOME=str(folder / "cache"), OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1",
        HYPOTHESIS_STORAGE_DIRECTORY=str(folder / "hypothesis"),
    )  # fmt: skip
    os.chdir(copy)
    try:
        yield
    finally:
        os.chdir(here)
        sys.path[:] = path
        os.environ.clear()
        os.environ.update(kept)


def _apart(work: Callable[[], Any], seconds: float | None) -> Any:
    """What `work` returns in a process of its own; 'stopped' or 'took too long' when it does not come back."""
    read, write = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        os.close(read)
        os.setsid()  # what the tests start ends with it
        try:
            if seconds is not None:
                limit = int(seconds) + 1
                resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
            answer = json.dumps(work()).encode()
            with os.fdopen(write, "wb") as out:
                out.write(answer)
        finally:
            os._exit(0)
    os.close(write)
    late = threading.Event()
    if seconds is not None:
        clock = threading.Timer(seconds * WALL, lambda: (late.set(), _end(child)))  # type: ignore[func-returns-value]
        clock.daemon = True
        clock.start()
    with os.fdopen(read, "rb") as out:
        answer = out.read()
    _, status = os.waitpid(child, 0)
    if seconds is not None:
        clock.cancel()
    _end(child)
    if answer:
        return json.loads(answer)
    slow = late.is_set() or (os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL))
    return "took too long" if slow else "stopped"


def _end(child: int) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child, signal.SIGKILL)


# ---- the tests on the source as it is


class _Recorder:
    """A plugin: which lines of some files each test touches, its shared fixtures included, and its time."""

    def __init__(self, copy: Path, files: list[str]) -> None:
        self.names = {str(copy / f): f for f in files}
        self.lines: dict[str, set[tuple[str, int]]] = {}
        self.seconds: dict[str, float] = {}
        self.of_fixture: dict[Any, set[tuple[str, int]]] = {}
        self.failed: list[str] = []
        self.open: list[set[tuple[str, int]]] = []

    def watch(self, frame: FrameType, event: str, arg: object) -> Any:
        name = self.names.get(frame.f_code.co_filename)
        if name is None or not self.open:
            return None
        open_now, code = self.open, frame.f_code.co_firstlineno

        def step(frame: FrameType, event: str, arg: object) -> Any:
            for lines in open_now:
                lines.add((name, frame.f_lineno or code))
            return step

        return step

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        lines: set[tuple[str, int]] = set()
        self.open.append(lines)
        try:
            return (yield)
        finally:
            self.open.pop()
            self.of_fixture[fixturedef] = lines

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> Any:
        lines: set[tuple[str, int]] = set()
        self.open.append(lines)
        before = time.process_time() + sum(os.times()[2:4])
        sys.settrace(self.watch)
        threading.settrace(self.watch)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)
            self.open.pop()
            for defs in getattr(item, "_fixtureinfo", None).name2fixturedefs.values():  # type: ignore[union-attr]
                for fixture in defs:
                    lines |= self.of_fixture.get(fixture, set())
            self.lines[item.nodeid] = lines
            self.seconds[item.nodeid] = time.process_time() + sum(os.times()[2:4]) - before

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.failed.append(report.nodeid)


def _forget(copy: Path) -> None:
    """Let nothing of the tree as it is be found any more: the program and its tests come from the copy."""
    for name in [n for n in sys.modules if n.split(".")[0] in ("diagnose", "tests")]:
        del sys.modules[name]
    trees = [p for p in sys.path if p and (Path(p) / "diagnose").is_dir() and (Path(p) / "pyproject.toml").is_file()]  # not where it is installed
    sys.path[:] = [str(copy), *(p for p in sys.path if p and p not in trees)]


def _first_run(copy: Path, room: Room, files: list[str]) -> list[Any]:
    _forget(copy)
    sys.dont_write_bytecode = False
    recorder = _Recorder(copy, files)
    with _silence():
        pytest.main([*(a for a in PYTEST if a != "-x"), *room.tests], plugins=[recorder])
    return [recorder.seconds, {t: sorted(lines) for t, lines in recorder.lines.items()}, recorder.failed]


@contextmanager
def _silence() -> Iterator[None]:
    """Nothing of the tests' own output."""
    kept = os.dup(1), os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept[0], 1)
        os.dup2(kept[1], 2)
        for number in (*kept, nowhere):
            os.close(number)


# ---- the tests on a changed source


def _told(copy: Path, file: str, mine: list[Change], touched: Touched, budget: float, tell: Callable[[Fate], None]) -> list[Fate]:
    """All changes of one file, from a process in which whatever has no part in that file is loaded."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        with os.fdopen(write, "w") as out:
            try:
                _load_others(copy, file)
                for change in mine:
                    out.write(json.dumps(_one(copy, file, change, touched, budget)) + "\n")
                    out.flush()
            finally:
                out.flush()
                os._exit(0)
    os.close(write)
    fates = []
    with os.fdopen(read) as out:
        for row in out:
            name, change, *rest = json.loads(row)
            fates.append(Fate(name, Change(*change), *rest))
            tell(fates[-1])
    os.waitpid(child, 0)
    return fates


def _load_others(copy: Path, file: str) -> None:
    """Load numpy and the like, and every module of the program that does not import the changed one, however far."""
    _forget(copy)
    imports = {
        _module(p.relative_to(copy)): _imported(p, _module(p.relative_to(copy)))
        for p in sorted(copy.rglob("*.py")) if p.relative_to(copy).parts[0] not in ("tests", ".ci")
    }  # fmt: skip
    tainted = {_module(Path(file))}
    while more := {name for name, needs in imports.items() if name not in tainted and needs & tainted}:
        tainted |= more
    for name in ("numpy", "hypothesis", "yaml", "jinja2", "hypothesis.strategies", "_hypothesis_pytestplugin", "xdist"):
        with suppress(ImportError):
            importlib.import_module(name)
    wanted = {name for name in imports if name not in tainted and not any(t.startswith(f"{name}.") for t in tainted)}
    packages = {name.rsplit(".", n)[0] for name in wanted for n in range(1, name.count(".") + 1)}
    for name in sorted(wanted):
        if not ({name} | {p for p in packages if name.startswith(f"{p}.")}) & tainted and not name.endswith("__main__"):
            with suppress(Exception):
                importlib.import_module(name)
    with suppress(Exception), warnings.catch_warnings(action="ignore"):  # hypothesis reads every module for constants to try; once here is enough
        from hypothesis.internal.conjecture import providers

        providers._get_local_constants()
    gc.freeze()


def _module(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imported(path: Path, own: str) -> set[str]:
    """Names that a module imports anywhere in it; of `from a import b` both a and a.b, for b may be a module."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                package = own.split(".")[: len(own.split(".")) - node.level + (path.name == "__init__.py")]
                base = ".".join([*package, *([node.module] if node.module else [])])
            found |= {base, *(f"{base}.{a.name}" for a in node.names)}
    return found | {name.rsplit(".", n)[0] for name in found for n in range(1, name.count(".") + 1)}


def chosen(source: str, file: str, change: Change, touched: Touched, budget: float) -> tuple[list[str], int]:
    """The tests that may notice a change, the quickest first, as far as `budget` seconds go; and how many more there are."""
    lines = _lines_of(source, change.line)
    if lines:
        wanted = [t for t in touched.lines if any((file, n) in touched.lines[t] for n in lines)]
    else:
        # A test that runs no line of the room may still read its constants.
        wanted = [t for t, rows in touched.lines.items() if not rows or any(f == file for f, _ in rows)]
    near = _users(source, change.line)

    def rank(test: str) -> tuple[bool, float]:
        far = bool(touched.lines[test]) and not any((file, n) in touched.lines[test] for n in near)
        return far, touched.seconds[test]

    wanted.sort(key=rank)
    spent = list(accumulate(touched.seconds[test] for test in wanted))
    most = 1 + sum(so_far <= budget for so_far in spent)  # the one that goes over it, too
    return wanted[:most], max(len(wanted) - most, 0)


def _lines_of(source: str, line: int) -> set[int]:
    """The lines of the statement in a function that holds a line; none outside of functions and in their heads."""
    best: ast.stmt | None = None
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            for statement in ast.walk(node):
                if not isinstance(statement, ast.stmt) or statement is node:
                    continue
                here = statement.lineno <= line <= (statement.end_lineno or 0)
                if here and (best is None or statement.lineno >= best.lineno):
                    best = statement
    if best is None:
        return set()
    body = getattr(best, "body", None)
    end = body[0].lineno - 1 if body else best.end_lineno or best.lineno
    return set(range(best.lineno, max(end, best.lineno) + 1))


def _users(source: str, line: int) -> set[int]:
    """Lines that name what a line outside of functions defines: the tests that touch them come first."""
    tree = ast.parse(source)
    names: set[str] = set()
    for node in tree.body:
        if isinstance(node, (ast.Assign, ast.AnnAssign)) and node.lineno <= line <= (node.end_lineno or 0):
            names |= {n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    return {n.lineno for n in ast.walk(tree) if isinstance(n, ast.Name) and n.id in names and isinstance(n.ctx, ast.Load)}


def _one(copy: Path, file: str, change: Change, touched: Touched, budget: float) -> Fate:
    path = copy / file
    source = path.read_text(encoding="utf-8")
    text = one_line(source.splitlines()[change.line - 1])
    tests, left = chosen(source, file, change, touched, budget)
    if not tests:
        return Fate(file, change, text, "", "no test touches it", 0, 0)
    limit = SLACK_SECONDS + SLACK * sum(touched.seconds[t] for t in tests)
    path.write_text(applied(source, change), encoding="utf-8")
    for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        stale.unlink()
    try:
        said = _apart(lambda: _run(tests), limit)
    finally:
        path.write_text(source, encoding="utf-8")
    if isinstance(said, str):
        return Fate(file, change, text, "(all)", said, len(tests), left)
    failed, ran = said
    return Fate(file, change, text, failed, "failed" if failed else "lives", ran, left)


class _First:
    """A plugin: tests in the order that they were named, the first that fails, and how many ran."""

    def __init__(self, order: list[str]) -> None:
        self.place = {name: n for n, name in enumerate(order)}
        self.failed = ""
        self.ran = 0

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.place), key=lambda i: self.place[i.nodeid])

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed:
            self.failed = self.failed or report.nodeid

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.ran += report.when == "call"
        if report.failed:
            self.failed = self.failed or report.nodeid


def _run(tests: list[str]) -> tuple[str, int]:
    sys.dont_write_bytecode = True  # of the changed file
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    first = _First(tests)
    files = list(dict.fromkeys(t.split("::")[0] for t in tests))
    with _silence():
        code = pytest.main([*PYTEST, *files], plugins=[first])
    return (first.failed or ("(collecting)" if code not in (0, 5) else "")), first.ran
