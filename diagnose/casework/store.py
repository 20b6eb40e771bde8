"""Where cases are kept: one SQLite file on a local disk.

An append returns after its commit has reached the disk (WAL with synchronous=FULL), so "saved" may be said
then. All SQL that only SQLite understands stands in `Sqlite`; the rest is plain SQL that a server can take
over by another dialect of the same shape.
"""

import errno
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from diagnose.casework.events import (
    GENESIS,
    JSON,
    Event,
    canonical,
    chain,
    check_event,
    check_next,
    new_event_id,
    now,
    read_event,
    state_of,
    tells_of_danger,
)
from diagnose.source.problems import PlainError

SCHEMA = 1
# Without 0 O, 1 I L, 2 Z, 5 S, 8 B, U V, G: what is read over a phone is typed right.
CASE_LETTERS = "34679ACDEFHJKMNPQRTWXY"
_CASE_LENGTH = 5  # 5 million ids: cases of several people meet in one store
_NO_FOLDER_SYNC = (errno.EINVAL, errno.EBADF, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP)
_WAIT = 5.0  # seconds that a writer waits for another one


class StoreError(PlainError):
    """The store cannot do it: one line, what is wrong and what would be right."""


class Stored(NamedTuple):
    """An event as stored: its canonical bytes and the hash of the chain up to it."""

    event: Event
    body: bytes
    hash: str


class CaseSummary(NamedTuple):
    """A case in a list. `state` is `open` or `closed`, with ` stop-use` while a danger stands; `head` is the hash of the last event: printed with the
    number of `events` on a report, it shows later whether anything was cut off.
    """

    id: str
    title: str
    state: str
    opened_at: str
    changed_at: str
    events: int
    head: str

    @property
    def is_open(self) -> bool:
        return self.state.split()[0] == "open"

    @property
    def stop_use(self) -> bool:
        """Whether a danger stands in it."""
        return self.state.endswith("stop-use")


class Cursor(Protocol):
    @property
    def rowcount(self) -> int: ...

    def fetchone(self) -> Any: ...
    def fetchall(self) -> list[Any]: ...


class Connection(Protocol):
    def execute(self, sql: str, parameters: tuple[Any, ...] = ..., /) -> Cursor: ...
    def close(self) -> None: ...


class Dialect(Protocol):
    """What differs between databases."""

    mark: str  # of a parameter
    begin: str
    lock_row: str  # appended to a SELECT of a row that is about to change
    errors: tuple[type[Exception], ...]

    def tables(self, connection: Connection) -> set[str]: ...
    def copy(self, connection: Connection, target: Path) -> None: ...
    def damage(self, connection: Connection) -> list[str]: ...
    def line(self, error: Exception, where: str) -> str: ...


# ---- SQLite only ----------------------------------------

_SQLITE_LINES = {
    sqlite3.SQLITE_BUSY: "{where} is locked by another program; close that one or try again",
    sqlite3.SQLITE_LOCKED: "{where} is locked by another program; close that one or try again",
    sqlite3.SQLITE_READONLY: "{where} cannot be written; make file and folder writable",
    sqlite3.SQLITE_PERM: "{where} may not be opened; make file and folder writable or choose another store",
    sqlite3.SQLITE_CANTOPEN: "{where} cannot be opened; choose a folder that may be written",
    sqlite3.SQLITE_FULL: "the disk with {where} is full, nothing was saved; free some space and try again",
    sqlite3.SQLITE_IOERR: "the disk with {where} reports an error, not saved; check the disk, then try again",
    sqlite3.SQLITE_NOTADB: "{where} is no case store; choose another file, nothing in it was changed",
    sqlite3.SQLITE_CORRUPT: "{where} is damaged; restore the last backup, or import the exported cases anew",
}


