"""Echoes of simulated faults, taken as answers: valid, at the right place, and the true fault comes first."""

from __future__ import annotations

import io

import pytest

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.events import Event
from diagnose.casework.state import find_places, read_site, take_answer
from diagnose.evidence.report import TakenReading
from diagnose.evidence.scope.find import find
from diagnose.evidence.scope.reader import report
from diagnose.knowledge.load import load
from tests.evidence.waves import csv, wave

K = load()
ASSESSOR = Assessor(K, plain)
RECORD = (
    "install-record: 1\nname: Larch Lane\nunits: {count: 11}\ntrunks:\n  - units: 1-11\n    controller: 1\n"
    "    segment-length: SEGMENT m\n    kind: rs485\n    cable: 24-awg\n    impedance: 120 ohm\n    velocity-factor: 0.66\n"
    "    bit-rate: 19200\n    parity: even\n    terminators-at: [1, 11]\n    terminator-ohms: 120 ohm\n    terminator-kind: resistor\n"
    "    bias: controller\n    bias-ohms: 560 ohm\n    bias-supply: 5 V\n    unit-load: 0.125\n"
)


def taken_of(name: str, segment: float, probe: str | None = None) -> tuple[str, list[TakenReading]]:
    """The record, and the echo's answers that a recording of the simulated fault gives, each of them valid."""
    record = RECORD.replace("SEGMENT", str(segment))
    site = read_site(record, K)
    t, y = wave(name, step=40e-9)
    taken = report(find(io.BytesIO(csv(t, y)), site, probe)).taken
    for answer in taken:
        check = K.checks[answer.check]
        outcome, _, _ = take_answer(K, site, check, find_places(site, check.at, answer.at), answer.answer)
        assert outcome in check.outcome_ids
    return record, [x for x in taken if x.check.startswith("echo") or x.check == "scope-look"]


def suspects_of(record: str, taken: list[TakenReading]):  # type: ignore[no-untyped-def]
    rows: list[tuple[str, dict[str, object]]] = [("opened", {"title": "polls are lost", "record": record})]
    rows += [("reading", {"check": t.check, "at": t.at, "answer": t.answer}) for t in taken]
    events = [
        Event(f"e{n}", "C-7K3Q4", n, "2031-04-05T06:07:08.123Z", kind, data, "t")  # type: ignore[arg-type]
        for n, (kind, data) in enumerate(rows, 1)
    ]
    return ASSESSOR.assess(events).suspects


@pytest.mark.parametrize(
    ("name", "segment", "echo", "first", "at"),
    [
        ("missing-300-lossy", 30, ("echo-from-end", "far end", "open"), "far-terminator-missing", "far end"),
        ("open-60-lossless", 13, ("echo-from-segment", "segment 5-6", "open"), "trunk-pair-open", "segment 5-6"),
        ("short-60-lossless", 13, ("echo-from-segment", "segment 5-6", "short"), "trunk-pair-short", "segment 5-6"),
        ("doubled-300-lossy", 30, ("echo-from-end", "far end", "lower"), "doubled-far-terminator", "far end"),
        ("extra-150-lossy", 30, ("echo-from-unit", "unit 6", "extra-terminator"), "extra-terminator-mid-chain", "unit 6"),
        ("branch-60-lossy", 30, ("echo-from-unit", "unit 3", "branch"), None, "unit 3"),
        ("joint-60-lossless", 13, ("echo-from-segment", "segment 5-6", "higher"), "segment-bad-splice", "segment 5-6"),
        ("higher-300-lossy", 30, ("echo-from-end", "far end", "higher"), None, "far end"),
        ("lower-300-lossy", 30, ("echo-from-end", "far end", "lower"), None, "far end"),
    ],
)
def test_an_echo_at_a_clear_place_names_the_fault(name: str, segment: float, echo: tuple[str, str, str], first: str | None, at: str) -> None:
    record, taken = taken_of(name, segment)
    assert [(t.check, t.at, t.answer) for t in taken if t.check.startswith("echo")] == [echo]
    if first is not None:
        suspects = suspects_of(record, taken)
        assert (suspects[0].fault, str(suspects[0].places[0][0])) == (first, at)


@pytest.mark.parametrize(
    ("name", "kind", "segments", "fault"),
    [("open-150-lossy", "open", {5, 6}, "trunk-pair-open"), ("short-60-lossless", "short", {2, 3}, None)],
)
def test_an_echo_beside_a_unit_narrows_to_its_neighbourhood(name: str, kind: str, segments: set[int], fault: str | None) -> None:
    """On the border of two segments the kind goes to the pair, and the rest of it is cleared; or one of the two is named."""
    record, taken = taken_of(name, 30)
    assert {(t.check, t.answer) for t in taken} & {("echo-on-pair", kind), ("echo-from-segment", kind)}
    suspects = suspects_of(record, taken)
    if fault is not None:
        assert suspects[0].fault == fault
    best = [s for s in suspects if s.fault in ("trunk-pair-open", "trunk-one-wire-open", "trunk-pair-short")]
    assert best
    assert str(best[0].places[0][0]) in {f"segment {n}-{n + 1}" for n in segments}


def test_a_branch_at_a_unit_is_mended_as_a_branch() -> None:
    """A long drop and a trunk built as a star send the same echo from there, and want the same repair."""
    record, taken = taken_of("branch-60-lossy", 30)
    suspects = suspects_of(record, taken)
    assert {s.fault for s in suspects[:2]} == {"branch-too-long", "trunk-not-one-line"}
    assert {s.remedy for s in suspects[:2]} == {"rewire-as-one-line"}
    assert str(next(s for s in suspects if s.fault == "branch-too-long").places[0][0]) == "unit 3"


def test_a_sound_trunk_clears_what_was_seen_and_no_more() -> None:
    _, taken = taken_of("sound-300-lossy", 30)
    answers = {t.check: (t.at, t.answer) for t in taken}
    assert answers["echo-from-end"] == ("far end", "none")
    assert answers["echo-from-segment"] == ("segments 2-3 to 10-11", "none")  # the first lies within the edge
    assert "echo-on-pair" not in answers


def test_from_within_the_chain_no_side_is_chosen() -> None:
    _, taken = taken_of("extra-60-lossless", 30, "unit 5")
    assert [t.check for t in taken if t.check.startswith("echo")] == ["echo-on-pair"]


def test_an_echo_beyond_the_recorded_end_names_no_place() -> None:
    _, taken = taken_of("open-300-lossless", 13)
    assert [t.check for t in taken if t.check.startswith("echo")] == []


def test_negative_echoes_are_a_shape_of_their_own() -> None:
    shapes = {
        name: next(t.answer for t in taken_of(name, 30)[1] if t.check == "scope-look")
        for name in ("doubled-300-lossy", "branch-60-lossy", "missing-300-lossy")
    }
    assert shapes == {"doubled-300-lossy": "dips", "branch-60-lossy": "dips", "missing-300-lossy": "ringing"}
