"""Events on their own: checks, canonical bytes, the chain, and what stands after withdrawals."""

import hashlib
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.casework.events import (
    GENESIS,
    KINDS,
    Event,
    canonical,
    chain,
    check_event,
    live_events,
    new_event_id,
    now,
    read_event,
    state_of,
)
from tests.casework.whole_log import check_log

GOOD = Event(
    "e1", "C-7K3Q4", 1, "2031-04-05T06:07:08.123Z", "opened", {"title": "Quay 3 is silent"}, "technician"
)


def log(*rows: tuple[str, dict]) -> list[Event]:
    return [Event(f"e{n}", "C-7K3Q4", n, GOOD.at, kind, data, "t") for n, (kind, data) in enumerate(rows, 1)]


def note(text: str = "x") -> tuple[str, dict]:
    return "note", {"text": text}


def gone(event: str) -> tuple[str, dict]:
    return "withdrawn", {"event": event}


OPENED = ("opened", {"title": "t"})


def test_canonical_bytes_and_chain_are_fixed() -> None:
    """Written out once: a change here would orphan every stored case."""
    body = (
        b'{"at":"2031-04-05T06:07:08.123Z","by":"technician","case":"C-7K3Q4",'
        b'"data":{"title":"Quay 3 is silent"},"id":"e1","kind":"opened","seq":1}'
    )
    assert canonical(GOOD) == body
    assert chain(GENESIS, body) == hashlib.sha256(b"0" * 64 + body).hexdigest()
    assert read_event(body) == GOOD
    assert canonical(GOOD._replace(by="Zoë Ω")).count("Zoë Ω".encode()) == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"id": ""}, "is no id"),
        ({"id": "a b"}, "is no id"),
        ({"case": 5}, "is no id"),
        ({"case": "x" * 65}, "is no id"),
        ({"seq": 0}, "expected a whole number from 1"),
        ({"seq": True}, "expected a whole number from 1"),
        ({"at": "2031-04-05 06:07:08"}, "no moment in UTC"),
        ({"at": "2031-13-05T06:07:08Z"}, "no moment in UTC"),
        ({"at": "2031-04-05T06:07:08+02:00"}, "no moment in UTC"),
        ({"at": "２031-04-05T06:07:08Z"}, "no moment in UTC"),
        ({"by": "  "}, "names nobody"),
        ({"by": "\ud800"}, "names nobody"),
        ({"kind": "erased"}, "expected one of opened, fact, reading"),
        ({"kind": []}, "expected one of opened"),
        ({"data": []}, "no JSON object"),
        ({"data": {}}, "lacks `title`"),
        ({"data": {"title": 5}}, "lacks `title`"),
        ({"data": {"title": "two\nlines"}}, "one line"),
        ({"data": {"title": "t", "value": math.inf}}, "write an infinite reading as the text OL"),
        ({"data": {"title": "t", "value": [1, {"x": math.nan}]}}, "data.value[1].x is nan"),
        ({"data": {"title": "t", "value": "\ud800"}}, "half a character"),
        ({"data": {"title": "t", "value": (1, 2)}}, "is a tuple"),
        ({"data": {"title": "t", 5: 1}}, "has the name 5"),
        ({"data": {"title": "t", "value": 10**40}}, "too large"),
        ({"data": {"title": "t", "value": "x" * 1_000_001}}, "larger than 1000000 bytes"),
        ({"kind": "withdrawn", "data": {}}, "lacks `event`"),
    ],
)
def test_check_event(change: dict, words: str) -> None:
    assert check_event(GOOD) == []
    problems = check_event(GOOD._replace(**change))
    assert any(words in line for line in problems), problems
    assert all(line.isascii() and "\n" not in line for line in problems)


