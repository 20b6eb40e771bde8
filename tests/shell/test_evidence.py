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


MODEM = "AT+CPIN?\r\n+CPIN: READY\r\n\r\nOK\r\nAT+CSQ\r\n+CSQ: 5,99\r\n\r\nOK\r\nAT+CREG?\r\n+CREG: 0,3\r\n\r\nOK\r\n"


def test_a_pasted_block_is_recognised(silent: Callable[..., Session]) -> None:
    session = silent()
    said = " ".join(line.text for line in session.handle("\n".join(CAPTURE.read_text().splitlines()[:400])))
    assert "pasted block: " in said
    assert "Record it?" in said
    session.handle("1")
    assert session.book is not None
    attached = [e for e in session.book.events if e.kind == "attached"]
    assert [e.data["kind"] for e in attached] == ["serial-capture"]
    assert any(e.kind == "reading" and e.data["check"] == "unit-answers" and e.data["at"] == "unit 5" for e in session.book.events)


def test_answers_in_a_block_are_still_answers(silent: Callable[..., Session]) -> None:
    session = silent()
    said = " ".join(line.text for line in session.handle("read unit answers at 5 = silent\nread unit answers at 6 = silent\n"))
    assert "Understood 2 of 2" in said


def test_lines_may_be_pasted_one_by_one(silent: Callable[..., Session]) -> None:
    session = silent()
    said = session.handle("evidence")
    assert "only ." in " ".join(line.text for line in said)
    for row in MODEM.splitlines():
        assert session.handle(row) == []
    shown = " ".join(line.text for line in session.handle("."))
    assert "pasted block" in shown
    assert session.dialog is not None
    session.handle("cancel")
    assert session.book is not None
    assert not [e for e in session.book.events if e.kind == "attached"]


def test_a_block_that_is_nothing_known_is_one_line(silent: Callable[..., Session]) -> None:
    session = silent()
    session.handle("evidence")
    session.handle("lorem ipsum")
    said = session.handle(".")
    assert len(said) <= 6
    assert "of no kind that is known here" in " ".join(line.text for line in said)


def test_the_case_keeps_what_was_said_and_the_curves(silent: Callable[..., Session], tmp_path: Path) -> None:
    from tests.evidence.waves import csv, wave

    scope = tmp_path / "a scope.csv"
    t, y = wave("open-60-lossy", step=40e-9)
    scope.write_bytes(csv(t, y))
    session = silent(width=40)
    said = session.handle(f"evidence '{scope}'")
    assert max(len(line.text) for line in said) <= 40
    assert any("echo: open" in line.text for line in said)
    session.handle("1")
    assert session.book is not None
    (event,) = [e for e in session.book.events if e.kind == "attached"]
    assert event.data["says"]
    assert [d["title"] for d in event.data["drawings"]] == ["The mean edge", "The recording"]  # type: ignore[index,union-attr,call-overload]


def test_where_it_was_taken_is_asked_when_nothing_says_so(silent: Callable[..., Session]) -> None:
    from diagnose.evidence.base import Report, Taken
    from diagnose.evidence.intake import Original
    from diagnose.shell import evidence

    report = Report("meter-log", "Log of a meter", ("x",), (Taken("screen-volts", "", "208 V", "mean", "rows 1-9"),), {}, 9, 0, ())
    session = silent("electrician")
    said = session.talk(lambda: evidence.offer(session, report, Original("log.csv", 9, "0" * 64, "")))
    words = " ".join(line.text for line in said)
    assert "Log of a meter: at which unit?" in words
    session.handle("7")
    session.handle("1")
    assert session.book is not None
    (row,) = [e for e in session.book.events if e.data.get("check") == "screen-volts"]
    assert row.data["at"] == "unit 7"


def meter_log(folder: Path) -> Path:
    rows = [f"09:{k // 60:02d}:{k % 60:02d},{240.0 - (8.0 if k >= 60 else 0.0):.1f},{40.0 if k >= 60 else 0.0:.2f}" for k in range(600)]
    path = folder / "evening at the yard.csv"
    path.write_text("Time,L1-L2 (V),I1 (A)\n" + "\n".join(rows) + "\n")
    return path


def test_the_unit_of_a_meter_log_is_asked(silent: Callable[..., Session], tmp_path: Path) -> None:
    path = meter_log(tmp_path)
    session = silent("electrician")
    said = " ".join(line.text for line in session.handle(f"evidence {path}"))
    assert "at which unit?" in said
    shown = " ".join(line.text for line in session.handle("7"))
    assert "at unit 7" in shown
    session.handle("1")
    assert session.book is not None
    rows = [e.data for e in session.book.events if e.kind == "reading" and e.data.get("from")]
    assert rows
    assert {r["at"] for r in rows} <= {"unit 7", "panel 1"}


def test_the_unit_may_be_named_with_the_file(silent: Callable[..., Session], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = meter_log(tmp_path)
    session = silent("electrician")
    shown = " ".join(line.text for line in session.handle(f"evidence '{path}' at unit 9"))
    assert "at unit 9" in shown
    assert "at which unit?" not in shown
    assert main(["evidence", str(path), "--record", str(HARBOUR), "--at", "unit 9", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["file"]["name"] == path.name
    assert {r["at"] for r in value["readings"]} <= {"unit 9", "panel 1"}


def test_a_log_of_no_known_unit_can_still_be_attached(silent: Callable[..., Session], tmp_path: Path) -> None:
    session = silent("electrician")
    session.handle(f"evidence {meter_log(tmp_path)}")
    shown = " ".join(line.text for line in session.handle("?"))
    assert "attach the file only" in shown
