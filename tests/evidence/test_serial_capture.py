"""Captures of a serial trunk, recorded with two pairs of stacks that share no code, clean and spoiled."""

from __future__ import annotations

import io
import json
import random
import struct
import subprocess
import sys
from collections import Counter
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.casework.state import find_places, read_site, take_answer
from diagnose.evidence.reader import Asked, EvidenceError, recognise
from diagnose.evidence.report import Report
from diagnose.evidence.serial.crc import crc
from diagnose.evidence.serial.frames import Framer
from diagnose.evidence.serial.reader import KIND, read
from diagnose.knowledge.load import load
from diagnose.physics import serial
from diagnose.site.model import Site
from tests.evidence import record_serial, serial_shapes
from tests.evidence.serial_shapes import frames_of

HERE = Path(__file__).parent
DATA = sorted((HERE / "data").glob("serial-*.log"))
RECORD = (HERE.parent / "sites" / "harbour-12.yaml").read_text(encoding="utf-8")

# What was put in, and what has to come first: fault, place.
FIRST = {
    "silent": ("wrong-address-at-unit", "unit 5"),
    "two-on-one": ("duplicate-address", "unit 7"),
    "corrupted": ("loose-trunk-connection", "unit 6"),
    "late": ("unit-slow", "unit 8"),
    "echo": ("adapter-echoes-requests", "trunk 1"),
    "parity": ("parity-wrong-at-unit", "unit 9"),
    "parity-everywhere": ("controller-port-settings-wrong", "trunk 1"),
    "extra-bytes": ("bias-missing", "trunk 1"),
    "first-lost": ("adapter-turns-late", "trunk 1"),
    "busy": ("unit-busy", "unit 3"),
    "all-silent": ("controller-port-settings-wrong", "trunk 1"),
}
# A reading that has to be taken: check, place, answer.
TAKEN = {
    "clean": ("raw-frames", "trunk 1", "clean"),
    "silent": ("unit-answers", "unit 5", "silent"),
    "two-on-one": ("address-scan", "trunk 1", "collides"),
    "corrupted": ("unit-answers", "unit 6", "intermittently"),
    "late": ("raw-frames", "trunk 1", "late-replies"),
    "echo": ("raw-frames", "trunk 1", "own-echo"),
    "parity": ("unit-port-shown", "unit 9", "wrong-parity"),
    "parity-everywhere": ("controller-port-shown", "trunk 1", "wrong-serial"),
    "extra-bytes": ("raw-frames", "trunk 1", "extra-bytes"),
    "first-lost": ("raw-frames", "trunk 1", "first-byte-lost"),
    "busy": ("exception-codes", "unit 3", "busy"),
    "tail-silent": ("unit-answers", "units 8-12", "silent"),
    "all-silent": ("raw-frames", "trunk 1", "no-reply"),
}


@cache
def site() -> Site:
    return read_site(RECORD, load())


@cache
def assessor() -> Assessor:
    return Assessor(load())


def reported(data: bytes, at: Site | None = None) -> Report:
    return read(io.BytesIO(data), Asked("capture", at or site()))


def told(report: Report) -> set[tuple[str, str, str]]:
    """Readings without those that need times."""
    return {(t.check, t.at, t.answer) for t in report.taken if t.check not in ("poll-cycle", "poll-gap-shown")}


@cache
def told_by(path: Path) -> set[tuple[str, str, str]]:
    return told(reported(path.read_bytes()))


def suspects(report: Report) -> list[tuple[str, str]]:
    """Faults and their likeliest place, first first, once the readings are in a case."""
    rows: list[tuple[str, dict[str, object]]] = [("opened", {"title": "capture", "record": RECORD, "role": "electrician"})]
    rows += [("reading", {"check": t.check, "at": t.at, "answer": t.answer}) for t in report.taken]
    events = tuple(Event(f"e{n}", "test", n, EPOCH, kind, data, "electrician") for n, (kind, data) in enumerate(rows, 1))
    assessment = assessor().assess(events)
    assert not assessment.notices
    return [(s.fault, str(s.places[0][0])) for s in assessment.suspects]


