"""Evidence from the command line and in a running case."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.shell.session import Session
from tests.shell.sites import HARBOUR, ROOT

CAPTURE = ROOT / "tests" / "evidence" / "data" / "serial-python-silent.log"


def test_a_capture_is_recognised_and_read(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evidence", str(CAPTURE), "--record", str(HARBOUR), "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["kind"] == "serial-capture"
    assert value["file"]["bytes"] == CAPTURE.stat().st_size
    assert {"check": "unit-answers", "at": "unit 5", "answer": "silent"}.items() <= value["readings"][1].items()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["evidence", "no-such-file"], "there is no file"),
        (["evidence", str(ROOT / "pyproject.toml")], "of no kind that is known here"),
        (["evidence", str(CAPTURE), "--kind", "serial"], "there is no kind 'serial'"),
        (["evidence", str(CAPTURE), "--record", "nowhere.yaml"], "cannot be read"),
    ],
)
def test_what_cannot_be_used_is_one_line(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert says in caught.err
    assert caught.err.count("\n") == 1


def test_an_empty_file_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty = tmp_path / "empty.log"
    empty.touch()
    assert main(["evidence", str(empty)]) == 2
    assert "is empty" in capsys.readouterr().err


def test_a_case_takes_the_readings_after_one_question(silent: Callable[..., Session]) -> None:
    session = silent()
    before = len(session.book.events) if session.book else 0
    session.handle(f"evidence {CAPTURE}")
    session.handle("1")
    assert session.book is not None
    added = session.book.events[before:]
    assert [e.kind for e in added[:1]] == ["attached"]
    assert len(added[0].data["sha256"]) == 64
    assert any(e.data.get("check") == "unit-answers" and e.data.get("at") == "unit 5" for e in added)
    assert not session.state_now.notices if session.state_now else True


def test_nothing_is_recorded_without_a_yes(silent: Callable[..., Session]) -> None:
    session = silent()
    before = len(session.book.events) if session.book else 0
    session.handle(f"evidence {CAPTURE}")
    session.handle("none")
    assert session.book is not None
    assert len(session.book.events) == before
