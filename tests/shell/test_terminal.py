"""The shell on a terminal: keys, widths, colours, and what is loaded when the first prompt appears."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pexpect
import pyte
import pytest

from tests.shell.sites import HARBOUR, PYTHON, environment

FIRST_PROMPT = "danger signs (n: none)>"
PATIENCE = 20.0  # seconds for a busy machine


class Terminal:
    """A program on a pty, its screen kept by a terminal emulator."""

    def __init__(self, folder: Path, columns: int, *words: str, **more: str) -> None:
        self.raw = ""
        self.screen = pyte.HistoryScreen(columns, 40, history=2000)
        self.stream = pyte.Stream(self.screen)
        self.child = pexpect.spawn(
            PYTHON,
            ["-m", "diagnose", *words],
            cwd=str(folder),
            dimensions=(40, columns),
            encoding="utf-8",
            timeout=PATIENCE,
            env=environment(folder, **more),  # type: ignore[arg-type]
        )

    def _read(self) -> bool:
        """Take what the program writes; False at its end."""
        try:
            text = self.child.read_nonblocking(10_000, timeout=0.2)
        except pexpect.TIMEOUT:
            return True
        except pexpect.EOF:
            return False
        self.raw += text
        self.stream.feed(text)
        return True

    def _wait(self, there: Callable[[], bool], what: str) -> None:
        until = time.monotonic() + PATIENCE
        while not there():
            if not self._read() or time.monotonic() > until:
                if there():
                    return
                raise AssertionError(f"{what} did not come; the screen:\n" + "\n".join(self.lines()))

    def until(self, text: str) -> None:
        """Wait for words anywhere, wherever lines are broken."""
        self._wait(lambda: text in " ".join(" ".join(self.lines()).split()), text)

    def prompt(self, text: str) -> None:
        """Wait until the last line on the screen is this."""
        self._wait(lambda: self._last() == text, text)

    def step(self) -> str:
        """Wait for the prompt of a step; it is none of the one-word prompts of questions."""
        self._wait(
            lambda: self._last() == ">" or (self._last().endswith(">") and ", " in self._last()), "a step"
        )
        return self._last()

    def _last(self) -> str:
        return next((x for x in reversed(self.lines()) if x), "")

    def type(self, text: str) -> None:
        self.child.send(text + "\r")

    def end(self) -> int:
        while self._read():
            continue
        self.child.close()
        return int(self.child.exitstatus or 0)

    def lines(self) -> list[str]:
        gone = [
            "".join(row[x].data for x in range(self.screen.columns)).rstrip()
            for row in self.screen.history.top
        ]
        return [*gone, *(line.rstrip() for line in self.screen.display)]


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[list[Terminal]]:
    kept: list[Terminal] = []
    yield kept
    for terminal in kept:
        terminal.child.close(force=True)


def begin(opened: list[Terminal], folder: Path, columns: int, **more: str) -> Terminal:
    terminal = Terminal(folder, columns, "--record", HARBOUR, "--role", "technician", **more)
    opened.append(terminal)
    terminal.prompt(FIRST_PROMPT)
    return terminal


def to_first_step(terminal: Terminal) -> None:
    for text, prompt in (
        ("n", "what is wrong>"),
        ("units 6-12 are silent", "number>"),
        ("1", "where>"),
        ("", "others>"),
    ):
        terminal.type(text)
        terminal.prompt(prompt)
    terminal.type("y")
    terminal.until("opened and saved")
    terminal.step()


@pytest.mark.parametrize("columns", [40, 100])
def test_a_case_on_a_terminal(opened: list[Terminal], tmp_path: Path, columns: int) -> None:
    t = begin(opened, tmp_path, columns)
    to_first_step(t)
    t.until("NEXT: ")
    assert "\x1b[1m" in t.raw
    assert "Warning" not in t.raw
    t.type("quit")
    assert t.end() == 0


def test_keys(opened: list[Terminal], tmp_path: Path) -> None:
    """Ctrl-C clears the line, Ctrl-D leaves on an empty line only, Tab completes, Enter accepts first."""
    t = begin(opened, tmp_path, 100)
    t.child.send("smoke")
    t.prompt(FIRST_PROMPT + " smoke")
    t.child.sendintr()
    t.prompt(FIRST_PROMPT)
    to_first_step(t)
    at = t.step()
    t.child.send("susp\t")
    t.prompt(at + " suspects")
    t.child.send("\r")
    t.until("why 1 tells")
    t.prompt(at)
    t.child.send("abc")
    t.prompt(at + " abc")
    t.child.sendcontrol("d")
    t.child.sendintr()
    t.prompt(at)
    t.type("zorgle")
    t.until("no answer here")
    t.prompt(at + " zorgle")  # offered again for editing
    t.child.sendintr()
    t.prompt(at)
    t.child.sendcontrol("d")
    t.until("is saved")
    assert t.end() == 0
    assert (tmp_path / "state" / "history").read_text().count("units 6-12 are silent") == 1


def test_a_paste_of_several_lines(opened: list[Terminal], tmp_path: Path) -> None:
    t = begin(opened, tmp_path, 100)
    to_first_step(t)
    t.child.send("\x1b[200~unit power at 6 = dark\nunit power at 7 = alive\x1b[201~\r")
    t.until("Understood 2 of 2")
    t.prompt("number>")
    t.type("1")
    t.until("Saved: Unit has power at unit 7")
    t.step()
    t.child.sendcontrol("d")
    t.until("is saved. Go on with")
    assert t.end() == 0


def test_no_colour_when_not_wanted(opened: list[Terminal], tmp_path: Path) -> None:
    t = begin(opened, tmp_path, 80, NO_COLOR="1")
    assert "\x1b[1;31m" not in t.raw
    coloured = begin(opened, tmp_path, 80)
    assert "\x1b[1;31m" in coloured.raw


def test_plain_only_appends(opened: list[Terminal], tmp_path: Path) -> None:
    t = begin(opened, tmp_path, 80, ACCESSIBLE="1", NO_COLOR="1")
    t.type("n")
    t.prompt("what is wrong>")
    assert "\x1b" not in t.raw
    t.child.sendintr()
    t.prompt("what is wrong>")
    t.type("quit")
    assert t.end() == 0


PROBE = """
import sys, json
import {front}
def first(*_, **__):
    print("MODULES " + json.dumps(sorted(sys.modules)))
    sys.stdout.flush()
    raise EOFError if {raises} else SystemExit
{patch}
from diagnose.cli import main
main([])
"""
LATE = """
from diagnose.shell import first as opening
real = opening.first_line
def then():
    real()
    import prompt_toolkit
    prompt_toolkit.PromptSession.prompt = first
