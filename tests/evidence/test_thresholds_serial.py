"""Every threshold of the serial readings, just below and just above, from small counts."""

from __future__ import annotations

import struct
from collections import Counter
from io import BytesIO
from typing import Any

import pytest

from diagnose.evidence.polls import PollCount, clean, often
from diagnose.evidence.reader import Asked
from diagnose.evidence.serial import damage
from diagnose.evidence.serial.counts import TrunkPolls, UnitPolls
from diagnose.evidence.serial.find import (
    TrunkFindings,
    TrunkPlan,
    error_shares,
    find,
    frame_fault,
    never_asked,
    other_parity,
    pause_word,
    reply_word,
    round_time,
    settle_echoes,
    strangers,
)
from diagnose.evidence.serial.read import whole_bytes
from diagnose.evidence.serial.reader import read
from diagnose.evidence.serial.take import take
from diagnose.evidence.serial.values import exchanged_words, sensible
from diagnose.physics.serial import with_crc
from diagnose.site.model import Site


def polls(asked: int = 100, **counts: Any) -> UnitPolls:
    """A unit's polls; what is not named was answered well."""
    codes = Counter(counts.pop("exceptions", {}))
    lost = sum(counts.get(n, 0) for n in ("silent", "damaged", "late"))
    return UnitPolls(**{"asked": asked, "good": max(0, asked - lost), "exceptions": codes, **counts})


def found(*units: UnitPolls, **trunk: Any) -> TrunkFindings:
    """What a capture of units 1, 2, 3 ... holds."""
    return find(TrunkPolls(units=dict(enumerate(units, 1)), **trunk), None)


def answers(f: TrunkFindings, check: str) -> list[tuple[str, str]]:
    """Place and answer of the readings of a check."""
    return [(t.at, t.answer) for t in take(f, "lines") if t.check == check]


# ---- unit-answers


@pytest.mark.parametrize(
    ("asked", "counts", "word"),
    [
        (1000, {"silent": 9}, "answers"),
        (1000, {"silent": 10}, "intermittently"),  # 1 %: CLEAN_PERCENT, where the gauge of the error rate begins as well
        (700, {"late": 7}, "intermittently"),
        (700, {"late": 6}, "answers"),
        (100, {"damaged": 90}, "garbled"),  # GARBLED: 0.9 of what comes back
        (100, {"damaged": 89}, "intermittently"),
        (100, {"silent": 40, "damaged": 54}, "garbled"),
        (100, {"silent": 40, "damaged": 53}, "intermittently"),
        (100, {"silent": 50, "damaged": 50}, "garbled"),  # as many damaged as silent
        (100, {"silent": 51, "damaged": 49}, "intermittently"),
        (100, {"silent": 100}, "silent"),
        (100, {"silent": 99}, "intermittently"),
        (100, {"exceptions": {6: 1}}, "intermittently"),  # a refusal is a failed poll
        (200, {"exceptions": {6: 1}}, "answers"),
    ],
)
def test_unit_answers(asked: int, counts: dict[str, Any], word: str) -> None:
    assert polls(asked, **counts).answers == word


@pytest.mark.parametrize(("before", "word"), [(0, "answers"), (1, "intermittently")])
def test_stray_bytes_before_a_reply_spoil_the_poll(before: int, word: str) -> None:
    assert polls(100, junk_before=before).answers == word
    assert PollCount(100, good=100).answers == "answers"


@pytest.mark.parametrize(("failed", "asked", "expected"), [(0, 0, True), (1, 101, True), (1, 100, False), (2, 201, True), (2, 200, False)])
def test_clean(failed: int, asked: int, expected: bool) -> None:
    assert clean(failed, asked) is expected


@pytest.mark.parametrize(("count", "asked", "expected"), [(1, 3, False), (2, 3, True), (2, 200, True), (2, 201, False)])
def test_often(count: int, asked: int, expected: bool) -> None:
    assert often(count, asked) is expected


@pytest.mark.parametrize(("asked", "judged"), [(2, 0), (3, 1)])
def test_fewest_polls(asked: int, judged: int) -> None:
    assert len(found(polls(asked)).judged) == judged


