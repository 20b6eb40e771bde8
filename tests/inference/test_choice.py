"""Which machine draws the conclusions, and that the program runs where the rule engine is missing or broken."""

from __future__ import annotations

import shutil
import subprocess
import sys
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import pytest

from diagnose.inference import choice as chosen
from diagnose.inference.choice import Choice, choice, machine, title
from diagnose.inference.engine import Engine
from diagnose.inference.library import EngineError, how_to_build
from diagnose.inference.matcher import PlainMatcher
from tests.shell.sites import PYTHON, ROOT, environment

CASE = "trunk-twelve-units"
# An extension that names a function which is nowhere, as an engine does that was built for an older Python.
WRONG_SYMBOL = """
extern void *no_function_of_this_name(void *);
void *PyInit_durable_rules_engine(void) { return 0; }
void *later(void *x) { return no_function_of_this_name(x); }
"""
BROKEN = {  # text of the module -> what the line says
    "missing": (
        "raise ModuleNotFoundError(\"No module named 'durable_rules_engine'\", name='durable_rules_engine')",
        "the rule engine durable-rules is not installed",
    ),
    "import-error": ("raise ImportError('undefined symbol: PyEval_CallObject')", "PyEval_CallObject"),
    "part-missing": ("import a_library_that_is_nowhere", "a_library_that_is_nowhere"),
    "os-error": ("raise OSError('wrong ELF class')", "wrong ELF class"),
    "system-error": ("raise SystemError('two\\nlines')", "two lines"),
    "other-module": ("def create_ruleset(*_): ...", "assert_fact"),
}


def run(folder: Path, *words: str, fake: Path | None = None, **more: str) -> subprocess.CompletedProcess[str]:
    path = f"{fake}{':' if sys.platform != 'win32' else ';'}{ROOT}" if fake else str(ROOT)
    return subprocess.run(
        [PYTHON, "-m", "diagnose", *words],
        capture_output=True,
        text=True,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        timeout=120,
        env=environment(folder, **{"DIAGNOSE_ENGINE": "", "PYTHONPATH": path, **more}),
        encoding="utf-8",
        check=False,
    )


@pytest.fixture(scope="module")
def with_engine(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What a replay writes that demands the engine."""
    done = run(tmp_path_factory.mktemp("engine"), "replay", CASE, "--json", DIAGNOSE_ENGINE="durable-rules")
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_engine_leaves_the_matcher_and_one_line(tmp_path: Path, with_engine: str, name: str) -> None:
    text, wanted = BROKEN[name]
    (tmp_path / "durable_rules_engine.py").write_text(text)
    falls_back(tmp_path, wanted, with_engine)


def falls_back(folder: Path, wanted: str, with_engine: str) -> None:
    """The same answers, one line on standard error; `--version`, `paths` and a demand for the engine tell."""
    done = run(folder, "replay", CASE, "--json", fake=folder)
    assert done.returncode == 0
    (line,) = done.stderr.splitlines()
    assert line.startswith("The plain matcher draws the conclusions, the same ones: the rule engine ")
    assert wanted in line
    assert "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject" in line
    assert "-m pip install --force-reinstall --no-cache-dir durable-rules==2.0.28" in line
    assert done.stdout == with_engine
    told = run(folder, "--version", fake=folder)
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.endswith("(plain matcher)\n")
    demanded = run(folder, "replay", CASE, fake=folder, DIAGNOSE_ENGINE="durable-rules")
    assert demanded.returncode == 2
    assert wanted in demanded.stderr
    assert len(demanded.stderr.splitlines()) == 1


@pytest.mark.skipif(sys.platform != "linux" or not shutil.which("cc"), reason="needs a C compiler of Linux")
def test_a_missing_symbol_is_noticed_when_loading(tmp_path: Path, with_engine: str) -> None:
    source = tmp_path / "wrong.c"
    source.write_text(WRONG_SYMBOL)
    target = tmp_path / f"durable_rules_engine{EXTENSION_SUFFIXES[0]}"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", str(target), str(source)], check=True)
    falls_back(tmp_path, "no_function_of_this_name", with_engine)


def test_a_file_that_is_no_library(tmp_path: Path, with_engine: str) -> None:
    (tmp_path / f"durable_rules_engine{EXTENSION_SUFFIXES[0]}").write_bytes(b"")
    falls_back(tmp_path, "does not load", with_engine)


def test_the_shell_says_it_once(tmp_path: Path) -> None:
    (tmp_path / "durable_rules_engine.py").write_text(BROKEN["import-error"][0])
    done = run(tmp_path, "--role", "technician", fake=tmp_path)
    assert done.returncode == 0
    assert done.stderr.count("The plain matcher draws the conclusions") == 1
    assert len(done.stderr.splitlines()) == 1


def test_who_asked_for_the_matcher_is_not_told_so(tmp_path: Path, with_engine: str) -> None:
    done = run(tmp_path, "replay", CASE, "--json", DIAGNOSE_ENGINE="plain")
    assert (done.returncode, done.stderr, done.stdout) == (0, "", with_engine)


def test_the_machine_is_named(tmp_path: Path) -> None:
    assert run(tmp_path, "--version").stdout.endswith("(durable-rules 2.0.28)\n")
    assert "engine: durable-rules 2.0.28\n" in run(tmp_path, "paths").stdout
    assert "engine: plain matcher\n" in run(tmp_path, "paths", DIAGNOSE_ENGINE="plain").stdout


@pytest.mark.parametrize("words", [("--version",), ("replay", CASE), ("paths",), ()])
def test_another_word_for_the_machine_is_one_line(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = run(tmp_path, *words, DIAGNOSE_ENGINE="fast")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "DIAGNOSE_ENGINE is 'fast'" in done.stderr


@pytest.mark.parametrize(
    ("word", "kind", "name"),
    [
        ("", Engine, "durable-rules 2.0.28"),
        ("auto", Engine, "durable-rules 2.0.28"),
        ("Durable-Rules", Engine, "durable-rules 2.0.28"),
        ("plain", PlainMatcher, "plain matcher"),
    ],
)
def test_the_variable(monkeypatch: pytest.MonkeyPatch, word: str, kind: type, name: str) -> None:
    monkeypatch.setenv("DIAGNOSE_ENGINE", word)
    assert choice() == Choice(kind is Engine)
    assert isinstance(machine([]), kind)
    assert title() == name


def test_on_windows_nothing_is_said_of_building(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise EngineError(f"the rule engine durable-rules is not installed; {how_to_build()}")

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(chosen, "library", broken)
    monkeypatch.delenv("DIAGNOSE_ENGINE", raising=False)
    assert choice().why.endswith("the rule engine durable-rules is not installed; it is not built for Windows")