def every_answer_is_valid(report: Report) -> None:
    k = load()
    for t in report.taken:
        places = find_places(site(), k.checks[t.check].at, t.at)
        outcome, _, _ = take_answer(k, site(), k.checks[t.check], places, t.answer)
        assert outcome, t


# ---- recordings


def test_recordings_of_both_stacks_are_here() -> None:
    assert {p.stem for p in DATA} == {f"serial-{stack}-{fault}" for stack in ("python", "mixed") for fault in record_serial.FAULTS}
    assert set(TAKEN) == set(record_serial.FAULTS)


@pytest.mark.parametrize("path", DATA, ids=lambda p: p.stem)
def test_every_frame_is_found_and_no_other(path: Path) -> None:
    events, truth = record_serial.load(path)
    wire = b"".join(e.data for e in events)
    found, _ = frames_of([wire])
    good = Counter(bytes.fromhex(g) for g in truth["good"])
    assert Counter(found) == good
    report = reported(path.read_bytes())
    assert report.figures["frames"] == good.total()
    assert report.figures["bytes_in_frames"] == sum(len(f) * n for f, n in good.items())
    assert report.figures["bytes"] == len(wire)


@pytest.mark.parametrize("path", DATA, ids=lambda p: p.stem)
def test_each_fault_is_found_and_comes_first(path: Path) -> None:
    fault = json.loads(path.with_suffix(".json").read_text(encoding="ascii"))["fault"]
    report = reported(path.read_bytes())
    every_answer_is_valid(report)
    assert TAKEN[fault] in told(report)
    if fault in FIRST:
        assert suspects(report)[0] == FIRST[fault]
    if fault == "tail-silent":  # open and exchanged wires look the same from the controller
        faults, places = zip(*suspects(report)[:2], strict=True)
        assert set(faults) == {"pair-swapped-on-segment", "trunk-pair-open"}
        assert set(places) == {"segment 7-8"}


@pytest.mark.parametrize("fault", ["silent", "two-on-one", "late", "corrupted", "parity"])
@pytest.mark.parametrize("stack", ["python", "mixed"])
def test_what_went_wrong_is_counted_at_its_unit_alone(stack: str, fault: str) -> None:
    path = HERE / "data" / f"serial-{stack}-{fault}.log"
    _, truth = record_serial.load(path)
    units = reported(path.read_bytes()).figures["units"]
    column = {"silent": "silent", "two-on-one": "silent", "late": "late", "corrupted": "damaged", "parity": "damaged"}[fault]
    wrong = {int(a): u[column] for a, u in units.items() if u[column]}
    hurt = truth["hurt"] // 2 if fault == "two-on-one" else truth["hurt"]
    assert wrong == {truth["victim"]: hurt}
    assert all(u["asked"] == 24 for u in units.values())
    if fault == "late":
        assert 100 * units["8"]["late_worst_ms"] > 100 * 1000 * record_serial.TIMEOUT_S


@pytest.mark.parametrize(
    ("fault", "readings"),
    [
        ("late", {("reply-capture", "unit 8", "late")}),
        ("corrupted", {("reply-capture", "unit 6", "damaged"), ("raw-frames", "trunk 1", "damaged")}),
        ("two-on-one", {("reply-capture", "unit 4", "two-replies")}),
        ("clean", set()), ("silent", set()), ("echo", set()),
    ],
)  # fmt: skip
def test_what_follows_a_request_is_taken_where_it_is_odd(fault: str, readings: set[tuple[str, str, str]]) -> None:
    for path in (p for p in DATA if p.stem.endswith(f"-{fault}")):
        found = {r for r in told_by(path) if r[0] == "reply-capture" or r[2] == "damaged"}
        assert {r for r in found if r[2] != "one-reply"} == readings, path.stem


