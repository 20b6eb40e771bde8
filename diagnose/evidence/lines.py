"""Bounded lines of text: encodings, line ends, cutting. Whoever reads text or a table takes its lines from here.

`lines` gives text line by line, painting removed. `whole_lines` gives some megabytes of whole lines at a time, as bytes,
for readers that take a block at once. Neither ever holds more than a block and one cut line.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterable, Iterator
from typing import IO, NamedTuple, Protocol

UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
CHUNK = 65_536  # bytes of text read at a time
BLOCK = 2_000_000  # bytes of a table read at a time
FIRST = 65_536  # bytes of a table from which it is told how it is written
LONGEST = 65_536
"""Characters of a line of text that are looked at; what is longer is cut, and counted."""
LONGEST_ROW = 20_000  # bytes; a row of numbers has fewer than a hundred
HEADER_LINES = 300  # an instrument's settings stand above the rows in some exports
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity)", re.ASCII | re.IGNORECASE)
_PAINT = re.compile("\x1b\\[[0-9;?]{0,16}[ -/]?[@-~]")


class TextLine(NamedTuple):
    """A line without its end; `cut` characters of it are missing."""

    number: int
    text: str
    cut: int


class Bytes(Protocol):
    """Anything that bytes are read from."""

    def read(self, size: int, /) -> bytes:
        """At most about `size` bytes, none only at the end."""
        ...


def binary(head: bytes) -> bool:
    """Whether a beginning is no text: zero bytes, and not for being in UTF-16."""
    return b"\0" in head and not head.startswith(UTF_16)


def _encoding(head: bytes) -> str:
    """By the mark at the beginning; a redirected command on some desktops writes UTF-16."""
    if head.startswith(UTF_16):
        return "utf-16"
    return "utf-8-sig"


def head_text(head: bytes) -> str:
    """The first bytes of a file as text, painting removed."""
    return _PAINT.sub("", head.decode(_encoding(head), "replace")).replace("\r\n", "\n").replace("\r", "\n")


def lines(stream: IO[bytes], longest: int = LONGEST) -> Iterator[TextLine]:
    """The lines of a text, numbered from 1, painting removed; a line end is LF, CR LF or CR.

    Never holds more than a chunk and one cut line.
    """
    data = stream.read(CHUNK)
    decoder = codecs.getincrementaldecoder(_encoding(data))("replace")
    number, held, cut, after_cr = 0, "", 0, False
    while data:
        text = decoder.decode(data)
        data = stream.read(CHUNK)
        if not data:
            text += decoder.decode(b"", True)
        if after_cr and text.startswith("\n"):
            text = text[1:]
            after_cr = False
        elif text:
            after_cr = False
        if text.endswith("\r"):
            after_cr = True
        parts = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        for part in parts[:-1]:
            number += 1
            whole = held + part
            yield TextLine(number, _PAINT.sub("", whole[:longest]), cut + max(0, len(whole) - longest))
            held, cut = "", 0
        held += parts[-1]
        if len(held) > longest:
            cut += len(held) - longest
            held = held[:longest]
    if held:
        yield TextLine(number + 1, _PAINT.sub("", held), cut)


def where(numbers: Iterable[int], what: str = "line") -> str:
    """`line 12`, `lines 12-40`; the empty text for nothing."""
    kept = list(numbers)
    if not kept:
        return ""
    low, high = min(kept), max(kept)
    return f"{what} {low}" if low == high else f"{what}s {low}-{high}"


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
    return [line[:LONGEST_ROW] for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]


def filled(stream: Bytes, size: int) -> bytes:
    """Exactly `size` bytes of a stream that may give them in small pieces; fewer only at the end."""
    parts, have = [], 0
    while have < size and (part := stream.read(size - have)):
        parts.append(part)
        have += len(part)
    return b"".join(parts)


def first_block(stream: Utf8) -> bytes:
    """The first 64 KiB of a table, or all of a shorter one."""
    return filled(stream, FIRST).removeprefix(codecs.BOM_UTF8)


Endless = Callable[[bytes], tuple[bytes, bytes | None]]
"""What becomes of a line that is too long and has not ended: what is kept of it as a line of its own, and what goes on
as the next one; None for the latter leaves the rest of the line out. Whoever cuts, counts."""


def whole_lines(stream: Bytes, head: bytes, endless: Endless, longest: int = LONGEST_ROW, block: int = 0) -> Iterator[bytes]:
    """Whole lines, `head` first, then so many bytes at a time as are read at once; every line end becomes LF."""
    rest, skipping, data = b"", False, head
    while data or (data := filled(stream, block or BLOCK)):
        if data.endswith(b"\r"):  # its line feed may come with the next bytes
            data += stream.read(1)
        if b"\r" in data:  # to look is much cheaper than to replace nothing
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
        if len(tail) > longest:
            kept, goes_on = endless(tail)
            tail, skipping = goes_on or b"", goes_on is None
            if kept:
                yield kept
        rest, data = tail, b""
    if rest:
        yield rest
