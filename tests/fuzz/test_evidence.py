"""Damaged evidence of every kind, all the way to the terminal, the page and JSON: a report or one line, and no harm.

Never another exception, never a hang, no control character in what is printed, no element in a page that is not ours.
All chance is seeded: a failure names its input. `DIAGNOSE_FUZZ=20000` makes more of it.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import signal
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import html5lib
import pytest

from diagnose.evidence.intake import read_stream
from diagnose.evidence.reader import READERS, EvidenceError, load_all
from diagnose.report.evidence_text import as_json, report_lines
from diagnose.report.page import evidence_page
from diagnose.shell.paint import render
from tests.evidence.network_help import LONG_WINDED, knowledge, mutate, site
from tests.evidence.test_packets import Wire, capture
from tests.evidence.waves import csv, wave
from tests.report.test_page import check_page

ROOT = Path(__file__).parents[2]
WANTED = int(os.environ.get("DIAGNOSE_FUZZ", "5000"))
PARTS = 6  # of the inputs of a kind, so that several processes can share them
TRIED = ("ip-output", "meter-log", "modem", "ocpp-log", "packets", "serial-capture", "waveform")  # all kinds, in order
LONGEST = 10  # s for one input, on a machine that does other things as well
PARSED = 10  # each so many pages is parsed in full; all are looked through for elements
# Forms that a fuzzer finds late: endless lines, deep nesting, what a terminal or a page would obey.
HOSTILE = (
    b"\x1b[2J\x1b]0;owned\x07", b"\x9b31m", b"<script>alert(1)</script>", b"<img src=x onerror=alert(1)>", b"\0" * 300, b"\xe2\x80\xae", b"[" * 3000,
    b'{"a":' * 2000, b"9" * 5000, b"1e308,", b"-1e308;", b"nan", b"inf", b"99999-99-99T99:99:99Z", b"\xff\xfe\x00\x00", b"x" * 70_000, b"\r" * 2000,
    b"0,0\n" * 3000, b"\xef\xbb\xbf", b"{{ 7*7 }}", b"[bold]", b"-->", b"]]>", b"&#27;[2J", b"\\u001b[2J", b"%1b%5b2J", b"\x85\xa0",
)  # fmt: skip


def _example(page: str) -> bytes:
    """The example of a kind's page: something it accepts."""
    text = (ROOT / "docs" / "evidence" / f"{page}.md").read_text()
    (block,) = re.findall(r"```text\n(.*?)```", text, re.S)[:1]
    return str(block).encode()


@cache
def seeds() -> dict[str, tuple[bytes, ...]]:
    """Good files of every kind, small, so that thousands of copies can be read."""
    serial = [p.read_bytes()[:2500] for p in sorted((ROOT / "tests" / "evidence" / "data").glob("serial-*.log"))[::4]]
    binary = [bytes.fromhex(re.sub(rb"[^0-9a-fA-F]", b"", row.split(b" ", 2)[-1]).decode()[: 2 * 8]) for row in serial[0].splitlines()[:40]]
    t, y = wave("open-60-lossy", rate=57_600, step=100e-9, pause=50e-6, frames=[(20e-6, b"\x01\x03")])
    t2, y2 = wave("missing-300-lossy", rate=115_200, step=160e-9, pause=30e-6, frames=[(20e-6, bytes([1, 3, 0]))])
    # The search for echoes takes half a second, so one in ten has edges; the others try the reading of the file.
    still = [
        csv(t2[:70], y2[:70], "sep=;\nTime;A\n", ";", comma=True), csv(t2[:300], 0 * y2[:300], "Time (ms)\tCH1 [mV]\ns\tV\n", "\t"),
        csv(t[:60], y[:60], "# probe: unit 3\nTime,CH1\ns,V\n"), csv(t[:200], y[:200], ""),
        b"Time,CH1,CH2\n" + b"".join(b"%d,1,2\n" % k for k in range(200)),
        b"Time;CH1+;CH1-\ns;V;V\n" + b"".join(b"%d,5;1,25;-1,2\n" % k for k in range(200)), csv(t[:70], y[:70]), csv(t2[:90], 0 * y2[:90] + 0.3),
        b"t (us)  a (mV)\n" + b"".join(b"%d.5e-1  %d\n" % (k, k % 3) for k in range(150)),
    ]  # fmt: skip
    packets = capture(Wire().rounds(3, range(1, 5), {3: None}).packets)
    return {
        "serial-capture": (*serial, b"".join(binary)),
        "waveform": (csv(t, y), *still, csv(t2, y2, "sep=;\nTime;A;B\n", ";", comma=True), *still),
        "meter-log": tuple(_meter()),
        "modem": (_example("modem"),),
        "ip-output": (_example("ip-output"),),
        "ocpp-log": (_example("ocpp-log"),),
        "packets": (packets, capture(Wire().rounds(2, range(1, 3), {}).packets, ng=True)),
    }