@pytest.mark.parametrize("shape", serial_shapes.SHAPES)
@pytest.mark.parametrize("fault", ["clean", "two-on-one", "late", "echo"])
def test_every_shape_tells_the_same(shape: str, fault: str) -> None:
    path = HERE / "data" / f"serial-python-{fault}.log"
    events, truth = record_serial.load(path)
    data = serial_shapes.SHAPES[shape](events)
    report = reported(data)
    assert report.figures["frames"] == len(truth["good"])
    assert told(report) == told_by(path)
    first = recognise(data[:65_536], "noname")
    assert first
    assert first[0][1].kind == KIND


@pytest.mark.parametrize("path", DATA, ids=lambda p: p.stem)
def test_bare_bytes_without_times_tell_the_same(path: Path) -> None:
    events, _ = record_serial.load(path)
    assert told(reported(serial_shapes.SHAPES["binary"](events))) == told_by(path)


def test_a_live_capture_of_a_stack_is_read() -> None:
    pytest.importorskip("pymodbus")
    pytest.importorskip("serial")
    recording = record_serial.record("python", "silent", 3)
    report = reported(record_serial.as_log(recording.events).encode())
    assert report.figures["frames"] == len(recording.good)
    assert ("unit-answers", "unit 5", "silent") in told(report)


def test_a_live_capture_of_the_other_stack_is_read() -> None:
    pytest.importorskip("minimalmodbus")
    if record_serial.libmodbus() is None:
        pytest.skip("the C library libmodbus is not installed")
    recording = record_serial.record("mixed", "two-on-one", 3)
    report = reported(record_serial.as_log(recording.events).encode())
    assert report.figures["frames"] == len(recording.good)
    assert ("address-scan", "trunk 1", "collides") in told(report)


# ---- made captures


def frame(*body: int) -> bytes:
    return serial.with_crc(bytes(body))


def ask(unit: int, count: int = 2) -> bytes:
    return frame(unit, 3, 0, 0, 0, count)


def tell(unit: int, count: int = 2, fill: int = 7) -> bytes:
    return frame(unit, 3, 2 * count, *([fill] * 2 * count))


def test_checksum_agrees_with_the_standard_and_the_plain_one() -> None:
    assert crc(b"123456789") == 0x4B37
    data = bytes(random.Random(3).randrange(256) for _ in range(300))
    assert crc(data) == serial.crc16(data)


@pytest.mark.parametrize(
    "body",
    ["010001030013000a", "0101000a0011", "01010302cd6b", "0105 00ac ff00", "0106 0001 0003", "0107", "0107 6d",
     "0108 0000 a537", "010b", "010b ffff 0108",
     "010f 0013 000a 02 cd01", "010f 0013 000a", "0110 0001 0002 04 000a 0102", "0110 0001 0002", "0111", "0111 03 2200ff",
     "0116 0004 00f2 0025", "0117 0003 0006 000e 0003 06 00ff00ff00ff", "0117 0c 00fe0acd00010003000d00ff", "012b 0e 01 00",
     "0183 02", "01ab 01", "0006 0001 0003", "f703 6b 02"],
)  # fmt: skip
def test_frames_of_the_standard(body: str) -> None:
    data = bytes.fromhex(body.replace(" ", ""))
    if body in ("010001030013000a", "01010302cd6b", "f703 6b 02"):  # not frames: wrong count, unknown function, short
        data = data[:-1] + bytes((data[-1] ^ 0x55,))
        assert frames_of([data]) == ([], [data])
        return
    whole = serial.with_crc(data)
    assert frames_of([whole]) == ([whole], [])


def test_units_are_found_by_their_recorded_address() -> None:
    k = load()
    record = RECORD.replace('"5": {address: 5}', '"5": {address: 77}')
    moved = read_site(record, k)
    data = b"".join(ask(u) + (tell(u) if u != 77 else b"") for _ in range(30) for u in (2, 3, 4, 77, 6))
    assert ("unit-answers", "unit 5", "silent") in told(reported(data, moved))


