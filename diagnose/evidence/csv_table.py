"""Parts that readers of CSV exports share: the head as lines, cells, whole lines of a stream, counts of what was refused."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO

from diagnose.evidence.base import EvidenceError
from diagnose.source.problems import one_line

CHUNK = 2_000_000  # bytes read at a time
LONGEST_LINE = 20_000  # bytes; a row of numbers has fewer than a hundred
MOST_SAMPLES = 5
HEADER_LINES = 300  # an instrument's settings stand above the rows in some exports
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity)", re.ASCII | re.IGNORECASE)


@dataclass
class Counts:
    """What became of the lines: rows taken, lines refused, lines cut, and a few samples of the refused."""

    rows: int = 0
    bad: int = 0
    cut: int = 0
    samples: list[str] = field(default_factory=list)

    def reject(self, line: bytes, why: str, times: int = 1) -> None:
        """Count a line that is no row, and keep the first few."""
        self.bad += times
        if len(self.samples) < MOST_SAMPLES:
            self.samples.append(one_line(f"{why}: {line[:80].decode('utf-8', 'replace')}", 160))


def fields(line: str, separator: str) -> list[str]:
    """The cells of a line without blanks and quotes around them; a blank separates as many times as it likes."""
    parts = line.split() if separator == " " else line.split(separator)
    return [p.strip().strip('"').strip() for p in parts]


def head_lines(head: bytes) -> list[str]:
    """The first bytes of a file as lines."""
    text = head.decode("utf-16", "replace") if head[:2] in (b"\xff\xfe", b"\xfe\xff") else head.decode("utf-8", "replace")
    return [line[:LONGEST_LINE] for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]


def first_block(stream: IO[bytes]) -> bytes:
    """The first 64 KiB of a stream, or all of a shorter one. Raises EvidenceError for UTF-16."""
    head = b""
    while len(head) < 65_536 and (more := stream.read(65_536 - len(head))):
        head += more
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise EvidenceError("the file is in UTF-16; export it as plain text (UTF-8)")
    return head


def whole_lines(stream: IO[bytes], head: bytes, counts: Counts) -> Iterator[bytes]:
    """Whole lines, some megabytes at a time, `head` first; a line without an end is cut and counted."""
    rest, skipping, data = b"", False, head
    while data or (data := stream.read(CHUNK)):
        if data.endswith(b"\r"):  # its line feed may come with the next bytes
            data += stream.read(1)
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if skipping:
            cut = data.find(b"\n")
            if cut < 0:
                data = b""
                continue
            data, skipping = data[cut + 1 :], False
        whole, mark, tail = (rest + data).rpartition(b"\n")
        if mark:
            yield whole
        if len(tail) > LONGEST_LINE:
            counts.cut += 1
            counts.reject(tail, "a line without end")
            tail, skipping = b"", True
        rest, data = tail, b""
    if rest:
        yield rest
