"""The store on a failing disk: each write and sync in turn, and a power cut that drops what was not synced.

Needs apsw, which lets a file system be written in Python under the real database engine.
"""

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from diagnose.casework.events import new_event_id
from diagnose.casework.store import Sqlite, Store, StoreError

apsw = pytest.importorskip("apsw", reason="apsw is not installed, the disk cannot be made to fail")

NOTES = 3  # of a session, from a part of a page to some pages


class Disk:
    """Counts writes and syncs, fails the chosen one (or all from it on), keeps what a power cut leaves."""

    def __init__(
        self, folder: Path, what: str = "", at: int = 0, for_good: bool = False, error: str = "IOError"
    ) -> None:
        self.folder, self.what, self.at, self.for_good, self.error = folder, what, at, for_good, error
        self.counts = {"write": 0, "sync": 0}
        self.failed = 0
        self.synced: dict[str, bytes] = {}
        self.unlinked: set[str] = set()

    def pass_or_fail(self, what: str) -> None:
        self.counts[what] += 1
        count = self.counts[what]
        if what == self.what and (count == self.at or (self.for_good and count > self.at)):
            self.failed += 1
            raise {"IOError": apsw.IOError, "FullError": apsw.FullError}[self.error]()

    def remember(self, name: str) -> None:
        """A file was synced. At the first sync of a new journal or log the engine syncs the folder as well
        (seen in a trace of its system calls), which makes earlier deletions last.
        """
        if name not in self.synced:
            for gone in self.unlinked:
                self.synced.pop(gone, None)
            self.unlinked.clear()
        self.synced[name] = Path(name).read_bytes()


class FailingFile(apsw.VFSFile):  # type: ignore[misc]
    def __init__(self, disk: Disk, name: Any, flags: list[int]) -> None:
        super().__init__("", name, flags)
        self.disk = disk
        self.path = name.filename() if hasattr(name, "filename") else str(name)

    def xWrite(self, data: bytes, offset: int) -> None:
        self.disk.pass_or_fail("write")
        super().xWrite(data, offset)

    def xSync(self, flags: int) -> None:
        self.disk.pass_or_fail("sync")
        super().xSync(flags)
        self.disk.remember(self.path)


class FailingVFS(apsw.VFS):  # type: ignore[misc]
    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        self.name = f"failing-{id(disk)}"
        super().__init__(self.name, "")

    def xOpen(self, name: Any, flags: list[int]) -> FailingFile:
        return FailingFile(self.disk, name, flags)

    def xDelete(self, name: str, sync_folder: bool) -> None:
        super().xDelete(name, sync_folder)
        self.disk.unlinked.add(name)


class Result:
    def __init__(self, rows: list[Any], rowcount: int) -> None:
        self.rows, self.rowcount = rows, rowcount

    def fetchone(self) -> Any:
        return self.rows[0] if self.rows else None

    def fetchall(self) -> list[Any]:
        return self.rows


class Bridge:
    """An apsw connection as the store knows connections, with the errors of the standard module."""

    def __init__(self, path: Path, vfs: FailingVFS) -> None:
        self.connection = self.guard(lambda: apsw.Connection(str(path), vfs=vfs.name))

    def guard(self, act: Callable[[], Any]) -> Any:
        try:
            return act()
        except apsw.Error as error:
            same = sqlite3.OperationalError(str(error))
            same.sqlite_errorcode = getattr(error, "extendedresult", 0) or getattr(error, "result", 0)  # type: ignore[misc]
            raise same from error

    def execute(self, sql: str, parameters: tuple[Any, ...] = ()) -> Result:
        rows = self.guard(lambda: list(self.connection.execute(sql, parameters)))
        return Result(rows, self.connection.changes())

    def close(self) -> None:
        self.guard(self.connection.close)


