"""From a stream of bytes to frames, whatever the pieces it comes in.

A frame is where its function code gives a length and the CRC over that length fits. All places of a
block are tried at once; the first that fits is taken and the next is looked for behind it. What lies
between frames is a gap. The result does not depend on how the stream was cut into pieces.

Sources: MODBUS over Serial Line V1.02, 2.5.1; MODBUS Application Protocol V1.1b3, 6 and 7.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Bools, Keys, Octets, Whole, Words
from diagnose.evidence.serial.crc import LONGEST, Registers

REQUEST, REPLY = 1, 2
KEPT = 512  # bytes of a gap that are kept
SAMPLES = 24  # replies of one length that are kept of each address, for a look at their values
LARGEST_ADDRESS = 247
LARGEST_CODE = 0x0F


class Frames(NamedTuple):
    """Frames as columns of equal length, in the order of their place in the stream.

    `form` holds REQUEST, REPLY, or their sum where the bytes could be both; `expect` the bytes of the
    reply that a request asks for (0 not known); `key` the first eight bytes and `tail` the last two as numbers.
    """

    start: Whole
    length: Whole
    address: Octets
    function: Octets
    form: Octets
    expect: Whole
    key: Keys
    tail: Words
    code: Octets


class Gap(NamedTuple):
    """Bytes that belong to no frame: where, how many, and the bytes (or the first of them)."""

    start: int
    length: int
    head: bytes


class _Shape(NamedTuple):
    """Per function code: fixed length, or base plus a count byte at an offset; 0 where there is none."""

    fixed: Whole
    base: Whole
    at: Whole


REQUEST_FIXED = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4, 22: 10, 24: 6, 43: 7}
REQUEST_COUNTED = {15: (9, 6), 16: (9, 6), 20: (5, 2), 21: (5, 2), 23: (13, 10)}
REPLY_FIXED = {5: 8, 6: 8, 7: 5, 8: 8, 11: 8, 15: 8, 16: 8, 22: 10}
REPLY_COUNTED = {1: (5, 2), 2: (5, 2), 3: (5, 2), 4: (5, 2), 12: (5, 2), 17: (5, 2), 20: (5, 2), 21: (5, 2), 23: (5, 2), 24: (6, 3)}
KNOWN = sorted({*REQUEST_FIXED, *REQUEST_COUNTED})


@cache
def _shapes() -> tuple[_Shape, _Shape, Bools]:
    known = np.zeros(256, bool)
    known[KNOWN] = True
    known[[code | 0x80 for code in KNOWN]] = True
    made = []
    for fixed, counted in ((REQUEST_FIXED, REQUEST_COUNTED), (REPLY_FIXED, REPLY_COUNTED)):
        shape = _Shape(np.zeros(256, np.int64), np.zeros(256, np.int64), np.zeros(256, np.int64))
        for code, length in fixed.items():
            shape.fixed[code] = length
        for code, (base, at) in counted.items():
            shape.base[code], shape.at[code] = base, at
        made.append(shape)
    made[1].fixed[[code | 0x80 for code in KNOWN]] = 5
    return made[0], made[1], known


def _lengths(shape: _Shape, data: Octets, at: Whole, code: Octets) -> Whole:
    """Length that the shape gives a frame at each place, 0 where it has none."""
    base = shape.base[code]
    counted = np.where(base > 0, base + data[at + shape.at[code]], 0)
    lengths = np.where(shape.fixed[code] > 0, shape.fixed[code], counted)
    return np.where(lengths <= LONGEST, lengths, 0)


def _two(data: Octets, at: Whole) -> Whole:
    result: Whole = data[at].astype(np.int64) << 8 | data[at + 1]
    return result


def _requests(data: Octets, at: Whole, code: Octets) -> Whole:
    """Lengths of what can be requests: the quantities must be those that the standard allows."""
    lengths = _lengths(_shapes()[0], data, at, code)
    quantity = _two(data, at + 4)
    bits, registers = code <= 2, (code == 3) | (code == 4)
    wrong = bits & ((quantity < 1) | (quantity > 2000)) | registers & ((quantity < 1) | (quantity > 125))
    wrong |= (code == 5) & (quantity != 0) & (quantity != 0xFF00)
    wrong |= (code == 16) & (data[at + 6] != 2 * quantity)
    wrong |= (code == 15) & (data[at + 6] != (quantity + 7) // 8)
    wrong |= (code == 23) & (data[at + 10] != 2 * _two(data, at + 8))
    wrong |= _odd_ones(data, at, code)
    return np.where(wrong, 0, lengths)


def _odd_ones(data: Octets, at: Whole, code: Octets) -> Bools:
    """Where a rarer function's second fixed byte is not as the standard has it."""
    count = data[at + 2]
    wrong: Bools = (code == 8) & ((count != 0) | (data[at + 3] > 0x15))
    wrong |= ((code == 20) | (code == 21)) & ((count < 7) | (count > 0xF5))
    wrong |= (code == 43) & (count != 0x0E)
    return wrong