def _meter() -> Iterator[bytes]:
    chance = random.Random(3)
    for separator, comma in ((",", False), (";", True)):
        rows = ["Time;L1-L2 (V);I (A);Temp (°C)".replace(";", separator)]
        for k in range(400):
            amps = 0.0 if k < 60 else 32.0 if k < 250 else 20.0
            cells = [f"{k // 60:02d}:{k % 60:02d}:00", f"{240 - 0.1 * amps + chance.gauss(0, 0.1):.1f}", f"{amps:.2f}", f"{20 + k / 20:.1f}"]
            rows.append(separator.join(c.replace(".", ",") if comma else c for c in cells))
        yield "\n".join(rows).encode() + b"\n"


def spoilt(good: bytes, chance: random.Random) -> bytes:
    """A damaged copy of a good file."""
    data = mutate(good, chance)
    if chance.random() < 0.5:
        at = chance.randrange(len(data) + 1)
        data = data[:at] + chance.choice(HOSTILE) + data[at:]
    return data


class TooLong(Exception):
    """An input took longer than anybody waits."""


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Raise TooLong where the work inside takes longer. Unix only, as the tests are."""

    def ring(number: int, frame: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


OURS = re.compile(
    (
        r"<(?!/?(?:!doctype|html|head|meta|title|style|body|h[123]|p|ul|li|code|table|thead|tbody|tr|th|td"
        r"|figure|figcaption|div|details|summary|pre|footer|span|br|svg|rect|text|line|polyline)\b)"
    ),
    re.I,
)


def look(data: bytes, name: str, kind: str, with_site: bool, width: int, whole: bool) -> str:
    """Read and show one input in every way there is; what became of it."""
    try:
        report, original = read_stream(io.BytesIO(data), name, site() if with_site else None, kind)
    except EvidenceError as error:
        line = str(error)
        assert line
        assert all(c.isprintable() for c in line), repr(line)
        assert len(line) < 2000
        return "refused"
    printed = [render(line, True) for line in report_lines(report, original, knowledge(), width)]
    for text in printed:
        bare = re.sub(r"\x1b\[[0-9;]*m", "", text)  # the program's own bold and colour
        assert all(c.isprintable() for c in bare), repr(text)
        assert len(bare) <= max(width, 20), (len(bare), text)
    json.loads(json.dumps(as_json(report, original), allow_nan=False))
    page = evidence_page(report, original, None)
    assert all(c.isprintable() or c == "\n" for c in page)
    assert not OURS.search(page), OURS.search(page)
    if whole:
        check_page(page)
    return "read"


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("kind", TRIED)
def test_damaged_evidence_does_no_harm(kind: str, part: int) -> None:
    good = seeds()[kind]
    rounds = WANTED // len(seeds()) // PARTS + 1
    chance = random.Random(f"evidence {kind} {part}")
    became: Counter[str] = Counter()
    for n in range(part * rounds, (part + 1) * rounds):
        data = spoilt(good[n % len(good)], chance)
        # By name and content as a person gives it, and with the kind forced upon it.
        forced = kind if n % 3 else ""
        try:
            with within(LONGEST):
                became[look(data, f"x{n}.log", forced, bool(n % 2), (40, 100)[n % 2], n % PARSED == 0)] += 1
        except Exception as error:
            keep = Path(os.environ.get("TMPDIR", "/tmp")) / f"evidence-{kind}-{n}.bin"
            keep.write_bytes(data)
            raise AssertionError(f"input {n} of {kind}, kept in {keep}: {type(error).__name__}: {error}") from error
    assert sum(became.values()) == rounds
    assert became["read"] > rounds / 20, became  # else nothing but the refusal would have been tried


def test_every_kind_is_tried() -> None:
    load_all()
    assert list(TRIED) == sorted(seeds()) == sorted(READERS)
    folder = ROOT / "diagnose" / "evidence"
    with_one = {p for p in folder.rglob("*.py") if re.search(r"^@reader\(", p.read_text(), re.M)}
    assert with_one == {p for p in folder.rglob("reader.py") if p.parent != folder}
    assert len(with_one) == len(READERS)
    assert sum(PARTS * (WANTED // len(seeds()) // PARTS + 1) for _ in seeds()) >= WANTED


@pytest.mark.parametrize("kind", TRIED)
def test_no_kind_takes_another_kinds_file(kind: str) -> None:
    for data in seeds()[kind][:4]:
        report, _ = read_stream(io.BytesIO(data), "evidence", None)
        assert report.kind == kind


@pytest.mark.parametrize("kind", TRIED)
def test_no_input_makes_it_search_for_ever(kind: str) -> None:
    pieces = (*(p.encode() for p in LONG_WINDED), b"1,2\n", b"1;2;3\n", b"01 03 ", b"a,", b"\xd4\xc3\xb2\xa1", b"0,0,0\n", b"12:00:00,1\n", b"#\n")
    for piece in pieces:
        with within(LONGEST):
            look((piece * 60_000)[:60_000], "x", kind, True, 40, False)


def test_a_page_parser_that_sees_everything() -> None:
    """The check itself fails on what it is for."""
    assert OURS.search("<script>")
    assert OURS.search("a < b")
    with pytest.raises(html5lib.html5parser.ParseError):
        check_page("<p>")
