"""Cases of any age: exports made by the first version, and names that were given up since."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from diagnose.casework.casefile import read_case
from diagnose.casework.events import Event
from diagnose.casework.renamed import today
from diagnose.casework.state import fold
from diagnose.casework.store import Store
from diagnose.casework.transfer import import_case, read_case_file
from diagnose.cli import main
from diagnose.knowledge import model as m
from diagnose.knowledge.load import build, load
from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.knowledge.small_base import BASE
from tests.shell.conftest import HARBOUR

FIRST = Path(__file__).with_name("first_version")
"""Made with the first version's own program (commit d92cb9a), typing into its shell, and left as they were."""


@pytest.fixture(scope="module")
def k() -> m.Knowledge:
    return load()


@pytest.mark.parametrize(
    ("name", "role", "readings"),
    [("contact-then-agent", "help-desk", 3), ("agent-then-electrician", "electrician", 2), ("repaired-and-closed", "electrician", 7)],
)
def test_exports_of_the_first_version_open(name: str, role: str, readings: int, k: m.Knowledge, tmp_path: Path) -> None:
    path = FIRST / f"{name}.jsonl"
    state = fold([entry.event for entry in read_case_file(path).log], k)
    assert state.role == role
    assert state.notices == ()
    assert len(state.readings) == readings
    assert {r.role for r in state.readings} <= set(m.ROLES)
    with Store.open(tmp_path / "cases.db") as store:
        taken = import_case(store, path)
        assert store.verify(taken.case) == []
        assert {e.by for e in store.events(taken.case)} & set(m.FORMER_ROLES) == {w for w in m.FORMER_ROLES if w in name}


def test_the_roles_of_then_have_the_rights_of_now(k: m.Knowledge) -> None:
    """What the desk of then entered may be taken back by the desk of now, and not by a caller."""
    state = fold([entry.event for entry in read_case_file(FIRST / "agent-then-electrician.jsonl").log], k)
    shock = next(r for r in state.readings if r.outcome == "shock")
    assert (shock.role, state.role) == ("help-desk", "electrician")


@pytest.mark.parametrize("name", sorted(p.name for p in FIRST.glob("*.jsonl")))
def test_the_shell_shows_them_in_the_words_of_today(name: str, k: m.Knowledge, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(tmp_path / "cases.db")
    assert main(["--store", store, "import", str(FIRST / name)]) == 0
    case = json.loads((FIRST / name).read_text(encoding="utf-8").split("\n")[0])["case"]
    capsys.readouterr()
    assert main(["--store", store, "show", case]) == 0
    text = capsys.readouterr().out
    assert "agent" not in text
    assert "not known to this rule base" not in text


@pytest.mark.parametrize(("typed", "role"), [("contact", "caller"), ("agent", "help-desk"), ("help desk", "help-desk"), ("Technician", "technician")])
def test_a_role_is_taken_by_its_name_of_then_too(typed: str, role: str, tmp_path: Path) -> None:
    desk = Desk(str(tmp_path / "cases.db"))
    session = Router(desk, Options("electrician", HARBOUR, ""), 80)
    session.start()
    for line in ("n", "half the chain is silent", "none", "nothing of this", f"role {typed}"):
        session.handle(line)
    assert session.case.role == role
    desk.close()


def test_the_command_line_takes_it_too(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    file = tmp_path / "case.yaml"
    file.write_text("case: 1\ntitle: dark\n", encoding="utf-8")
    assert main(["assess", str(file), "--role", "agent", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["role"] == "help-desk"
    assert main(["--store", str(tmp_path / "c.db"), "--role", "boss", "cases"]) == 2
    assert "caller" in capsys.readouterr().err


def test_a_case_file_of_then_is_read(k: m.Knowledge, tmp_path: Path) -> None:
    file = tmp_path / "old.yaml"
    file.write_text(
        (
            "case: 1\ntitle: old\nrole: agent\nlog:\n  - {role: contact}\n"
            "  - {check: danger-signs, at: all, answer: none}\n"
        ),
        encoding="utf-8",
    )
    case = read_case(file, k)
    assert case.data["role"] == "help-desk"
    assert case.log[0] == ("role", {"role": "caller"})


GIVEN_UP = """
- replaced: volts-at-the-unit
  kind: check
  by: supply-volts
  why: one name for one reading
- replaced: older-volts
  kind: check
  by: volts-at-the-unit
  why: one name for one reading
- replaced: so-so
  kind: outcome
  of: supply-volts
  by: poor
  why: one word for one thing
- replaced: lamp-color
  kind: check
  why: told nothing
"""


@pytest.fixture
def small(tmp_path: Path) -> m.Knowledge:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "base.yaml").write_text(BASE + GIVEN_UP, encoding="utf-8")
    knowledge, problems = build(tmp_path / "rules")
    assert problems == []
    return knowledge


def reading(check: str, answer: str) -> Event:
    return Event(
        "e1", "C-1", 1, "2031-04-05T06:07:08Z", "reading", {"check": check, "answer": answer, "at": "unit 1"},
        "agent, reported by the caretaker",
    )


@pytest.mark.parametrize(
    ("check", "answer", "now"),
    [
        ("supply-volts", "good", ("supply-volts", "good")),
        ("volts-at-the-unit", "so-so", ("supply-volts", "poor")),
        ("older-volts", "so-so", ("supply-volts", "poor")),
        ("older-volts", "238 V", ("supply-volts", "238 V")),
        ("lamp-color", "so-so", ("lamp-color", "so-so")),
    ],
)
def test_a_reading_is_read_by_its_names_of_today(check: str, answer: str, now: tuple[str, str], small: m.Knowledge) -> None:
    event = reading(check, answer)
    read = today(event, small)
    assert (read.data["check"], read.data["answer"]) == now
    assert read.by == "help-desk, reported by the caretaker"
    assert event.data == {"check": check, "answer": answer, "at": "unit 1"}  # the log's own entry is left alone


def test_what_was_dropped_is_kept_and_said(small: m.Knowledge) -> None:
    opened = Event("e0", "C-1", 1, "2031-04-05T06:07:08Z", "opened", {"title": "x"}, "agent")
    state = fold([opened, reading("lamp-color", "red")], small)
    assert any("lamp-color" in notice for notice in state.notices)
