"""Parts that readers of CSV exports share: the head as lines, cells, whole lines of a stream, counts of what was refused."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO

from diagnose.source.problems import one_line

UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
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


class Utf8:
    """A stream of bytes as UTF-8: one that begins with the mark of UTF-16 is written anew on the way, another passes as it is."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._held = stream.read(1) + stream.read(1)
        self._decoder = codecs.getincrementaldecoder("utf-16")("replace") if self._held in UTF_16 else None

    def read(self, size: int) -> bytes:
        """About `size` bytes, none only at the end."""
        while True:
            data, self._held = self._held or self._stream.read(size), b""
            if self._decoder is None:
                return data
            text = self._decoder.decode(data, not data)
            if text or not data:
                return text.encode("utf-8", "replace")


def head_lines(head: bytes) -> list[str]:
    """The first bytes of a file as lines."""
    text = head.decode("utf-16" if head[:2] in UTF_16 else "utf-8", "replace")
    return [line[:LONGEST_LINE] for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]


def first_block(stream: Utf8) -> bytes:
    """The first 64 KiB of a stream, or all of a shorter one."""
    head = b""
    while len(head) < 65_536 and (more := stream.read(65_536 - len(head))):
        head += more
    return head.removeprefix(codecs.BOM_UTF8)


def whole_lines(stream: Utf8, head: bytes, counts: Counts) -> Iterator[bytes]:
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
