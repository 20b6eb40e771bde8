"""One pass over a waveform: levels, edges with the windows around the best of them, idle stretches, and an envelope.

Memory is bounded by the constants below, whatever the length of the recording.
"""

from __future__ import annotations

import heapq
from array import array
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.robust import noise_of, sigma_of

AFTER_S = 30e-6
"""What is kept after an edge, s: an echo from 1200 m at 0.66 c takes 12 µs; two of them are wanted."""
STILL_STEP_S = 1e-6  # how much is kept while the times stand still
BEFORE_S = 2e-6
WINDOW_POINTS = 12_000  # of one window; a finer recording is averaged down
KEPT_POINTS = 2_500_000  # of all windows together
MOST_WINDOWS, FEWEST_WINDOWS = 256, 24
MOST_EDGES = 1_000_000
EARLIER_EDGES = 16  # whose echoes may still run when the next edge comes
ENVELOPE_BINS = 4096
BLOCK = 200_000  # samples looked at together
LEAST_ACTIVE_V = 0.06  # what stays nearer than this to one level carries no signal
IDLE_BITS = 14.0  # a longer pause is no part of a character, and a driver has let go by then


class EdgeWindow(NamedTuple):
    """The samples around one edge. `first` is the time of the first one and `step` their spacing, s, against the edge."""

    edge: float
    sign: int
    first: float
    step: float
    volts: Floats
    quiet_before: float
    quiet_after: float
    earlier: tuple[tuple[float, int], ...]  # (time before this edge in s, sign)