class Session:
    """A scripted session: what was tried, what was acknowledged, and the connection that is left open."""

    def __init__(self, folder: Path, disk: Disk, synchronous: str = "") -> None:
        self.tried: list[str] = []
        self.saved: list[str] = []
        self.errors: list[str] = []
        self.bridge: Bridge | None = None
        self.vfs = FailingVFS(disk)
        self.path = folder / "cases.db"
        dialect = Sqlite()
        try:
            self.bridge = Bridge(self.path, self.vfs)
            dialect.prepare(self.bridge, 0.1)  # type: ignore[arg-type]
            if synchronous:
                self.bridge.execute(f"PRAGMA synchronous={synchronous}")
            store = Store(self.bridge, dialect, "the case store")  # type: ignore[arg-type]
        except (StoreError, sqlite3.Error) as error:
            self.errors.append(str(error))
            return
        opening = self.attempt(lambda name: store.create_case("t", "help-desk", case="C-7K3Q4", event_id=name))
        for number in range(NOTES):
            text = f"{number} " + "x" * 2500 * number
            self.attempt(
                lambda name, text=text: store.append("C-7K3Q4", "note", {"text": text}, "help-desk", name),
                opening,
            )

    def attempt(self, act: Callable[[str], Any], needed: bool = True) -> bool:
        """Twice with one id, as a writer does that does not know whether the first was stored."""
        if not needed:
            return False
        name = new_event_id()
        self.tried.append(name)
        for _ in range(2):
            try:
                act(name)
            except StoreError as error:
                self.errors.append(str(error))
            else:
                self.saved.append(name)
                return True
        return False

    def abandon(self) -> None:
        """Give the connection back on a disk that works again."""
        self.vfs.disk.what = ""
        if self.bridge is not None:
            self.bridge.connection.close(True)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "disk"
    place.mkdir()
    return place


def clear(folder: Path) -> None:
    shutil.rmtree(folder)
    folder.mkdir()


def check(session: Session, folder: Path, copy: Path) -> set[str]:
    """Open what lies on the disk with the standard module, as after a crash; the ids that are stored."""
    if copy.exists():
        shutil.rmtree(copy)
    shutil.copytree(folder, copy)
    with Store.open(copy / "cases.db") as store:
        assert store.damage() == []
        assert [p for c in store.cases() for p in store.verify(c.id)] == []
        stored = {e.id for c in store.cases() for e in store.events(c.id)}
    assert all("\n" not in line for line in session.errors)
    assert set(session.saved) <= stored, "an acknowledged event is missing"
    assert stored <= set(session.tried), "an event is stored that nobody wrote"
    return stored


def test_the_session_reaches_the_disk(folder: Path, tmp_path: Path) -> None:
    """Without a failure everything is saved, and the counting file system sees the writes."""
    disk = Disk(folder)
    session = Session(folder, disk)
    assert session.errors == []
    assert len(session.saved) == NOTES + 1
    assert disk.counts["write"] > 20
    assert disk.counts["sync"] > NOTES
    assert len(check(session, folder, tmp_path / "copy")) == NOTES + 1
    session.abandon()


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize(
    ("what", "error"), [("write", "IOError"), ("write", "FullError"), ("sync", "IOError")]
)
def test_each_write_and_each_sync_fails_in_turn(
    folder: Path, tmp_path: Path, what: str, error: str, for_good: bool
) -> None:
    number = failures = 0
    while True:
        number += 1
        clear(folder)
        disk = Disk(folder, what, number, for_good, error)
        session = Session(folder, disk)
        check(session, folder, tmp_path / "copy")
        if what == "sync":
            cut_power(disk, tmp_path / "after")
            check(session, tmp_path / "after", tmp_path / "copy")
        places = disk.counts[what]
        session.abandon()
        if not disk.failed:
            break
        failures += 1
        if for_good:
            assert session.errors, "a disk that is gone was not noticed"
    assert session.errors == []
    assert len(session.saved) == NOTES + 1
    assert failures == places
    print(f"{what} {error}: {failures} places failed")


def cut_power(disk: Disk, place: Path) -> None:
    """Leave in `place` what a power cut now would leave: the files as they were at their last sync."""
    if place.exists():
        shutil.rmtree(place)
    place.mkdir()
    for name, content in disk.synced.items():
        (place / Path(name).name).write_bytes(content)


def losses(folder: Path, tmp_path: Path, synchronous: str) -> int:
    """Acknowledged events that a power cut takes away, with the connection still open: closing would sync."""
    disk = Disk(folder)
    session = Session(folder, disk, synchronous)
    assert session.errors == []
    assert len(session.saved) == NOTES + 1
    cut_power(disk, tmp_path / "after")
    session.abandon()
    with Store.open(tmp_path / "after" / "cases.db") as store:
        assert store.damage() == []
        assert [p for c in store.cases() for p in store.verify(c.id)] == []
        return len(set(session.saved) - {e.id for c in store.cases() for e in store.events(c.id)})


def test_a_power_cut_takes_no_acknowledged_event(folder: Path, tmp_path: Path) -> None:
    assert losses(folder, tmp_path, "") == 0


def test_the_power_cut_would_show_a_weaker_setting(folder: Path, tmp_path: Path) -> None:
    """The same cut loses events with synchronous=NORMAL, so the test above can fail."""
    assert losses(folder, tmp_path, "NORMAL") > 0