def test_without_a_record_the_address_is_the_unit() -> None:
    data = b"".join(ask(u) + (tell(u) if u != 9 else b"") for _ in range(30) for u in (2, 9))
    report = read(io.BytesIO(data), Asked("x"))
    assert ("unit-answers", "unit 9", "silent") in told(report)


def test_a_unit_that_answers_outside_the_plan() -> None:
    data = b"".join(ask(u) + (tell(u) if u != 5 else b"") for _ in range(30) for u in (2, 3, 5, 99))
    report = reported(data)
    assert ("address-scan", "trunk 1", "unexpected") in told(report)
    every_answer_is_valid(report)


def test_a_unit_that_nobody_asks() -> None:
    data = b"".join(ask(u) + tell(u) for _ in range(5) for u in range(2, 13) if u != 6)
    assert ("poll-list-look", "unit 6", "not-listed") in told(reported(data))


def test_exceptions_by_code() -> None:
    codes = {2: 2, 3: 4, 4: 6, 5: 10, 6: 11}
    data = b"".join(ask(u) + frame(u, 0x83, c) for _ in range(4) for u, c in codes.items())
    report = reported(data)
    answers = {(t.at, t.answer) for t in report.taken if t.check == "exception-codes"}
    assert answers == {
        ("unit 2", "illegal-request"), ("unit 3", "device-failure"), ("unit 4", "busy"), ("unit 5", "gateway-path"), ("unit 6", "target-silent"),
    }  # fmt: skip
    assert report.figures["units"]["3"]["exceptions"] == {"04": 4}


def test_a_reply_of_another_length_is_said() -> None:
    data = b"".join(ask(2, 4) + tell(2, 2) for _ in range(5))
    report = reported(data)
    assert report.figures["units"]["2"]["wrong_span"] == 5
    assert any("another number of registers" in s for s in report.says)


def test_two_whole_answers_to_one_request() -> None:
    data = b"".join(ask(u) + tell(u) + (tell(u, fill=9) if u == 4 else b"") for _ in range(10) for u in (2, 4, 5))
    report = reported(data)
    assert ("address-scan", "trunk 1", "collides") in told(report)
    assert report.figures["units"]["4"]["two_answers"] == 10


def test_requests_of_a_second_controller() -> None:
    rows = []
    for n in range(20):
        rows += [f"{n}.000 TX {ask(3).hex(' ')}", f"{n}.010 RX {tell(3).hex(' ')}"]
        if n % 3 == 0:
            rows += [f"{n}.500 RX {ask(9).hex(' ')}", f"{n}.510 RX {tell(9).hex(' ')}"]
    report = reported("\n".join(rows).encode())
    assert ("raw-frames", "trunk 1", "foreign-requests") in told(report)
    assert report.figures["foreign_requests"] == 7


def test_polls_without_a_pause() -> None:
    rows, now = [], 0.0
    for _ in range(30):
        rows += [f"{now:.6f} TX {ask(3).hex(' ')}", f"{now + 0.02:.6f} RX {tell(3).hex(' ')}"]
        now += 0.0205
    report = reported("\n".join(rows).encode())
    assert {("raw-frames", "trunk 1", "no-gaps")} <= told(report)
    assert any(t.check == "poll-gap-shown" and t.answer == "too-short" for t in report.taken)


def test_a_units_own_log_has_the_requests_among_what_it_received() -> None:
    rows = []
    for _ in range(30):
        rows += [f"RX {ask(3).hex(' ')}", f"TX {tell(3).hex(' ')}", f"RX {ask(4).hex(' ')}"]
    report = reported("\n".join(rows).encode())
    answers = {(t.at, t.answer) for t in report.taken if t.check == "unit-answers"}
    assert answers == {("unit 3", "answers")}  # of unit 4 it cannot know


