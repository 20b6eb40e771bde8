"""The current over time: levels that it holds, charges, and how each charge ended."""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

import numpy as np

from diagnose.evidence.meter.reduce import GAP_STEPS
from diagnose.evidence.meter.view import LEAST_LOAD, View

LEAST_SECONDS = 10.0  # a level is held so long, or three samples where they are farther apart
SELF_CLOSING = 30.0  # s; a supply that is back sooner was interrupted, for nobody closes a breaker so fast
LOST_SHARE = 0.25  # of the volts before: less is no supply


class Level(NamedTuple):
    """A level that the current held: rows `begin` to before `end`, time in s, mean A."""

    begin: int
    end: int
    start: float
    stop: float
    amps: float

    @property
    def seconds(self) -> float:
        """How long it was held."""
        return self.stop - self.start


class Charge(NamedTuple):
    """Rows and times of a stretch with load, and how it ended.

    `ending`: `log-ends`, `gap`, `tapered`, `stopped` (volts stay), `supply-lost` (volts go too), `interrupted` (they are back within
    half a minute), `lost-at-end` (the log ends sooner than that), `leg-lost` (one leg stays) or `unknown` (at once, but no volts are
    logged). `away` is how long the volts were gone, None where they never return.
    """

    begin: int
    end: int
    start: float
    stop: float
    most: float
    last: float
    ending: str
    away: float | None

    @property
    def seconds(self) -> float:
        """How long the load was on."""
        return self.stop - self.start


def levels(view: View) -> tuple[list[Level], int]:
    """The levels of the load current in time order, and how many single samples stood out of them."""
    log, load = view.log, view.load
    known = np.flatnonzero(np.isfinite(load))
    if len(known) < 2:
        return [], 0
    amps = load[known]
    noise = float(np.median(np.abs(np.diff(amps)))) if len(amps) > 2 else 0.0
    slack = max(0.4, 0.025 * float(np.quantile(amps, 0.99)), 5 * noise)
    least = max(LEAST_SECONDS, 3 * log.interval)
    starts, spans = log.times[known].tolist(), log.seconds[known].tolist()
    found: list[Level] = []
    spikes = 0
    rows, values = known.tolist(), amps.tolist()
    begin, weight, total = 0, 0.0, 0.0
    outside: list[int] = []

    def close(until: int) -> None:
        stop = starts[until] if until < len(starts) else starts[-1] + spans[-1]
        stop = min(stop, starts[until - 1] + spans[until - 1])
        if stop - starts[begin] >= least and weight > 0:
            found.append(Level(rows[begin], rows[until - 1] + 1, starts[begin], stop, total / weight))

    for n, value in enumerate(values):
        gone = n > 0 and starts[n] - starts[n - 1] - spans[n - 1] > GAP_STEPS * log.interval
        if not gone and (weight == 0 or abs(value - total / weight) <= slack):
            spikes += len(outside)
            outside.clear()
            total, weight = total + value * spans[n], weight + spans[n]
            continue
        if gone:
            close(outside[0] if outside else n)
            outside.clear()
            begin, total, weight = n, value * spans[n], spans[n]
            continue
        if outside and (value > total / weight) != (values[outside[0]] > total / weight):
            spikes += len(outside)
            outside.clear()
        outside.append(n)
        if len(outside) >= 2 or spans[n] >= 2.5 * log.interval:
            close(outside[0])
            begin = outside[0]
            # A ramp passes through: the level begins with its newest sample, unless the two agree.
            if abs(values[begin] - value) > slack:
                begin = n
            total = sum(values[i] * spans[i] for i in range(begin, n + 1))
            weight = sum(spans[begin : n + 1])
            outside.clear()
    if outside and len(outside) == 1:
        spikes += 1
    close(len(values))
    return found, spikes


def within(held: list[Level], begin: int, end: int, least: float) -> list[Level]:
    """Levels over `least` A inside rows `begin` to before `end`; levels come in order, so few are looked at."""
    found: list[Level] = []
    for n in range(bisect_left(held, begin, key=lambda x: x.begin), len(held)):
        if held[n].end > end:
            break
        if held[n].amps > least:
            found.append(held[n])
    return found


def charges(view: View, held: list[Level]) -> list[Charge]:
    """Stretches with load. A missing sample or two does not end one."""
    log = view.log
    known = np.flatnonzero(np.isfinite(view.load))
    if not len(known):
        return []
    on = view.load[known] > LEAST_LOAD
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    found: list[Charge] = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        begin, end = int(known[a]), int(known[b - 1]) + 1
        start, stop = float(log.times[begin]), float(log.times[end - 1] + log.seconds[end - 1])
        before = within(held, begin, end, LEAST_LOAD)
        most = max((x.amps for x in before), default=float(np.nanmax(view.load[begin:end])))
        last = before[-1].amps if before and stop - before[-1].stop < 5 * max(log.interval, 1.0) else float(view.load[end - 1])
        ending, away = _ending(view, begin, end, last, b < len(known), int(known[b]) if b < len(known) else -1)
        found.append(Charge(begin, end, start, stop, most, last, ending, away))
    return found


def _ending(view: View, begin: int, end: int, last: float, more: bool, after: int) -> tuple[str, float | None]:
    log = view.log
    if not more:
        return "log-ends", None
    if log.times[after] - (log.times[end - 1] + log.seconds[end - 1]) > GAP_STEPS * max(log.interval, 1e-9):
        return "gap", None
    tail = view.load[max(begin, end - 3) : end]
    at_once = bool(np.nanmax(tail) >= 0.8 * last) and view.load[after] < LEAST_LOAD and last >= LEAST_LOAD
    if not at_once or (end - begin > 6 and view.load[end - 1] < 0.6 * last and view.load[end - 2] < 0.8 * last):
        return "tapered", None
    columns = [*([view.across] if view.across is not None else []), *(n for n in view.legs.values() if n != view.across)]
    # The first row behind may still be half and half.
    behind = slice(min(after + 1, len(log.times) - 1), after + 5)
    gone = {}
    for n in columns:
        earlier, later = log.values[max(begin, end - 6) : end, n], log.values[behind, n]
        if np.isfinite(earlier).any() and np.isfinite(later).any():
            gone[n] = bool(np.nanmedian(later) < LOST_SHARE * np.nanmedian(earlier))
    if not gone:
        return "unknown", None
    if not any(gone.values()):
        return "stopped", None
    if not all(gone.values()):
        return "leg-lost", None
    one = next(iter(gone))
    back = np.flatnonzero(np.nan_to_num(log.values[after:, one]) > 0.75 * np.nanmedian(log.values[begin:end, one]))
    back = back[log.times[after + back] > log.times[behind.start]]
    if not len(back):
        left = float(log.times[-1] + log.seconds[-1] - log.times[after])
        return ("lost-at-end" if left < SELF_CLOSING else "supply-lost"), None
    away = float(log.times[after + back[0]] - log.times[after])
    return ("interrupted" if away < SELF_CLOSING else "supply-lost"), away


__all__ = ["LEAST_SECONDS", "SELF_CLOSING", "Charge", "Level", "charges", "levels", "within"]