# ---- poll-error-rate


@pytest.mark.parametrize(("asked", "figures"), [(19, []), (20, ["0 %"])])
def test_a_share_needs_twenty_polls(asked: int, figures: list[str]) -> None:
    assert list(error_shares(found(polls(asked)))) == figures


@pytest.mark.parametrize(
    ("one", "two", "figures"),
    [(9, 31, ["20 %"]), (7, 33, ["7 %", "33 %"]), (1, 5, ["3 %"]), (0, 5, ["0 %", "5 %"]), (89, 88, ["88.5 %"]), (90, 89, ["90 %", "89 %"])],
)
def test_units_fail_alike_within_three_standard_deviations(one: int, two: int, figures: list[str]) -> None:
    assert list(error_shares(found(polls(100, late=one), polls(100, late=two)))) == figures


# ---- exception-codes


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        (polls(20, exceptions={6: 1}), []),
        (polls(20, exceptions={6: 2}), ["busy"]),
        (polls(201, exceptions={6: 2}), []),
        (polls(200, exceptions={6: 2}), ["busy"]),
        (polls(20, exceptions={8: 2}), ["device-failure"]),
        (polls(20, exceptions={2: 3, 4: 3}), ["illegal-request"]),
        (polls(9), []),
        (polls(10), ["none"]),
        (polls(20, late=1), []),
    ],
)
def test_exceptions(unit: UnitPolls, expected: list[str]) -> None:
    assert [a for _, a in answers(found(unit), "exception-codes")] == expected


# ---- reply-capture


@pytest.mark.parametrize(
    ("unit", "word"),
    [
        (polls(19), ""),
        (polls(20), "one-reply"),
        (polls(100, late=2), "late"),
        (polls(100, late=1, damaged=1), ""),
        (polls(100, late=3, damaged=3), "late"),
        (polls(100, late=3, damaged=4), "damaged"),
        (polls(100, damaged=2), "damaged"),
        (polls(100, two_answers=1), "one-reply"),
        (polls(100, two_answers=2), "two-replies"),
        (polls(201, two_answers=2), "one-reply"),
    ],
)
def test_reply_word(unit: UnitPolls, word: str) -> None:
    f = found(unit)
    assert reply_word(f, f.judged[0]) == word


# ---- two units on one address


@pytest.mark.parametrize(
    ("unit", "other", "double"),
    [
        (polls(damaged=30, overlong=10), polls(), True),  # COLLIDES, OVERLONG
        (polls(damaged=29, overlong=10), polls(), False),
        (polls(damaged=30, overlong=9), polls(), False),
        (polls(1000, damaged=300, overlong=91), polls(), True),
        (polls(1000, damaged=300, overlong=90), polls(), False),
        (polls(10, damaged=3, overlong=1), polls(), False),
        (polls(10, damaged=3, overlong=2), polls(), True),
        (polls(damaged=30, headed=16), polls(silent=100), True),  # MOSTLY
        (polls(damaged=30, headed=15), polls(silent=100), False),
        (polls(damaged=30, headed=16), polls(silent=99), False),
        (polls(damaged=30, overlong=10), polls(damaged=29), True),
        (polls(damaged=30, overlong=10), polls(damaged=30), False),  # then it is the line
        (polls(two_answers=1), polls(), False),
        (polls(two_answers=2), polls(), True),
    ],
)
def test_two_units_on_one_address(unit: UnitPolls, other: UnitPolls, double: bool) -> None:
    assert [j.address for j in found(unit, other).doubles] == ([1] if double else [])


@pytest.mark.parametrize(("good", "expected"), [(1, []), (2, [300])])
def test_an_address_that_is_not_planned(good: int, expected: list[int]) -> None:
    f = found(polls())
    f.plan, f.outside = f.plan._replace(planned=True), [(300, polls(3, silent=3 - good))]
    assert strangers(f) == expected


# ---- echo


