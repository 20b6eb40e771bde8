"""Curves of a meter's log: the current with its steps, trips and cut-backs, the volts with what befell them, the temperature that a cut goes with."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.drawing import (
    MOST_COLUMNS,
    MOST_DRAWINGS,
    MOST_MARKS,
    Curve,
    CurveMark,
    Drawing,
)
from diagnose.evidence.meter.find import MeterFindings
from diagnose.evidence.meter.reduce import GAP_STEPS
from diagnose.evidence.meter.view import LEAST_LOAD, View
from diagnose.evidence.meter.words import clock, one

NEAR_S = 60.0
STEP_A = 2.0


def drawings(a: MeterFindings) -> tuple[Drawing, ...]:
    """What can be drawn, the current first. Times in s from the beginning of the log, at most 600 columns each."""
    view = a.view
    out: list[Drawing] = []
    if any(x.amps > LEAST_LOAD for x in a.held) or a.charges:
        title = "Current" if view.load_name == "current" else "Current, from watts"
        out.append(Drawing(title, _trace(view, view.low_load, view.high_load, "A"), _current_marks(a)))
    marks = _volt_marks(a)
    legs = list(view.legs.values()) if a.sag.leg or any(x.leg for x in a.lost) else []
    if a.floats is not None:
        legs = list((view.legs_n if len(view.legs_n) >= 2 else view.legs_g).values())
    for n in [*([view.across] if view.across is not None else []), *legs] or list(view.legs.values()):
        out.append(_column(view, n, "V", marks))
    heat = next((c.column for c in a.cuts if c.column is not None), next(iter(view.heat), None))
    if heat is not None and len(out) >= MOST_DRAWINGS:
        del out[MOST_DRAWINGS - 1 :]
    if heat is not None:
        out.append(_column(view, heat, "°C", _cut_marks(a, heat)))
    return tuple(out[:MOST_DRAWINGS])


def _column(view: View, n: int, unit: str, marks: tuple[CurveMark, ...]) -> Drawing:
    return Drawing(one(view.title(n)), _trace(view, view.log.low[:, n], view.log.high[:, n], unit), marks)


def _trace(view: View, low: Floats, high: Floats, unit: str) -> Curve:
    """Least and greatest value of each piece of the log. A row lasts until the next, but not over a gap."""
    log = view.log
    origin = float(log.times[0])
    begins = log.times - origin
    ends = begins + np.maximum(log.seconds, 0.0)
    # A sample or two that is missing between neighbours is no hole in the curve.
    short = np.concatenate([begins[1:] - ends[:-1] < GAP_STEPS * log.interval, [False]])
    ends = np.where(short, np.maximum(ends, np.concatenate([begins[1:], ends[-1:]])), ends)
    whole = max(float(ends[-1]), 1e-9)
    width = min(MOST_COLUMNS, len(begins))
    first = np.clip((begins / whole * width).astype(np.int64), 0, width - 1)
    last = np.clip(np.ceil(ends / whole * width).astype(np.int64) - 1, first, width - 1)
    least, most = np.full(width, np.nan), np.full(width, np.nan)
    np.fmin.at(least, first, low)
    np.fmax.at(most, first, high)
    for n in np.flatnonzero(last > first).tolist():  # rows that are longer than a column
        part = slice(int(first[n]), int(last[n]) + 1)
        least[part], most[part] = np.fmin(least[part], low[n]), np.fmax(most[part], high[n])
    return Curve(0.0, whole, least.tolist(), most.tolist(), unit)


def _marks(found: list[tuple[int, CurveMark]]) -> tuple[CurveMark, ...]:
    """The weightiest marks (small numbers first), in time order."""
    kept = sorted(found, key=lambda pair: pair[0])[:MOST_MARKS]
    return tuple(sorted((mark for _, mark in kept), key=lambda mark: mark.at))


def _current_marks(a: MeterFindings) -> tuple[CurveMark, ...]:
    view, origin = a.view, float(a.view.log.times[0])
    found: list[tuple[int, CurveMark]] = []
    for c in a.ended:
        found.append((0, CurveMark(c.stop - origin, f"current and volts go together, {clock(c.seconds)} after the load came on")))
    if a.bands is not None and a.bands.due is not None:
        found.append((1, CurveMark(a.bands.due - origin, f"the {a.bands.rating:g} A breaker has to be open by now")))
    cuts = [t for cut in a.cuts if cut.seen for t in cut.moments]
    found += [(2, mark) for mark in _cut_marks(a, None)]
    found += [(3, CurveMark(x.start - origin, "a leg is lost")) for x in a.lost if x.loaded]
    loaded = [x for x in a.held if x.amps > LEAST_LOAD]
    for x, y in pairwise(loaded):
        at = x.stop - origin
        near = y.start - x.stop < max(NEAR_S, GAP_STEPS * view.log.interval)
        if near and abs(x.amps - y.amps) >= STEP_A and all(abs(x.stop - t) > 1e-9 for t in cuts):
            found.append((4, CurveMark(at, f"{x.amps:.1f} to {y.amps:.1f} A")))
    return _marks(found)


def _cut_marks(a: MeterFindings, column: int | None) -> tuple[CurveMark, ...]:
    """Cuts that a temperature goes with; those of one column, or of all."""
    origin = float(a.view.log.times[0])
    return tuple(
        CurveMark(t - origin, f"cut back to {cut.low:.1f} A at {cut.down:.1f} °C")
        for cut in a.cuts if cut.seen and cut.column is not None and column in (None, cut.column) for t in cut.moments
    )[:MOST_MARKS]  # fmt: skip


def _volt_marks(a: MeterFindings) -> tuple[CurveMark, ...]:
    view, origin = a.view, float(a.view.log.times[0])
    found = [
        (
            0,
            CurveMark(
                x.start - origin,
                f"leg {x.leg.upper()} is lost" if x.leg else "a leg is lost, fed back through the unit",
            ),
        )
        for x in a.lost
    ]
    if a.floats is not None:
        found.append(
            (
                1,
                CurveMark(
                    float(view.log.times[a.floats.begin]) - origin,
                    (
                        f"leg {a.floats.low_leg.upper()} goes to {a.floats.low:.0f} V, another to "
                        f"{a.floats.high:.0f} V"
                    ),
                ),
            )
        )
    found += [(2, CurveMark(c.stop - origin, "current and volts go together")) for c in a.ended]
    found += [
        (3, CurveMark(c.stop - origin, f"the supply is away for {clock(c.away)}"))
        for c in a.charges
        if c.ending == "interrupted" and c.away is not None
    ]
    return _marks(found)


__all__ = ["drawings"]