opening.first_line = then
"""
NO_MORE_THAN = {"diagnose", "durable_rules_engine", "platformdirs", "prompt_toolkit", "wcwidth"}


def loaded(folder: Path, terminal: bool) -> set[str]:
    """Modules at the first prompt, beyond those of a bare interpreter."""
    env = environment(folder)
    subprocess.run(
        [PYTHON, "-c", "from diagnose.knowledge.load import load; load()"], env=env, check=True
    )  # the cache
    bare = set(
        subprocess.run(
            [PYTHON, "-c", "import sys, json, pdb; print(*sys.modules)"],
            env=env,
            check=True,
            capture_output=True,
            text=True,
        ).stdout.split()
    )
    if terminal:
        code = PROBE.format(
            front="diagnose.cli",
            raises=True,
            patch=LATE,
        )
        child = pexpect.spawn(
            PYTHON, ["-c", code], env=env, encoding="utf-8", timeout=30, dimensions=(40, 200), maxread=200000
        )  # type: ignore[arg-type]
        child.expect(r"MODULES (\[.*?\])")
        text = child.match.group(1) if child.match else ""  # type: ignore[union-attr]
        child.close(force=True)
    else:
        code = PROBE.format(
            front="diagnose.shell.lines",
            raises=False,
            patch="import diagnose.shell.lines as l\nl._next = first",
        )
        done = subprocess.run(
            [PYTHON, "-c", code],
            env=env,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            check=False,
        )
        text = done.stdout.partition("MODULES ")[2].splitlines()[0]
    import json

    return set(json.loads(text.replace("\r\n", ""))) - bare


@pytest.mark.parametrize("terminal", [False, True], ids=["pipe", "terminal"])
def test_nothing_heavy_before_the_first_prompt(tmp_path: Path, terminal: bool) -> None:
    import sys

    found = loaded(tmp_path, terminal)
    foreign = {name.split(".")[0] for name in found} - set(sys.stdlib_module_names) - {"__mp_main__"}
    assert foreign <= NO_MORE_THAN, foreign - NO_MORE_THAN
    assert (
        not {
            "numpy",
            "yaml",
            "sqlite3",
            "diagnose.casework.assess",
            "diagnose.inference.engine",
        }
        & found
    )
    assert terminal or "prompt_toolkit" not in found
