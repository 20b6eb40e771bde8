"""Which entries stand, and in which role each was made."""

from __future__ import annotations

from typing import Any

import pytest

from diagnose.casework.entries import Log, read_log
from diagnose.casework.events import Event
from diagnose.knowledge import model as m

MOMENT = "2031-04-05T06:07:08Z"


def log_of(*rows: tuple[str, dict[str, Any]]) -> Log:
    """The log of a case; a note whose text is `danger` raised one."""
    events = [Event(f"e{n}", "C", n, MOMENT, kind, data, "x") for n, (kind, data) in enumerate(rows, 1)]
    return read_log(events, lambda e: e.data.get("text") == "danger")


def opened(role: str) -> tuple[str, dict[str, Any]]:
    return "opened", {"title": "t", "role": role}


def role(name: str) -> tuple[str, dict[str, Any]]:
    return "role", {"role": name}


def note(text: str) -> tuple[str, dict[str, Any]]:
    return "note", {"text": text}


def back(n: int, reason: str = "") -> tuple[str, dict[str, Any]]:
    return "withdrawn", {"event": f"e{n}", **({"reason": reason} if reason else {})}


def texts(log: Log) -> list[str]:
    return [str(e.event.data["text"]) for e in log.standing() if e.event.kind == "note"]


def test_an_entry_keeps_the_role_it_was_made_in() -> None:
    log = log_of(opened("technician"), note("a"), role("caller"), note("b"), role("electrician"), note("c"))
    assert [(e.event.data.get("text"), e.role) for e in log.standing() if e.event.kind == "note"] == [
        ("a", "technician"), ("b", "caller"), ("c", "electrician"),
    ]  # fmt: skip


def test_a_role_taken_back_changes_nothing_about_what_was_said_in_it() -> None:
    """A caller takes the role `caller` back and is an electrician again; what the caller said stays the caller's."""
    log = log_of(opened("electrician"), role("caller"), note("b"), back(2), note("c"))
    assert [e.role for e in log.standing() if e.event.kind == "note"] == ["caller", "electrician"]
    assert log.role == "electrician"


def test_a_role_that_is_none_has_the_least_rights() -> None:
    assert log_of(opened("king")).role == m.ROLES[0]
    assert log_of(opened("technician"), role("king")).role == m.ROLES[0]


# (made by, taken back by, what it was, reason, stands afterwards)
TAKEN_BACK = [
    ("caller", "caller", "a note", "", False),
    ("technician", "caller", "a note", "", True),
    ("technician", "help-desk", "a note", "typed twice", True),
    ("technician", "technician", "a note", "", False),
    ("caller", "electrician", "a note", "", False),
    ("caller", "caller", "danger", "typed by mistake", True),
    ("help-desk", "help-desk", "danger", "typed by mistake", True),
    ("caller", "technician", "danger", "", True),
    ("caller", "technician", "danger", "oops", True),
    ("caller", "technician", "danger", "typed by mistake", False),
    ("electrician", "technician", "danger", "typed by mistake", True),
]


@pytest.mark.parametrize(("made", "by", "what", "reason", "stands"), TAKEN_BACK)
def test_who_takes_back_what(made: str, by: str, what: str, reason: str, stands: bool) -> None:
    log = log_of(opened(made), note(what), role(by), back(2, reason))
    assert (texts(log) == [what]) is stands
    assert bool(log.refusal("e2", by, reason)) is stands


def test_restoring_takes_the_role_that_made_it() -> None:
    rows = [opened("technician"), note("made safe"), back(2), role("caller"), back(3)]
    assert texts(log_of(*rows)) == []
    assert texts(log_of(*rows, role("technician"), back(3))) == ["made safe"]


def test_restoring_a_danger_needs_no_reason() -> None:
    assert texts(log_of(opened("technician"), note("danger"), back(2, "typed by mistake"), back(3))) == ["danger"]


def test_a_withdrawal_that_may_not_be_made_stays_in_the_log_and_does_not_count() -> None:
    log = log_of(opened("caller"), note("danger"), back(2, "typed by mistake"), role("technician"), back(2, "wrong unit said"))
    assert texts(log) == []
    assert log.refusal("e99", "electrician") == "there is no such entry"
