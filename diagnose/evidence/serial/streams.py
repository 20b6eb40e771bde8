"""From written-down bytes to frames and gaps in the order in which they were on the wire.

Where a log tells sent from received, each direction is framed for itself, so that a reply that comes
in the middle of something else stays whole; then both are laid into one row again.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from diagnose.evidence.arrays import Bools, Floats, Keys, Octets, Whole, Words
from diagnose.evidence.serial.frames import KEPT, Framer, Frames, Gap, joined
from diagnose.evidence.serial.text import Pieces

SILENT_S = 0.05  # a pause, s, that parts damaged stretches; longer than an operating system holds bytes back
WAITED_BLOCKS = 2  # a direction that says nothing for so many blocks is not waited for


class Items(NamedTuple):
    """Frames and gaps in wire order, as columns. `gap` is -1 for a frame, else a number in the list of gaps.

    `at` counts bytes of the whole capture, `line` is the line (0 in binary), times are seconds or NaN;
    `first` and `last` are the times of the first and the last piece.
    """

    at: Whole
    length: Whole
    direction: Octets
    first: Floats
    last: Floats
    line: Whole
    address: Octets
    function: Octets
    form: Octets
    expect: Whole
    key: Keys
    tail: Words
    code: Octets
    gap: Whole

    def pick(self, which: Bools | Whole | slice) -> Items:
        """The chosen rows."""
        columns: list[Any] = [column[which] for column in self]
        return Items(*columns)


def join(parts: list[Items]) -> Items:
    """Rows of several after each other."""
    if len(parts) == 1:
        return parts[0]
    columns: list[Any] = [np.concatenate(same) for same in zip(*parts, strict=True)]
    return Items(*columns)


class _Stream:
    """One direction: its framer, and where its bytes stand in the capture."""

    def __init__(self, direction: int) -> None:
        self.direction = direction
        self.framer = Framer()
        self.quiet = 0
        self.local: Whole = np.zeros(0, np.int64)
        self.whole: Whole = np.zeros(0, np.int64)
        self.time: Floats = np.zeros(0)
        self.line: Whole = np.zeros(0, np.int64)

    def note(self, size: Whole, whole: Whole, time: Floats, line: Whole) -> None:
        """Where the next bytes stand."""
        local = self.framer.total + np.cumsum(size) - size
        keep = max(0, int(np.searchsorted(self.local, self.framer.decided, "right")) - 1)
        self.local = np.concatenate((self.local[keep:], local))
        self.whole = np.concatenate((self.whole[keep:], whole))
        self.time = np.concatenate((self.time[keep:], time))
        self.line = np.concatenate((self.line[keep:], line))

    def piece(self, at: Whole) -> Whole:
        """Which piece each byte is in."""
        return np.searchsorted(self.local, at, "right") - 1

    def waiting(self) -> int | None:
        """Place in the capture of the first byte that is not decided, None when all are."""
        if self.framer.decided >= self.framer.total:
            return None
        at = self.framer.decided
        piece = int(self.piece(np.array([at]))[0])
        return int(self.whole[piece]) + at - int(self.local[piece])


class Assembler:
    """Feed pieces; get items in wire order, with the bytes of the gaps in `gaps` (number to Gap)."""

    def __init__(self) -> None:
        self.streams = [_Stream(n) for n in range(3)]
        self.total = 0
        self.gaps: dict[int, Gap] = {}
        self._numbered = 0
        self._held: list[Items] = []

    def feed(self, pieces: Pieces, last: bool = False) -> Items:
        """Items that can no longer change."""
        whole = self.total + np.cumsum(pieces.size) - pieces.size
        self.total += len(pieces.data)
        owner: Octets | None = None
        for stream in self.streams:
            mine = pieces.direction == stream.direction
            some = bool(mine.any())
            stream.quiet = 0 if some else stream.quiet + 1
            data = pieces.data
            if some and not mine.all():
                if owner is None:
                    owner = np.repeat(pieces.direction, pieces.size)
                data = np.frombuffer(pieces.data, np.uint8)[owner == stream.direction].tobytes()
            elif not some:
                data = b""
            end = last or stream.quiet > WAITED_BLOCKS
            if some:
                stream.note(pieces.size[mine], whole[mine], pieces.time[mine], pieces.line[mine])
            if some or (end and stream.framer.decided < stream.framer.total):
                frames, gaps = stream.framer.feed(data, end)
                self._held += self._items(stream, frames, gaps)
        return self._ready(last)

    def _ready(self, last: bool) -> Items:
        if not self._held:
            return nothing()
        rows = join(self._held)
        rows = rows.pick(np.argsort(rows.at, kind="stable"))
        waiting = [w for s in self.streams if (w := s.waiting()) is not None]
        if last or not waiting:
            self._held = []
            return rows
        known = rows.at < min(waiting)
        self._held = [rows.pick(~known)]
        return rows.pick(known)

    def _items(self, stream: _Stream, frames: Frames, gaps: list[Gap]) -> list[Items]:
        made = []
        if len(frames.start):
            first, last = stream.piece(frames.start), stream.piece(frames.start + frames.length - 1)
            made.append(
                Items(
                    at=stream.whole[first] + frames.start - stream.local[first], length=frames.length,
                    direction=np.full(len(first), stream.direction, np.uint8), first=stream.time[first],
                    last=stream.time[last], line=stream.line[first], address=frames.address,
                    function=frames.function, form=frames.form, expect=frames.expect, key=frames.key,
                    tail=frames.tail, code=frames.code, gap=np.full(len(first), -1, np.int64),
                )
            )  # fmt: skip
        if gaps:
            made.append(self._gaps(stream, gaps))
        return made

    def _gaps(self, stream: _Stream, gaps: list[Gap]) -> Items:
        """Gaps, parted where another direction spoke in between or the line was silent."""
        parts: list[tuple[int, int, int, int]] = []  # local start, length, first piece, last piece
        at = np.array([g.start for g in gaps], np.int64)
        ends = np.array([g.start + g.length for g in gaps], np.int64)
        heads: list[bytes] = []
        for gap, a, b in zip(gaps, stream.piece(at).tolist(), stream.piece(ends - 1).tolist(), strict=True):
            if a == b:
                parts.append((gap.start, gap.length, a, b))
                heads.append(gap.head[:KEPT])
                continue
            row = slice(a, b + 1)
            local, whole, time = stream.local[row], stream.whole[row], stream.time[row]
            away = np.diff(whole) != np.diff(local)
            away |= np.diff(time) > SILENT_S
            cuts = [a, *(a + 1 + np.flatnonzero(away)).tolist(), b + 1]
            for one, two in pairwise(cuts):
                begin = max(gap.start, int(stream.local[one]))
                end = gap.start + gap.length if two > b else int(stream.local[two])
                parts.append((begin, end - begin, one, two - 1))
                heads.append(gap.head[begin - gap.start : min(end, begin + KEPT) - gap.start])
        columns = np.array(parts, np.int64).reshape(-1, 4).T
        start, length, first, last = columns
        whole_at = stream.whole[first] + start - stream.local[first]
        numbers = np.arange(self._numbered, self._numbered + len(parts), dtype=np.int64)
        for n, place, size, head in zip(numbers.tolist(), whole_at.tolist(), length.tolist(), heads, strict=True):
            self.gaps[n] = Gap(place, size, head)
        self._numbered += len(parts)
        zero = np.zeros(len(parts), np.uint8)
        return Items(
            at=whole_at, length=length, direction=np.full(len(parts), stream.direction, np.uint8),
            first=stream.time[first], last=stream.time[last], line=stream.line[first], address=zero,
            function=zero, form=zero, expect=np.zeros(len(parts), np.int64),
            key=np.zeros(len(parts), np.uint64), tail=np.zeros(len(parts), np.uint16), code=zero,
            gap=numbers,
        )  # fmt: skip


def nothing() -> Items:
    """No rows."""
    whole, octets, times = np.zeros(0, np.int64), np.zeros(0, np.uint8), np.zeros(0)
    return Items(
        at=whole, length=whole, direction=octets, first=times, last=times, line=whole, address=octets,
        function=octets, form=octets, expect=whole, key=np.zeros(0, np.uint64), tail=np.zeros(0, np.uint16),
        code=octets, gap=whole,
    )  # fmt: skip


def merged(rows: Items, gaps: dict[int, Gap]) -> Items:
    """Rows in which the parts of one gap that follow each other without a pause are one."""
    gap = rows.gap >= 0
    touching = gap[1:] & gap[:-1] & (rows.at[1:] == rows.at[:-1] + rows.length[:-1]) & (rows.direction[1:] == rows.direction[:-1])
    touching &= ~(rows.first[1:] - rows.last[:-1] > SILENT_S)
    if not touching.any():
        return rows
    keep = np.concatenate(([True], ~touching))
    length, last = rows.length.copy(), rows.last.copy()
    head = 0
    for n in range(len(keep)):
        if keep[n]:
            head = n
            continue
        a, b = int(rows.gap[head]), int(rows.gap[n])
        gaps[a] = joined(gaps[a], gaps.pop(b))
        length[head] = gaps[a].length
        last[head] = rows.last[n]
    return rows._replace(length=length, last=last).pick(keep)


def alike(rows: Items, one: Whole, two: Whole) -> Bools:
    """Whether frames are byte for byte the same, as far as their first eight bytes, length and CRC tell."""
    same: Bools = (rows.key[one] == rows.key[two]) & (rows.tail[one] == rows.tail[two]) & (rows.length[one] == rows.length[two])
    return same


def lines_of(rows: Items) -> Whole:
    """Line of each row, or its byte where the capture has no lines."""
    return np.where(rows.line > 0, rows.line, rows.at)


__all__ = ["KEPT", "Assembler", "Items", "alike", "join", "lines_of", "merged", "nothing"]
