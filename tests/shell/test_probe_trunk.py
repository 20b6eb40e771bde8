"""The trunk probe as its users run it: in a case, on a narrow terminal, in a pipe. Peers are pseudo terminals and loopback."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from diagnose.cli import main
from diagnose.probe import plan as probe_plan
from diagnose.probe import trunk as probe_trunk
from diagnose.shell.probing import read_words
from diagnose.shell.refusal import Refusal
from diagnose.shell.router import Router
from diagnose.shell.trunk_probe import QUESTION
from tests.probe.probe_peers import READ_CODES, PtyTrunk, Unit, Wire, codes_of, gateway, good
from tests.probe.probe_peers import silent as mute
from tests.shell.sites import HARBOUR, flat, say
from tests.shell.test_command_line import run
from tests.shell.test_terminal import FIRST_PROMPT, Terminal, to_first_step

for _name in ("pymodbus", "serial"):
    pytest.importorskip(_name, reason="the packages of the extra live are not installed")

Silent = Callable[..., Router]


@pytest.fixture
def trunk() -> Iterator[PtyTrunk]:
    made = PtyTrunk(Wire({1: good(), 2: good(delay=0.02), 3: mute}))
    yield made
    made.close()


@pytest.fixture
def brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_plan, "PAUSE_S", 0.0005)
    monkeypatch.setattr(probe_plan, "MOST_RATE", 3000.0)
    monkeypatch.setattr(probe_trunk, "LISTEN_S", 0.05)


def options(port: int) -> str:
    return f"--host 127.0.0.1:{port} --units 2-5 --rounds 4 --rate 3000 --timeout 0.03"


UNITS: dict[int, Unit] = {2: good(), 3: good(), 4: good(), 5: mute}


def test_a_case_takes_it_after_two_questions(silent: Silent, brisk: None) -> None:
    session = silent()
    assert session.case.book is not None
    before = len(session.case.book.events)
    with gateway(UNITS) as peer:
        text = flat(say(session, f"probe trunk {options(peer.port)}"))
        assert "two controllers on one trunk" in text
        assert QUESTION in text
        assert not peer.received
        text = say(session, "y")
        assert "Live probe of a trunk" in text
        assert "Reply times, ms" in text
        assert "█" in text
        assert len(session.case.book.events) == before
        asked = len(peer.received)
        say(session, "back")
        say(session, "y")  # it is not probed again
        assert len(peer.received) == asked
        say(session, "1")
        say(session, "2")  # what was answered before stands as well
    added = session.case.book.events[before:]
    assert added[0].kind == "attached"
    assert added[0].data["kind"] == "trunk-probe"
    assert re.fullmatch(r"[0-9a-f]{64}", str(added[0].data["sha256"]))
    beginning = str(added[0].data["beginning"])
    assert beginning.startswith("2")
    assert " TX 02 03 00 00 00 01 " in beginning
    assert any(e.data.get("check") == "unit-answers" and e.data.get("answer") == "silent" and e.data.get("at") == "unit 5" for e in added)
    assert not session.case.state_now.notices if session.case.state_now else True


@pytest.mark.parametrize("answers", [("n",), ("y", "none"), ("cancel",)])
def test_nothing_is_recorded_without_a_yes(silent: Silent, brisk: None, answers: tuple[str, ...]) -> None:
    session = silent()
    assert session.case.book is not None
    before = len(session.case.book.events)
    with gateway(UNITS) as peer:
        say(session, f"probe trunk {options(peer.port)}", *answers)
        assert bool(peer.received) == (answers[0] == "y")
    assert len(session.case.book.events) == before


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("probe", "probe what, trunk or network? write for instance"),
        ("probe bus", "'bus' is neither trunk nor network"),
        ("probe trunk", "either --port path"),
        ("probe trunk --port x", "which addresses"),
        ("probe trunk --frob", "unrecognized arguments"),
        ("probe trunk --port 'x", "quotation mark"),
        ("probe trunk --port x --units 1 --record y", "leave --record out"),
    ],
)
def test_what_cannot_be_done_is_said(silent: Silent, typed: str, says: str) -> None:
    assert says in flat(say(silent(), typed)).lower()


def test_a_port_that_is_not_there(silent: Silent) -> None:
    assert "There is no port 'no-such-port'" in flat(say(silent(), "probe trunk --port no-such-port --units 1 --yes"))


def test_the_network_probe_is_offered_alike(silent: Silent, monkeypatch: pytest.MonkeyPatch) -> None:
    from diagnose.evidence.intake import Original
    from diagnose.evidence.report import Report, TakenReading
    from diagnose.shell import network_probe

    taken = (TakenReading("unit-answers", "unit 5", "silent", "made up", "whole log"),)
    made = Report("network-probe", "Live probe", ("Nothing.",), taken, {"interrupted": False}, 1, 0, ()), Original("x.log", 3, "0" * 64, "abc")
    asked: list[str] = []
    monkeypatch.setattr(network_probe, "network_report", lambda words, *_: asked.append(words.target) or made)
    session = silent()
    assert "Live probe" in say(session, "probe network example.invalid")
    say(session, "1")
    say(session, "2")
    assert session.case.book is not None
    assert asked == ["example.invalid"]
    assert [e.kind for e in session.case.book.events[-2:]] == ["attached", "reading"]


def test_words_of_both_kinds() -> None:
    assert read_words("trunk --units 1-3 --sweep").sweep
    assert read_words("network example.org").probe == "network"
    with pytest.raises(Refusal):
        read_words("network")


def test_in_a_pipe_it_asks_nobody_and_begins_nothing(tmp_path: Path, trunk: PtyTrunk) -> None:
    done = run(tmp_path, "probe", "trunk", "--port", trunk.path, "--units", "1-3", typed="y\n")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "nobody can be asked here" in done.stderr
    assert done.stderr.count("\n") == 1
    assert not trunk.wire.received
    done = run(
        tmp_path, "probe", "trunk", "--port", trunk.path, "--units", "1-3", "--rounds", "3", "--rate", "100", "--timeout", "0.1", "--yes",
        PYTHONIOENCODING="ascii",
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.isascii()
    assert "2 of 3 addresses answer" in flat(done.stdout)
    assert "  1 |" in done.stdout
    assert set(trunk.wire.codes()) <= READ_CODES


def test_on_a_terminal_of_forty_columns(tmp_path: Path, trunk: PtyTrunk) -> None:
    """Caution, question, a bar while it works, and a result that fits."""
    words = ["probe", "trunk", "--port", trunk.path, "--units", "1-3", "--rounds", "6", "--rate", "30", "--timeout", "0.1"]
    terminal = Terminal(tmp_path, 40, *words)
    terminal.until(QUESTION)
    assert not trunk.wire.received
    terminal.type("maybe")
    terminal.until("Type y or n.")
    terminal.type("y")
    terminal.until("round ")
    terminal.until("Reply times, ms")
    assert terminal.end() == 0
    assert "%" in terminal.raw
    text = terminal.raw[terminal.raw.rindex("Live probe") - 30 :]
    assert "█" in text
    assert all(len(line) <= 40 for line in terminal.lines())
    assert "median" in text


def test_a_no_on_the_terminal_asks_nothing(tmp_path: Path, trunk: PtyTrunk) -> None:
    terminal = Terminal(tmp_path, 80, "probe", "trunk", "--port", trunk.path, "--units", "1-3")
    terminal.until(QUESTION)
    terminal.type("n")
    terminal.until("Nothing was asked.")
    assert terminal.end() == 1
    assert not trunk.wire.received


def test_ctrl_c_on_the_terminal(tmp_path: Path, trunk: PtyTrunk) -> None:
    """The keys of the person, not a signal from outside."""
    words = ["probe", "trunk", "--port", trunk.path, "--units", "1-3", "--rounds", "900", "--rate", "50", "--timeout", "0.1", "--yes"]
    terminal = Terminal(tmp_path, 60, *words)
    terminal.until("round ")
    terminal.child.send("\x03")
    terminal.until("Partial: it was stopped after")
    assert terminal.end() == 130
    assert "Traceback" not in terminal.raw
    codes_of(bytes(trunk.wire.received))


def test_ctrl_c_in_a_case_keeps_the_shell_and_what_was_measured(tmp_path: Path, trunk: PtyTrunk) -> None:
    terminal = Terminal(tmp_path, 80, "--record", HARBOUR, "--role", "technician")
    terminal.prompt(FIRST_PROMPT)
    to_first_step(terminal)
    terminal.type(f"probe trunk --port {trunk.path} --units 1-3 --rounds 900 --rate 50 --timeout 0.1 --yes")
    terminal.until("0 %: scan")
    terminal._wait(lambda: len(trunk.wire.received) > 200, "requests")
    terminal.child.send("\x03")
    terminal.until("Partial: it was stopped after")
    terminal.until("Record it?")
    terminal.type("none")
    terminal.step()
    terminal.type("quit")
    assert terminal.end() == 0
    assert set(trunk.wire.codes()) <= READ_CODES


def test_lines_instead_of_a_bar(tmp_path: Path, trunk: PtyTrunk) -> None:
    words = ["probe", "trunk", "--port", trunk.path, "--units", "1", "--rounds", "2", "--rate", "50", "--yes"]
    terminal = Terminal(tmp_path, 60, *words, ACCESSIBLE="1")
    terminal.until("1 of 1 addresses answer")
    assert terminal.end() == 0
    assert "0 %: scan: address 1" in terminal.raw
    assert "\x1b[2K" not in terminal.raw


def test_an_interrupted_question_ends_its_line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted() -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("diagnose.commandline.probe_trunk.is_terminal", lambda stream: True)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(readline=interrupted))
    assert main(["probe", "trunk", "--host", "127.0.0.1:1", "--units", "1"]) == 130
    assert "y/n> \ndiagnose: interrupted" in capsys.readouterr().err
