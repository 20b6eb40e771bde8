"""Evidence from the command line and in a running case."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.evidence.intake import Original
from diagnose.evidence.report import Report
from diagnose.report.evidence_text import report_lines
from diagnose.shell.router import Router
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


def test_a_case_takes_the_readings_when_told(silent: Callable[..., Router]) -> None:
    session = silent()
    before = len(session.case.book.events) if session.case.book else 0
    session.handle(f"evidence {CAPTURE}")
    session.handle("1")
    session.handle("2")  # what was answered before stands as well
    assert session.case.book is not None
    added = session.case.book.events[before:]
    assert [e.kind for e in added[:1]] == ["attached"]
    assert len(added[0].data["sha256"]) == 64
    assert any(e.data.get("check") == "unit-answers" and e.data.get("at") == "unit 5" for e in added)
    assert not session.case.state_now.notices if session.case.state_now else True


def test_nothing_is_recorded_without_a_yes(silent: Callable[..., Router]) -> None:
    session = silent()
    before = len(session.case.book.events) if session.case.book else 0
    session.handle(f"evidence {CAPTURE}")
    session.handle("none")
    assert session.case.book is not None
    assert len(session.case.book.events) == before


MODEM = "AT+CPIN?\r\n+CPIN: READY\r\n\r\nOK\r\nAT+CSQ\r\n+CSQ: 5,99\r\n\r\nOK\r\nAT+CREG?\r\n+CREG: 0,3\r\n\r\nOK\r\n"


def test_a_pasted_block_is_recognised(silent: Callable[..., Router]) -> None:
    session = silent()
    said = " ".join(line.text for line in session.handle("\n".join(CAPTURE.read_text().splitlines()[:400])))
    assert "pasted block: " in said
    assert "Record it?" in said
    session.handle("1")
    session.handle("2")
    assert session.case.book is not None
    attached = [e for e in session.case.book.events if e.kind == "attached"]
    assert [e.data["kind"] for e in attached] == ["serial-capture"]
    assert any(e.kind == "reading" and e.data["check"] == "unit-answers" and e.data["at"] == "unit 5" for e in session.case.book.events)


def test_answers_in_a_block_are_still_answers(silent: Callable[..., Router]) -> None:
    session = silent()
    said = " ".join(line.text for line in session.handle("read unit answers at 5 = silent\nread unit answers at 6 = silent\n"))
    assert "Understood 2 of 2" in said


def test_lines_may_be_pasted_one_by_one(silent: Callable[..., Router]) -> None:
    session = silent()
    said = session.handle("evidence")
    assert "a single dot (.)" in " ".join(line.text for line in said)
    for row in MODEM.splitlines():
        assert session.handle(row) == []
    shown = " ".join(line.text for line in session.handle("."))
    assert "pasted block" in shown
    assert session.case.dialog is not None
    session.handle("cancel")
    assert session.case.book is not None
    assert not [e for e in session.case.book.events if e.kind == "attached"]


def test_a_block_that_is_nothing_known_is_one_line(silent: Callable[..., Router]) -> None:
    session = silent()
    session.handle("evidence")
    session.handle("lorem ipsum")
    said = session.handle(".")
    assert len(said) <= 6
    assert "of no kind that is known here" in " ".join(line.text for line in said)


def test_the_case_keeps_what_was_said_and_the_curves(silent: Callable[..., Router], tmp_path: Path) -> None:
    from tests.evidence.waves import csv, wave

    scope = tmp_path / "a scope.csv"
    t, y = wave("open-60-lossy", step=40e-9)
    scope.write_bytes(csv(t, y))
    session = silent(width=40)
    said = session.handle(f"evidence '{scope}'")
    assert max(len(line.text) for line in said) <= 40
    assert any("echo: open" in line.text for line in said)
    session.handle("1")
    assert session.case.book is not None
    (event,) = [e for e in session.case.book.events if e.kind == "attached"]
    assert event.data["says"]
    assert [d["title"] for d in event.data["drawings"]] == ["The mean edge", "The recording"]  # type: ignore[index,union-attr,call-overload]


def test_where_it_was_taken_is_asked_when_nothing_says_so(silent: Callable[..., Router]) -> None:
    from diagnose.evidence.intake import Original
    from diagnose.evidence.report import Report, TakenReading
    from diagnose.shell import evidence

    report = Report("meter-log", "Log of a meter", ("x",), (TakenReading("screen-volts", "", "208 V", "mean", "rows 1-9"),), {}, 9, 0, ())
    session = silent("electrician")
    said = session.case.talk(lambda: evidence.offer(session.case, report, Original("log.csv", 9, "0" * 64, "")))
    words = " ".join(line.text for line in said)
    assert "Log of a meter: at which unit?" in words
    session.handle("7")
    session.handle("1")
    assert session.case.book is not None
    (row,) = [e for e in session.case.book.events if e.data.get("check") == "screen-volts"]
    assert row.data["at"] == "unit 7"


def meter_log(folder: Path) -> Path:
    rows = [f"09:{k // 60:02d}:{k % 60:02d},{240.0 - (8.0 if k >= 60 else 0.0):.1f},{40.0 if k >= 60 else 0.0:.2f}" for k in range(600)]
    path = folder / "evening at the yard.csv"
    path.write_text("Time,L1-L2 (V),I1 (A)\n" + "\n".join(rows) + "\n")
    return path


def test_the_unit_of_a_meter_log_is_asked(silent: Callable[..., Router], tmp_path: Path) -> None:
    path = meter_log(tmp_path)
    session = silent("electrician")
    said = " ".join(line.text for line in session.handle(f"evidence {path}"))
    assert "at which unit?" in said
    shown = " ".join(line.text for line in session.handle("7"))
    assert "at unit 7" in shown
    session.handle("1")
    assert session.case.book is not None
    rows = [e.data for e in session.case.book.events if e.kind == "reading" and e.data.get("from")]
    assert rows
    assert {r["at"] for r in rows} <= {"unit 7", "panel 1"}


def test_the_unit_may_be_named_with_the_file(silent: Callable[..., Router], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = meter_log(tmp_path)
    session = silent("electrician")
    shown = " ".join(line.text for line in session.handle(f"evidence '{path}' at unit 9"))
    assert "at unit 9" in shown
    assert "at which unit?" not in shown
    assert main(["evidence", str(path), "--record", str(HARBOUR), "--at", "unit 9", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["file"]["name"] == path.name
    assert {r["at"] for r in value["readings"]} <= {"unit 9", "panel 1"}


def test_a_log_of_no_known_unit_can_still_be_attached(silent: Callable[..., Router], tmp_path: Path) -> None:
    session = silent("electrician")
    session.handle(f"evidence {meter_log(tmp_path)}")
    shown = " ".join(line.text for line in session.handle("?"))
    assert "attach the file only" in shown


@pytest.mark.parametrize(
    ("said", "wrong"),
    [
        ("unit 99", "no unit 99"), ("the moon", "is no place of the record"), ("panel 7", "no panel 7"),
        ("units 5-6", "2 places"), ("x" * 3000, "is no place"),
    ],
)  # fmt: skip
def test_a_wrong_place_is_refused(said: str, wrong: str, silent: Callable[..., Router], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = meter_log(tmp_path)
    assert main(["evidence", str(path), "--record", str(HARBOUR), "--at", said]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert wrong in line
    assert wrong in " ".join(x.text for x in silent("electrician").handle(f"evidence '{path}' at {said}"))


def test_a_place_may_be_a_bare_number_or_stand_beside_the_breaker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = meter_log(tmp_path)
    for said, check in (("9", "volts-at-unit"), ("the breaker of unit 9", "volts-at-breaker")):
        assert main(["evidence", str(path), "--record", str(HARBOUR), "--at", said, "--json"]) == 0
        taken = {r["check"]: r["at"] for r in json.loads(capsys.readouterr().out)["readings"]}
        assert taken[check] == "unit 9"


@pytest.mark.parametrize(("mark", "said", "unit"), [(b"", "unit 5", 5), (b"\xef\xbb\xbf", "far end", 12), (b"", "controller", 1), (b"", "", 1)])
def test_where_a_recording_was_made_is_believed(mark: bytes, said: str, unit: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "scope.csv"
    path.write_bytes(mark + b"Time (s),CH1 (V)\n" + b"".join(f"{k * 1e-7:.8f},{2.2 if k // 521 % 2 else -2.2:.3f}\n".encode() for k in range(20_000)))
    at = ["--at", said] if said else []
    assert main(["evidence", str(path), "--record", str(HARBOUR), *at, "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["kind"] == "waveform"
    assert value["figures"]["probe_unit"] == unit
    assert value["file"]["bytes"] == path.stat().st_size
    assert value["file"]["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("data", "wrong"),
    [
        (gzip.compress(b"TX 02 03 00 00 00 02 C4 38\n", mtime=0), "unpack it first"),
        ("TX 02 03 00 00 00 02 C4 38\n".encode("utf-16"), "save it again as UTF-8"),
    ],
)
def test_what_has_to_be_unpacked_or_saved_again(data: bytes, wrong: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "capture.log"
    path.write_bytes(data)
    assert main(["evidence", str(path)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert wrong in line


def test_a_folder_or_a_pipe_is_called_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, word in ((tmp_path, "a folder"), (pipe, "a pipe")):
        assert main(["evidence", str(path)]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert word in line


@pytest.mark.parametrize("name", ["a" * 3000, "~nobody-of-that-name/x.log", "a\x00b", "x at "])
def test_names_that_no_file_can_have(name: str, silent: Callable[..., Router], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evidence", name]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "Errno" not in line
    assert "inside" not in line
    text = " ".join(x.text for x in silent().handle(f"evidence {name}"))
    assert "Errno" not in text
    assert any(words in text for words in ("check the path", "cannot be read"))


def test_no_samples_are_promised_where_there_are_none() -> None:
    report = Report("x", "t", (), (), {}, 3, 2, ())
    text = [line.text for line in report_lines(report, Original("n", 1, "0" * 64, ""), None, 80)]
    assert text[-1] == "2 of 5 pieces were not understood."


def test_one_reading_is_offered_as_one(silent: Callable[..., Router]) -> None:
    text = " ".join(x.text for x in silent().handle("AT+CSQ\nERROR\n\nAT+CPIN?\nERROR\n"))
    assert "1 readings" not in text
    assert "1 replies" not in text
    assert "record the reading and attach" in text


def test_readings_are_shown_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evidence", str(CAPTURE)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Unit answers on the trunk at unit 5: never answers" in out
    assert "unit-answers" not in out


def test_a_kind_forced_on_a_file_that_holds_none_is_no_success(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear all,\nthe yard is closed on Monday.\n")
    assert main(["evidence", str(path), "--kind", "ocpp-log"]) == 1
    assert "No readings in it." in capsys.readouterr().out


def test_a_page_that_cannot_be_written_is_refused_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for page, says in ((tmp_path / "none" / "x.html", "there is no folder"), (CAPTURE, "exists already")):
        assert main(["evidence", str(CAPTURE), "--page", str(page)]) == 2
        assert says in capsys.readouterr().err


def test_a_place_that_is_not_used_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evidence", str(CAPTURE), "--record", str(HARBOUR), "--at", "unit 5"]) == 0
    assert "'unit 5' was not used" in " ".join(capsys.readouterr().out.split())


def test_readings_may_replace_what_was_answered_before(silent: Callable[..., Router]) -> None:
    """Units 6 to 12 were said to be silent; the capture has only unit 5 silent. Both cannot be now."""
    session = silent()
    session.handle(f"evidence {CAPTURE}")
    said = " ".join(line.text for line in session.handle("1"))
    assert "Answered before: Unit answers on the trunk at units 6-12: never answers" in said
    session.handle("1")
    assert session.case.state_now is not None
    standing = {p.number: r.outcome for r in session.case.state_now.readings if r.check == "unit-answers" for p in r.places}
    assert standing == {1: "answers", **dict.fromkeys(range(2, 13), "answers"), 5: "silent"}
    assert session.case.seen is not None
    assert [str(p) for p, _ in session.case.seen.suspects[0].places][:1] == ["unit 5"]
    assert session.case.seen.unlisted < 0.2


def test_both_may_stand(silent: Callable[..., Router]) -> None:
    session = silent()
    session.handle(f"evidence {CAPTURE}")
    session.handle("1")
    session.handle("2")
    assert session.case.book is not None
    assert not [e for e in session.case.book.events if e.kind == "withdrawn"]