def _replies(data: Octets, at: Whole, code: Octets) -> Whole:
    """Lengths of what can be replies."""
    lengths = _lengths(_shapes()[1], data, at, code)
    count = data[at + 2]
    words = (code == 3) | (code == 4) | (code == 23)
    wrong = words & ((count & 1 == 1) | (count == 0)) | (code <= 2) & (count == 0)
    wrong |= (code == 5) & (data[at + 4] != 0) & (data[at + 4] != 0xFF)
    wrong |= (code >= 0x80) & ((count < 1) | (count > LARGEST_CODE))
    wrong |= (code == 24) & (count != 0)
    wrong |= _odd_ones(data, at, code) & (code < 20)
    return np.where(wrong, 0, lengths)


def _expected(data: Octets, at: Whole, code: Octets) -> Whole:
    """Bytes of the reply to a request at each place, 0 where it cannot be told."""
    quantity = _two(data, at + 4)
    reply = _shapes()[1].fixed[code].copy()
    reply = np.where(code <= 2, 5 + (quantity + 7) // 8, reply)
    reply = np.where((code == 3) | (code == 4) | (code == 23), 5 + 2 * quantity, reply)
    return np.where(reply <= LONGEST, reply, 0)


def _first_fits(start: Whole, end: Whole) -> Bools:
    """Which of the stretches, sorted by start, are taken when each must begin behind the one before."""
    taken = np.ones(len(start), bool)
    if len(start) < 2:
        return taken
    reached = np.maximum.accumulate(end)
    free = np.concatenate(([True], start[1:] >= reached[:-1]))  # nothing before reaches into it
    heads = np.flatnonzero(free)
    sizes = np.diff(np.append(heads, len(start)))
    for head, size in zip(heads[sizes > 1].tolist(), sizes[sizes > 1].tolist(), strict=True):
        behind = -1
        for n in range(head, head + size):
            if start[n] >= behind:
                behind = int(end[n])
            else:
                taken[n] = False
    return taken


class Framer:
    """Feed bytes in any pieces; get frames and gaps, once they can no longer change."""

    def __init__(self) -> None:
        self._pending = b""
        self._base = 0  # place in the stream of the first pending byte
        self.samples: dict[int, dict[int, list[bytes]]] = {}

    @property
    def decided(self) -> int:
        """Everything before this place of the stream has been given out."""
        return self._base

    @property
    def total(self) -> int:
        """Bytes fed."""
        return self._base + len(self._pending)

    def feed(self, data: bytes, last: bool = False) -> tuple[Frames, list[Gap]]:
        """More bytes; with `last` everything that is pending is decided. Gaps come in parts where a feed ends."""
        block = self._pending + data if self._pending else data
        size = len(block)
        limit = size if last else size - LONGEST + 1  # a frame that begins before it is all here
        if limit <= 0:
            self._pending = block
            return _none(), []
        padded = np.zeros(size + LONGEST + 16, np.uint8)
        padded[:size] = np.frombuffer(block, np.uint8)
        at, length, form = _greedy(padded, size, limit)
        frames = _columns(padded, at, length, form, self._base)
        self._sample(block, frames)
        ends = at + length
        decided = max(limit, int(ends[-1]) if len(ends) else 0)
        gaps = [
            Gap(self._base + a, b - a, block[a:b])
            for a, b in zip(*_between(at, ends, decided), strict=True)
        ]
        self._pending = block[decided:]
        self._base += decided
        return frames, gaps

    def _sample(self, block: bytes, frames: Frames) -> None:
        """Keep a few register replies of each address."""
        replies = np.flatnonzero((frames.form == REPLY) & ((frames.function == 3) | (frames.function == 4)) & (frames.length >= 9))
        for n in replies[:: max(1, len(replies) // 64)].tolist():
            kept = self.samples.setdefault(int(frames.address[n]), {})
            length = int(frames.length[n])
            if length not in kept and len(kept) >= 4:
                continue
            rows = kept.setdefault(length, [])
            if len(rows) < SAMPLES:
                begin = int(frames.start[n]) - self._base
                rows.append(block[begin + 3 : begin + length - 2])


_Fits = tuple[Whole, Whole, Octets]


def _greedy(data: Octets, size: int, limit: int) -> _Fits:
    """Start, length and form of the frames: the first that fits, then the first behind it.

    Places that read registers are tried first; the others only where no frame has been found, again
    until every place is inside a frame or has been tried. That is what trying all of them would give.
    """
    function = data[1 : limit + 1]
    registers = Registers(data[:size])
    at: Whole = np.flatnonzero((function & 0x7F == 3) | (function & 0x7F == 4)).astype(np.int64)
    found = _fitting(data, size, at[data[at] <= LARGEST_ADDRESS], registers)
    tried: Bools | None = None
    while True:
        start, length, form = found
        taken = _first_fits(start, start + length)
        start, length, form = start[taken], length[taken], form[taken]
        free = _uncovered(start, start + length, limit)
        if free is None:
            return start, length, form
        if tried is None:
            tried = ~_shapes()[2][function]
            tried |= data[:limit] > LARGEST_ADDRESS
            tried[at] = True
        fresh = np.flatnonzero(free & ~tried).astype(np.int64)
        if not len(fresh):
            return start, length, form
        tried[fresh] = True
        more = _fitting(data, size, fresh, registers)
        if not len(more[0]):
            return start, length, form
        found = _sorted(*(np.concatenate((one, two)) for one, two in zip(found, more, strict=True)))  # type: ignore[arg-type]


def _uncovered(start: Whole, end: Whole, limit: int) -> Bools | None:
    """Which places before `limit` are in no stretch; None when all are in one."""
    inside = np.minimum(end, limit) - start
    if int(inside.sum()) >= limit:
        return None
    steps = np.zeros(limit + 1, np.int8)
    steps[start] = 1
    np.subtract.at(steps, np.minimum(end, limit), 1)
    free: Bools = np.cumsum(steps[:limit], dtype=np.int8) == 0
    return free


def _sorted(start: Whole, length: Whole, form: Octets) -> _Fits:
    order = np.lexsort((length, start))
    return start[order], length[order], form[order]


def _fitting(data: Octets, size: int, at: Whole, registers: Registers) -> _Fits:
    """Start, length and form of every stretch from these places that could be a frame and has a good CRC, sorted."""
    code = data[at + 1]
    asks, tells = _requests(data, at, code), _replies(data, at, code)
    both = (asks == tells) & (asks > 0)
    start = np.concatenate((at[asks > 0], at[(tells > 0) & ~both]))
    length = np.concatenate((asks[asks > 0], tells[(tells > 0) & ~both]))
    form = np.concatenate((np.where(both, REQUEST + REPLY, REQUEST)[asks > 0], np.full(int(((tells > 0) & ~both).sum()), REPLY)))
    whole = start + length <= size
    start, length, form = start[whole], length[whole], form[whole]
    good = registers.good(start, length)
    return _sorted(start[good], length[good], form[good].astype(np.uint8))


def _between(at: Whole, ends: Whole, decided: int) -> tuple[list[int], list[int]]:
    """Begin and end of what lies before, between and behind the frames."""
    begins = np.concatenate(([0], ends))
    stops = np.concatenate((at, [decided]))
    real = stops > begins
    return begins[real].tolist(), stops[real].tolist()


def _columns(data: Octets, at: Whole, length: Whole, form: Octets, base: int) -> Frames:
    code = data[at + 1]
    words: Keys = np.ndarray((len(data) - 7,), "<u8", buffer=data, strides=(1,))
    key = words[at]
    short = length < 8
    key[short] &= (np.uint64(1) << (8 * length[short]).astype(np.uint64)) - np.uint64(1)
    expect = np.where(form & REQUEST > 0, _expected(data, at, code), 0)
    tail = data[at + length - 2].astype(np.uint16) | data[at + length - 1].astype(np.uint16) << np.uint16(8)
    return Frames(
        start=at + base, length=length, address=data[at], function=code, form=form, expect=expect, key=key,
        tail=tail, code=np.where(code >= 0x80, data[at + 2], 0).astype(np.uint8),
    )  # fmt: skip


def _none() -> Frames:
    return _columns(np.zeros(32, np.uint8), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.uint8), 0)


def joined(a: Gap, b: Gap) -> Gap:
    """Two parts of one gap as one."""
    return Gap(a.start, a.length + b.length, (a.head + b.head)[:KEPT] if len(a.head) == a.length else a.head)