@pytest.mark.parametrize(
    ("twins", "answered", "echo"), [(8, 10, True), (7, 10, False), (2, 2, False), (3, 3, True)]
)
def test_requests_that_come_twice(twins: int, answered: int, echo: bool) -> None:
    """ECHO_SHARE of the answered polls, of which there are at least FEWEST_POLLS."""
    tally = TrunkPolls(units={1: UnitPolls(asked=answered + twins, good=answered, silent=twins, twins=twins, twins_answered=twins)})
    assert settle_echoes(tally) is echo
    assert tally.units[1].asked == (answered if echo else answered + twins)


@pytest.mark.parametrize(("echoes", "asked", "echo"), [(5, 10, True), (4, 10, False), (1, 2, False), (2, 4, True)])
def test_echoes_that_were_heard(echoes: int, asked: int, echo: bool) -> None:
    assert settle_echoes(TrunkPolls(units={1: polls(asked)}, echoes=echoes)) is echo


@pytest.mark.parametrize(("perhaps", "echoes", "two"), [(2, 0, 2), (2, 100, 0)])
def test_a_write_answered_twice_may_be_an_echo(perhaps: int, echoes: int, two: int) -> None:
    tally = TrunkPolls(units={1: polls(perhaps_two=perhaps)}, echoes=echoes)
    settle_echoes(tally)
    assert tally.units[1].two_answers == two


# ---- parity


@pytest.mark.parametrize(
    ("counts", "other"),
    [
        ({"marked": 1}, False), ({"marked": 2}, True), ({"even": 23}, False), ({"even": 24}, True),
        ({"odd": 24}, True), ({"even": 24, "odd": 1}, False),
    ],
)
def test_other_parity(counts: dict[str, int], other: bool) -> None:
    assert other_parity(polls(damaged=50, **counts)) is other


@pytest.mark.parametrize(("strange", "of", "everybody"), [(1, 1, False), (2, 3, True), (2, 4, False), (3, 5, True)])
def test_the_parity_of_the_controller(strange: int, of: int, everybody: bool) -> None:
    units = [polls(damaged=95, marked=2 if n < strange else 0) for n in range(of)]
    assert found(*units).all_other_parity is everybody


# ---- the trunk


@pytest.mark.parametrize(
    ("units", "trunk", "outcome"),
    [
        ([polls(2)], {}, None),
        ([polls(3)], {}, "clean"),
        ([polls(200, silent=1)], {}, "clean"),
        ([polls(200, silent=2)], {}, None),
        ([polls(100)], {"damaged_requests": 1}, None),
        ([polls(100)], {"foreign": 1}, "clean"),
        ([polls(100)], {"foreign": 2}, "foreign-requests"),
        ([polls(100, late=1)], {}, None),
        ([polls(100, late=2)], {}, "late-replies"),
        ([polls(100, damaged=2, first_lost=1)], {}, "damaged"),
        ([polls(100, damaged=2, first_lost=2)], {}, "first-byte-lost"),
        ([polls(100, junk_before=1)], {}, None),
        ([polls(100, junk_before=1)], {"behind": 1}, "extra-bytes"),
        ([polls(300)], {"behind": 2}, "clean"),
        ([polls(100, damaged=1)], {}, None),
        ([polls(100, damaged=2)], {}, "damaged"),
        ([polls(10, silent=5, damaged=5)], {}, "no-reply"),
        ([polls(10, silent=4, damaged=6)], {}, None),
        ([polls(10, silent=9)], {}, None),
        ([polls(10)], {"echoes": 5}, "own-echo"),
        ([polls(100)], {"judged_pauses": 20, "short_pauses": 11}, "no-gaps"),
    ],
)
def test_raw_frames(units: list[UnitPolls], trunk: dict[str, int], outcome: str | None) -> None:
    fault = frame_fault(found(*units, **trunk))
    assert (fault.outcome if fault else None) == outcome


@pytest.mark.parametrize(
    ("judged", "short", "pauses", "word"),
    [
        (20, 11, [0.001] * 20, "too-short"),  # MOSTLY
        (20, 10, [0.001] * 20, ""),
        (19, 19, [0.001] * 19, ""),
        (20, 0, [0.0, *[0.010] * 19], "enough"),  # one in twenty may be shorter than QUICK_PAUSE_S
        (20, 0, [0.0, *[0.0099] * 19], ""),
        (20, 0, [0.0, 0.0, *[0.010] * 18], ""),
        (20, 1, [0.010] * 20, ""),
        (19, 0, [0.010] * 19, ""),
    ],
)
def test_pauses(judged: int, short: int, pauses: list[float], word: str) -> None:
    assert pause_word(TrunkPolls(judged_pauses=judged, short_pauses=short, pauses=pauses)) == word