class Sqlite:
    """The SQLite dialect, with its connections."""

    mark = "?"
    begin = "BEGIN IMMEDIATE"  # takes the write lock first, so a reader never has to be upgraded
    lock_row = ""
    errors: tuple[type[Exception], ...] = (sqlite3.Error,)

    def connect(self, path: Path, wait: float = _WAIT) -> Connection:
        """A connection in autocommit with every setting that durability rests on."""
        connection = sqlite3.connect(path, timeout=wait, isolation_level=None)
        try:
            self.prepare(connection, wait)
        except BaseException:
            connection.close()
            raise
        return connection

    def prepare(self, connection: Connection, wait: float = _WAIT) -> None:
        connection.execute(f"PRAGMA busy_timeout={int(wait * 1000)}")
        # Changing to WAL needs the file alone and does not wait by itself.
        until = time.monotonic() + wait
        while True:
            try:
                mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
                break
            except sqlite3.OperationalError as error:
                if _code(error) != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                    raise
                time.sleep(0.01)
        if mode != "wal":
            raise StoreError("the case store lies where no write-ahead log works; put it on a local disk")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA fullfsync=ON")  # macOS: fsync alone leaves data in the drive
        connection.execute("PRAGMA foreign_keys=ON")

    def tables(self, connection: Connection) -> set[str]:
        rows = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {row[0] for row in rows}

    def copy(self, connection: Connection, target: Path) -> None:
        connection.execute("VACUUM INTO ?", (str(target),))

    def damage(self, connection: Connection) -> list[str]:
        rows = connection.execute("PRAGMA integrity_check(20)").fetchall()
        return [row[0] for row in rows if row[0] != "ok"]

    def line(self, error: Exception, where: str) -> str:
        known = _SQLITE_LINES.get(_code(error))
        if known:
            return known.format(where=where)
        first = (str(error).splitlines() or ["no details"])[0]
        return f"{where} failed ({first}), not saved; try again, and report it if it stays"


def _code(error: Exception) -> int:
    """The primary result code: extended codes keep it in their low byte."""
    return int(getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


# ---- plain SQL from here on ----------------------------------------

_TABLES = (
    "CREATE TABLE schema_version (version INTEGER NOT NULL)",
    "CREATE TABLE cases (id VARCHAR(64) PRIMARY KEY, title VARCHAR(200) NOT NULL, "
    "state VARCHAR(16) NOT NULL, opened_at VARCHAR(32) NOT NULL, changed_at VARCHAR(32) NOT NULL, "
    "count INTEGER NOT NULL, head CHAR(64) NOT NULL)",
    "CREATE TABLE events (id VARCHAR(64) PRIMARY KEY, case_id VARCHAR(64) NOT NULL REFERENCES cases (id), "
    "seq INTEGER NOT NULL, body TEXT NOT NULL, hash CHAR(64) NOT NULL, UNIQUE (case_id, seq))",
)
_CASE_COLUMNS = "id, title, state, opened_at, changed_at, count, head"


def default_path() -> Path:
    """The store of this user: the file in the environment variable DIAGNOSE_STORE, else one in the data
    folder.
    """
    named = os.environ.get("DIAGNOSE_STORE", "")
    if named:
        return Path(os.path.expanduser(named))
    import platformdirs

    return Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / "cases.db"


def _as_listed(case: CaseSummary, events: Sequence[Event]) -> bool:
    """Whether title and state in the list are those of the events. Older stores did not mark a stopped use."""
    state = state_of(events)
    return case.title == events[0].data["title"] and case.state in (state, state.split()[0])


def sync_folder(folder: Path) -> None:
    """Make a new or renamed name in `folder` durable. Where system or file system cannot sync folders, or this
    user may not open one, the name is as durable as it gets there.
    """
    if os.name == "nt":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except PermissionError:
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)


