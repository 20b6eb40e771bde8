"""A desk over one rule base for all tests of the shell, and sessions on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.shell.sites import HARBOUR


@pytest.fixture(scope="session")
def warm() -> Desk:
    """Rule base and assessor, made once."""
    desk = Desk()
    _ = desk.assessor
    return desk


@pytest.fixture
def desk(warm: Desk, tmp_path: Path) -> Iterator[Desk]:
    """A desk with a store of its own."""
    fresh = Desk(str(tmp_path / "cases.db"))
    fresh._knowledge, fresh._assessor, fresh._finders = warm.knowledge, warm.assessor, warm._finders
    yield fresh
    fresh.close()


@pytest.fixture
def begin(desk: Desk) -> Callable[..., Router]:
    """A session that has shown its first question."""

    def make(role: str = "technician", width: int = 80, record: str = HARBOUR, case: str = "") -> Router:
        session = Router(desk, Options(role, record, case), width)
        session.start()
        return session

    return make


@pytest.fixture
def silent(begin: Callable[..., Router]) -> Callable[..., Router]:
    """A session over a case: units 6-12 are silent, the others answer."""

    def make(role: str = "technician", width: int = 80) -> Router:
        session = begin(role, width)
        for text in ("n", "units 6-12 are silent", "1", "", "y"):
            session.handle(text)
        assert session.case.book is not None
        return session

    return make
