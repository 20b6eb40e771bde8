"""Files of oscilloscopes: ways of writing them, bad and hostile ones, and memory."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from diagnose.evidence.reader import EvidenceError, recognise
from diagnose.evidence.scope.find import find
from tests.evidence.test_waveform import site_of
from tests.evidence.waves import REQUEST, csv, wave


@pytest.mark.parametrize(
    ("head", "separator", "comma", "scale"),
    [
        ("Time (s),CH1 (V)\n", ",", False, 1.0), ("t;u\nms;V\n", ";", True, 1e3), ("Time\tTrace\nus\tV\n\n", "\t", True, 1e6), ("", ";", False, 1.0),
        ("Sampling,fast\nsecond,Volt\n", ",", False, 1.0), ("x (ns);y (V)\n", ";", False, 1e9),
        ("# made by hand\nTime [µs],A [V]\n", ",", False, 1e6),
    ],
)  # fmt: skip
def test_ways_of_writing(head: str, separator: str, comma: bool, scale: float) -> None:
    t, y = wave("sound-20-lossless", step=200e-9)
    data = csv(t, y, head, separator, comma, scale)
    a = find(io.BytesIO(data))
    assert a.decoded is not None
    assert a.decoded.frames[0].data == REQUEST
    assert a.tally.not_understood == 0
    assert a.tally.understood == len(t)
    assert a.scan.step == pytest.approx(200e-9, rel=1e-3)
    assert recognise(data[:65_536], "scope.csv")[0][1].kind == "waveform"


def test_millivolts_and_two_channels() -> None:
    t, y = wave("sound-20-lossless", step=200e-9)
    rows = "\n".join(f"{a:.9g},{1000 * (2.5 - b / 2):.2f},{1000 * (2.5 + b / 2):.2f}" for a, b in zip(t, y, strict=True))
    a = find(io.BytesIO(f"Time,D0 (-),D1 (+)\ns,mV,mV\n{rows}\n".encode()))
    assert (a.layout.plus, a.layout.minus) == (2, 1)
    assert a.decoded is not None
    assert a.decoded.frames[0].data == REQUEST
    assert a.driven == pytest.approx(1.8, rel=0.1)


def test_times_with_few_digits_are_evened() -> None:
    t, y = wave("open-300-lossless", step=40e-9)
    rows = "\n".join(f"{a:.6e},{b:.3f}" for a, b in zip(t + 1.0, y, strict=True))  # a microsecond is all that is printed
    a = find(io.BytesIO(f"s,V\n{rows}\n".encode()), site_of())
    assert a.spot is not None
    assert abs(a.spot.metres - 300) < 9


def test_bad_lines_are_counted_and_shown_safely() -> None:
    t, y = wave("sound-20-lossless", step=400e-9)
    lines = csv(t, y).split(b"\n")
    lines[500:500] = [b"\x1b[31mred\x1b[0m\x00", b"[bold]x[/x],1,2,3", b"9" * 100_000, b"1,inf"]
    a = find(io.BytesIO(b"\n".join(lines)))
    assert a.tally.not_understood == 4
    assert a.tally.understood == len(t)
    assert all(s.isprintable() and len(s) < 200 for s in a.tally.samples)


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\n\n", b"a,b\nc,d\n", b"\x00" * 1000, b"1,2,3,4,5\n" * 100, b"x" * 3_000_000, b"1,2\n" * 20,
        b"0,1\n" * 4000, os.urandom(4096), b"\xff\xfe1\x00,\x00",
    ],
)
def test_hostile_files_are_refused_in_one_line(data: bytes) -> None:
    with pytest.raises(EvidenceError) as caught:
        find(io.BytesIO(data), site_of())
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("data", [b"1,2\n3,4\n5,6\n", b'{"a": 1}\n' * 50, b"2031-01-01 10:00:00,1\n" * 50, b"unit,amps\n1,32\n2,16\n3,16\n4,1\n"])
def test_other_files_are_not_claimed(data: bytes) -> None:
    assert all(i.kind != "waveform" for _, i in recognise(data, "x.csv"))


def test_memory_stays_bounded() -> None:
    """Five times the length takes hardly more memory."""
    code = (
        "import resource, sys\n"
        "sys.path.insert(0, sys.argv[1])\n"
        "import numpy\n"
        "from diagnose.evidence.scope.find import find\n"
        "class Long:\n"
        "    def __init__(self, rows):\n"
        "        self.n, self.rows, self.rest = 0, rows, b's,V\\n'\n"
        "    def read(self, size=-1):\n"
        "        while len(self.rest) < size and self.n < self.rows:\n"
        "            k = range(self.n, self.n + 20000)\n"
        "            self.rest += b''.join(b'%.7f,%.3f\\n' % (i * 1e-6, 2.0 if (i // 52) % 7 in (0, 3, 4) else -2.0) for i in k)\n"
        "            self.n += 20000\n"
        "        out, self.rest = self.rest[:size], self.rest[size:]\n"
        "        return out\n"
        "a = find(Long(int(sys.argv[2])))\n"
        "print(a.tally.understood, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    root = str(Path(__file__).parents[2])
    peaks = []
    for rows in (400_000, 2_000_000):
        done = subprocess.run([sys.executable, "-c", code, root, str(rows)], capture_output=True, text=True, check=True)
        read, peak = done.stdout.split()
        assert int(read) == rows
        peaks.append(int(peak))
    assert peaks[1] < peaks[0] + 60_000, peaks
