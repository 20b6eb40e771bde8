"""The logged current against the breaker's standard: for how long it was over which multiple, and whether the breaker had to open.

A standard binds a breaker only at its points, with a steady current from cold. For a current that varies, the least
current of an unbroken stretch stands for the whole of it: only where that is at or above a point's multiple for
the point's whole time did the breaker have to open. Nothing is concluded from a mean, and a gap ends a stretch.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from diagnose.evidence.meter.levels import Charge
from diagnose.evidence.meter.reduce import GAP_STEPS
from diagnose.evidence.meter.view import View
from diagnose.physics import protection

CLEARLY = 1.01  # a clamp's own noise is no time over a share


class Stretch(NamedTuple):
    """The longest unbroken time at or above a multiple of the rating, s, within rows `begin` to before `end`."""

    multiple: float
    seconds: float
    begin: int
    end: int


class Bound(NamedTuple):
    """A point of the standard: its time, the longest stretch at or above it, and the moment when the breaker had to be open (s of the log)."""

    point: protection.TripPoint
    stretch: Stretch
    due: float | None


class Bands(NamedTuple):
    """Rating A, family, the time over each multiple in s, the points, and the highest current that was held, as a multiple."""

    rating: float
    family: str
    shared: bool
    over: dict[float, float]
    bounds: tuple[Bound, ...]
    most: float
    due: float | None
    source: str


def longest(view: View, least: float, rows: slice | None = None) -> tuple[float, int, int, list[tuple[int, int]]]:
    """Longest unbroken time (s) with the load at or above `least` A, its rows, and all such stretches."""
    log = view.log
    inside = rows or slice(0, len(log.times))
    over = np.nan_to_num(view.low_load[inside]) >= least * (1 - 1e-9)
    if not over.any():
        return 0.0, 0, 0, []
    begin, after = log.times[inside], log.times[inside] + log.seconds[inside]
    broken = np.concatenate([[True], begin[1:] - after[:-1] > (GAP_STEPS - 1) * log.interval])
    starts = over & (broken | ~np.concatenate([[False], over[:-1]]))
    ends = over & np.concatenate([broken[1:] | ~over[1:], [True]])
    first = inside.start or 0
    pairs = list(zip((np.flatnonzero(starts) + first).tolist(), (np.flatnonzero(ends) + first + 1).tolist(), strict=True))
    spans = [float(log.times[b - 1] + log.seconds[b - 1] - log.times[a]) for a, b in pairs]
    at = max(range(len(spans)), key=lambda n: spans[n])
    return spans[at], *pairs[at], pairs


def bands(view: View) -> Bands | None:
    """The load against the recorded breaker; None without a current or a recorded rating."""
    rating = (
        view.branch.quantity("unit.breaker")
        if view.where.point != "panel"
        else view.site.number("panel.breaker", view.where.place)
        if view.where.place
        else None
    )
    if rating is None or not np.isfinite(view.load).any():
        return None
    family, log = view.branch.family(), view.log
    points = [p for p in protection.TRIP_POINTS[family] if rating <= p.up_to]
    kept = [min((p for p in points if p.multiple == m), key=lambda p: p.seconds) for m in sorted({p.multiple for p in points})]
    marks = sorted({0.8, 1.0, protection.FAMILIES[family].hold, *(p.multiple for p in kept)})
    load = np.nan_to_num(view.load)
    over = {m: float(log.seconds[load > CLEARLY * m * rating].sum()) for m in marks}
    found: list[Bound] = []
    for p in kept:
        seconds, begin, end, pairs = longest(view, p.multiple * rating)
        due = None
        for a, b in pairs:
            if float(log.times[b - 1] + log.seconds[b - 1] - log.times[a]) > p.seconds:
                due = float(log.times[a]) + p.seconds
                break
        found.append(Bound(p, Stretch(p.multiple, seconds, begin, end), due))
    first = min((b for b in found if b.due is not None), key=lambda b: b.due or 0.0, default=None)
    steady = np.sort(load[np.isfinite(view.load)])
    most = float(steady[max(0, len(steady) - 1 - len(steady) // 500)]) / rating
    own = view.branch.choice("unit.circuit") is not None
    return Bands(
        rating, family, own and view.where.point != "panel", over, tuple(found), most,
        first.due if first else None, first.point.source if first else "",
    )


class Trip(NamedTuple):
    """A breaker that opened under load: seconds after the load came on, mean and highest multiple, and the standard's word on it."""

    charge: Charge
    seconds: float
    mean: float
    most: float
    verdict: protection.Plausible
    celsius: float | None


def trip(view: View, found: Bands, charge: Charge, celsius: float | None) -> Trip:
    """What the standard says of a breaker that opened at the end of a charge, in air of `celsius` if that was logged."""
    rows = slice(charge.begin, charge.end)
    load, seconds = view.load[rows], view.log.seconds[rows]
    good = np.isfinite(load)
    # Root of the mean square: what the heating element feels.
    mean = float(np.sqrt(np.average(load[good] ** 2, weights=seconds[good])))
    most = float(np.nanquantile(view.high_load[rows], 0.98))
    reference = protection.FAMILIES[found.family].reference_celsius
    verdict = protection.plausible(found.rating, most, celsius if celsius is not None else reference, found.family)
    return Trip(charge, charge.seconds, mean / found.rating, most / found.rating, verdict, celsius)


__all__ = ["Bands", "Bound", "Stretch", "Trip", "bands", "longest", "trip"]
