"""A meter's log brought down to a bounded number of rows: time made to run forward, like neighbours merged.

Logs of up to `MOST` rows are kept as they are. Of longer ones neighbours are merged while their currents and volts
agree within a tolerance, so that steps keep their place; the tolerance is doubled only when that is not enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats, Whole
from diagnose.evidence.meter.columns import AMPS, CELSIUS, JOINT, VOLTS, Column

MOST = 120_000  # rows held
GAP_STEPS = 5.0  # a pause longer than so many intervals is a gap
LONGEST_MERGED = 60.0  # s
# Share of the value and the least, up to which neighbours count as alike at first.
_ALIKE = {AMPS: (0.02, 0.3), VOLTS: (0.004, 0.3), CELSIUS: (0.0, 0.5), JOINT: (0.05, 0.002)}
_SLACK = (0.03, 50.0)  # watts


class MeterLog(NamedTuple):
    """The rows held: begin and duration in s, mean of each column, samples and line numbers; and what was strange about time."""

    columns: tuple[Column, ...]
    times: Floats
    lasts: Floats
    seconds: Floats
    values: Floats
    low: Floats
    high: Floats
    counts: Whole
    first_line: Whole
    last_line: Whole
    interval: float
    samples: int
    gaps: int
    gap_seconds: float
    jumps: tuple[tuple[float, int], ...]
    jump_count: int
    tolerance: float


@dataclass
class _Held:
    times: Floats
    lasts: Floats
    values: Floats
    low: Floats
    high: Floats
    counts: Whole
    first: Whole
    last: Whole

    def __len__(self) -> int:
        return len(self.times)


def _join(parts: list[_Held]) -> _Held:
    return _Held(*(np.concatenate([getattr(p, name) for p in parts]) for name in _Held.__dataclass_fields__))


class Reducer:
    """Feed blocks of times (s), values and line numbers in order; `finish` gives the log."""

    def __init__(self, columns: tuple[Column, ...], dated: bool, elapsed: bool) -> None:
        self._columns, self._dated, self._elapsed = columns, dated, elapsed
        self._parts: list[_Held] = []
        self._rows = 0
        self._offset = 0.0
        self._now: float | None = None
        self._steps: list[float] = []
        self.interval = 0.0
        self.samples = 0
        self.jumps: list[tuple[float, int]] = []
        self.jump_count = 0
        self.tolerance = 1.0
        self._longest = LONGEST_MERGED
        self._waiting: tuple[Floats, Floats, Whole] | None = None
        self._long = False

    def feed(self, times: Floats, values: Floats, lines: Whole) -> None:
        """Take one block."""
        self.samples += len(times)
        times = self._forward(times, lines)
        if self._waiting is not None:
            times, values, lines = (np.concatenate(pair) for pair in zip(self._waiting, (times, values, lines), strict=True))
        # The next block may begin with the time stamp that this one ends with.
        cut = int(np.searchsorted(times, times[-1]))
        self._waiting = times[cut:], values[cut:], lines[cut:]
        if cut:
            self._take(times[:cut], values[:cut], lines[:cut])

    def _take(self, times: Floats, values: Floats, lines: Whole) -> None:
        # Several samples with one time stamp count as one row, their mean.
        new = np.concatenate([[True], np.diff(times) > 0])
        if not new.all():
            at = np.flatnonzero(new)
            counts = np.diff(np.concatenate([at, [len(times)]]))
            known = ~np.isnan(values)
            number = np.add.reduceat(known, at, axis=0).astype(np.float64)
            total = np.add.reduceat(np.where(known, values, 0.0), at, axis=0)
            low = np.minimum.reduceat(np.where(known, values, np.inf), at, axis=0)
            high = np.maximum.reduceat(np.where(known, values, -np.inf), at, axis=0)
            none = number == 0
            mean = np.where(none, np.nan, total / np.maximum(number, 1))
            low[none], high[none] = np.nan, np.nan
            part = _Held(times[at], times[at], mean, low, high, counts, lines[at], lines[at + counts - 1])
        else:
            part = _Held(times, times.copy(), values, values, values, np.ones(len(times), dtype=np.int64), lines, lines)
        for _ in range(3 if self._long else 0):
            part = _merged(part, self._columns, self.tolerance, self._longest, GAP_STEPS * self.interval)
        self._parts.append(part)
        self._rows += len(part)
        if self._rows > MOST:
            self._compact()

    def _forward(self, times: Floats, lines: Whole) -> Floats:
        """Times that never run backwards: past midnight for a clock without date, else a clock that was set back."""
        times = times + self._offset
        before = times[0] if self._now is None else self._now
        steps = np.diff(np.concatenate([[before], times]))
        if not self.interval:
            up = steps[steps > 0]
            if len(up):
                self.interval = float(np.median(up))
        for at in np.flatnonzero(steps < -1e-9):
            back = float(times[at] - (times[at - 1] if at else before))
            if back >= -1e-9:
                continue
            if not self._dated and not self._elapsed and back < -43200.0:
                shift = 86400.0
            else:
                shift = -back + self.interval
                self.jump_count += 1
                if len(self.jumps) < 20:
                    self.jumps.append((back, int(lines[at])))
            times[at:] += shift
            self._offset += shift
        self._now = float(times[-1])
        return times

    def _compact(self) -> None:
        self._long = True  # from now on each block is merged as it comes, which is less work
        held = _join(self._parts)
        while True:
            while len(held) > MOST // 2:
                slim = _merged(held, self._columns, self.tolerance, self._longest, GAP_STEPS * self.interval)
                if len(slim) > 0.9 * len(held):
                    held = slim
                    break
                held = slim
            if len(held) <= 0.8 * MOST:
                break
            self.tolerance *= 2
            self._longest *= 2
        self._parts, self._rows = [held], len(held)

    def finish(self) -> MeterLog:
        """The log. Errors: none; a log without rows has none."""
        if self._waiting is not None:
            self._take(*self._waiting)
            self._waiting = None
        held = _join(self._parts) if self._parts else None
        if held is None or not len(held):
            none = np.empty(0)
            empty = np.empty((0, len(self._columns)))
            whole = np.empty(0, dtype=np.int64)
            return MeterLog(
                columns=self._columns, times=none, lasts=none, seconds=none, values=empty, low=empty,
                high=empty, counts=whole, first_line=whole, last_line=whole, interval=0.0, samples=0, gaps=0,
                gap_seconds=0.0, jumps=(), jump_count=0, tolerance=1.0,
            )  # fmt: skip
        after = np.diff(np.concatenate([held.times, [held.lasts[-1] + self.interval]])) - (held.lasts - held.times)
        gap = after > GAP_STEPS * max(self.interval, 1e-9)
        step = np.where(gap, self.interval, after)
        return MeterLog(
            columns=self._columns, times=held.times, lasts=held.lasts,
            seconds=held.lasts - held.times + step, values=held.values, low=held.low, high=held.high,
            counts=held.counts, first_line=held.first, last_line=held.last, interval=self.interval,
            samples=self.samples, gaps=int(gap.sum()), gap_seconds=float((after - step)[gap].sum()),
            jumps=tuple(self.jumps), jump_count=self.jump_count, tolerance=self.tolerance,
        )  # fmt: skip


def _merged(held: _Held, columns: tuple[Column, ...], tolerance: float, longest: float, gap: float) -> _Held:
    """Pairs of like neighbours merged."""
    even = len(held) - len(held) % 2
    a, b = slice(0, even, 2), slice(1, even, 2)
    like = (held.lasts[b] - held.times[a] <= longest) & (held.times[b] - held.lasts[a] <= gap)
    low = np.fmin(held.low[a], held.low[b])
    high = np.fmax(held.high[a], held.high[b])
    for n, c in enumerate(columns):
        share, least = _ALIKE.get(c.quantity, _SLACK)
        x, y = held.values[a, n], held.values[b, n]
        limit = np.maximum(tolerance * share * np.abs(x), tolerance * least)
        like &= (np.isnan(x) & np.isnan(y)) | ((high[:, n] - low[:, n] <= 3 * limit) & (np.abs(x - y) <= limit))
    pairs = np.flatnonzero(like)
    i, j = 2 * pairs, 2 * pairs + 1
    keep = np.ones(len(held), dtype=bool)
    keep[j] = False
    at = i - np.arange(len(pairs))  # where the merged rows stand once the others are gone
    out = _Held(*(getattr(held, name)[keep] for name in _Held.__dataclass_fields__))
    na, nb = held.counts[i], held.counts[j]
    out.values[at] = (held.values[i] * na[:, None] + held.values[j] * nb[:, None]) / (na + nb)[:, None]
    out.low[at], out.high[at] = low[pairs], high[pairs]
    out.lasts[at], out.counts[at], out.last[at] = held.lasts[j], na + nb, held.last[j]
    return out
