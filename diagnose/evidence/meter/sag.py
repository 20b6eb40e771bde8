"""Volts against load: the resistance that the unit sees towards the supply, with its error bar, and what the wires explain of it.

Only steps of the load count. The volts just before and just after a step are compared, so that a supply that moves
slowly by itself does not matter; how much it moves in so short a time is measured where there is no step.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.meter.levels import Level
from diagnose.evidence.meter.view import View
from diagnose.evidence.robust import huber_line, last_digit, sigma_of
from diagnose.physics import circuit
from diagnose.physics.heat import joint_watts

LEAST_STEP = 2.0  # A
WINDOW_S = 20.0
WINDOW_ROWS = 5
TRANSITION_S = 15.0
CLAMP_ERROR = 0.02
"""Share by which clamp and voltmeter together may be out, which no number of steps averages away (common practice, no source)."""
COLD_C = 20.0
MOST_QUIET = 20_000  # comparisons without a step; more tell nothing new
FEWEST_QUIET = 6
"""Comparisons without a step from which the supply's own movement is believed."""
CLIPPED, TAILS = 5.0, 0.5
"""Differences count up to so many spreads, and their root mean square by this share (common practice, no source)."""
SQRT_6 = math.sqrt(6)
"""Two rounded readings differ by a triangle of one digit either way: its standard deviation is the digit over this (textbook)."""
LEAST_NOISE_V = 1e-4
BAR = 2.0
"""Standard deviations of a 95 % bar, rounded up (textbook: 1.96)."""
DISTURBED = 6.0  # a step that lies so many bars off the rest had another load's step in it


class SourceOhms(NamedTuple):
    """Resistance seen in one column of volts, ohm, with its 95 % bar; from `steps` steps of which `odd` did not fit.

    `cold` and `warm` are what the recorded wires have at 20 °C and at their rated temperature, None where the record does not say.
    """

    column: int
    leg: str
    ohms: float
    bar: float
    steps: int
    odd: int
    cold: float | None
    warm: float | None

    @property
    def beyond(self) -> float | None:
        """Ohms beyond the warm wires."""
        return None if self.warm is None else self.ohms - self.warm


class Sag(NamedTuple):
    """All that volts and load say together. Volts are means; `drift` is how far the supply moved by itself, V."""

    sources: tuple[SourceOhms, ...]
    idle: float | None
    idle_level: Level | None
    loaded: float | None
    loaded_level: Level | None
    at_amps: float | None
    drift: float | None
    leg: str
    leg_ohms: float
    leg_bar: float
    upstream: SourceOhms | None


def _mean(view: View, values: Floats, rows: slice) -> tuple[float, int]:
    """Mean of some rows, and of how many samples."""
    values, seconds, counts = values[rows], view.log.seconds[rows], view.log.counts[rows]

    good = np.isfinite(values)
    if not good.any():
        return float("nan"), 0
    return float(np.average(values[good], weights=seconds[good])), int(counts[good].sum())


def _window(view: View, level: Level, late: bool, width: float) -> slice:
    """The first or the last rows of a level, not its very edge where a sample may be half and half."""
    times = view.log.times[level.begin : level.end]
    inner = 1 if level.end - level.begin > 3 else 0
    if late:
        first = int(np.searchsorted(times, level.stop - width - view.log.interval))
        end = level.end - inner
        return slice(max(level.begin, min(level.begin + first, end - 1)), end)
    last = int(np.searchsorted(times, level.start + width + view.log.interval))
    begin = level.begin + inner
    return slice(begin, max(begin + 1, min(level.begin + last, level.end)))


