"""What every case store keeps to, whatever database is below it: a class of tests that a second database runs, too.

A class that inherits from `StoreContract` says in a fixture `connect` how a store over one and the same database is
opened, once more with each call, and in `edit` how somebody changes that database behind the store's back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from diagnose.casework.events import GENESIS, Event, canonical, chain, live_events, new_event_id, state_of
from diagnose.casework.store import CASE_LETTERS, Store, Stored, StoreError

# plain SQL over the two tables, words of what `verify` says afterwards
EDITS = [
    ("UPDATE events SET body = replace(body, 'number 2', 'number 9') WHERE seq = 4", "event 4: the hash does not fit"),
    ("UPDATE events SET hash = replace(hash, 'a', 'b') WHERE seq = 4", "hash does not fit"),
    ("UPDATE events SET body = 'nonsense' WHERE seq = 4", "not JSON"),
    ("DELETE FROM events WHERE seq = 4", "follows event 3, expected event 4"),
    ("DELETE FROM events WHERE seq = 7", "6 events with head"),
    ("DELETE FROM events", "0 events with head"),
    ("UPDATE events SET seq = 8 WHERE seq = 7", "follows event 6"),
    ("UPDATE events SET id = 'other' WHERE seq = 4", "moved or changed"),
    ("UPDATE cases SET count = 6", "were written"),
    ("UPDATE cases SET title = 'x'", "title or state"),
    ("UPDATE cases SET state = 'closed'", "title or state"),
]


def _chained(events: Sequence[Event]) -> list[Stored]:
    head, log = GENESIS, []
    for event in events:
        head = chain(head, canonical(event))
        log.append(Stored(event, canonical(event), head))
    return log


class StoreContract:
    """Appends, lists, refusals, verification, take-over and several writers."""

    @pytest.fixture
    def connect(self) -> Callable[[], Store]:
        raise NotImplementedError

    @pytest.fixture
    def edit(self) -> Callable[[str], None]:
        raise NotImplementedError

    @pytest.fixture
    def store(self, connect: Callable[[], Store]) -> Store:
        return connect()

    def test_a_case_from_opening_to_closing(self, store: Store, connect: Callable[[], Store]) -> None:
        case = store.create_case("Quay 3 is  silent\n", "help-desk", {"complaint": "nothing answers"})
        first = store.append(case, "reading", {"check": "unit-answers", "answer": "silent"}, "technician")
        store.append(case, "withdrawn", {"event": first.id}, "technician")
        store.append(case, "closed", {"how": "repaired"}, "technician")
        events = store.events(case)
        assert [e.kind for e in events] == ["opened", "reading", "withdrawn", "closed"]
        assert [e.seq for e in events] == [1, 2, 3, 4]
        assert events[0].data == {"title": "Quay 3 is silent", "complaint": "nothing answers"}
        assert [e.kind for e in live_events(events)] == ["opened", "closed"]
        (row,) = store.cases()
        assert (row.id, row.title, row.state, row.events) == (case, "Quay 3 is silent", "closed", 4)
        assert (row.opened_at, row.changed_at) == (events[0].at, events[3].at)
        head = GENESIS
        for stored in store.stored(case):
            head = chain(head, stored.body)
            assert head == stored.hash
        assert row.head == head
        store.append(case, "withdrawn", {"event": events[3].id}, "technician")
        assert store.case(case).state == "open"
        assert store.verify(case) == []
        assert store.damage() == []
        again = connect()
        assert again.events(case) == store.events(case)
        assert again.verify(case) == []

    def test_a_repeat_changes_nothing(self, store: Store) -> None:
        opening, name = new_event_id(), new_event_id()
        case = store.create_case("t", "help-desk", event_id=opening)
        assert store.create_case("t", "help-desk", event_id=opening) == case
        first = store.append(case, "note", {"text": "a"}, "help-desk", name)
        store.append(case, "note", {"text": "b"}, "help-desk")
        assert store.append(case, "note", {"text": "a"}, "help-desk", name) == first
        assert [e.seq for e in store.events(case)] == [1, 2, 3]
        with pytest.raises(StoreError, match="taken by another event"):
            store.append(case, "note", {"text": "other"}, "help-desk", name)
        with pytest.raises(StoreError, match="taken by another event"):
            store.create_case("other", "help-desk", event_id=opening)
        assert len(store.cases()) == 1

    def test_ids_can_be_read_over_a_phone(self, store: Store) -> None:
        ids = [store.create_case(f"case {n}", "help-desk") for n in range(60)]
        assert len(set(ids)) == 60
        assert all(i.startswith("C-") and len(i) == 7 and set(i[2:]) <= set(CASE_LETTERS) for i in ids)
        assert not set(CASE_LETTERS) & set("0O1IL2Z5S8BUVG")
        assert len(set(CASE_LETTERS)) == 22
        assert set("".join(i[2:] for i in ids)) == set(CASE_LETTERS)
        assert store.resolve(ids[0][2:].lower()) == ids[0]
        with pytest.raises(StoreError, match="check the id"):
            store.resolve("0000")
        with pytest.raises(StoreError, match="check the id"):
            store.resolve("")

    def test_list_and_search(self, store: Store) -> None:
        a = store.create_case("Ölhafen: Quay 3 silent", "help-desk", at="2031-01-01T00:00:00Z")
        b = store.create_case("Yard trips", "help-desk", at="2031-01-02T00:00:00Z")
        assert [c.id for c in store.cases()] == [b, a]
        store.append(a, "closed", {}, "help-desk", at="2031-01-03T00:00:00Z")
        assert [c.id for c in store.cases()] == [a, b]
        assert [c.id for c in store.cases("SILENT ölhafen")] == [a]
        assert [c.id for c in store.cases(b.lower())] == [b]
        assert store.cases("silent yard") == []
        assert store.cases("%") == []
        assert [c.id for c in store.cases(state="open")] == [b]
        assert [c.id for c in store.cases("quay", "closed")] == [a]

    def test_refusals_change_nothing(self, store: Store) -> None:
        case = store.create_case("t", "help-desk")
        before = store.case(case)
        for kind, data, by, words in [
            ("erased", {}, "help-desk", "expected one of"),
            ("note", {}, "help-desk", "lacks `text`"),
            ("note", {"text": "a", "value": float("inf")}, "help-desk", "as the text OL"),
            ("note", {"text": "a"}, "", "names nobody"),
            ("withdrawn", {"event": "nothing"}, "help-desk", "no earlier event"),
            ("withdrawn", {"event": store.events(case)[0].id}, "help-desk", "close the case instead"),
            ("opened", {"title": "again"}, "help-desk", "comes once"),
        ]:
            with pytest.raises(StoreError, match=words):
                store.append(case, kind, data, by)
        with pytest.raises(StoreError, match="there is no case"):
            store.append("C-XXXXX", "note", {"text": "a"}, "help-desk")
        for read in (store.events, store.verify, store.case):
            with pytest.raises(StoreError, match="there is no case"):
                read("C-XXXXX")
        with pytest.raises(StoreError, match="already"):
            store.create_case("t", "help-desk", case=case)
        assert store.case(case) == before

    def test_events_of_one_id_are_stored_once_from_any_connection(self, store: Store, connect: Callable[[], Store]) -> None:
        case, name = store.create_case("t", "help-desk"), new_event_id()
        other = connect()
        first = store.append(case, "note", {"text": "a"}, "help-desk", name)
        assert other.append(case, "note", {"text": "a"}, "help-desk", name) == first
        with pytest.raises(StoreError, match="taken by another event"):
            other.append(other.create_case("u", "help-desk"), "note", {"text": "a"}, "help-desk", name)
        assert [e.seq for e in other.events(case)] == [1, 2]

    def test_writers_take_turns(self, store: Store, connect: Callable[[], Store]) -> None:
        case, writers = store.create_case("t", "help-desk"), (store, connect(), connect())
        for n in range(12):
            writers[n % 3].append(case, "note", {"text": f"number {n}"}, "help-desk")
        for writer in writers:
            assert [e.data["text"] for e in writer.events(case)[1:]] == [f"number {n}" for n in range(12)]
            assert writer.verify(case) == []

    def test_use_is_stopped_in_the_list_while_a_danger_stands(self, store: Store) -> None:
        calm, case = store.create_case("calm", "help-desk"), store.create_case("t", "help-desk")
        said = store.append(case, "reading", {"check": "danger-signs", "answer": "shock", "at": "unit 1"}, "help-desk", at="2031-01-01T00:00:00Z")
        store.append(calm, "note", {"text": "later"}, "help-desk", at="2031-01-02T00:00:00Z")
        assert [(c.id, c.stop_use, c.is_open) for c in store.cases()] == [(case, True, True), (calm, False, True)]
        assert store.case(case).state == state_of(store.events(case))
        store.append(case, "withdrawn", {"event": said.id}, "help-desk")
        assert store.case(case).state == state_of(store.events(case))
        assert store.verify(case) == []

    @pytest.mark.parametrize(("sql", "words"), EDITS)
    def test_verify_finds_an_edit(self, store: Store, edit: Callable[[str], None], sql: str, words: str) -> None:
        case = store.create_case("t", "help-desk")
        for n in range(6):
            store.append(case, "note", {"text": f"number {n}"}, "help-desk")
        assert store.verify(case) == []
        edit(sql)
        assert any(words in line for line in store.verify(case)), store.verify(case)

    def test_a_case_is_taken_over_extended_and_refused_where_two_part(self, store: Store, connect: Callable[[], Store]) -> None:
        case = store.create_case("t", "help-desk")
        for n in range(4):
            store.append(case, "note", {"text": f"number {n}"}, "help-desk")
        log = store.stored(case)
        with pytest.raises(StoreError, match="belongs to another case here"):
            store.absorb(_chained([e.event._replace(case="C-MOVED") for e in log]))
        other = _chained([e.event._replace(case="C-MOVED", id=new_event_id()) for e in log])
        assert store.absorb(other[:3]) == ("new", 3)
        assert store.absorb(other[:3]) == ("same", 0)
        assert connect().absorb(other) == ("extended", 2)
        assert store.absorb(other[:2]) == ("older", 0)
        assert store.verify("C-MOVED") == []
        parted = Event(new_event_id(), "C-MOVED", 3, log[0].event.at, "note", {"text": "another"}, "help-desk")
        with pytest.raises(StoreError, match="differs from event 3 on"):
            store.absorb(_chained([other[0].event, other[1].event, parted]))
        assert [s.body for s in store.stored("C-MOVED")] == [s.body for s in other]

    def test_what_fails_half_way_leaves_nothing(self, store: Store, connect: Callable[[], Store]) -> None:
        case = store.create_case("t", "help-desk")
        before = store.case(case)

        def fail_half_way() -> None:
            with store._transaction():
                store._sql("UPDATE cases SET title = ?", ("half",))
                raise RuntimeError

        with pytest.raises(RuntimeError):
            fail_half_way()
        assert store.case(case) == connect().case(case) == before

    def test_what_the_database_refuses_is_one_line(self, store: Store) -> None:
        with pytest.raises(StoreError) as refused, store._failures():
            store._sql("SELECT nothing FROM nowhere")
        assert len(str(refused.value).splitlines()) == 1
        assert store.cases() == []
