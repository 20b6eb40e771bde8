"""Legs that are lost, and a neutral that floats."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Bools, Floats
from diagnose.evidence.meter.view import LEAST_LOAD, View
from diagnose.physics import service

GONE = 0.5  # of nominal: a leg below is not there, whatever a meter shows of stray volts
STRAY = 0.25  # of nominal: so much a meter shows on a wire that hangs in the air
ALIVE = 0.8
LEAST_S = 2.0
SUM_HOLDS = 0.02  # share within which the legs' sum has to stay while they move apart
APART_SHARE = 0.05  # of a leg's nominal volts, either way


class LostLeg(NamedTuple):
    """A stretch with a leg gone: rows, times, the leg (empty where it cannot be told), its volts, volts across, and whether load was on."""

    begin: int
    end: int
    start: float
    seconds: float
    leg: str
    volts: float | None
    across: float | None
    loaded: bool


class FloatingNeutral(NamedTuple):
    """A floating neutral: how far the legs went, V; what the sum or the volts across did meanwhile, V; rows of the worst stretch."""

    low: float
    high: float
    low_leg: str
    held: float
    seconds: float
    begin: int
    end: int
    ratio: float
    slope: float


def _runs(bad: Bools) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def lost_legs(view: View) -> list[LostLeg]:
    """Stretches of at least two seconds (or two samples) with one leg gone and another alive, longest first."""
    log, legs = view.log, view.legs
    across = view.volts(view.across) if view.across is not None else None
    found: list[LostLeg] = []
    if view.nominal == view.to_ground and view.branch.legs() != "a-b-c":
        return []
    values = {leg: view.volts(n) for leg, n in sorted(legs.items())}
    alive_other = {leg: np.any([v > ALIVE * view.to_ground for o, v in values.items() if o != leg], axis=0) for leg in values if len(values) > 1}
    for leg, other in alive_other.items():
        bad = (values[leg] < GONE * view.to_ground) & other
        found += [_stretch(view, a, b, leg, across) for a, b in _runs(np.asarray(bad, dtype=bool))]
    if across is not None and values:
        # Through the unit's own supply a lost leg follows the live one: both read alive, and nothing is between them.
        every = np.all([v > ALIVE * view.to_ground for v in values.values()], axis=0)
        bad = (across < GONE * view.nominal) & every
        found += [_stretch(view, a, b, "", across) for a, b in _runs(np.asarray(bad, dtype=bool))]
    least = max(LEAST_S, 1.5 * log.interval)
    return sorted((x for x in found if x.seconds >= least), key=lambda x: -x.seconds)


def _stretch(view: View, a: int, b: int, leg: str, across: Floats | None) -> LostLeg:
    log = view.log
    volts = float(np.nanmedian(view.volts(view.legs[leg])[a:b])) if leg else None
    between = float(np.nanmedian(across[a:b])) if across is not None and np.isfinite(across[a:b]).any() else None
    load = view.load[a:b]
    loaded = bool(np.isfinite(load).any() and np.nanmedian(load) > LEAST_LOAD)
    return LostLeg(a, b, float(log.times[a]), float(log.times[b - 1] + log.seconds[b - 1] - log.times[a]), leg, volts, between, loaded)


def floating(view: View) -> FloatingNeutral | None:
    """A neutral (or ground reference) that floats: one leg up and another down by more than the supply allows, all else steady."""
    legs = view.legs_n if len(view.legs_n) >= 2 else view.legs_g
    if len(legs) < 2 or (view.nominal == view.to_ground and len(legs) < 3):
        return None
    log, names = view.log, sorted(legs)
    table = np.array([view.volts(legs[n]) for n in names])
    with np.errstate(all="ignore"):
        top, bottom = table.max(axis=0), table.min(axis=0)
    limits = service.limits(view.to_ground)
    apart = APART_SHARE * view.to_ground
    alive = np.isfinite(table).all(axis=0) & (bottom > 0.02 * view.to_ground)
    bad = alive & ((bottom < limits.b_low) | (top > limits.b_high)) & (top > view.to_ground + apart) & (bottom < view.to_ground - apart)
    if view.across is not None:
        held = view.volts(view.across)
        bad &= np.abs(held - view.nominal) < 0.1 * view.nominal
    elif view.branch.system() == "split-120-240" and len(names) == 2:
        held = table.sum(axis=0)
        bad &= np.abs(held - view.nominal) < 0.1 * view.nominal
    else:
        return None
    runs = [
        (a, b)
        for a, b in _runs(np.asarray(bad, dtype=bool))
        if log.times[b - 1] + log.seconds[b - 1] - log.times[a] >= max(LEAST_S, 1.5 * log.interval)
    ]
    if not runs:
        return None
    inside = np.concatenate([np.arange(a, b) for a, b in runs])
    # Over the whole log: as one leg goes down the other has to go up, and what is held has to hold.
    still = held[alive & (held > GONE * view.nominal)]
    middle = float(np.median(still))
    swing = float(np.quantile(np.abs(still - middle), 0.95))
    if swing > max(SUM_HOLDS * view.nominal, 0.25 * float(np.quantile(top[inside] - bottom[inside], 0.9))):
        return None
    slope = float("nan")
    if len(names) == 2:
        x, y = table[0][alive], table[1][alive]
        if np.std(x) > 0:
            slope = float(np.polyfit(x - x.mean(), y - y.mean(), 1)[0])
    worst = max(runs, key=lambda r: float(np.nanmax(top[r[0] : r[1]] - bottom[r[0] : r[1]])))
    low, high = float(bottom[inside].min()), float(top[inside].max())
    at = int(inside[int(np.argmin(bottom[inside]))])
    ratio = float(top[at] / bottom[at]) if bottom[at] > 0 else math.inf
    seconds = float(sum(log.times[b - 1] + log.seconds[b - 1] - log.times[a] for a, b in runs))
    return FloatingNeutral(
        low=low, high=high, low_leg=names[int(np.argmin(table[:, at]))], held=swing, seconds=seconds,
        begin=worst[0], end=worst[1], ratio=ratio, slope=slope,
    )  # fmt: skip


__all__ = ["ALIVE", "GONE", "STRAY", "FloatingNeutral", "LostLeg", "floating", "lost_legs"]
