"""The store: appends, lists, verification, errors in one line, two writers, kill -9."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from diagnose.casework.events import GENESIS, chain
from diagnose.casework.store import Store, StoreError, default_path

APPENDER = Path(__file__).with_name("appender.py")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "cases.db") as opened:
        yield opened


def raw(store: Store, sql: str, *values: object) -> list:
    return store._connection.execute(sql, values).fetchall()


# ---- ordinary use


def test_every_connection_is_durable(store: Store, tmp_path: Path) -> None:
    with Store.open(tmp_path / "cases.db") as second:
        for opened in (store, second):
            assert raw(opened, "PRAGMA journal_mode") == [("wal",)]
            assert raw(opened, "PRAGMA synchronous") == [(2,)]
            assert raw(opened, "PRAGMA foreign_keys") == [(1,)]
            assert raw(opened, "PRAGMA busy_timeout") == [(5000,)]


def test_backup(store: Store, tmp_path: Path) -> None:
    case = store.create_case("t", "help-desk")
    store.append(case, "note", {"text": "only in the log so far"}, "help-desk")
    store.backup(tmp_path / "copy.db")
    store.append(case, "note", {"text": "later"}, "help-desk")
    with Store.open(tmp_path / "copy.db") as copy:
        assert len(copy.events(case)) == 2
        assert copy.verify(case) == []
    with pytest.raises(StoreError, match="exists already"):
        store.backup(tmp_path / "copy.db")
    with pytest.raises(StoreError, match="does not exist"):
        store.backup(tmp_path / "nowhere" / "copy.db")
    assert not list(tmp_path.glob(".*.part"))


def test_default_path(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DIAGNOSE_STORE", str(tmp_path / "deep" / "mine.db"))
    assert default_path() == tmp_path / "deep" / "mine.db"
    with Store.open() as opened:
        opened.create_case("t", "help-desk")
    assert (tmp_path / "deep" / "mine.db").exists()
    monkeypatch.delenv("DIAGNOSE_STORE")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    if sys.platform == "linux":
        assert default_path() == tmp_path / "data" / "diagnose" / "cases.db"


# ---- verification


@pytest.fixture
def filled(store: Store) -> tuple[Store, str]:
    case = store.create_case("t", "help-desk")
    for n in range(6):
        store.append(case, "note", {"text": f"number {n}"}, "help-desk")
    assert store.verify(case) == []
    return store, case


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        (
            "UPDATE events SET body = replace(body, 'number 2', 'number 9') WHERE seq = 4",
            "event 4: the hash does not fit",
        ),
        ("UPDATE events SET hash = replace(hash, 'a', 'b') WHERE seq = 4", "hash does not fit"),
        ("UPDATE events SET body = body || ' ' WHERE seq = 4", "event 4: the hash does not fit"),
        ("UPDATE events SET body = 'nonsense' WHERE seq = 4", "not JSON"),
        ("UPDATE events SET body = x'00ff' WHERE seq = 4", "is no text"),
        ("UPDATE events SET body = CAST(x'ff' AS TEXT) WHERE seq = 4", "decode"),
        ("DELETE FROM events WHERE seq = 4", "follows event 3, expected event 4"),
        ("DELETE FROM events WHERE seq = 7", "6 events with head"),
        ("DELETE FROM events", "0 events with head"),
        ("UPDATE events SET seq = 8 WHERE seq = 7", "follows event 6"),
        ("UPDATE events SET id = 'other' WHERE seq = 4", "moved or changed"),
        ("UPDATE cases SET head = events.hash FROM events WHERE seq = 5", "were written"),
        ("UPDATE cases SET count = 6", "were written"),
        ("UPDATE cases SET title = 'x'", "title or state"),
        ("UPDATE cases SET state = 'closed'", "title or state"),
    ],
)
def test_verify_finds(filled: tuple[Store, str], sql: str, words: str) -> None:
    store, case = filled
    store._connection.execute(sql)
    problems = store.verify(case)
    assert any(words in line for line in problems), problems
    assert all("\n" not in line for line in problems)


def test_verify_finds_two_events_that_changed_places(filled: tuple[Store, str]) -> None:
    store, case = filled
    for sql in ("SET seq = 99 WHERE seq = 3", "SET seq = 3 WHERE seq = 4", "SET seq = 4 WHERE seq = 99"):
        store._connection.execute(f"UPDATE events {sql}")
    assert len(store.verify(case)) >= 2


def test_verify_finds_an_edit_with_a_repaired_chain_by_the_head_that_was_noted(
    filled: tuple[Store, str],
) -> None:
    """The chain alone cannot show it; the head printed on a report does."""
    store, case = filled
    noted = store.case(case).head
    store._connection.execute("UPDATE events SET body = replace(body, 'number 5', 'number 7') WHERE seq = 7")
    rows = raw(store, "SELECT seq, body FROM events ORDER BY seq")
    head = GENESIS
    for seq, body in rows:
        head = chain(head, body.encode())
        store._connection.execute("UPDATE events SET hash = ? WHERE seq = ?", (head, seq))
    store._connection.execute("UPDATE cases SET head = ?", (head,))
    assert store.verify(case) == []
    assert store.case(case).head != noted


# ---- errors


def one_line(error: pytest.ExceptionInfo[StoreError]) -> str:
    text = str(error.value)
    assert "\n" not in text
    assert ";" in text
    return text


def test_locked(store: Store, tmp_path: Path) -> None:
    case = store.create_case("t", "help-desk")
    other = sqlite3.connect(tmp_path / "cases.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Store.open(tmp_path / "cases.db", wait=0.05) as second:
        assert len(second.events(case)) == 1  # readers are not held up
        with pytest.raises(StoreError, match="is locked by another program") as caught:
            second.append(case, "note", {"text": "a"}, "help-desk", "same-id")
        one_line(caught)
        other.execute("ROLLBACK")
        second.append(case, "note", {"text": "a"}, "help-desk", "same-id")
    assert len(store.events(case)) == 2
    other.close()


def test_full_disk(store: Store) -> None:
    case = store.create_case("t", "help-desk")
    pages = raw(store, "PRAGMA page_count")[0][0]
    store._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
    saved = 1
    with pytest.raises(StoreError, match="is full, nothing was saved") as caught:  # noqa: PT012
        for _ in range(100):
            store.append(case, "note", {"text": "x" * 3000}, "help-desk")
            saved += 1
    one_line(caught)
    assert store.verify(case) == []
    assert len(store.events(case)) == saved > 1
    store._connection.execute("PRAGMA max_page_count = 100000")
    store.append(case, "note", {"text": "x" * 3000}, "help-desk")
    assert store.verify(case) == []


def test_read_only(store: Store) -> None:
    case = store.create_case("t", "help-desk")
    store._connection.execute("PRAGMA query_only = ON")
    with pytest.raises(StoreError, match="cannot be written; make file and folder writable") as caught:
        store.append(case, "note", {"text": "a"}, "help-desk")
    one_line(caught)
    assert len(store.events(case)) == 1


def test_read_only_file(tmp_path: Path) -> None:
    with Store.open(tmp_path / "cases.db") as opened:
        case = opened.create_case("t", "help-desk")
    (tmp_path / "cases.db").chmod(0o400)
    tmp_path.chmod(0o500)
    try:
        if os.access(tmp_path / "cases.db", os.W_OK):
            pytest.skip("this user may write whatever the rights of a file say")
        with pytest.raises(StoreError, match="writ") as caught, Store.open(tmp_path / "cases.db") as opened:
            opened.append(case, "note", {"text": "a"}, "help-desk")
        one_line(caught)
    finally:
        tmp_path.chmod(0o700)


def test_not_a_store(tmp_path: Path) -> None:
    (tmp_path / "text.db").write_bytes(b"this is a letter, not a database\n" * 400)
    before = (tmp_path / "text.db").read_bytes()
    with pytest.raises(StoreError, match="is no case store") as caught:
        Store.open(tmp_path / "text.db")
    one_line(caught)
    assert (tmp_path / "text.db").read_bytes() == before
    other = sqlite3.connect(tmp_path / "other.db")
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.commit()
    other.close()
    with pytest.raises(StoreError, match="a database of something else") as caught:
        Store.open(tmp_path / "other.db")
    one_line(caught)
    with pytest.raises(StoreError, match="is a folder") as caught:
        Store.open(tmp_path)
    one_line(caught)
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be made") as caught:
        Store.open(tmp_path / "file" / "cases.db")
    one_line(caught)


def test_newer_schema(store: Store, tmp_path: Path) -> None:
    store._connection.execute("UPDATE schema_version SET version = 99")
    with pytest.raises(StoreError, match=r"newer version \(schema 99, known here 1\)") as caught:
        Store.open(tmp_path / "cases.db")
    one_line(caught)
    store._connection.execute("DELETE FROM schema_version")
    with pytest.raises(StoreError, match="no readable schema version"):
        Store.open(tmp_path / "cases.db")


def test_cut_and_flipped_database_files_never_give_other_events(
    filled: tuple[Store, str], tmp_path: Path
) -> None:
    """A damaged file opens with an error, verifies with a problem, or shows exactly what was stored."""
    store, case = filled
    good = store.events(case)
    store.backup(tmp_path / "good.db")
    content = (tmp_path / "good.db").read_bytes()
    pick = random.Random(5)
    found = 0
    lines: list[str] = []
    for number in range(120):
        changed = bytearray(content)
        if number % 4 == 0:
            del changed[pick.randrange(len(changed)) :]
        else:
            changed[pick.randrange(len(changed))] ^= 1 << pick.randrange(8)
        file = tmp_path / f"damaged-{number}.db"
        file.write_bytes(changed)
        try:
            with Store.open(file) as opened:
                problems = opened.verify(case) + opened.damage()
                if problems:
                    found += 1
                else:
                    assert opened.events(case) == good
        except StoreError as error:
            found += 1
            lines.append(str(error))
    assert all("\n" not in line for line in lines)
    assert found > 30


# ---- several processes, and kill -9


def start(path: Path, case: str, count: int, by: str, *gate: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(APPENDER), str(path), case, str(count), by, *gate],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ids(output: str, word: str) -> list[str]:
    """Ids on whole lines; a killed process may leave half a line."""
    return [line.split()[1] for line in output.split("\n")[:-1] if line.startswith(f"{word} ")]


def test_two_writers(store: Store, tmp_path: Path) -> None:
    case = store.create_case("t", "help-desk")
    gate = tmp_path / "go"
    writers = [start(tmp_path / "cases.db", case, 60, f"writer {n}", str(gate)) for n in range(2)]
    for writer in writers:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"  # nothing else is said before the gate opens
    gate.touch()
    outputs = [writer.communicate(timeout=120) for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0], outputs
    events = store.events(case)
    assert [e.seq for e in events] == list(range(1, 122))
    assert store.verify(case) == []
    for (output, _), name in zip(outputs, ("writer 0", "writer 1"), strict=True):
        assert ids(output, "saved") == [e.id for e in events if e.by == name]
    turns = sum(a.by != b.by for a, b in pairwise(events))
    assert turns > 1, "one writer ran after the other"  # once around is no overlap


def test_two_processes_make_one_store(tmp_path: Path) -> None:
    writers = [start(tmp_path / "new.db", f"case of {n}", 3, f"writer {n}") for n in range(4)]
    assert [(w.communicate(timeout=120), w.returncode)[1] for w in writers] == [0] * 4
    with Store.open(tmp_path / "new.db") as opened:
        assert sorted(c.events for c in opened.cases()) == [4] * 4
        assert all(opened.verify(c.id) == [] for c in opened.cases())


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL here")
def test_kill_at_random_moments(tmp_path: Path) -> None:
    """After a kill -9 the store opens, verifies, and holds every event that was said to be saved."""
    kills = int(os.environ.get("DIAGNOSE_KILLS", "15"))
    pick = random.Random(int(os.environ.get("DIAGNOSE_KILL_SEED", "1")))
    path = tmp_path / "cases.db"
    saved: set[str] = set()
    tried: set[str] = set()
    early = unacknowledged = 0
    for number in range(kills):
        # A file, not a pipe: its reader could drop lines it had buffered, and acknowledgements with them.
        said = tmp_path / f"said-{number}"
        with said.open("wb") as out:
            child = subprocess.Popen(
                [sys.executable, str(APPENDER), str(path), f"case {number}", "100000", "technician"],
                stdout=out,
            )
        if number % 4:
            until = time.monotonic() + 60
            while not said.stat().st_size and time.monotonic() < until:
                time.sleep(0.001)
            time.sleep(pick.uniform(0, 0.12))
        else:
            time.sleep(pick.uniform(0.02, 0.25))  # may fall before the store is open
        child.send_signal(signal.SIGKILL)
        assert child.wait(timeout=60) == -signal.SIGKILL
        output = said.read_text()
        acknowledged, attempted = set(ids(output, "saved")), set(ids(output, "try"))
        early += not attempted
        saved |= acknowledged
        tried |= attempted
        with Store.open(path) as opened:
            problems = opened.damage() + [p for c in opened.cases() for p in opened.verify(c.id)]
            assert problems == []
            stored = {e.id for c in opened.cases() for e in opened.events(c.id)}
        assert saved <= stored, "an event that was said to be saved is missing"
        assert stored <= tried, "an event is stored that nobody wrote"
        unacknowledged += len((stored & attempted) - acknowledged)
    print(
        f"{kills} kills, {early} before the first event, {len(saved)} events acknowledged, all stored; "
        f"{unacknowledged} times the last event was stored but not acknowledged"
    )
    assert len(saved) > kills
