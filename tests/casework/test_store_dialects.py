"""The contract of a case store, kept by SQLite on disk and by a second database with other ways."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from diagnose.casework.store import Sqlite, Store, StoreError
from tests.casework.store_contract import StoreContract


class TestSqlite(StoreContract):
    """The store that ships."""

    @pytest.fixture
    def connect(self, tmp_path: Path) -> Iterator[Callable[[], Store]]:
        opened: list[Store] = []

        def again() -> Store:
            opened.append(Store.open(tmp_path / "cases.db"))
            return opened[-1]

        yield again
        for store in opened:
            store.close()

    @pytest.fixture
    def edit(self, tmp_path: Path) -> Callable[[str], None]:
        def change(sql: str) -> None:
            connection = sqlite3.connect(tmp_path / "cases.db")
            with connection:
                connection.execute(sql)
            connection.close()

        return change


class Refused(Exception):
    """The second database's own kind of error; nothing of SQLite's may be waited for."""


class Elsewhere:
    """A connection to a database in memory that wants its parameters as %s and locks rows by a suffix."""

    def __init__(self, name: str, seen: list[str]) -> None:
        self.inner = sqlite3.connect(f"file:{name}?mode=memory&cache=shared", uri=True, isolation_level=None)
        self.seen = seen
        self.lost = False  # as if another writer had been quicker, once

    def execute(self, sql: str, parameters: tuple[Any, ...] = (), /) -> Any:
        self.seen.append(sql)
        assert "?" not in sql
        assert sql.count("%s") == len(parameters)
        if self.lost and sql.startswith("UPDATE cases"):
            self.lost = False
            return self.inner.execute("UPDATE cases SET count = count WHERE id = 'none of them'")
        plain = {"START TRANSACTION": "BEGIN IMMEDIATE"}.get(sql, sql).replace("%s", "?").replace(" FOR UPDATE", "")
        try:
            return self.inner.execute(plain, parameters)
        except sqlite3.Error as error:
            raise Refused(str(error)) from None

    def close(self) -> None:
        self.inner.close()


class OfServer:
    """A dialect that shares nothing with SQLite's."""

    mark = "%s"
    begin = "START TRANSACTION"
    lock_row = " FOR UPDATE"
    errors: tuple[type[Exception], ...] = (Refused,)

    def tables(self, connection: Any) -> set[str]:
        return {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()}

    def copy(self, connection: Any, target: Path) -> None:
        raise Refused("a server is backed up by its own tools")

    def damage(self, connection: Any) -> list[str]:
        return []

    def line(self, error: Exception, where: str) -> str:
        return f"{where} refused it ({error}); nothing was saved"


class TestSecondDatabase(StoreContract):
    """Other parameters, locks and errors; everything else is the same plain SQL."""

    @pytest.fixture
    def seen(self) -> list[str]:
        return []

    @pytest.fixture
    def connections(self, tmp_path: Path, seen: list[str]) -> Iterator[list[Elsewhere]]:
        opened = [Elsewhere(tmp_path.name, seen)]
        yield opened
        for connection in opened:
            connection.close()

    @pytest.fixture
    def connect(self, connections: list[Elsewhere], tmp_path: Path, seen: list[str]) -> Callable[[], Store]:
        def again() -> Store:
            connections.append(Elsewhere(tmp_path.name, seen))
            return Store(connections[-1], OfServer(), "the store")

        return again

    @pytest.fixture
    def edit(self, connections: list[Elsewhere]) -> Callable[[str], None]:
        return lambda sql: [connections[0].execute(sql), None][1]

    def test_all_else_is_plain_sql(self, store: Store, seen: list[str]) -> None:
        case = store.create_case("t", "help-desk")
        store.append(case, "note", {"text": "a"}, "help-desk")
        store.verify(case)
        assert any(sql.endswith(" FOR UPDATE") for sql in seen)
        plain = [sql for sql in seen if "sqlite_master" not in sql]
        assert len(plain) > 10
        assert not [sql for sql in plain if any(word in sql for word in ("PRAGMA", "VACUUM", " OR ", "IMMEDIATE"))]

    def test_a_writer_that_was_overtaken_writes_after_the_other(self, store: Store, connections: list[Elsewhere]) -> None:
        """Where the database has no lock for writers, the head that was read may be an old one by then."""
        case = store.create_case("t", "help-desk")
        connections[-1].lost = True
        added = store.append(case, "note", {"text": "a"}, "help-desk")
        assert not connections[-1].lost
        assert [e.id for e in store.events(case)][1:] == [added.id]
        assert store.verify(case) == []

    def test_the_dialect_says_what_went_wrong(self, store: Store, connections: list[Elsewhere], tmp_path: Path) -> None:
        with pytest.raises(StoreError, match=r"refused it .*nothing was saved"):
            store.backup(tmp_path / "copy.db")
        assert not list(tmp_path.iterdir())


def test_the_second_dialect_leaves_nothing_of_the_first() -> None:
    assert not isinstance(OfServer(), Sqlite)
    assert not issubclass(Refused, sqlite3.Error)