def resistance(view: View, at: int, amps: Floats, held: list[Level]) -> tuple[float, float, int, int] | None:
    """Ohms, bar, steps and odd steps of a column of volts; None when there is no step of load."""
    log, volts = view.log, view.volts(at)
    # Rows of a long log are means of many samples already.
    width = max(WINDOW_S, WINDOW_ROWS * log.interval, float(np.quantile(log.seconds, 0.75)) if int(log.counts.max()) > 1 else 0.0)
    rises: list[float] = []
    loads: list[float] = []
    quiet: list[float] = []
    scatter: list[float] = []
    for a, b in pairwise(held):
        if b.start - a.stop > max(TRANSITION_S, 10 * log.interval):
            continue
        before, after = _window(view, a, True, width), _window(view, b, False, width)
        v0, n0 = _mean(view, volts, before)
        v1, n1 = _mean(view, volts, after)
        i0, m0 = _mean(view, amps, before)
        i1, m1 = _mean(view, amps, after)
        if min(n0, n1, m0, m1) < 2 or abs(i1 - i0) < LEAST_STEP or min(v0, v1) < 0.25 * max(v0, v1):
            continue
        rises.append(v1 - v0)
        loads.append(i1 - i0)
        scatter += [float(np.nanstd(volts[before])), float(np.nanstd(volts[after]))]
    if not loads:
        return None
    for level in held:
        # The same comparison where nothing happened: noise, and how fast the supply moves by itself.
        rows = slice(level.begin, level.end)
        step = (log.times[rows] - level.start) // width
        if len(step) < 4 or len(quiet) > MOST_QUIET:
            continue
        at_rows = np.concatenate([[0], np.flatnonzero(np.diff(step)) + 1])
        known = np.isfinite(volts[rows])
        share = np.where(known, log.counts[rows], 0)
        number = np.add.reduceat(share, at_rows, dtype=np.int64)
        means = np.add.reduceat(np.where(known, volts[rows], 0.0) * share, at_rows)[number >= 2] / number[number >= 2]
        quiet += (means[2:] - means[:-2]).tolist()
    sigma = _noise(np.array(quiet), float(np.median(scatter)), last_digit(volts))
    load = np.array(loads)
    line = huber_line(load, np.array(rises), sigma)
    ohms, rest = -line.slope, line.rest
    odd = int((np.abs(rest) > DISTURBED * sigma).sum())
    seen = math.sqrt(float((line.weight * rest**2).sum() / max(1, len(rest) - 1))) if len(rest) > 2 else 0.0
    bar = BAR * math.hypot(max(sigma, seen) / math.sqrt(float((line.weight * load * load).sum())), CLAMP_ERROR / BAR * ohms)
    return ohms, bar, len(rises), odd


def _noise(quiet: Floats, scatter: float, digit: float) -> float:
    """Standard deviation, V, of a difference of two windows: by the differences where nothing happened, as far as there are
    enough, else by the scatter within the windows; and what the meter's last digit hides.
    """
    spread = scatter * math.sqrt(2 / WINDOW_ROWS)
    if len(quiet) >= FEWEST_QUIET:
        spread = sigma_of(quiet)
        # Where most differences are nought, the few that are not still say how far the supply moves.
        tails = np.clip(quiet, -CLIPPED * spread, CLIPPED * spread) if spread > 0 else quiet
        spread = max(spread, (TAILS if spread > 0 else 1.0) * float(np.std(tails)))
    # A steady reading hides up to half its last digit on either side of a step, and averaging does not help.
    hidden = digit / SQRT_6 if scatter < 0.5 * digit else 0.0
    return math.hypot(spread, hidden) or LEAST_NOISE_V


def wires(view: View, kind: str) -> tuple[float | None, float | None]:
    """Ohms of the recorded wires, at 20 °C and warm, as `across` or one `leg` sees them. Source: NEC chapter 9 Table 8, IEC 60228."""
    branch = view.branch
    size, run = branch.choice("unit.wire-size"), branch.quantity("unit.run-length")
    warm = branch.drop(1.0)
    if size is None or run is None or warm is None:
        return None, None
    three = branch.legs() == "a-b-c"
    try:
        cold = circuit.voltage_drop(1.0, run, circuit.ohms_per_km(size, branch.metal(), COLD_C), three_phase=three)
    except ValueError:
        return None, None
    # One leg to ground sees its own conductor alone; so does one to neutral, unless the neutral carries the return.
    share = 1.0 if kind == "across" else 1 / math.sqrt(3) if three else 0.5
    return cold * share, warm * share


