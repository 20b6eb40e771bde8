"""Danger by every way into the program and out of it: a terminal, a pipe, a killed process, lists, pages, JSON, exports."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.safety.talk import CASES, SAFE, case_of, flat, make_safe, say, status
from tests.shell.sites import HARBOUR, PYTHON, environment
from tests.shell.test_terminal import FIRST_PROMPT, Terminal

Begin = Callable[..., Router]
SMOKE = "there is smoke coming out of unit 3"
NUMBER = "Call the local emergency number"


def run(folder: Path, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """The program with its input from a pipe."""
    return subprocess.run(
        [PYTHON, "-m", "diagnose", *words], input=typed, capture_output=True, text=True, cwd=folder, timeout=120,
        env=environment(folder), encoding="utf-8", check=False,
    )  # fmt: skip


@pytest.fixture
def terminals(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    kept: list[Terminal] = []

    def make(columns: int, *words: str) -> Terminal:
        kept.append(Terminal(tmp_path, columns, *words))
        return kept[-1]

    yield make
    for terminal in kept:
        terminal.child.close(force=True)


def the_case(folder: Path) -> str:
    """The number of the only case of a store."""
    listed = json.loads(run(folder, "cases", "--json").stdout)
    assert len(listed) == 1
    assert listed[0]["stop_use"] is True
    return str(listed[0]["id"])


@pytest.mark.parametrize("columns", [40, 100])
def test_on_a_terminal(terminals: Callable[..., Terminal], tmp_path: Path, columns: int) -> None:
    """Heard, asked, stopped, left in the middle, gone on with, made safe by an electrician."""
    t = terminals(columns, "--record", HARBOUR, "--role", "electrician")
    t.prompt(FIRST_PROMPT)
    t.type(SMOKE)
    t.prompt("danger (y/n)>")
    t.until(NUMBER)
    t.type("quit")
    t.until("use stays stopped")
    assert t.end() == 0
    case = the_case(tmp_path)

    t = terminals(columns, "resume", case)
    t.prompt("danger (y/n)>")
    t.until(NUMBER)
    t.child.sendintr()
    t.prompt("danger (y/n)>")  # Ctrl-C answers nothing
    t.type("y")
    t.prompt("STOP USE>")
    t.until("STOP USE at unit 3")
    t.type("made-safe")
    t.prompt("isolated at>")
    t.child.sendintr()
    t.prompt("isolated at>")
    t.type("breaker 3")
    t.prompt("lock>")
    t.type("L-3")
    t.prompt("made safe>")
    t.type(SAFE)
    t.until("It stays off")
    t.until("4-12")  # in the prompt of the step that follows
    t.type("quit")
    t.until("is saved.")
    assert t.end() == 0
    assert the_case(tmp_path) == case
    assert all(len(line) <= columns for line in t.lines())


def test_in_a_pipe(tmp_path: Path) -> None:
    first = run(tmp_path, "--record", HARBOUR, "--role", "caller", typed=f"{SMOKE}\n")
    out = flat(first.stdout)
    assert out.index(NUMBER) < out.index("Is that a danger sign")
    assert "use stays stopped" in out
    case = the_case(tmp_path)
    second = flat(run(tmp_path, "resume", case, typed="suspects\ny\nhandover\nquit\n").stdout)
    assert second.index(NUMBER) < second.index("Is that a danger sign")
    assert "STOP USE at unit 3" in second
    assert f'"{SMOKE}"' in second
    assert the_case(tmp_path) == case
    nothing = run(tmp_path, "--case", case, "--no-input")
    assert "STOP USE at unit 3" in flat(nothing.stdout)


def test_killed_while_it_is_asked(tmp_path: Path) -> None:
    """SIGKILL with the question on the screen: the words are in the case, the list marks it, and it is asked again."""
    child = subprocess.Popen(
        [PYTHON, "-u", "-m", "diagnose", "--record", HARBOUR, "--role", "caller"], cwd=tmp_path, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=environment(tmp_path),
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(f"{SMOKE}\n")
    child.stdin.flush()
    until = time.monotonic() + 60
    for line in child.stdout:
        if "Is that a danger sign" in line or time.monotonic() > until:
            break
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    child.stdin.close()
    case = the_case(tmp_path)
    again = flat(run(tmp_path, "resume", case, typed="").stdout)
    assert again.index(NUMBER) < again.index("Is that a danger sign: smoke")


# ---- marks


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch, desk: Desk, tmp_path: Path) -> Path:
    """The store of `desk`, for runs of the command line in this process."""

    class Shared(Desk):
        def __init__(self, store: str | None = None, rules: str | None = None) -> None:
            super().__init__(store, rules)
            self._knowledge, self._assessor = desk.knowledge, desk.assessor

    for name in ("assess", "cases", "shell", "show"):
        monkeypatch.setattr(f"diagnose.commandline.{name}.Desk", Shared)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path / "cases.db"


def told(begin: Begin, role: str = "caller") -> Router:
    """A case with smoke at unit 3, and after it one without a danger."""
    s = begin(role)
    say(s, SMOKE, "y")
    other = Router(s.case.desk, Options("technician", HARBOUR))
    other.start()
    say(other, "n", "units 6-12 are silent", "1", "", "y")
    return s


def test_a_list_shows_it_first_and_marked(begin: Begin, store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = case_of(told(begin))
    assert main(["--store", str(store), "cases"]) == 0
    lines = [x for x in capsys.readouterr().out.splitlines() if x.strip()]
    first = next(n for n, x in enumerate(lines) if case in x)
    assert "STOP USE" in lines[first]
    assert not any("silent" in x for x in lines[:first])
    assert sum("STOP USE" in x for x in lines) == 1


@pytest.mark.parametrize("words", [("show",), ("report", "-o", "-")], ids=["show", "page"])
def test_shown_and_written_with_it_first(begin: Begin, store: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    case = case_of(told(begin))
    assert main(["--store", str(store), words[0], case, *words[1:]]) == 0
    out = flat(capsys.readouterr().out)
    assert "STOP USE" in out
    body = out[out.index("<body") :] if "<body" in out else out
    for later in ("Suspects", "Read so far", "Findings", "NEXT"):
        assert later not in body or body.index("STOP USE") < body.index(later), later
    assert SMOKE in out
    assert "Nothing is broken" not in out


def test_json_says_it(begin: Begin, store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = case_of(told(begin))
    assert main(["--store", str(store), "show", case, "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    text = json.dumps(value)
    assert "burning-smell" in text
    stops = value.get("stop_use") or value.get("assessment", {}).get("stop_use")
    assert stops
    assert stops[0]["status"] == "standing"
    assert stops[0]["places"] == ["unit 3"]
    assert not (value.get("assessment") or value)["steps"]


def test_json_for_a_layperson_has_no_order_of_the_qualified(begin: Begin, store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = case_of(told(begin, "caller"))
    assert main(["--store", str(store), "show", case, "--json"]) == 0
    out = capsys.readouterr().out
    assert "The qualified person" not in out
    assert main(["--store", str(store), "report", case, "-o", "-"]) == 0
    assert "The qualified person" not in flat(capsys.readouterr().out)


def test_an_open_question_is_marked_everywhere(begin: Begin, store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    s = begin("caller")
    say(s, SMOKE)
    case = case_of(s)
    assert main(["--store", str(store), "cases"]) == 0
    assert "STOP USE" in capsys.readouterr().out
    assert main(["--store", str(store), "show", case]) == 0
    assert "STOP USE" in flat(capsys.readouterr().out)


def test_it_survives_export_and_import(begin: Begin, store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = case_of(told(begin))
    file = tmp_path / "out.case"
    assert main(["--store", str(store), "export", case, "-o", str(file)]) == 0
    other = tmp_path / "other.db"
    assert main(["--store", str(other), "import", str(file)]) == 0
    assert "STOP USE" in flat(capsys.readouterr().out)
    assert main(["--store", str(other), "cases", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [x["stop_use"] for x in listed] == [True]
    assert main(["--store", str(other), "show", listed[0]["id"]]) == 0
    assert "STOP USE at unit 3" in flat(capsys.readouterr().out)


def test_closing_makes_nothing_safe(begin: Begin, desk: Desk) -> None:
    s = begin("caller")
    say(s, SMOKE, "y")
    assert "Closing the case does not make it safe" in flat(say(s, "close"))
    say(s, "nobody answers the phone any more")
    assert [c.stop_use for c in desk.store.cases()] == [True]
    again = Router(desk, Options("", "", case_of(s)))
    assert "STOP USE" in flat("\n".join(x.text for x in again.start()))


def test_a_made_safe_place_keeps_its_mark(begin: Begin, desk: Desk) -> None:
    s = begin("electrician")
    say(s, "5", "5")
    make_safe(s, "5")
    assert status(s) == [("shock", "unit 5", "made-safe")]
    assert [c.stop_use for c in desk.store.cases()] == [True]


def test_the_handover_shows_the_callers_own_words(begin: Begin) -> None:
    s = begin("caller")
    said = 'my lad got a "belt" off the handle of unit 2 & it hums'
    say(s, said, "y")
    text = flat(say(s, "handover"))
    assert text.index("STOP USE at unit 2") < text.index("Send: licensed electrician")
    assert said in text


@pytest.mark.parametrize("name", ["unrelated-repair", "nothing-broken-and-smell", "layperson-second-car", "ground-fault-at-once"])
def test_a_case_file_shows_it(store: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert main(["assess", str(CASES / f"{name}.yaml")]) in (0, 1)
    out = capsys.readouterr().out
    assert "STOP USE" in out
    assert out.index("STOP USE") < len(out) / 2
    assert main(["assess", str(CASES / f"{name}.yaml"), "--json"]) in (0, 1)
    assert json.loads(capsys.readouterr().out)["stop_use"]