class Store:
    """The cases of one file. Use from one thread; several processes may hold the same file open."""

    def __init__(self, connection: Connection, dialect: Dialect, where: str) -> None:
        """Over an open connection in autocommit; creates the tables in an empty database."""
        self._connection, self._dialect, self._where = connection, dialect, where
        with self._failures():
            self._lay_out()

    @classmethod
    def open(cls, path: str | os.PathLike[str] | None = None, *, wait: float = _WAIT) -> "Store":
        """The store in `path` (default: `default_path()`), made if there is none. `wait` in seconds for a
        lock.
        """
        file = Path(path) if path is not None else default_path()
        dialect = Sqlite()
        where = f"the case store {file}"
        fresh = not file.exists()
        if file.is_dir():
            raise StoreError(f"{where} is a folder; name a file in it")
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"the folder {file.parent} cannot be made ({error.strerror}); choose another"
            ) from None
        try:
            connection = dialect.connect(file, wait)
        except sqlite3.Error as error:
            raise StoreError(dialect.line(error, where)) from error
        try:
            store = cls(connection, dialect, where)
            if fresh:
                sync_folder(file.parent)
        except BaseException:
            connection.close()
            raise
        return store

    def close(self) -> None:
        self._connection.close()

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- reading

    def cases(self, query: str | None = None, state: str | None = None) -> list[CaseSummary]:
        """The cases, those in which use is stopped before the others, then the last changed first.

        `query`: words that all stand in id or title, in any case. `state`: open or closed.
        """
        with self._failures():
            rows = self._sql(f"SELECT {_CASE_COLUMNS} FROM cases ORDER BY changed_at DESC, id").fetchall()
        found = sorted((CaseSummary(*row) for row in rows), key=lambda case: not case.stop_use)
        words = (query or "").casefold().split()
        return [
            case
            for case in found
            if (state is None or case.state.split()[0] == state)
            and all(word in f"{case.id} {case.title}".casefold() for word in words)
        ]

    def case(self, case: str) -> CaseSummary:
        """One case by its id; StoreError when there is none."""
        with self._failures():
            row = self._case_row(case)
        if row is None:
            raise StoreError(f"there is no case {case!r} in {self._where}; check the id")
        return row

    def resolve(self, typed: str) -> str:
        """The id of the case that someone means: capitals and the leading `C-` may be left out, or the end if
        the beginning names one case only.
        """
        wanted = typed.strip().upper().removeprefix("C-")
        ids = [case.id for case in self.cases()]
        exact = [known for known in ids if known.upper().removeprefix("C-") == wanted]
        near = exact or [
            known for known in ids if wanted and known.upper().removeprefix("C-").startswith(wanted)
        ]
        if len(near) == 1:
            return near[0]
        if near:
            raise StoreError(
                f"{typed!r} begins the ids {', '.join(sorted(near))}; type more of the one that is meant"
            )
        raise StoreError(f"there is no case {typed!r} in {self._where}; check the id")

    def events(self, case: str) -> list[Event]:
        """All events of a case in order, withdrawn ones too (see `live_events`)."""
        return [stored.event for stored in self.stored(case)]

    def stored(self, case: str) -> list[Stored]:
        """The events of a case with their bytes and hashes; StoreError when one cannot be read."""
        self.case(case)
        with self._failures():
            rows = self._rows(case)
        result = []
        for seq, body, digest in rows:
            try:
                result.append(Stored(read_event(body.encode()), body.encode(), digest))
            except ValueError as error:
                raise StoreError(f"event {seq} of case {case} is damaged: {error}") from None
        return result

    def verify(self, case: str) -> list[str]:
        """What is wrong with a stored case, one line each: gap, edited event, broken chain, cut end."""
        summary = self.case(case)
        try:
            with self._failures():
                rows = self._rows(case)
                ids = dict(self._sql("SELECT seq, id FROM events WHERE case_id = ?", (case,)).fetchall())
        except StoreError as error:
            return [str(error)]
        problems: list[str] = []
        events: list[Event] = []
        kinds: dict[str, str] = {}
        head, expected = GENESIS, 1
        for seq, body, digest in rows:
            here = f"case {case}, event {seq}"
            if seq != expected:
                problems.append(f"{here}: follows event {expected - 1}, expected event {expected}")
            expected = seq + 1
            if not isinstance(body, str):
                problems.append(f"{here}: is no text, it was changed")
                head = digest
                continue
            if chain(head, body.encode()) != digest:
                problems.append(
                    f"{here}: the hash does not fit the text and the event before it, one was changed"
                )
            head = digest
            try:
                event = read_event(body.encode())
            except ValueError as error:
                problems.append(f"{here}: {error}")
                continue
            flaw = check_next(event, kinds)
            if (event.case, event.seq, event.id) != (case, seq, ids[seq]):
                flaw = f"says case {event.case}, event {event.seq}, id {event.id}; it was moved or changed"
            if flaw:
                problems.append(f"{here}: {flaw}")
            kinds[event.id] = event.kind
            events.append(event)
        if (summary.events, summary.head) != (len(rows), head):
            problems.append(
                f"case {case}: {len(rows)} events with head {head[:12]} are stored, "
                f"{summary.events} with head {summary.head[:12]} were written"
            )
        elif not problems and not _as_listed(summary, events):
            problems.append(f"case {case}: title or state in the list differ from the events")
        return problems

    def damage(self) -> list[str]:
        """What the database itself finds wrong with its file; empty when nothing is."""
        with self._failures():
            return self._dialect.damage(self._connection)

    # -- writing

    def create_case(
        self,
        title: str,
        by: str,
        data: dict[str, JSON] | None = None,
        *,
        at: str | None = None,
        case: str | None = None,
        event_id: str | None = None,
    ) -> str:
        """Open a case and return its id, after the commit. `data` goes into the `opened` event beside the
        title.

        With an `event_id` that is stored already, nothing happens and the id of its case is returned.
        """
        name, moment = event_id or new_event_id(), at or now()
        for _ in range(20):
            chosen = case or "C-" + "".join(CASE_LETTERS[b % 22] for b in os.urandom(_CASE_LENGTH * 4)[::4])
            event = Event(
                id=name, case=chosen, seq=1, at=moment, kind="opened",
                data={**(data or {}), "title": " ".join(title.split())}, by=by,
            )
            self._checked(event)
            with self._transaction():
                known = self._stored_event(name)
                if known is not None:
                    same = known._replace(case=chosen, at=moment) == event and case in (None, known.case)
                    if not same:
                        raise StoreError(f"event id {name} is taken by another event; make a new one")
                    return known.case
                if self._case_row(chosen) is None:
                    self._insert(event, canonical(event), chain(GENESIS, canonical(event)), "open")
                    return chosen
            if case is not None:
                raise StoreError(f"there is a case {case} already; open that one or choose another id")
        raise StoreError(f"no free case id was found in {self._where}; try again")

    def append(
        self,
        case: str,
        kind: str,
        data: dict[str, JSON],
        by: str,
        event_id: str | None = None,
        *,
        at: str | None = None,
    ) -> Event:
        """Add an event to a case and return it, after the commit.

        With an `event_id` that is stored already nothing is written and the stored event is returned, so a
        writer that does not know whether its last event was saved repeats it.
        """
        name, moment = event_id or new_event_id(), at or now()
        self._checked(Event(id=name, case=case, seq=1, at=moment, kind=kind, data=data, by=by))
        while True:
            with self._transaction():
                known = self._stored_event(name)
                if known is not None:
                    if (known.case, known.kind, known.data, known.by) != (case, kind, data, by):
                        raise StoreError(f"event id {name} is taken by another event; make a new one")
                    return known
                summary = self._case_row(case, lock=True)
                if summary is None:
                    raise StoreError(f"there is no case {case!r} in {self._where}; check the id")
                event = Event(id=name, case=case, seq=summary.events + 1, at=moment, kind=kind, data=data, by=by)
                self._checked(event)
                state = summary.state
                if kind in ("closed", "withdrawn", "opened", "danger") or tells_of_danger(event):
                    earlier = [read_event(body.encode()) for _, body, _ in self._rows(case)]
                    flaw = check_next(event, {e.id: e.kind for e in earlier})
                    if flaw:
                        raise StoreError(f"case {case}: {flaw}")
                    state = state_of([*earlier, event])
                body = canonical(event)
                if self._insert(event, body, chain(summary.head, body), state, summary):
                    return event
            # Another writer was quicker, which only a database without a write lock lets happen: once more.

    def absorb(self, log: Sequence[Stored]) -> tuple[str, int]:
        """Take over a case whose chain was checked: (`new`, `same`, `extended` or `older`; events added).

        The stored case may be a beginning of `log` (it is extended) or go beyond it (`older`: nothing to do).
        When the two part, StoreError, and nothing is changed.
        """
        case, title = log[0].event.case, log[0].event.data["title"]
        with self._transaction():
            summary = self._case_row(case, lock=True)
            have = [digest for _, _, digest in self._rows(case)]
            common = min(len(have), len(log))
            parted = next((i for i in range(common) if have[i] != log[i].hash), None)
            if parted is not None:
                what = "is another case" if parted == 0 else f"differs from event {parted + 1} on"
                raise StoreError(f"case {case} ({title!r}) is here already and {what}; nothing was changed")
            if summary is not None and summary.events != len(have):
                raise StoreError(f"case {case} is damaged in {self._where}; verify it before importing")
            if len(have) >= len(log):
                return ("same" if len(have) == len(log) else "older"), 0
            state = state_of([entry.event for entry in log])
            for position in range(len(have), len(log)):
                event, body, digest = log[position]
                if self._stored_event(event.id) is not None:
                    raise StoreError(f"event id {event.id} belongs to another case here; nothing was changed")
                state = (
                    state_of([entry.event for entry in log[: position + 1]])
                    if position + 1 == len(log)
                    else "open"
                )
                if not self._insert(event, body, digest, state, summary):
                    raise StoreError(f"case {case} was changed by another program meanwhile; try again")
                summary = self._case_row(case)
            return ("extended" if have else "new"), len(log) - len(have)

    def backup(self, path: str | os.PathLike[str]) -> None:
        """A compact copy of the whole store in a new file. Copying the file itself would miss what is in the
        log.
        """
        target = Path(path)
        if target.exists():
            raise StoreError(f"{target} exists already; name a new file for the backup")
        if not target.parent.is_dir():
            raise StoreError(f"the folder {target.parent} does not exist; make it or choose another")
        part = target.with_name(f".{target.name}.{os.getpid()}.part")
        try:
            with self._failures(f"the backup {target}"):
                self._dialect.copy(self._connection, part)
            with part.open("rb+") as handle:
                os.fsync(handle.fileno())
            os.replace(part, target)
            sync_folder(target.parent)
        except OSError as error:
            raise StoreError(
                f"the backup {target} cannot be written ({error.strerror}); choose another place"
            ) from None
        finally:
            part.unlink(missing_ok=True)

    # -- inside

    def _sql(self, statement: str, parameters: Sequence[Any] = ()) -> Cursor:
        if self._dialect.mark != "?":
            statement = statement.replace("?", self._dialect.mark)
        return self._connection.execute(statement, tuple(parameters))

    @contextmanager
    def _failures(self, where: str | None = None) -> Iterator[None]:
        try:
            yield
        except self._dialect.errors as error:
            raise StoreError(self._dialect.line(error, where or self._where)) from error

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Commit at the end, also of a block left by `return`; roll back on any error."""
        with self._failures():
            self._sql(self._dialect.begin)
            try:
                yield
                self._sql("COMMIT")
            except BaseException:
                # SQLite may have rolled back by itself (full disk), then this is refused: that is as good.
                with suppress(*self._dialect.errors):
                    self._sql("ROLLBACK")
                raise

    def _lay_out(self) -> None:
        if "schema_version" not in self._dialect.tables(self._connection):
            with self._transaction():
                tables = self._dialect.tables(self._connection)  # another process may have been quicker
                if tables and "schema_version" not in tables:
                    raise StoreError(f"{self._where} is a database of something else; choose another file")
                if not tables:
                    for statement in _TABLES:
                        self._sql(statement)
                    self._sql("INSERT INTO schema_version (version) VALUES (?)", (SCHEMA,))
        row = self._sql("SELECT version FROM schema_version").fetchone()
        version = row[0] if row else None
        if not isinstance(version, int) or version < 1:
            raise StoreError(f"{self._where} has no readable schema version; restore the last backup")
        if version > SCHEMA:
            raise StoreError(
                f"{self._where} is of a newer version (schema {version}, known here {SCHEMA}); update"
            )

    def _case_row(self, case: str, lock: bool = False) -> CaseSummary | None:
        suffix = self._dialect.lock_row if lock else ""
        row = self._sql(f"SELECT {_CASE_COLUMNS} FROM cases WHERE id = ?{suffix}", (case,)).fetchone()
        return CaseSummary(*row) if row else None

    def _rows(self, case: str) -> list[tuple[int, str, str]]:
        return self._sql(
            "SELECT seq, body, hash FROM events WHERE case_id = ? ORDER BY seq", (case,)
        ).fetchall()

    def _stored_event(self, event_id: str) -> Event | None:
        row = self._sql("SELECT body FROM events WHERE id = ?", (event_id,)).fetchone()
        return read_event(row[0].encode()) if row else None

    def _insert(
        self, event: Event, body: bytes, digest: str, state: str, before: CaseSummary | None = None
    ) -> bool:
        """Write an event and move the head; False when the case has moved on since `before` was read."""
        if before is None:
            self._sql(
                f"INSERT INTO cases ({_CASE_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (event.case, event.data["title"], state, event.at, event.at, 1, digest),
            )
        else:
            moved = self._sql(
                "UPDATE cases SET state = ?, changed_at = ?, count = ?, head = ? "
                "WHERE id = ? AND count = ? AND head = ?",
                (state, event.at, event.seq, digest, event.case, before.events, before.head),
            )
            if moved.rowcount != 1:
                return False
        self._sql(
            "INSERT INTO events (id, case_id, seq, body, hash) VALUES (?, ?, ?, ?, ?)",
            (event.id, event.case, event.seq, body.decode(), digest),
        )
        return True

    @staticmethod
    def _checked(event: Event) -> None:
        problems = check_event(event)
        if problems:
            raise StoreError(problems[0])