def sag(view: View, held: list[Level]) -> Sag:
    """Everything that volts and load say together."""
    found: list[SourceOhms] = []
    upstream: SourceOhms | None = None
    common = view.load
    if view.across is not None:
        r = resistance(view, view.across, common, held)
        if r is not None:
            cold, warm = wires(view, "across")
            found.append(SourceOhms(view.across, "", *r, cold, warm))
    if view.nominal != view.to_ground or view.across is None:
        for leg, one in sorted(view.legs.items()):
            own = np.abs(view.volts(view.amps[leg])) if leg in view.amps else common
            r = resistance(view, one, own, held)
            if r is not None:
                cold, warm = wires(view, "leg")
                found.append(SourceOhms(one, leg, *r, cold, warm))
    if view.upstream is not None:
        r = resistance(view, view.upstream, common, held)
        if r is not None:
            upstream = SourceOhms(view.upstream, "", *r, None, None)
    at = view.across
    idle, idle_level = _volts_at(view, at, [x for x in held if x.amps < 1.0], None) if at is not None else (None, None)
    top = max((x.amps for x in held), default=0.0)
    high = [x for x in held if x.amps > 0.9 * top and x.amps >= 5.0]
    loaded, level = _volts_at(view, at, high, 1.0) if at is not None else (None, None)
    ohms = next((s.ohms for s in found if s.column == at), None)
    worst, more, bar = _worst_leg(found)
    return Sag(
        sources=tuple(found), idle=idle, idle_level=idle_level, loaded=loaded, loaded_level=level,
        at_amps=level.amps if level else None, drift=_drift(view, at, ohms) if at is not None else None,
        leg=worst, leg_ohms=more, leg_bar=bar, upstream=upstream,
    )  # fmt: skip


def _volts_at(view: View, at: int, held: list[Level], least: float | None) -> tuple[float | None, Level | None]:
    """Mean volts over levels, and the longest of them; dead stretches are left out unless all are dead."""
    total = weight = 0.0
    alive: list[Level] = []
    for level in held:
        mean, count = _mean(view, view.volts(at), slice(level.begin, level.end))
        if count and mean == mean and mean > LOST * view.nominal:
            total, weight = total + mean * level.seconds, weight + level.seconds
            alive.append(level)
    if not weight:
        return None, None
    return total / weight, max(alive, key=lambda x: x.seconds)


LOST = 0.5  # of nominal: less belongs to the supply that is gone, not to one that sags


def _drift(view: View, at: int, ohms: float | None) -> float | None:
    """How far the supply's own volts moved: those at the unit plus what the load costs, minute by minute."""
    if ohms is None:
        return None
    own = view.volts(at) + ohms * np.nan_to_num(view.load)
    good = np.isfinite(own) & (view.volts(at) > LOST * view.nominal)
    if good.sum() < 10:
        return None
    own, times = own[good], view.log.times[good]
    minute = ((times - times[0]) // max(60.0, 10 * view.log.interval)).astype(np.int64)
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(minute)) + 1])
    number = np.diff(np.concatenate([cuts, [len(own)]]))
    means = (np.add.reduceat(own, cuts) / number)[number >= 3].tolist()
    return max(means) - min(means) if len(means) > 1 else 0.0


def _worst_leg(found: list[SourceOhms]) -> tuple[str, float, float]:
    """The leg that loses clearly more than the others, how many ohms more, and the bar of that; an empty name where none does."""
    legs = sorted((s for s in found if s.leg), key=lambda s: -s.ohms)
    if len(legs) < 2:
        return "", 0.0, 0.0
    more = legs[0].ohms - legs[-1].ohms
    bar = math.hypot(legs[0].bar, legs[-1].bar)
    return (legs[0].leg if more > bar else ""), more, bar


def heat_of(ohms: float, amps: float) -> float:
    """Watts if so many ohm sit in one joint."""
    return joint_watts(amps, ohms)


__all__ = ["CLAMP_ERROR", "LOST", "Sag", "SourceOhms", "heat_of", "resistance", "sag", "wires"]
