"""Pages: whole HTML, nothing that runs or loads, foreign text harmless."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pytest

from diagnose.cli import main
from diagnose.evidence.drawing import Curve, CurveMark, Drawing
from diagnose.evidence.intake import Original
from diagnose.evidence.report import Report, TakenReading
from diagnose.report.page import evidence_page
from diagnose.shell.router import Router
from tests.evidence.waves import csv, wave
from tests.shell.sites import HARBOUR

ATTACK = "<script>alert(1)</script><img src=x onerror=alert(1)>\x1b[2J\x00\u202e\"'&{{ 7*7 }}"
HTML = "{http://www.w3.org/1999/xhtml}"
TAGS = {
    "html", "head", "meta", "title", "style", "body", "h1", "h2", "h3", "p", "ul", "li", "code", "table", "thead", "tbody", "tr", "th", "td",
    "figure", "figcaption", "div", "details", "summary", "pre", "footer", "span", "br", "svg", "rect", "text", "line", "polyline",
}  # fmt: skip
KEYS = {"lang", "charset", "name", "content", "http-equiv", "class", "scope", "data-is"}


def check_page(page: str) -> ElementTree.Element:
    """Parse by the HTML standard's own algorithm, strictly, and look at every element."""
    root: ElementTree.Element = html5lib.HTMLParser(strict=True).parse(page)
    for e in root.iter():
        tag = str(e.tag).split("}")[1]
        assert tag in TAGS, tag
        if "svg" not in str(e.tag):
            assert set(e.keys()) <= KEYS, e.keys()
        else:
            assert not [k for k, _ in e.items() if k.startswith("on") or "href" in k or k == "style"]
    assert all(c.isprintable() or c == "\n" for c in page)
    return root


def text_of(root: ElementTree.Element) -> str:
    return " ".join("".join(root.itertext()).split())


def test_foreign_text_stays_text() -> None:
    trace = Curve(0.0, 1.0, [0.0, 1.0], [0.0, 1.0], ATTACK)
    drawing = Drawing(ATTACK, trace, (CurveMark(0.5, ATTACK),))
    report = Report(
        "waveform", ATTACK, (ATTACK,), (TakenReading(ATTACK, ATTACK, ATTACK, ATTACK, ATTACK),),
        {ATTACK: [ATTACK]}, 1, 2, (ATTACK,), (drawing,),
    )
    page = evidence_page(report, Original(ATTACK, 3, ATTACK, ATTACK), None)
    root = check_page(page)
    assert "<script>alert(1)</script>" in text_of(root)
    assert "{{ 7*7 }}" in text_of(root)


@pytest.fixture
def worked(silent: Callable[..., Router], tmp_path: Path) -> Router:
    """A case from complaint to proof, with evidence and an attack in it."""
    scope = tmp_path / "scope.csv"
    t, y = wave("open-60-lossy", idle=0.35, step=40e-9)
    scope.write_bytes(csv(t, y))
    session = silent()
    for line in (f"evidence {scope}", "1", f"note {ATTACK}", "undo", f"note {ATTACK}"):
        said = session.handle(line)
        assert session.case.dialog is None or line.startswith("evidence"), [x.text for x in said]
    return session


def test_a_case_becomes_a_page(worked: Router, tmp_path: Path) -> None:
    target = tmp_path / "case.html"
    assert "written to" in worked.handle(f"report {target}")[0].text
    page = target.read_text(encoding="utf-8")
    root = check_page(page)
    words = text_of(root)
    assert worked.case.book is not None
    assert f"Case {worked.case.book.case}, open" in words
    assert worked.case.book.store.case(worked.case.book.case).head in words
    assert f"Log: {len(worked.case.book.events)} entries" in words
    assert re.search(r"echo: open, \d\d m ± \d+ m", words)
    svgs = [e for e in root.iter() if str(e.tag).endswith("svg")]
    assert len(svgs) == 2
    assert "&lt;script&gt;" in page
    log = list(root.iter(f"{HTML}tr"))
    assert len(log) > len(worked.case.book.events)
    again = worked.handle(f"report {target}")
    assert "exists already" in " ".join(" ".join(x.text for x in again).split())
    assert target.read_text(encoding="utf-8") == page


def test_what_was_taken_back_is_marked(worked: Router, tmp_path: Path) -> None:
    worked.handle("note to be taken back")
    worked.handle("undo")
    target = tmp_path / "case.html"
    worked.handle(f"report {target}")
    root = check_page(target.read_text(encoding="utf-8"))
    gone = [text_of(r) for r in root.iter(f"{HTML}tr") if r.get("class") == "gone"]
    assert any("to be taken back (taken back)" in g for g in gone)


def test_as_found_and_as_left_stand_side_by_side(begin: Callable[..., Router], tmp_path: Path) -> None:
    session = begin()
    for line in ("n", "units 9-12 answer sometimes", "1", "", "y"):
        session.handle(line)
    for line in (
        "read ohms-across-pair at near end = 121 ohm", "repaired fit-end-terminator at far end", "read ohms-across-pair at near end = 60 ohm",
    ):  # fmt: skip
        said = session.handle(line)
        assert session.case.dialog is None or line.startswith("evidence"), [x.text for x in said]
    target = tmp_path / "case.html"
    session.handle(f"report {target}")
    root = check_page(target.read_text(encoding="utf-8"))
    rows = [[text_of(c) for c in r] for r in root.iter(f"{HTML}tr")]
    (row,) = [r for r in rows if r[0].startswith("Resistance across the pair") and len(r) == 4]
    assert row[2].startswith("121 ohm")
    assert row[3].startswith("60 ohm")


def test_the_command_writes_a_page(worked: Router, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert worked.case.book is not None
    store, case = str(tmp_path / "cases.db"), worked.case.book.case
    target = tmp_path / "out.html"
    assert main(["--store", store, "report", case, "-o", str(target)]) == 0
    check_page(target.read_text(encoding="utf-8"))
    assert main(["--store", store, "report", case, "-o", str(target)]) == 2
    assert b"exists already" in capfdbinary.readouterr().err
    assert main(["--store", store, "report", case, "-o", "-"]) == 0
    check_page(capfdbinary.readouterr().out.decode())
    assert main(["--store", store, "report", "C-NONE1"]) == 2


@pytest.fixture
def scope(tmp_path: Path) -> Path:
    t, y = wave("missing-150-lossy", step=40e-9)
    path = tmp_path / "scope.csv"
    path.write_bytes(csv(t, y))
    return path


def test_evidence_has_a_page_with_its_curves(scope: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "page.html"
    assert main(["evidence", str(scope), "--record", str(HARBOUR), "--page", str(page), "--json"]) == 0
    value: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert [d["title"] for d in value["drawings"]] == ["The mean edge", "The recording"]
    text = page.read_text(encoding="utf-8")
    root = check_page(text)
    assert value["file"]["sha256"] in text_of(root)
    assert "echo: " in text_of(root)
    assert main(["evidence", str(scope), "--page", str(page)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert page.read_text(encoding="utf-8") == text


def test_every_page_says_who_goes_first() -> None:
    report = Report("modem", "x", (), (), {}, 0, 0, ())
    assert "licensed person on site go before" in evidence_page(report, Original("x", 0, "0" * 64, ""), None)
    assert re.search(r"default-src 'none'", evidence_page(report, Original("x", 0, "0" * 64, ""), None))