@pytest.mark.parametrize(
    ("rounds", "pauses", "busy"),
    [
        ([[1.0] * 2, [1.0] * 3], [0.01] * 6, None),  # FEWEST_ROUNDS
        ([[1.0] * 3, [1.0] * 3], [0.01] * 6, 1.0),
        ([[1.0] * 3], [0.01] * 6, None),  # one unit makes no round
        ([[1.0] * 3, [1.0] * 3], [0.01] * 6 + [0.10] * 3, 1.0),  # REST_S
        ([[1.0] * 3, [1.0] * 3], [0.01] * 6 + [0.11] * 3, 0.89),
        ([[1.0] * 3, [1.0] * 3], [0.05] * 6 + [0.15] * 3, 1.0),  # REST_TIMES
        ([[1.0] * 3, [1.0] * 3], [0.05] * 6 + [0.16] * 3, 0.84),
    ],
)
def test_the_time_of_a_round(rounds: list[list[float]], pauses: list[float], busy: float | None) -> None:
    f = found(polls(), polls(), rounds=dict(enumerate(rounds, 1)), pauses=pauses)
    assert (turn := round_time(f)) is None or turn.busy_s == pytest.approx(busy)
    assert (turn is None) == (busy is None)


@pytest.mark.parametrize(("asked", "units", "missing"), [(2, 4, []), (3, 4, [4]), (2, 3, [3]), (1, 1, [])])
def test_units_that_are_never_asked(asked: int, units: int, missing: list[int]) -> None:
    """Fewer than half of the plan; else the list is of another trunk."""
    f = found(*[polls() for _ in range(asked)])
    f.site, f.plan = Site("yard", tuple(range(1, units + 1))), TrunkPlan(1, {n: n for n in range(1, units + 1)}, True, 0)
    assert never_asked(f) == missing


# ---- damaged stretches

REPLY = with_crc(bytes((5, 3, 8, 0, 1, 0, 2, 0, 3, 0, 4)))


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (REPLY[1:], "first-lost"),
        (REPLY[2:], "first-lost"),
        (REPLY[3:], "short"),  # LOST: two bytes at most
        (REPLY, "whole"),
        (b"\x11\x22\x33", "junk"),  # FEWEST_JUNK
        (b"\x11\x22\x33\x44", "short"),
        (b"\x05\x03\x08", "short"),
        (REPLY[:-1] + bytes((REPLY[-1] ^ 1,)), "damaged"),
        (REPLY + b"\1", "long"),
        (bytes((6, 3, 0, 0, 0, 2, 0, 0)), "request"),
        (bytes((248, 3, 0, 0, 0, 2, 0, 0)), "short"),
        (bytes((6, 7, 0, 0, 0, 2, 0, 0)), "short"),
        (bytes((6, 3, 0, 0, 8, 2, 0, 0)), "short"),
    ],
)
def test_a_damaged_stretch(head: bytes, kind: str) -> None:
    assert damage.look(head, len(head), 5, 3, len(REPLY)).kind == kind


def test_where_a_reply_of_eight_bytes_is_expected_nothing_looks_like_a_request() -> None:
    assert damage.look(bytes((6, 3, 0, 0, 0, 2, 0, 0)), 8, 5, 6, 8).kind == "damaged"


@pytest.mark.parametrize(("line", "kept"), [(b"01 03 0", 6), (b"01 03 ", 6), (b"0103", 4), (b"01030", 4)])
def test_an_endless_line_is_not_parted_within_a_byte(line: bytes, kept: int) -> None:
    assert whole_bytes(line) == kept


# ---- exchanged registers


def swapped(value: float) -> bytes:
    """A float as a unit sends it with its registers exchanged."""
    raw = struct.pack(">f", value)
    return raw[2:] + raw[:2]


