"""Heat in a meter's log: a station that cuts back when hot, joints beside one another, the panel under load."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from diagnose.evidence.meter.breaker import longest
from diagnose.evidence.meter.levels import Charge, Level, within
from diagnose.evidence.meter.view import View

LEAST_CUT = 0.1  # share of the current by which a cut-back goes down
LEAST_AMPS = 2.0
APART_K = 1.5  # K by which the temperature at the cuts has to be above that at the recoveries
REGULAR = 0.35  # spread of the periods, as a share, up to which they count as regular
HALF = 0.45  # of the setting: half load, as a meter may read it
SETTLED_S = 1500.0  # s under load before joints are compared: half an hour, less a little (common practice, no source)
PANEL_S = 3000.0  # s of charging before a panel's temperature counts: an hour, less a little
LOOK_S = 300.0


class CutBack(NamedTuple):
    """A current that falls and recovers. `column` is the temperature that goes with it, None where none does.

    `down` and `up` in °C are the temperatures at the cuts and the recoveries, `period` in s from cut to cut, levels in A,
    `moments` the times of the cuts in s of the log.
    """

    charge: Charge
    cuts: int
    recoveries: int
    period: float | None
    regular: bool
    high: float
    low: float
    column: int | None
    down: float | None
    up: float | None
    seen: bool
    moments: tuple[float, ...]


class Rise(NamedTuple):
    """Two like joints beside one another: K between them at so many A, the titles, rows."""

    spot: str
    kelvin: float
    amps: float
    hot: str
    cool: str
    begin: int
    end: int


def _at(view: View, column: int, when: float) -> float:
    """°C over the half minute around a moment."""
    log = view.log
    width = max(15.0, 1.5 * log.interval)
    a, b = np.searchsorted(log.times, [when - width, when + width])
    part = view.volts(column)[int(a) : max(int(b), int(a) + 1)]
    return float(np.nanmean(part)) if np.isfinite(part).any() else float("nan")


def moved(a: Level, b: Level) -> bool:
    """Whether the current stepped from one level to the next by 2 A and a tenth of the higher one."""
    return abs(b.amps - a.amps) >= max(LEAST_AMPS, LEAST_CUT * max(a.amps, b.amps))


def cut_backs(view: View, held: list[Level], found: list[Charge]) -> list[CutBack]:
    """Charges in which the current falls and recovers, with the temperature that goes with it if one does."""
    result = []
    for charge in found:
        inside = within(held, charge.begin, charge.end, LEAST_AMPS)
        cuts: list[tuple[float, float]] = []
        ups: list[tuple[float, float]] = []
        for a, b in pairwise(inside):
            if b.start - a.stop > 120 + 5 * view.log.interval or not moved(a, b):
                continue
            (cuts if b.amps < a.amps else ups).append((a.stop, b.amps))
        # What comes before the first cut is how the charge began.
        ups = [u for u in ups if cuts and u[0] > cuts[0][0]]
        if not cuts or not ups:
            continue
        result.append(_pattern(view, charge, inside, cuts, ups))
    return result


def _pattern(view: View, charge: Charge, inside: list[Level], cuts: list[tuple[float, float]], ups: list[tuple[float, float]]) -> CutBack:
    gaps = [b[0] - a[0] for a, b in pairwise(cuts)]
    period = sorted(gaps)[len(gaps) // 2] if gaps else None
    mean = sum(gaps) / len(gaps) if gaps else 0.0
    regular = len(gaps) >= 2 and math.sqrt(sum((g - mean) ** 2 for g in gaps) / len(gaps)) < REGULAR * mean
    best: tuple[float, int, float, float] | None = None
    for column in view.heat:
        if view.log.columns[column].spot == "ambient":
            continue
        hot, cool = [_at(view, column, t) for t, _ in cuts], [_at(view, column, t) for t, _ in ups]
        hot, cool = [x for x in hot if x == x], [x for x in cool if x == x]
        if not hot or not cool or min(hot) - max(cool) < APART_K:
            continue
        # It has to rise towards a cut and fall after it, or it only happens to be high.
        falling = sum(_at(view, column, t) > _at(view, column, u[0]) for (t, _), u in zip(cuts, ups, strict=False))
        apart = sum(hot) / len(hot) - sum(cool) / len(cool)
        if falling >= min(len(cuts), len(ups)) and (best is None or apart > best[0]):
            best = apart, column, sum(hot) / len(hot), sum(cool) / len(cool)
    high = max(x.amps for x in inside)
    low = min(amps for _, amps in cuts)
    seen = best is not None and len(cuts) >= 2
    return CutBack(
        charge=charge, cuts=len(cuts), recoveries=len(ups), period=period, regular=regular, high=high,
        low=low, column=best[1] if best else None, down=best[2] if best else None,
        up=best[3] if best else None, seen=seen, moments=tuple(t for t, _ in cuts),
    )  # fmt: skip


def rises(view: View, setting: float) -> list[Rise]:
    """Like joints compared at the end of the longest stretch of half load or more, if that lasted half an hour."""
    found = []
    seconds, first, end, _ = longest(view, HALF * setting)
    if seconds < SETTLED_S:
        return []
    log = view.log
    begin = max(first, min(int(np.searchsorted(log.times, log.times[end - 1] + log.seconds[end - 1] - LOOK_S)), end - 1))
    amps = float(np.nanmean(view.load[begin:end]))
    for spot in ("breaker-lug", "unit-lug"):
        means = []
        for n in view.heat:
            part = view.volts(n)[begin:end]
            if log.columns[n].spot == spot and np.isfinite(part).any():
                means.append((float(np.nanmean(part)), n))
        means.sort()
        if len(means) >= 2:
            found.append(Rise(spot, means[-1][0] - means[0][0], amps, view.title(means[-1][1]), view.title(means[0][1]), begin, end))
    return found


def panel_celsius(view: View, found: list[Charge]) -> tuple[float, int, int] | None:
    """°C in the panel after an hour of charging, and the rows; the hottest such five minutes."""
    best = None
    for column in view.heat:
        if view.log.columns[column].spot != "panel":
            continue
        for charge in found:
            if charge.seconds < PANEL_S:
                continue
            begin = max(charge.begin, int(np.searchsorted(view.log.times, max(charge.start + PANEL_S - LOOK_S, charge.stop - LOOK_S))))
            part = view.volts(column)[begin : charge.end]
            if np.isfinite(part).any() and (best is None or float(np.nanmean(part)) > best[0]):
                best = float(np.nanmean(part)), begin, charge.end
    return best


def breaker_celsius(view: View, charge: Charge) -> float | None:
    """°C around the breaker over the last five minutes of a charge, from a column of panel or breaker; None without one."""
    for spot in ("panel", "breaker"):
        for column in view.heat:
            if view.log.columns[column].spot == spot:
                begin = max(charge.begin, int(np.searchsorted(view.log.times, charge.stop - LOOK_S)))
                part = view.volts(column)[begin : charge.end]
                if np.isfinite(part).any():
                    return float(np.nanmean(part))
    return None


__all__ = ["LEAST_AMPS", "PANEL_S", "CutBack", "Rise", "breaker_celsius", "cut_backs", "moved", "panel_celsius", "rises"]