def test_deep_data_is_refused() -> None:
    deep: object = 1
    for _ in range(5000):
        deep = [deep]
    assert "nested too deeply" in check_event(GOOD._replace(data={"title": "t", "value": deep}))[0]
    with pytest.raises(ValueError, match="nested too deeply"):
        read_event(b"[" * 100_000)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"{", "not JSON"),
        (b"\xff", "not UTF-8"),
        (b"5", "not an event"),
        (b'{"id":1}', "not an event"),
        (canonical(GOOD).replace(b":1}", b": 1}"), "canonical"),
        (canonical(GOOD).replace(b'"seq":1', b'"seq":1.0'), "whole number"),
        (canonical(GOOD).replace(b'"seq":1', b'"seq":NaN'), "NaN"),
        (canonical(GOOD).replace(b'"seq":1', b'"seq":1,"seq":1'), "canonical"),
        (canonical(GOOD) + b" ", "canonical"),
        (canonical(GOOD).replace(b"silent", b"silen\\u0074"), "canonical"),
    ],
)
def test_only_canonical_bytes_are_read(body: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words) as caught:
        read_event(body)
    assert "\n" not in str(caught.value)


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(
    st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=8), json_values, max_size=4)
)
def test_any_json_reads_back(data: dict) -> None:
    event = GOOD._replace(kind="closed", data=data)
    assert check_event(event) == []
    again = read_event(canonical(event))
    assert again == event
    assert canonical(again) == canonical(event)
    assert json.loads(canonical(event)) == event._asdict()


def test_live_events() -> None:
    events = log(OPENED, note("a"), note("b"), gone("e2"), note("c"))
    assert [e.id for e in live_events(events)] == ["e1", "e3", "e5"]
    events = log(OPENED, note("a"), gone("e2"), gone("e3"))
    assert [e.id for e in live_events(events)] == ["e1", "e2"]
    events = log(OPENED, note("a"), gone("e2"), gone("e3"), gone("e4"))
    assert [e.id for e in live_events(events)] == ["e1"]
    events = log(OPENED, note("a"), gone("e2"), gone("e2"), gone("e3"))
    assert [e.id for e in live_events(events)] == ["e1"]  # the second withdrawal still stands


@given(st.lists(st.integers(0, 30), max_size=25))
def test_live_events_against_a_plain_reading_of_the_rule(choices: list[int]) -> None:
    """An event stands unless a standing withdrawal names it: decided by recursion over that sentence."""
    rows = [OPENED]
    for choice in choices:
        rows.append(note() if choice % 2 or len(rows) < 2 else gone(f"e{2 + choice % (len(rows) - 1)}"))
    events = log(*rows)
    assert check_log(events) == []

    def stands(event: Event) -> bool:
        later = [
            e for e in events if e.seq > event.seq and e.kind == "withdrawn" and e.data["event"] == event.id
        ]
        return not any(stands(e) for e in later)

    assert live_events(events) == [e for e in events if e.kind != "withdrawn" and stands(e)]


def test_state() -> None:
    assert state_of(log(OPENED)) == "open"
    assert state_of(log(OPENED, ("closed", {}))) == "closed"
    assert state_of(log(OPENED, ("closed", {}), gone("e2"))) == "open"
    assert state_of(log(OPENED, ("closed", {}), gone("e2"), gone("e3"))) == "closed"


@pytest.mark.parametrize(
    ("events", "words"),
    [
        (log(note()), "begins with `opened`"),
        (log(OPENED, OPENED), "comes once"),
        (log(OPENED, gone("e2")), "no earlier event"),
        (log(OPENED, gone("e9")), "no earlier event"),
        (log(OPENED, gone("e1")), "close the case instead"),
        (log(OPENED, note())[::-1], "seq is 2, expected 1"),
        ([log(OPENED)[0], log(OPENED, note())[1]._replace(id="e1")], "repeats the id"),
        ([log(OPENED)[0], log(OPENED, note())[1]._replace(case="C-2")], "belongs to case"),
    ],
)
def test_check_log(events: list[Event], words: str) -> None:
    assert any(words in line for line in check_log(events))


def test_ids_and_moments() -> None:
    assert len({new_event_id() for _ in range(1000)}) == 1000
    assert check_event(GOOD._replace(id=new_event_id(), at=now())) == []
    assert set(KINDS) == {
        "opened",
        "fact",
        "reading",
        "withdrawn",
        "remedy",
        "proved",
        "closed",
        "note",
        "attached",
        "role",
        "danger",
        "record",
    }