@pytest.mark.parametrize(("value", "expected"), [(0.0101, True), (0.0099, False), (9.99e6, True), (1.01e7, False), (-230.0, True)])
def test_sensible_values(value: float, expected: bool) -> None:
    assert sensible(struct.pack(">f", value)) is expected


VOLTS = [swapped(230.1 + 0.1 * n) for n in range(6)]


@pytest.mark.parametrize(
    ("rows", "hinted"),
    [
        (VOLTS, True),
        (VOLTS[:5], False),  # FEWEST_ROWS
        ([VOLTS[0]] * 4 + VOLTS[1:3], True),
        ([VOLTS[0]] * 5 + VOLTS[1:2], False),  # two values say nothing
        ([*VOLTS[:5], b"\0\0\0\0"], False),  # every reply has to be sensible
    ],
)
def test_exchanged_registers(rows: list[bytes], hinted: bool) -> None:
    assert bool(exchanged_words({1: {9: rows}})) is hinted


BOTH = struct.pack(">HH", 0x4366, 0x4366)  # 230.26 either way round


@pytest.mark.parametrize(("both", "hinted"), [(2, True), (3, False)])
def test_values_that_are_sensible_as_sent(both: int, hinted: bool) -> None:
    """Half of them or more: then they stand the right way round."""
    rows = [struct.pack(">HH", 0x4366 + n, 0x4366 + n) for n in range(both)] + VOLTS[: 6 - both]
    assert bool(exchanged_words({1: {9: rows}})) is hinted


# ---- times, from lines of a log


def ask(unit: int) -> bytes:
    """A request for two registers."""
    return with_crc(bytes((unit, 3, 0, 0, 0, 2)))


def tell(unit: int) -> bytes:
    """Its reply."""
    return with_crc(bytes((unit, 3, 4, 0, 1, 0, 2)))


def figures(*rows: tuple[float, bytes], way: str = "") -> dict[str, Any]:
    """What a log of bytes at times in s says."""
    lines = [f"10:00:{at:09.6f} {way}{data.hex(' ')}\n" for at, data in rows]
    return dict(read(BytesIO("".join(lines).encode()), Asked("x.log")).figures)


@pytest.mark.parametrize(("after", "echoes"), [(0.029, 1), (0.031, 0)])
def test_a_request_that_comes_again_at_once_is_an_echo(after: float, echoes: int) -> None:
    """ECHO_S."""
    assert figures((1.0, ask(1)), (1.0 + after, ask(1)), (1.5, tell(1)))["echoes"] == echoes


@pytest.mark.parametrize(("between", "late", "unasked"), [(5, 1, 0), (6, 0, 1)])
def test_a_reply_comes_so_many_polls_late(between: int, late: int, unasked: int) -> None:
    """LATE_POLLS: the sixth poll behind the one it answers is the last."""
    rows = [(1.0, ask(9))]
    for n in range(between):
        rows += [(1.1 + n, ask(1)), (1.15 + n, tell(1))]
    rows += [(20.0, ask(1)), (20.05, tell(9)), (20.1, tell(1))]
    unit = figures(*rows)["units"]["9"]
    assert (unit["late"], unit["unasked_replies"]) == (late, unasked)


@pytest.mark.parametrize(("pause", "stretches"), [(0.049, 1), (0.051, 2)])
def test_a_pause_parts_damaged_stretches(pause: float, stretches: int) -> None:
    """SILENT_S."""
    rows = ((1.0, ask(1)), (1.1, b"\x55\x66\x77\x88"), (1.1 + pause, b"\x99\xaa\xbb\xcc"), (2.0, ask(1)), (2.1, tell(1)))
    assert figures(*rows)["stretches_without_frame"] == stretches


@pytest.mark.parametrize(("after", "replies"), [(0.4, 1), (0.6, 0)])
def test_bytes_that_could_be_both_are_no_reply_after_so_long(after: float, replies: int) -> None:
    """RESTART_S: a write and its reply are alike."""
    write = with_crc(bytes((1, 6, 0, 1, 0, 2)))
    assert figures((1.0, write), (1.0 + after, write))["replies"] == replies
