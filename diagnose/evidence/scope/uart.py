"""Characters of an asynchronous line from the times of its edges: bit rate, parity, stop bits, bytes, frames.

Source: MODBUS over Serial Line V1.02 (character, silence, CRC); arithmetic on the intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from diagnose.evidence.robust import sigma_of
from diagnose.physics.serial import SEND_TOLERANCE, STANDARD_RATES, crc_good

RATES = tuple(sorted({*STANDARD_RATES, 300, 600, 14_400, 28_800, 76_800, 230_400, 250_000, 460_800, 500_000, 921_600, 1_000_000}))
FORMS = ((8, "even"), (8, "none"), (8, "odd"), (7, "even"), (7, "odd"))
LONGEST_RUN = 11.5  # bits; a longer interval holds a pause
MOST_INTERVALS = 20_000
FRAME_GAP_BITS = 22.0  # two characters: less may be a slow sender, more is another frame
MOST_FRAMES = 2000


class BitClock(NamedTuple):
    """The bit time as measured: rate in bit/s, its nearest standard rate (0: none within 3 %), the scatter in bits."""

    rate: float
    standard: int
    scatter: float
    skew: float  # seconds that the low bits are longer than the high ones
    intervals: int


class UartFrame(NamedTuple):
    """Characters without a pause. `start` and `end` in s, `bad` the characters with a wrong parity or stop bit."""

    start: float
    end: float
    data: bytes
    bad: int

    @property
    def crc_good(self) -> bool:
        """Whether it ends in the check sum of the RTU mode."""
        return self.bad == 0 and crc_good(self.data)

    @property
    def is_request(self) -> bool:
        """A poll of registers or of bits, by its length and function."""
        return self.crc_good and len(self.data) == 8 and 1 <= self.data[1] <= 6


class Decoded(NamedTuple):
    """What the line carries. `inverted`: the resting level is the lower one."""

    clock: BitClock
    bits: int
    parity: str
    stops: int  # 0: cannot be told
    frames: tuple[UartFrame, ...]
    characters: int
    bad: int
    inverted: bool
    sure: bool  # the form is told apart from all others

    def form(self) -> str:
        """`8E1` and the like."""
        return f"{self.bits}{self.parity[0].upper()}{self.stops or '?'}"


def clock(times: Sequence[float], signs: Sequence[int]) -> BitClock | None:
    """The bit time behind the intervals between edges (s); None when there are too few or they fit no clock."""
    t, s = np.asarray(times[:MOST_INTERVALS], dtype=np.float64), np.asarray(signs[:MOST_INTERVALS])
    gaps, low = np.diff(t), s[:-1] < 0
    if len(gaps) < 5:
        return None
    shortest = float(np.percentile(gaps, 3))
    best: tuple[float, float] | None = None
    fine = [1 / (shortest / n * f) for n in (1, 2, 3) for f in np.linspace(0.94, 1.06, 25)] if shortest > 0 else []
    for rate, favour in [*((float(r), 0.85) for r in RATES), *((f, 1.0) for f in fine)]:
        bits = gaps * rate
        used = bits < LONGEST_RUN
        if int(used.sum()) < 5:
            continue
        whole = np.maximum(np.round(bits[used]), 1)
        # Rising and falling edges cross the middle at unequal delays; the median of each kind takes that out.
        off = bits[used] - whole
        for kind in (low[used], ~low[used]):
            if kind.any():
                off[kind] -= np.clip(np.median(off[kind]), -0.25, 0.25)
        scatter = float(np.sqrt(np.mean(off**2)))
        single = float((whole == 1).mean())
        # A rate that is a multiple of the true one fits as well but knows no single bits.
        cost = (scatter + 0.002) * favour + (0.3 if single < 0.05 else 0.0)
        if scatter < 0.14 and (best is None or cost < best[0]):
            best = (cost, rate)
    if best is None:
        return None
    rate, skew, scatter, used_count = best[1], 0.0, 0.0, 0
    for _ in range(3):
        bits = gaps * rate
        used = bits < LONGEST_RUN
        whole = np.maximum(np.round(bits[used]), 1)
        columns = np.column_stack([whole, np.where(low[used], 0.5, -0.5)])
        solution = np.linalg.lstsq(columns, gaps[used], rcond=None)[0]
        left = gaps[used] - columns @ solution
        keep = np.abs(left) <= max(4 * sigma_of(left), 1e-12)
        if keep.sum() > 4:
            solution = np.linalg.lstsq(columns[keep], gaps[used][keep], rcond=None)[0]
        if not solution[0] > 0:
            return None
        rate, skew = 1 / float(solution[0]), float(solution[1])
        scatter, used_count = float(np.sqrt(np.mean(left**2))) * rate, int(used.sum())
    nearest = min(RATES, key=lambda r: abs(math.log(rate / r)))
    return BitClock(rate, nearest if abs(rate / nearest - 1) < 0.03 else 0, scatter, skew, used_count)


def _levels(times: Sequence[float], signs: Sequence[int], skew: float) -> tuple[list[float], list[int]]:
    """Edges shifted so that low and high bits are equally long."""
    return [t + (0.25 if s > 0 else -0.25) * -skew for t, s in zip(times, signs, strict=True)], list(signs)


class _Characters:
    """Reads characters of one form out of edges."""

    def __init__(self, times: list[float], signs: list[int], bit: float, mark: int) -> None:
        self.times, self.signs, self.bit, self.mark = times, signs, bit, mark

    def read(self, bits: int, parity: str) -> list[tuple[float, int, bool, bool]]:
        """(start, value, parity right, stop right) of every character."""
        found: list[tuple[float, int, bool, bool]] = []
        n, total = 0, len(self.times)
        cells = bits + (parity != "none")
        while n < total:
            if self.signs[n] == self.mark:
                n += 1
                continue
            start, k = self.times[n], n
            values: list[int] = []
            for cell in range(1, cells + 2):
                at = start + (cell + 0.5) * self.bit
                while k + 1 < total and self.times[k + 1] <= at:
                    k += 1
                values.append(int(self.signs[k] == self.mark))
            value = sum(b << i for i, b in enumerate(values[:bits]))
            right = parity == "none" or (sum(values[: bits + 1]) % 2 == (parity == "odd"))
            found.append((start, value, right, values[-1] == 1))
            end = start + (cells + 1.5) * self.bit
            n = k + 1
            while n < total and (self.times[n] < end or self.signs[n] == self.mark):
                n += 1
        return found


def decode(times: Sequence[float], signs: Sequence[int]) -> Decoded | None:
    """Bit rate, form and bytes behind edges (times in s, +1 rising, -1 falling); None when they fit no clock."""
    found = clock(times, signs)
    if found is None or len(times) < 6:
        return None
    bit = 1 / found.rate
    t, s = _levels(times, signs, found.skew)
    longest = max(range(len(t) - 1), key=lambda i: t[i + 1] - t[i])
    # The longest stretch between two edges is a pause; before the first edge the line rests, too.
    mark = s[longest] if t[longest + 1] - t[longest] > LONGEST_RUN * bit else -s[0]
    reader = _Characters(t, s, bit, mark)
    scored: list[tuple[float, int, tuple[int, str], list[tuple[float, int, bool, bool]]]] = []
    for order, (bits, parity) in enumerate(FORMS):
        characters = reader.read(bits, parity)
        if not characters:
            continue
        wrong = sum(not (p and q) for _, _, p, q in characters)
        frames = _frames(characters, bits + (parity != "none") + 2, bit)
        good = sum(f.crc_good for f in frames)
        cost = wrong / len(characters) - 0.9 * good / max(len(frames), 1) + 0.01 * order + (0.1 if bits == 7 else 0.0)
        # With parity a fault is seen in half of the characters; none in many is proof, none in two is not.
        cost += 0.4 * 0.5 ** len(characters) if parity != "none" else 0.02
        scored.append((cost, order, (bits, parity), characters))
    if not scored:
        return None
    scored.sort(key=lambda c: c[:2])
    _, _, (bits, parity), characters = scored[0]
    stops, size = _stops(characters, bits + (parity != "none"), bit)
    frames = _frames(characters, size, bit)
    bad = sum(not (p and q) for _, _, p, q in characters)
    sure = len(characters) >= 4 and (len(scored) < 2 or scored[1][0] - scored[0][0] > 0.05)
    return Decoded(
        clock=found, bits=bits, parity=parity, stops=stops, frames=tuple(frames[:MOST_FRAMES]),
        characters=len(characters), bad=bad, inverted=mark < 0, sure=sure,
    )  # fmt: skip


def _stops(characters: list[tuple[float, int, bool, bool]], cells: int, bit: float) -> tuple[int, float]:
    """Stop bits by the shortest distance of two characters, and bits of a character."""
    distances = sorted((b[0] - a[0]) / bit for a, b in pairwise(characters))
    close = [d for d in distances if d < cells + 3.5]
    if len(close) < 2:
        return 0, cells + 2.0
    shortest = close[len(close) // 10]
    return (1, cells + 2.0) if shortest < cells + 2.5 else (2, cells + 3.0)


def _frames(characters: list[tuple[float, int, bool, bool]], size: float, bit: float) -> list[UartFrame]:
    frames: list[UartFrame] = []
    start, last, data, bad = 0.0, -math.inf, bytearray(), 0
    for at, value, parity_right, stop_right in characters:
        if at - last > (FRAME_GAP_BITS + size) * bit and data:
            frames.append(UartFrame(start, last + size * bit, bytes(data), bad))
            data, bad = bytearray(), 0
        if not data:
            start = at
        data.append(value)
        bad += not (parity_right and stop_right)
        last = at
    if data:
        frames.append(UartFrame(start, last + size * bit, bytes(data), bad))
    return frames


def rate_words(found: BitClock) -> str:
    """The rate in words: `19200 bit/s`, with the deviation where it is more than senders may have."""
    if not found.standard:
        return f"{found.rate:.0f} bit/s, which is no usual rate"
    off = found.rate / found.standard - 1
    return f"{found.standard} bit/s" + (f", {100 * off:+.1f} % off" if abs(off) > SEND_TOLERANCE else "")
