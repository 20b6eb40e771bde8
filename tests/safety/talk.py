"""What the tests of dangers share: where a session stands, and short ways to have it somewhere."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from diagnose.casework.events import Event
from diagnose.casework.gate import barred
from diagnose.casework.state import find_places
from diagnose.casework.view import Assessment
from diagnose.knowledge import model as m
from diagnose.shell.router import Router
from diagnose.site.model import Site
from diagnose.site.places import Place
from tests.shell.sites import flat, say

HERE = Path(__file__).resolve().parent
CASES = HERE / "cases"
SAFE = "isolated and proved dead"
POWER = "energized for the proofs"
MOMENT = "2031-04-05T06:07:08Z"
Row = tuple[str, dict[str, Any]]


def status(s: Router) -> list[tuple[str, str, str]]:
    """(danger, place, status) of all that stands."""
    assert s.case.seen is not None
    return sorted((x.danger, str(p), x.status) for x in s.case.seen.stop_use for p in x.places)


def danger(s: Router) -> str:
    """none, standing or made-safe."""
    assert s.case.seen is not None
    return s.case.seen.danger


def case_of(s: Router) -> str:
    """The number of the open case."""
    assert s.case.book is not None
    return s.case.book.case


def make_safe(s: Router, place: str, breaker: str = "breaker 5", lock: str = "L-12") -> str:
    """The whole dialog for one place."""
    return flat(say(s, f"made-safe {place}", breaker, lock, SAFE))


def power(s: Router, place: str) -> str:
    """Power for the proofs."""
    return flat(say(s, f"energized {place}", POWER))


def log_kinds(s: Router) -> list[str]:
    """What kinds of entry the log holds."""
    assert s.case.book is not None
    return [e.kind for e in s.case.book.events]


def events(rows: Iterable[Row], record: str, role: str) -> list[Event]:
    """A log of a case, without the shell."""
    opened: Row = ("opened", {"title": "t", "role": role, "record": record})
    return [Event(f"e{n}", "C", n, MOMENT, kind, data, role) for n, (kind, data) in enumerate([opened, *rows], 1)]


def reading(check: str, answer: str, at: str = "", **more: Any) -> Row:
    """An answer."""
    return "reading", {"check": check, "at": at, "answer": answer, **more}


def steps_in_use(k: m.Knowledge, a: Assessment) -> list[tuple[str, tuple[Place, ...]]]:
    """Steps offered that use something: a car, a start, a restart, a reset, a button."""
    return [(s.id, s.places) for s in a.steps if (k.checks.get(s.id) or k.remedies[s.id]).needs == "in-use"]


def first_place(site: Site, check: m.Check) -> Place:
    """Where a check is taken first; `unit 5` for units of a site that has it."""
    places = site.places(check.at)
    return next((p for p in places if str(p) == "unit 5"), places[0])


__all__ = [
    "CASES", "HERE", "POWER", "SAFE", "Row", "barred", "case_of", "danger", "events", "find_places", "first_place", "flat",
    "log_kinds", "make_safe", "power", "reading", "say", "status", "steps_in_use",
]  # fmt: skip