@dataclass
class Envelope:
    """Least, greatest and mean volt of each of at most 4096 equal stretches; the stretches double when they run out."""

    per_bin: int = 16
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    total: list[float] = field(default_factory=list)
    filled: int = 0  # samples in the last bin

    def feed(self, volts: Floats) -> None:
        """Take the next samples."""
        at = 0
        while at < len(volts):
            if not self.low or self.filled == self.per_bin:
                if len(self.low) == ENVELOPE_BINS:
                    self._double()
                    continue
                if len(volts) - at >= self.per_bin:
                    at += self._bulk(volts[at:])
                    continue
                self.low.append(float("inf"))
                self.high.append(float("-inf"))
                self.total.append(0.0)
                self.filled = 0
            part = volts[at : at + self.per_bin - self.filled]
            self.low[-1] = min(self.low[-1], float(part.min()))
            self.high[-1] = max(self.high[-1], float(part.max()))
            self.total[-1] += float(part.sum())
            self.filled += len(part)
            at += len(part)

    def _bulk(self, volts: Floats) -> int:
        count = min(len(volts) // self.per_bin, ENVELOPE_BINS - len(self.low))
        table = volts[: count * self.per_bin].reshape(count, self.per_bin)
        self.low += table.min(axis=1).tolist()
        self.high += table.max(axis=1).tolist()
        self.total += table.sum(axis=1).tolist()
        self.filled = self.per_bin
        return count * self.per_bin

    def _double(self) -> None:
        self.low = [min(p) for p in zip(self.low[::2], self.low[1::2], strict=True)]
        self.high = [max(p) for p in zip(self.high[::2], self.high[1::2], strict=True)]
        self.total = [sum(p) for p in zip(self.total[::2], self.total[1::2], strict=True)]
        self.per_bin *= 2
        self.filled = self.per_bin


@dataclass
class Idle:
    """Running figures of the samples between frames."""

    count: int = 0
    mean: float = 0.0
    squares: float = 0.0
    low: float = float("inf")
    high: float = float("-inf")
    bursts: int = 0

    def feed(self, volts: Floats) -> None:
        """Take samples of one pause."""
        n = len(volts)
        if not n:
            return
        mean, squares = float(volts.mean()), float(((volts - volts.mean()) ** 2).sum())
        total = self.count + n
        self.squares += squares + (mean - self.mean) ** 2 * self.count * n / total
        self.mean += (mean - self.mean) * n / total
        self.count = total
        self.low, self.high = min(self.low, float(volts.min())), max(self.high, float(volts.max()))
        median = float(np.median(volts))
        spread = sigma_of(volts - median)
        wild = np.abs(volts - median) > max(0.25, 8 * spread)
        self.bursts += int((wild[1:] & ~wild[:-1]).sum()) + int(wild[0])

    @property
    def sigma(self) -> float:
        """Standard deviation, V."""
        return (self.squares / self.count) ** 0.5 if self.count else 0.0


class Scan:
    """Feed blocks in order, then `finish()`."""

    def __init__(self) -> None:
        self.samples = 0
        self.start: float | None = None
        self.end = 0.0
        self.step = 0.0
        self.gaps = 0
        self.noise = 0.0
        self.threshold: float | None = None
        self.low = self.high = 0.0
        self.least, self.most = float("inf"), float("-inf")
        self.times, self.signs, self.before = array("d"), array("b"), array("f")
        self.more_edges = 0
        self.idle, self.envelope = Idle(), Envelope()
        self.clipped = False
        self._hysteresis = 0.0
        self._state = 0
        self._bit = 0.0
        self._heap: list[tuple[float, int, EdgeWindow]] = []
        self._pending: list[tuple[int, int]] = []  # (number of the edge, its sample counted from the start)
        self._t = np.empty(0)
        self._y = np.empty(0)
        self._origin = 0  # sample number of the first one held
        self._fresh = 0  # of the held samples, those already looked at
        self._wait_t: list[Floats] = []
        self._wait_y: list[Floats] = []
        self._waiting = 0
        self._last_idle = 0

    def feed(self, times: Floats, volts: Floats) -> None:
        """Take rows as they come; they are gathered to blocks."""
        for at in range(0, len(times), BLOCK):
            self._wait_t.append(times[at : at + BLOCK])
            self._wait_y.append(volts[at : at + BLOCK])
            self._waiting += len(self._wait_t[-1])
            if self._waiting >= BLOCK:
                self._flush()

    def finish(self) -> None:
        """Look at what is left."""
        self._flush()
        self._windows(final=True)
        self._t, self._y = self._t[:0], self._y[:0]

    def windows(self) -> list[EdgeWindow]:
        """The kept windows in order of time."""
        return sorted((w for _, _, w in self._heap), key=lambda w: w.edge)

    def _flush(self) -> None:
        if not self._waiting:
            return
        t, y = np.concatenate(self._wait_t), np.concatenate(self._wait_y)
        self._wait_t, self._wait_y, self._waiting = [], [], 0
        self._look(self._evened(t), y)

    def _evened(self, t: Floats) -> Floats:
        """Times printed with few digits come in steps; where the rows are even, the straight line is the better time."""
        n = len(t)
        if self.start is None:
            self.start = float(t[0])
        if n < 3:
            return t
        step = float(t[-1] - t[0]) / (n - 1)
        if not step > 0:
            self.gaps += 1
            return t
        line = t[0] + step * np.arange(n)
        off = t - line
        jumps = np.diff(t)
        coarse = float(jumps[jumps > 0].min()) if (jumps > 0).any() else step
        if float(np.abs(off).max()) <= max(1.01 * coarse if (jumps == 0).any() else 0.6 * coarse, 0.02 * step):
            slope, offset = np.polyfit(np.arange(n) - n / 2, t, 1)
            self.step = self.step or float(slope)
            return np.asarray(offset + slope * (np.arange(n) - n / 2), dtype=np.float64)
        self.gaps += int((jumps > 1.5 * float(np.median(jumps))).sum() + (jumps < 0).sum())
        self.step = self.step or float(np.median(jumps[jumps > 0]))
        return t

    def _look(self, t: Floats, y: Floats) -> None:
        self.samples += len(t)
        self.end = float(t[-1])
        if not self.step and len(t) > 1:
            self.step = max(float(np.median(np.diff(t))), 1e-13)
        self.envelope.feed(y)
        self.least, self.most = min(self.least, float(y.min())), max(self.most, float(y.max()))
        self._levels(y)
        self._t, self._y = np.concatenate([self._t, t]), np.concatenate([self._y, y])
        if self.threshold is not None:
            self._edges()
        if len(self.times) > 8:
            self._guess_bit()
        self._idle()
        self._fresh = len(self._t)
        self._windows(final=False)
        self._forget()

    def _levels(self, y: Floats) -> None:
        """Where the two driven levels lie, from the first block that holds a signal, or a much larger one later."""
        if len(y) < 16:
            return
        bins = np.histogram(y, bins=200)
        mode = float(bins[1][int(bins[0].argmax())] + (bins[1][1] - bins[1][0]) / 2)
        noise = noise_of(y)
        self.noise = self.noise or noise
        active = y[np.abs(y - mode) > max(7 * noise, LEAST_ACTIVE_V)]
        if len(active) < max(6, 2e-5 * len(y)):
            return
        low, high = (float(v) for v in np.percentile(active, [2, 98]))
        low, high = min(low, mode), max(high, mode)
        if self.threshold is not None and high - low < 1.6 * (self.high - self.low):
            return
        self.low, self.high = low, high
        self.threshold = (low + high) / 2
        self._hysteresis = max(0.2 * (high - low) / 2, 4 * noise)

    def _edges(self) -> None:
        assert self.threshold is not None
        t, y, old = self._t, self._y, self._fresh
        level = y[old:] - self.threshold
        marks = np.flatnonzero(np.abs(level) > self._hysteresis)
        if not len(marks):
            return
        side = np.where(level[marks] > 0, 1, -1)
        before = np.concatenate([[self._state or side[0]], side[:-1]])
        for k in np.flatnonzero(side != before):
            at = old + int(marks[k])
            sign = int(side[k])
            low = at
            while low > 0 and (y[low - 1] - self.threshold) * sign > 0:
                low -= 1
            if low == 0:
                continue
            rise = y[low] - y[low - 1]
            share = (self.threshold - y[low - 1]) / rise if rise else 0.5
            when = float(t[low - 1] + share * (t[low] - t[low - 1]))
            if len(self.times) >= MOST_EDGES:
                self.more_edges += 1
                continue
            self._add_edge(when, sign, low)
        self._state = int(side[-1])

    def _add_edge(self, when: float, sign: int, at: int) -> None:
        run = when - (self.times[-1] if self.times else float(self._t[0]))
        count = int(min(max(0.25 * run, 0.0) / self.step, 2000))
        guard = max(2, int(min(0.05 * run / self.step, 200)))
        part = self._y[max(0, at - guard - count) : max(1, at - guard)]
        self.before.append(float(np.median(part)) if len(part) else float(self._y[max(0, at - 1)]))
        self.times.append(when)
        self.signs.append(sign)
        self._pending.append((len(self.times) - 1, self._origin + at))

    def _guess_bit(self) -> None:
        recent = np.diff(np.frombuffer(self.times, dtype=np.float64)[-4000:])
        self._bit = float(np.percentile(recent, 5))
        # A view of the array would forbid it to grow.
        del recent

    def _idle(self) -> None:
        """Samples in pauses longer than a character."""
        fresh_t, fresh_y = self._t[self._last_idle - self._origin :], self._y[self._last_idle - self._origin :]
        self._last_idle = self._origin + len(self._t)
        if not self.times or not self._bit:
            if self.threshold is None:
                self.idle.feed(fresh_y)
            return
        edges = np.array(self.times[-min(len(self.times), 200_000) :])
        nxt = np.searchsorted(edges, fresh_t)
        since = np.where(nxt > 0, fresh_t - edges[np.maximum(nxt - 1, 0)], fresh_t - (self.start or 0.0) + IDLE_BITS * self._bit)
        until = np.where(nxt < len(edges), edges[np.minimum(nxt, len(edges) - 1)] - fresh_t, np.inf)
        self.idle.feed(fresh_y[(since > IDLE_BITS * self._bit) & (until > 1.0 * self._bit)])

    def _reach(self) -> tuple[int, int, int]:
        """Samples before, samples after, and how many are averaged to one."""
        step = self.step if self.step > 0 else STILL_STEP_S
        after = max(int(AFTER_S / step), 8)
        every = max(1, -(-after // WINDOW_POINTS))
        return max(int(BEFORE_S / step), 4), after, every

    def _windows(self, final: bool) -> None:
        if not self.step > 0:
            return  # a row or two, or times that stand still: nothing can be cut out of it
        before, after, every = self._reach()
        end = self._origin + len(self._t)
        keep: list[tuple[int, int]] = []
        most = max(FEWEST_WINDOWS, min(MOST_WINDOWS, KEPT_POINTS // max((before + after) // every, 1)))
        for number, at in self._pending:
            if at + after > end and not final:
                keep.append((number, at))
                continue
            last = number + 1 >= len(self.times)
            quiet = self.times[number] - (self.times[number - 1] if number else self.start or 0.0)
            free = (float(self._t[-1]) if last else self.times[number + 1]) - self.times[number]
            worth = min(quiet, 80e-6) / 80e-6 + min(free, AFTER_S) / AFTER_S
            if len(self._heap) >= most and worth <= self._heap[0][0]:
                continue
            window = self._cut(number, at, before, after, every, quiet, free)
            if window is None:
                continue
            entry = (worth, -number, window)
            if len(self._heap) < most:
                heapq.heappush(self._heap, entry)
            else:
                heapq.heapreplace(self._heap, entry)
        self._pending = keep

    def _cut(self, number: int, at: int, before: int, after: int, every: int, quiet: float, free: float) -> EdgeWindow | None:
        here = at - self._origin
        first = max(0, here - before)
        last = min(len(self._t), here + min(after, int(free / self.step) + 1))
        count = (last - first) // every
        if here - first < 2 * every or count < 6:
            return None
        t, y = self._t[first : first + count * every], self._y[first : first + count * every]
        span = float(t[-1] - t[0])
        if len(t) > 1 and abs(span / (len(t) - 1) - self.step) > 0.05 * self.step:
            return None  # a hole in the recording
        if every > 1:
            t, y = t.reshape(count, every).mean(axis=1), y.reshape(count, every).mean(axis=1)
        edge = self.times[number]
        earlier = tuple((edge - self.times[k], int(self.signs[k])) for k in range(max(0, number - EARLIER_EDGES), number))
        step = float(t[-1] - t[0]) / (len(t) - 1)
        return EdgeWindow(edge, int(self.signs[number]), float(t[0]) - edge, step, np.array(y), quiet, free, earlier)

    def _forget(self) -> None:
        before, after, _ = self._reach()
        oldest = min((at for _, at in self._pending), default=self._origin + len(self._t))
        keep_from = max(min(oldest - before, self._origin + len(self._t) - before - after) - 8, self._origin)
        cut = min(keep_from - self._origin, len(self._t))
        self._t, self._y = self._t[cut:].copy(), self._y[cut:].copy()
        self._origin += cut
        self._fresh -= cut
