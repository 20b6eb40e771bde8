"""The serial line's checksum over every stretch of a block at once.

One pass keeps the CRC register at every second byte; because the CRC is linear, any stretch of up to
256 bytes is then tested with a few table look-ups, wherever it begins. Source: MODBUS over Serial Line V1.02, 6.2.2.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Bools, Octets, Whole, Words

LONGEST = 256  # bytes of the longest frame (MODBUS over Serial Line V1.02, 2.5.1)
SHIFT = 9
LANE = 1 << SHIFT  # bytes that one lane runs over; a frame then touches two lanes at most
START = np.uint16(0xFFFF)
LOW, BYTE = np.uint16(0xFF), np.uint16(8)


class CrcTables(NamedTuple):
    """`one` (256,) steps by a byte, `two` (65536,) by two; `low` and `high` (257, 256) run n zero bytes."""

    one: Words
    two: Words
    low: Words
    high: Words


@cache
def tables() -> CrcTables:
    """The tables, made at first use."""
    one: Words = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        one = (one >> np.uint16(1)) ^ (one & np.uint16(1)) * np.uint16(0xA001)
    states = np.arange(65_536, dtype=np.uint16)
    two = _step(one, _step(one, states))
    low = np.empty((LONGEST + 1, 256), np.uint16)
    high = np.empty((LONGEST + 1, 256), np.uint16)
    low[0], high[0] = states[:256], states[:256] << BYTE
    for n in range(LONGEST):
        low[n + 1], high[n + 1] = _step(one, low[n]), _step(one, high[n])
    return CrcTables(one, two, low, high)


def _step(one: Words, states: Words) -> Words:
    after: Words = one[states & LOW] ^ (states >> BYTE)
    return after


def crc(data: bytes, state: int = 0xFFFF) -> int:
    """CRC register after `data`; 0 over a whole good frame."""
    one = _plain()
    for byte in data:
        state = one[(state ^ byte) & 0xFF] ^ (state >> 8)
    return state


def run_zeros(state: int, count: int) -> int:
    """Register after so many zero bytes. At most a few hundred."""
    t = tables()
    while count > LONGEST:
        state, count = run_zeros(state, LONGEST), count - LONGEST
    return int(t.low[count, state & 0xFF]) ^ int(t.high[count, state >> 8])


@cache
def _plain() -> list[int]:
    return [int(x) for x in tables().one]


class Registers:
    """CRC registers along a block, shape (bytes / 2 of a lane, lanes), each lane begun at zero."""

    def __init__(self, data: Octets) -> None:
        """`data`: a block of bytes, any length."""
        lanes = len(data) // LANE + 1
        padded = np.zeros(lanes * LANE, np.uint8)
        padded[: len(data)] = data
        columns = np.ascontiguousarray(padded.view("<u2").reshape(lanes, LANE // 2).T)
        states = np.zeros((LANE // 2 + 1, lanes), np.uint16)
        two = tables().two
        for n in range((min(len(data), LANE) + 1) // 2):
            two.take(states[n] ^ columns[n], out=states[n + 1], mode="clip")
        self._data = padded
        self._states = states.ravel()
        self._lanes = lanes

    def _at(self, offsets: Whole) -> Words:
        """The register just before the byte at each offset."""
        states: Words = self._states.take(((offsets & LANE - 1) >> 1) * self._lanes + (offsets >> SHIFT))
        odd = np.flatnonzero(offsets & 1)
        if len(odd):
            before = states[odd]
            states[odd] = tables().one[(before & LOW) ^ self._data[offsets[odd] - 1]] ^ (before >> BYTE)
        return states

    def good(self, start: Whole, length: Whole) -> Bools:
        """Which stretches (start and length in bytes, at most 256, inside the block) end in their own CRC."""
        end = start + length
        begun = self._at(start) ^ START
        result: Bools = _run(length, begun) == self._at(end)
        crosses = np.flatnonzero(start >> SHIFT != end >> SHIFT)  # also what ends with its lane: the next one begins at zero
        if len(crosses):
            room = LANE - (start[crosses] & LANE - 1)
            whole = self._states.take((LANE >> 1) * self._lanes + (start[crosses] >> SHIFT))
            first = _run(room, begun[crosses]) ^ whole
            result[crosses] = _run(end[crosses] & LANE - 1, first) == self._at(end[crosses])
        return result


def _run(zeros: Whole, states: Words) -> Words:
    """Registers after so many zero bytes each."""
    t = tables()
    row = zeros << 8
    after: Words = t.low.take(row + (states & LOW)) ^ t.high.take(row + (states >> BYTE))
    return after