def test_writes_are_told_from_their_replies() -> None:
    write = frame(4, 6, 0, 1, 0, 3)
    data = b"".join(write + write + ask(4) + tell(4) for _ in range(25))
    units = reported(data).figures["units"]
    assert units["4"]["asked"] == units["4"]["answered"] == 50


def test_exchanged_words_are_a_hint_only() -> None:
    draw, rows = random.Random(1), []
    for _ in range(12):
        packed = struct.pack(">f", 230 + draw.random())
        rows.append(ask(2) + frame(2, 3, 4, *packed[2:], *packed[:2]))
    report = reported(b"".join(rows))
    assert any("registers exchanged" in s for s in report.says)
    assert {t.check for t in report.taken} <= {"unit-answers", "raw-frames", "exception-codes"}


def test_response_times() -> None:
    rows = [f"{n}.000000 TX {ask(2).hex(' ')}\n{n}.0{10 + n}000 RX {tell(2).hex(' ')}" for n in range(10)]
    unit = reported("\n".join(rows).encode()).figures["units"]["2"]
    assert unit["reply_mean_ms"] == pytest.approx(14.5, abs=0.01)
    assert unit["reply_worst_ms"] == pytest.approx(19, abs=0.01)


# ---- any bytes


@st.composite
def whole_frames(draw: st.DrawFn) -> bytes:
    unit = draw(st.integers(1, 247))
    kind = draw(st.sampled_from(["read", "reply", "write", "many", "refused", "bits"]))
    count = draw(st.integers(1, 125))
    if kind == "read":
        return frame(unit, draw(st.sampled_from([3, 4])), *draw(st.binary(min_size=2, max_size=2)), 0, count)
    if kind == "reply":
        return frame(unit, 3, 2 * count, *draw(st.binary(min_size=2 * count, max_size=2 * count)))
    if kind == "write":
        return frame(unit, 6, *draw(st.binary(min_size=4, max_size=4)))
    if kind == "many":
        count = min(count, 123)
        return frame(unit, 16, 0, 1, 0, count, 2 * count, *draw(st.binary(min_size=2 * count, max_size=2 * count)))
    if kind == "bits":
        return frame(unit, 1, count, *draw(st.binary(min_size=count, max_size=count)))
    return frame(unit, 0x83, draw(st.integers(1, 11)))


@settings(max_examples=60)
@given(st.lists(whole_frames(), max_size=30))
def test_frames_laid_end_to_end_come_back(frames: list[bytes]) -> None:
    assert frames_of([b"".join(frames)]) == (frames, [])


