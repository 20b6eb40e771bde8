"""Many edges of one sender laid over each other: samples, the mean edge, its noise, rise time and the edges' own times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats, Whole
from diagnose.evidence.robust import noise_of, second_differences
from diagnose.evidence.scope.echo_fit import (
    Fit,
    Stack,
    rise_of,
)
from diagnose.evidence.scope.echo_model import step_response
from diagnose.evidence.scope.scan import EdgeWindow

LOW, HIGH = 0.1, 0.9
"""Shares of the step between which the rise time is taken (the trade's 10 to 90 %)."""
FOOT, PEAK_PARTS = 0.3, 2000
"""Share of the greatest height under which an edge is still at its foot; that height is smoothed over one in so many bins."""
PLATEAU, FLAT = 0.7, 0.04
"""An edge is over after this share of its climb without a new height, or when its last third adds less than this share."""
FALL, FALL_NOISE = 0.06, 6.0
"""... or when it falls back by this share of the height and so many times the noise (tried on simulated lines, no source)."""
SAME_SENDER = 0.12  # steps that differ by less come from one sender


class EdgeSamples(NamedTuple):
    """All windows' samples in one row each: time against the edge in s, signed volts, number of the window."""

    t: Floats
    y: Floats
    n: Whole
    before: Floats  # how long it was quiet before, and is after, each sample's edge
    after: Floats
    windows: int
    step: float


def samples_of(windows: Sequence[EdgeWindow], rise: float) -> EdgeSamples:
    """Laid out flat; a recording much finer than its edges is averaged down."""
    step = float(np.median([w.step for w in windows]))
    every = max(int(rise / 12 / step), 1)
    t, y, n, before, after = [], [], [], [], []
    for k, w in enumerate(windows):
        count = len(w.volts) // every
        values = w.volts[: count * every].reshape(count, every).mean(axis=1) if every > 1 else w.volts
        t.append(w.first + w.step * ((every - 1) / 2 + every * np.arange(count)))
        y.append(values * w.sign)
        n.append(np.full(count, k))
        before.append(np.full(count, w.quiet_before))
        after.append(np.full(count, w.quiet_after))
    return EdgeSamples(
        np.concatenate(t), np.concatenate(y), np.concatenate(n), np.concatenate(before), np.concatenate(after), len(windows), step * every
    )


def one_sender(windows: Sequence[EdgeWindow], noise: float) -> list[EdgeWindow]:
    """The windows of the strongest sender: its first step is the largest, for it stands nearest."""
    sized = [(w, _first_step(w)) for w in windows]
    sized = [(w, a) for w, a in sized if a > 6 * noise]
    if len(sized) < 3:
        return [w for w, _ in sized]
    steps = np.array([a for _, a in sized])
    best = max((int((np.abs(steps / s - 1) < SAME_SENDER).sum()) * s**2, s) for s in steps)[1]
    return [w for w, a in sized if abs(a / best - 1) < SAME_SENDER]


def _first_step(w: EdgeWindow) -> float:
    """How far the edge has gone when its steep part ends, V."""
    y = w.volts * w.sign
    at = min(max(int(-w.first / w.step), 1), len(y) - 2)
    base = float(np.median(y[: max(at - 1, 1)][-200:]))
    smooth = np.convolve(y[at:], np.ones(3) / 3, "valid") if len(y) - at > 6 else y[at:]
    slope = np.diff(smooth)
    if not len(slope):
        return 0.0
    top = int(np.argmax(slope < 0.08 * max(float(slope[:4].max()), 1e-12))) if (slope < 0.08 * float(slope[:4].max())).any() else len(slope) - 1
    return float(smooth[top]) - base


class EdgeNoise(NamedTuple):
    """Standard deviation of a sample in V, and what steps of the recorder leave in a mean however many samples it has, V."""

    sigma: float
    fixed: float


def edge_noise(windows: Sequence[EdgeWindow]) -> EdgeNoise:
    """From the quiet stretches before the edges. Steps that noise does not smooth over leave a fixed error: the first
    harmonic of the rounding's saw-tooth (textbook)."""
    values, squares, steps = [], [], []
    for w in windows:
        quiet = w.volts[: max(int(-w.first / w.step * 0.6), 3)]
        if len(quiet) >= 6:
            values.append(noise_of(quiet))
            squares.append(float((second_differences(quiet) ** 2).mean()) / 6)
        jumps = np.abs(np.diff(w.volts[:400]))
        if (jumps > 1e-9).any():
            steps.append(float(jumps[jumps > 1e-9].min()))
    lsb = float(np.median(steps)) if steps else 0.0
    smooth = max(float(np.median(values)) if values else 0.0, 1e-7)
    if lsb < 0.5 * smooth:  # no steps to be seen
        return EdgeNoise(smooth, 0.0)
    whole = max(float(np.median(squares)) if squares else 0.0, 1e-14)
    within = max(whole - lsb**2 / 12, (0.1 * lsb) ** 2)
    fixed = lsb / math.pi / 2**0.5 * math.exp(-2 * math.pi**2 * within / lsb**2)
    return EdgeNoise(max(whole**0.5, lsb / 12**0.5), fixed)


def stack_of(
    s: EdgeSamples, shifts: Floats, tails: Floats | None, first: float, count: int, step: float,
    noise: EdgeNoise, rise: float, known: Fit | None = None,
) -> Stack:
    """The mean edge. With a fit at hand its curve is taken off before and put back behind the binning, so that a slope within
    a bin does no harm, and the standard errors come from how the edges differ."""
    t = s.t - shifts[s.n]
    y = s.y if tails is None else s.y - tails
    for quiet in (t < -1.2 * rise, t < -0.5 * rise, t < 0):
        held = np.bincount(s.n[quiet], minlength=s.windows)
        if (held >= 2).all():
            break
    level = np.bincount(s.n[quiet], weights=y[quiet], minlength=s.windows) / np.maximum(held, 1)
    y = y - level[s.n]
    place = np.floor((t - first) / step).astype(np.int64)
    # The next edge begins to move before its middle is crossed.
    usable = (t < s.after - 1.2 * rise) & (t > 2 * rise - s.before) & (place >= 0) & (place < count)
    place, y = place[usable], y[usable]
    curve = np.zeros(count)
    if known is not None:
        r = known.response._replace(centre=known.response.centre + known.first - first)
        fine = known.size * step_response(r, 2 * count, step / 2)
        curve = known.size * step_response(r, count, step)
        y = y - np.interp(t[usable], first + step / 2 * (np.arange(2 * count) + 0.5), fine)
    number = np.bincount(place, minlength=count).astype(np.float64)
    total = np.bincount(place, weights=y, minlength=count)
    mean = total / np.maximum(number, 1)
    variance = np.full(count, noise.sigma**2)
    if known is not None:
        squares = np.maximum(np.bincount(place, weights=y**2, minlength=count) - number * mean**2, 0)
        width = np.ones(max(int(2 * rise / step), 5))
        pooled, freedom = (np.convolve(v, width, "same") for v in (squares, np.maximum(number - 1, 0)))
        variance = np.where(freedom >= 20, np.maximum(pooled / np.maximum(freedom, 1), 0.25 * noise.sigma**2), variance)
    return Stack(first, step, mean + curve, 1 / np.sqrt(variance / np.maximum(number, 1) + noise.fixed**2) * (number > 0))


def first_rise(stack: Stack, together: int) -> tuple[float, float, float]:
    """Rise time 10 to 90 % in s, size in V and middle in s of the first step, averaged over so many bins."""
    good = stack.weight > 0
    t = (stack.first + stack.step * (np.arange(len(stack.mean)) + 0.5))[good]
    y = stack.mean[good]
    if together > 1 and len(y) > 8 * together:  # neighbouring bins hold different edges, each a little off
        t, y = t[together - 1 :] - (together - 1) * stack.step / 2, np.convolve(y, np.ones(together) / together, "valid")
    if len(y) < 8:
        return 0.0, 0.0, 0.0
    noise = noise_of(y)
    zero = int(np.argmin(np.abs(t)))
    top = zero
    peak = 0.0
    width = max(len(y) // PEAK_PARTS, 3)
    least = FOOT * float(np.convolve(y[zero:], np.ones(width) / width, "valid").max()) if len(y) - zero > width else 0.0
    for k in range(zero, len(y)):
        if y[k] > peak:
            peak, top = float(y[k]), k
        if peak < least:  # noise at the foot of the edge is no plateau
            continue
        # A plateau: no new height for as long again as the climb took.
        start = zero
        while start > 0 and y[start] > LOW * peak:
            start -= 1
        climb = max(t[top] - t[start], 3 * stack.step)
        if t[k] - t[top] > PLATEAU * climb or y[k] < peak - max(FALL_NOISE * noise, FALL * peak):
            break
        if k - zero > 6 and y[k] - y[max(zero, k - max(3, (k - zero) // 3))] < FLAT * peak + 2 * noise:
            top, peak = k, float(y[k])
            break
    below = np.flatnonzero(y[: top + 1] < LOW * peak)
    first = int(below[-1]) if len(below) else 0
    above = np.flatnonzero(y[first : top + 1] >= HIGH * peak)
    last = first + int(above[0]) if len(above) else top
    middle = np.flatnonzero(y[first : last + 1] >= 0.5 * peak)
    centre = float(t[first + int(middle[0])]) if len(middle) else 0.0
    return max(float(t[last] - t[first]), stack.step), peak, centre


def realigned(s: EdgeSamples, shifts: Floats, tails: Floats | None, fit: Fit, rise: float) -> Floats:
    """Each edge's own time, found against the fitted edge: noise moved the crossing that was taken before."""
    centre = fit.response.centre + fit.first
    reach = 1.2 * rise + 2 * s.step
    t = s.t - shifts[s.n]
    y = s.y if tails is None else s.y - tails
    step = min(rise / 12, s.step)
    count = int(8 * reach / step)
    begin = centre - 4 * reach
    curve = fit.size * step_response(fit.response._replace(centre=4 * reach), count, step)
    grid = begin + step * (np.arange(count) + 0.5)
    slope = np.gradient(curve, step)
    quiet = (t < centre - reach) & (t > 2 * rise - s.before)
    held = np.bincount(s.n[quiet], minlength=s.windows)
    level = np.bincount(s.n[quiet], weights=y[quiet], minlength=s.windows) / np.maximum(held, 1)
    near = np.abs(t - centre) < reach
    d = np.interp(t[near], grid, slope)
    off = y[near] - level[s.n[near]] - np.interp(t[near], grid, curve)
    power = np.bincount(s.n[near], weights=d * d, minlength=s.windows)
    change = -np.bincount(s.n[near], weights=d * off, minlength=s.windows) / np.where(power > 0, power, np.inf)
    # One sample between the levels tells a time only when it stands on the edge.
    change = np.where((held > 0) & (np.bincount(s.n[near], minlength=s.windows) > 1), np.clip(change, -reach, reach), 0.0)
    moved = shifts + change
    # The crossing lies between two samples; nothing but noise on the slope can have moved it further.
    most = 0.6 * s.step + 0.3 * rise
    result: Floats = np.clip(moved - float(np.median(moved)), -most, most)
    return result


def tails_of(windows: Sequence[EdgeWindow], s: EdgeSamples, fit: Fit, shifts: Floats) -> Floats | None:
    """What earlier edges still do at each sample, by the fitted response; None when nothing is left of them."""
    r = fit.response
    trip = 2 * r.tau
    product = abs(r.source * r.load)
    quiet = min((w.quiet_before for w in windows), default=0.0)
    if r.stub > 0 or trip <= 0 or product < 1e-3 or math.log(product) * quiet / trip < math.log(2e-3):
        return None
    longest = max(w.earlier[0][0] if w.earlier else 0.0 for w in windows)
    rise = rise_of(r)
    span = min(longest, 40 * trip) + float(s.t.max())
    step = max(min(rise / 3, span / 200), span / 16_000)
    lead = 4 * rise
    curve = fit.size * step_response(r._replace(centre=r.centre + fit.first + lead), int((span + lead) / step) + 2, step)
    grid = step * (np.arange(len(curve)) + 0.5) - lead
    settled = float(curve[-1])
    total = np.zeros(len(s.t))
    bounds = np.searchsorted(s.n, np.arange(s.windows + 1))
    for k, w in enumerate(windows):
        part = slice(bounds[k], bounds[k + 1])
        t = s.t[part] - shifts[k]
        for ago, sign in w.earlier:
            if ago < span:
                total[part] += sign * w.sign * (np.interp(t + ago, grid, curve, right=settled) - settled)
    return total


def mean_edge(windows: Sequence[EdgeWindow], span: float) -> tuple[float, float, Floats]:
    """The edges laid over each other for a drawing: time of the first bin in s, bin width in s, volts (nan: nothing)."""
    if not windows:
        return 0.0, 1.0, np.empty(0)
    step = float(np.median([w.step for w in windows]))
    width = max(step, span / 600)
    first = -min(0.15 * span, float(np.median([-w.first for w in windows])))
    count = max(int((span - first) / width), 2)
    stack = stack_of(samples_of(windows, 0.0), np.zeros(len(windows)), None, first, count, width, EdgeNoise(1.0, 0.0), 2 * step)
    return first, width, np.where(stack.weight > 0, stack.mean, np.nan)