@settings(max_examples=60)
@given(st.lists(st.one_of(whole_frames(), st.binary(max_size=40)), max_size=30), st.data())
def test_any_split_of_the_stream_gives_the_same(parts: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(parts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert frames_of(pieces) == frames_of([stream])


def lengths(b: bytes) -> set[int]:
    """Lengths that a frame at the beginning of `b` may have by its function (MODBUS Application Protocol V1.1b3, 6, 7)."""
    b = b + bytes(16)
    code, two = b[1], int.from_bytes(b[4:6], "big")
    found: set[int] = set()
    if b[0] > 247:
        return found
    if code & 0x80 and code & 0x7F in (*range(1, 9), 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43):
        return {5} if 1 <= b[2] <= 15 else found
    if code in (1, 2):
        found |= ({8} if 1 <= two <= 2000 else set()) | ({5 + b[2]} if b[2] else set())
    elif code in (3, 4):
        found |= ({8} if 1 <= two <= 125 else set()) | ({5 + b[2]} if b[2] and not b[2] % 2 else set())
    elif code == 5:
        found |= ({8} if two in (0, 0xFF00) or b[4] in (0, 0xFF) else set())
    elif code in (6, 15, 16):
        found.add(8)
        if (code == 16 and b[6] == 2 * two) or (code == 15 and b[6] == (two + 7) // 8):
            found.add(9 + b[6])
    elif code == 8:
        found |= {8} if b[2] == 0 and b[3] <= 0x15 else set()
    elif code in (7, 11, 12, 17):
        found.add(4)
        found.add({7: 5, 11: 8}.get(code, 5 + b[2]))
    elif code in (20, 21):
        found |= {5 + b[2]}
    elif code == 22:
        found.add(10)
    elif code == 23:
        found |= ({13 + b[10]} if b[10] == 2 * int.from_bytes(b[8:10], "big") else set()) | ({5 + b[2]} if b[2] and not b[2] % 2 else set())
    elif code == 24:
        found |= {6} | ({6 + b[3]} if b[2] == 0 else set())
    elif code == 43 and b[2] == 0x0E:
        found.add(7)
    return {n for n in found if n <= 256}


def scanned(stream: bytes) -> list[bytes]:
    """Frames of a stream byte by byte: the first place where a length and the CRC fit, then behind it."""
    found, at = [], 0
    while at < len(stream):
        fits = [n for n in sorted(lengths(stream[at:])) if at + n <= len(stream) and serial.crc16(stream[at : at + n]) == 0]
        if fits:
            found.append(stream[at : at + fits[0]])
        at += fits[0] if fits else 1
    return found


@settings(max_examples=80)
@given(st.lists(st.one_of(whole_frames(), st.binary(max_size=30)), max_size=25), st.randoms(use_true_random=False))
def test_all_places_at_once_give_what_a_plain_scan_gives(parts: list[bytes], draw: random.Random) -> None:
    stream = bytearray(b"".join(parts))
    for _ in range(draw.randrange(4) if stream else 0):
        stream[draw.randrange(len(stream))] ^= 1 << draw.randrange(8)
    assert frames_of([bytes(stream)])[0] == scanned(bytes(stream))


class Dribble(io.BytesIO):
    """Gives fewer bytes than are asked for."""

    def __init__(self, data: bytes, seed: int) -> None:
        super().__init__(data)
        self._draw = random.Random(seed)

    def read(self, size: int | None = -1, /) -> bytes:
        return super().read(min(size or 1, self._draw.randrange(1, 5000)) if size and size > 0 else size)


@pytest.mark.parametrize("name", ["serial-python-late.log", "serial-mixed-echo.log"])
def test_however_the_file_is_read_the_report_is_the_same(name: str) -> None:
    data = (HERE / "data" / name).read_bytes()
    assert read(Dribble(data, 1), Asked("x", site())) == read(io.BytesIO(data), Asked("x", site()))


@settings(max_examples=80)
@given(st.binary(min_size=1, max_size=3000))
def test_random_bytes_do_no_harm(data: bytes) -> None:
    try:
        report = reported(data)
    except EvidenceError:
        return
    assert report.figures["bytes_in_frames"] <= report.figures["bytes"]
    json.dumps(report.figures)


@settings(max_examples=80)
@given(st.text(max_size=2000), st.booleans())
def test_random_text_does_no_harm(text: str, marked: bool) -> None:
    data = ("\n".join(f"TX {line}" for line in text.splitlines()) if marked else text).encode("utf-8", "replace")
    try:
        report = reported(data or b"x")
    except EvidenceError:
        return
    for said in [*report.says, *report.samples, *(t.because for t in report.taken)]:
        assert said.isprintable()


def test_escape_sequences_and_long_lines_are_counted_not_printed() -> None:
    good = "\n".join(f"TX {ask(2).hex(' ')}\nRX {tell(2).hex(' ')}" for _ in range(20))
    evil = "TX \x1b[2J[bold]zz\n" + "A:" * 300_000 + "\n" + "-" * 200_000 + "\n" + "|  " * 200_000 + "\n"
    report = reported((good + "\n" + evil).encode("latin-1").replace(b"\x1b", b"?") + good.encode())
    assert report.figures["lines_cut"] == 3
    assert report.figures["units"]["2"]["answered"] >= 38
    assert all(s.isprintable() for s in report.samples)
    assert report.not_understood >= 2


def test_a_line_of_hex_of_any_length_is_read_whole() -> None:
    stream = b"".join(ask(u) + tell(u) for _ in range(10_000) for u in (2, 3))
    assert len(stream) > 300_000
    for text in (stream.hex(), stream.hex(" ")):
        report = reported(text.encode())
        assert report.figures["frames"] == 40_000
        assert report.figures["lines_cut"] == 0


def test_nothing_is_an_error_in_one_line() -> None:
    for data in (b"", b"\n\n", b"nothing here\n"):
        with pytest.raises(EvidenceError) as caught:
            reported(data)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "head",
    [b"", b"time,unit,volts\n12:00:01,5,230.1\n12:00:02,5,231.0\n", b'[2,"19223201","Heartbeat",{}]\n' * 40,
     b"\xd4\xc3\xb2\xa1\x02\x00\x04\x00" + bytes(random.Random(4).randrange(256) for _ in range(60_000)), bytes(5000),
     b"2025-03-04 09:00:00 INFO session 12 34 56 started\n" * 50, b"PK\x03\x04" + bytes(random.Random(5).randrange(256) for _ in range(9000))],
)  # fmt: skip
def test_other_files_are_not_claimed(head: bytes) -> None:
    assert not [i for s, i in recognise(head, "file.bin") if i.kind == KIND]


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """Sixteen megabytes of bytes and of text, each in a process of its own."""
    draw = random.Random(2)
    one = b"".join(ask(u, 20) + frame(u, 3, 40, *(draw.randrange(256) for _ in range(40))) for u in range(2, 13))
    text = b"".join(f"09:00:00.{n % 1000:03d} {w} {d.hex(' ')}\n".encode() for n, (w, d) in enumerate(
        (w, d) for u in range(2, 13) for w, d in (("TX", ask(u, 20)), ("RX", tell(u, 20)))))  # fmt: skip
    code = (
        "import sys; from diagnose.evidence.reader import Asked; from diagnose.evidence.serial.reader import read\n"
        "r = read(open(sys.argv[1], 'rb'), Asked('x'))\n"
        # The peak of this very process: what the kernel calls the largest resident set is handed on by the parent.
        "peak = next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print(r.figures['bytes_outside_frames'], peak)"
    )
    for name, block in (("bytes.bin", one), ("text.log", text)):
        path = tmp_path / name
        path.write_bytes(block * (16_000_000 // len(block)))
        done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True, cwd=HERE.parents[1])
        outside, kilobytes = map(int, done.stdout.split())
        assert outside == 0
        assert kilobytes < 200_000


def test_framer_gives_out_what_it_can_and_holds_a_frames_length() -> None:
    framer = Framer()
    framer.feed(ask(2) * 1000)
    assert framer.total - framer.decided < 264


@pytest.mark.parametrize("path", DATA, ids=lambda p: p.stem)
@pytest.mark.parametrize("shape", ["iso", "binary"])
def test_where_a_block_ends_does_not_matter(path: Path, shape: str, monkeypatch: pytest.MonkeyPatch) -> None:
    events, _ = record_serial.load(path)
    data = serial_shapes.SHAPES[shape](events)
    whole = reported(data)
    monkeypatch.setattr("diagnose.evidence.serial.reader.BLOCK", 3000)
    parts = reported(data)
    assert parts.figures == whole.figures
    assert set(parts.taken) == set(whole.taken)


def test_the_example_of_the_manual_page() -> None:
    page = (HERE.parents[1] / "docs" / "evidence" / "serial-capture.md").read_text(encoding="utf-8")
    example, result = (part.strip("\n").removeprefix("text\n") for part in page.split("```")[1:4:2])
    report = reported((example + "\n").encode())
    shown = [" ".join((t.check, t.at, t.answer, t.lines)) for t in report.taken if t.check == "unit-answers"]
    assert shown == [" ".join(row.split()) for row in result.splitlines()]
    for figure in report.figures:
        assert f"`{figure}`" in page
    for figure in report.figures["units"]["2"]:
        assert f"`{figure}`" in page
