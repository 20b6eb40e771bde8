"""Echoes in the edges of a waveform: their delay, size and shape, with what cannot be told apart.

Many edges of one sender are laid over each other, the physical step response is fitted to the mean (delay, size,
edge, loss, source together), and the error bar comes from the fit's covariance, widened by what the fit leaves over.
Source: transmission-line theory (textbook), least squares (textbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats, Whole
from diagnose.evidence.robust import noise_of, second_differences
from diagnose.evidence.scope.echo_fit import (
    SHAPES,
    SOURCE_PRIOR,
    EchoProblem,
    Fit,
    Stack,
    Start,
    candidates,
    rebinned,
    rise_of,
)
from diagnose.evidence.scope.echo_model import CablePair, step_response
from diagnose.evidence.scope.scan import EdgeWindow

LEAST_ECHO = 0.03
"""Smaller echoes, as a share of the edge, are ordinary unevenness of a sound cable (common practice, no source)."""
MOST_BINS = 1500
MOST_STARTS, AGAIN_STARTS = 9, 6
NEAR_RISES = 6.0  # an echo within so many rise times is looked for twice
FINE = 0.005  # of the step: what the second search's edge may be off
SLIGHT = 0.1
"""Smaller reflection factors come from cable, resistors and stations within their tolerances (100 ohm on 120: 0.09)."""
SHOWN = 0.15
"""An echo of this factor must show for a distance to count as seen."""
SURE = 0.03  # by so much a factor must exceed its bar to be told as a fault
SHORT_DROP_S = 15e-9
"""One-way delay of a station's ordinary drop with its receiver, as a branch (3 m; common practice, no source)."""
LEAST_DIP = 0.04  # of the edge: what stations side by side cut out of it (measured on computed chains)
EXPLAINED = 0.6  # share of the departure from a sound line that one fault must explain to be told
LEAST_GAIN = 30.0  # by how much chi-square has to fall for an echo, or for a further parameter pair, to be believed
RIVAL_GAIN = 9.0  # two kinds whose chi-square differs by less are both possible
TWO_SHARE = 0.7  # of the cost of one fault that two may leave
SAME_SENDER = 0.12  # steps that differ by less come from one sender
UNCLEAR = 20.0  # chi-square per bin above which a recording without an echo does not prove the line sound
POOR = 2.5  # chi-square per bin above which other kinds of fault are tried
UNEXPLAINED = 0.015  # of the delay, added to the bar where the fit leaves more than that over
MODEL_DELAY, MODEL_RISE = 0.003, 0.03
"""What the model of the cable's loss and of the edge's form leaves uncertain, shares of the delay and of the rise time
at 95 % (measured against simulated lines with and without skin effect)."""
MODEL_STEP = 0.1  # of what the sample spacing exceeds half the rise time by: edges between samples are placed by guess
BAR = 1.96  # standard deviations of a 95 % bar


class Echo(NamedTuple):
    """What was found. Times in s; every `_bar` is half the width of a 95 % interval.

    `delay` is the round trip. `shape` is `step` (a resistive end or passage), `branch` (an open stub, its one-way
    delay in `branch`) or `none`. `factor` is the reflection factor freed of source and cable loss. `nearest` and
    `farthest` are the round trips between which this recording can tell an echo; `least` the smallest size it could.
    `passes` is whether the line goes on behind it. `rival` is another shape that fits as well, or empty; a rival
    `step` is the same with the line ending there instead of going on, or the other way, with a factor of its own.
    Where the edge is disturbed but no one fault explains it, `from_delay` and `to_delay` are the round trips between
    which the disturbance begins; else both are 0.
    `slight_delay` and `slight_factor` tell of an echo that a sound trunk may send as well; the shape is then `none`, and
    `least` no less than that echo with its bar.
    """

    shape: str
    delay: float
    delay_bar: float
    factor: float
    factor_bar: float
    branch: float
    branch_bar: float
    source: float
    rise: float
    step_v: float
    overshoot: float
    ring_s: float
    settles: bool
    nearest: float
    farthest: float
    least: float
    edges: int
    fit: float  # what the fit leaves over, in noise of the mean
    second_delay: float
    second_factor: float
    passes: bool = False
    rival: str = ""
    from_delay: float = 0.0
    to_delay: float = 0.0
    other: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # the rival's delay, its bar, factor, its bar
    slight_delay: float = 0.0
    slight_factor: float = 0.0

    def seen_as(self, passes: bool | None) -> Echo:
        """The same echo with the factor that it has when the line goes on behind it, or ends there; None: either way.

        On a lossy line the two differ: what the loss of the line behind adds is else laid to the factor.
        """
        if self.rival != "step" or self.shape != "step" or passes == self.passes:
            return self
        delay, delay_bar, factor, factor_bar = self.other
        if passes is None:
            between = abs(self.delay - delay)
            return self._replace(
                delay_bar=max(self.delay_bar, between + 0.5 * delay_bar), factor_bar=math.hypot(self.factor_bar, self.factor - factor)
            )
        mine = (self.delay, self.delay_bar, self.factor, self.factor_bar)
        return self._replace(delay=delay, delay_bar=delay_bar, factor=factor, factor_bar=factor_bar, passes=passes, other=mine)


class _Samples(NamedTuple):
    """All windows' samples in one row each: time against the edge in s, signed volts, number of the window."""

    t: Floats
    y: Floats
    n: Whole
    before: Floats  # how long it was quiet before, and is after, each sample's edge
    after: Floats
    windows: int
    step: float


def _samples(windows: Sequence[EdgeWindow], rise: float) -> _Samples:
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
    return _Samples(
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


class _Noise(NamedTuple):
    """Standard deviation of a sample in V, and what steps of the recorder leave in a mean however many samples it has, V."""

    sigma: float
    fixed: float


def _noise_of(windows: Sequence[EdgeWindow]) -> _Noise:
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
        return _Noise(smooth, 0.0)
    whole = max(float(np.median(squares)) if squares else 0.0, 1e-14)
    within = max(whole - lsb**2 / 12, (0.1 * lsb) ** 2)
    fixed = lsb / math.pi / 2**0.5 * math.exp(-2 * math.pi**2 * within / lsb**2)
    return _Noise(max(whole**0.5, lsb / 12**0.5), fixed)


def _stack(s: _Samples, shifts: Floats, tails: Floats | None, first: float, count: int, step: float, noise: _Noise, rise: float, known: Fit | None = None) -> Stack:
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


def _rise_of(stack: Stack, together: int) -> tuple[float, float, float]:
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
    width = max(len(y) // 2000, 3)
    least = 0.3 * float(np.convolve(y[zero:], np.ones(width) / width, "valid").max()) if len(y) - zero > width else 0.0
    for k in range(zero, len(y)):
        if y[k] > peak:
            peak, top = float(y[k]), k
        if peak < least:  # noise at the foot of the edge is no plateau
            continue
        # A plateau: no new height for as long again as the climb took.
        start = zero
        while start > 0 and y[start] > 0.1 * peak:
            start -= 1
        climb = max(t[top] - t[start], 3 * stack.step)
        if t[k] - t[top] > 0.7 * climb or y[k] < peak - max(6 * noise, 0.06 * peak):
            break
        if k - zero > 6 and y[k] - y[max(zero, k - max(3, (k - zero) // 3))] < 0.04 * peak + 2 * noise:
            top, peak = k, float(y[k])
            break
    below = np.flatnonzero(y[: top + 1] < 0.1 * peak)
    first = int(below[-1]) if len(below) else 0
    above = np.flatnonzero(y[first : top + 1] >= 0.9 * peak)
    last = first + int(above[0]) if len(above) else top
    middle = np.flatnonzero(y[first : last + 1] >= 0.5 * peak)
    centre = float(t[first + int(middle[0])]) if len(middle) else 0.0
    return max(float(t[last] - t[first]), stack.step), peak, centre


def _inflation(residual: Floats) -> float:
    """How much the variance has to grow because the residual is larger than the noise, or hangs together."""

    n = len(residual)
    variance = max(float(residual @ residual) / max(n - 10, 1), 1.0)
    centred = residual - residual.mean()
    power = float(centred @ centred)
    length = 1.0
    if power > 0:
        for lag in range(1, min(n // 4, 60)):
            rho = float(centred[:-lag] @ centred[lag:]) / power
            if rho < 0.08:
                break
            length += 2 * rho
    return variance * length


def find_echo(windows: Sequence[EdgeWindow], pair: CablePair) -> Echo | None:
    """The echo in edges of one sender; None when there are too few usable edges.

    `pair` is what the record says of the cable (the fit may depart from it).
    """
    if len(windows) < 1:
        return None
    noise = _noise_of(windows)
    step = float(np.median([w.step for w in windows]))
    usable = float(np.percentile([min(w.quiet_after, w.first + w.step * len(w.volts)) for w in windows], 75))
    shifts = np.zeros(len(windows))
    # A first look at the edge itself, as fine as the number of edges allows.
    fine = step / min(4, max(1, len(windows) // 8))
    before = float(np.median([-w.first for w in windows]))
    count = int(min((before + usable) / fine, 8000))
    samples = _samples(windows, 0.0)
    rise, size, centre = _rise_of(_stack(samples, shifts, None, -before, count, fine, noise, 3 * step), round(step / fine))
    if not size > 4 * noise.sigma or usable < 3 * rise:
        return None
    samples = _samples(windows, rise)
    step = samples.step
    together = max(round(step / float(np.median([w.step for w in windows]))), 1)
    noise = noise._replace(sigma=noise.sigma / math.sqrt(together))
    fit = _first_fit(samples, shifts, noise, pair, rise, centre, before, usable)
    tails: Floats | None = None
    for _ in range(2):
        rise = rise_of(fit.response)
        shifts = _realigned(samples, shifts, tails, fit, rise)
        tails = _tails(windows, samples, fit, shifts)
        ramp = max(1.2 * rise, 1.5 * step)
        stack = _near_stack(samples, shifts, tails, noise, fit, ramp, before, usable)
        fit = _refit(stack, pair, ramp, fit)
        if fit.shape != "none" and (2 * fit.response.tau < NEAR_RISES * rise or fit.cost > _usual(stack)):
            fit = _looked_again(stack, pair, ramp, fit)
    return _judged(stack, fit, pair, usable, len(windows), step)


def _grid(windows: int, rise: float, before: float, span: float, step: float) -> tuple[float, float, int]:
    """First time, bin width and number of bins for a fit over `span` seconds after the edge."""
    start = -min(before, 3 * rise + 4 * step)
    width = max(rise / 6, (span - start) / MOST_BINS, step / (2 if windows >= 16 else 1))
    return start, width, _smooth(max(int((span - start) / width), 32))


def _smooth(least: int) -> int:
    """The next number with the factors 2, 3 and 5 only, for the transform's sake."""
    while True:
        rest = least
        for factor in (2, 3, 5):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return least
        least += 1


def _first_fit(samples: _Samples, shifts: Floats, noise: _Noise, pair: CablePair, rise: float, centre: float, before: float, usable: float) -> Fit:
    """The best of the likely places and kinds, over all that can be seen."""
    ramp = max(1.2 * rise, 1.5 * samples.step)
    first, width, count = _grid(samples.windows, rise, before, usable, samples.step)
    stack = _stack(samples, shifts, None, first, count, width, noise, rise)
    starts = candidates(stack, pair, ramp, centre, MOST_STARTS)
    if len(stack.mean) > MOST_BINS // 2 and 2 * width < 0.45 * ramp:
        stack = rebinned(stack, 2)
    best: dict[str, Fit] = {}
    tried: list[Fit] = []
    for start in starts:
        problem = EchoProblem(stack, pair, start.shape, ramp)
        tried.append(problem.solve(problem.pack(start), 6))
    if not tried:
        problem = EchoProblem(stack, pair, "none", ramp)
        return problem.solve(problem.pack(Start("none", centre, ramp, 0.3 * ramp, 0.1 * ramp, -0.55, 3 * ramp)))
    apart = [f for f in tried if _apart(f)]
    for fit in sorted(apart or tried, key=lambda f: f.cost)[:4]:
        polished = EchoProblem(stack, pair, fit.shape, ramp).solve(fit.params, 15)
        if _apart(polished) and (fit.shape not in best or polished.cost < best[fit.shape].cost):
            best[fit.shape] = polished
    return _simplest(best or {f.shape: f for f in tried}, LEAST_GAIN)


def _apart(fit: Fit) -> bool:
    """Whether a fit is no branch within the edge: a cable forked at the driver is but another way to write one that ends."""
    return fit.shape != "branch" or 2 * fit.response.tau >= rise_of(fit.response)


def _simplest(fits: dict[str, Fit], gain: float) -> Fit:
    """The first in the order of `SHAPES` that no later one beats by the gain."""
    chosen: Fit | None = None
    for shape in SHAPES:
        fit = fits.get(shape)
        if fit is None:
            continue
        if chosen is None or (fit.cost < chosen.cost - gain and not (shape == "two" and _same_story(fit, chosen))):
            chosen = fit
    assert chosen is not None
    return chosen


def _same_story(two: Fit, one: Fit) -> bool:
    """Whether two faults only repeat what one tells: little is gained, the second echo is
    where the first returns again, or it follows too closely to be told apart."""
    r = two.response
    close = 2 * r.beyond < 2 * rise_of(r)
    return two.cost > TWO_SHARE * one.cost or abs(r.beyond / r.tau - 1) < 0.05 or close


def _near_stack(samples: _Samples, shifts: Floats, tails: Floats | None, noise: _Noise, fit: Fit, ramp: float, before: float, usable: float) -> Stack:
    """The mean edge as far as this fit needs to see."""
    r = fit.response
    reach = max(3.3 * 2 * r.tau, 2 * r.tau + 10 * ramp, 2 * r.tau + 8 * r.stub) + r.centre + fit.first
    rise = rise_of(r)
    first, width, count = _grid(samples.windows, rise, before, min(usable, reach), samples.step)
    return _stack(samples, shifts, tails, first, count, width, noise, rise, fit)


def _refit(stack: Stack, pair: CablePair, ramp: float, known: Fit) -> Fit:
    """The known fit on a new stack, and where it leaves much over, the other kinds at the same place."""
    problem = EchoProblem(stack, pair, known.shape, ramp)
    fits = {known.shape: problem.solve(problem.start_of(known), 15)}
    if known.shape == "none":
        return fits["none"]
    usual = _usual(stack)
    if fits[known.shape].cost > usual:
        fits |= _others(stack, pair, ramp, fits[known.shape])
    return _simplest(fits, LEAST_GAIN)


def _looked_again(stack: Stack, pair: CablePair, ramp: float, known: Fit) -> Fit:
    """The search once more on the narrower, finer stack: among echoes close to the edge a small one is easily missed."""
    best = known
    for start in candidates(stack, pair, ramp, known.response.centre + known.first, AGAIN_STARTS, FINE):
        problem = EchoProblem(stack, pair, start.shape, ramp)
        fit = problem.solve(problem.pack(start), 12)
        if _apart(fit) and fit.cost < best.cost - (LEAST_GAIN if fit.shape == "branch" and best.shape != "branch" else 0.0):
            best = fit
    if best is not known:
        return _refit(stack, pair, ramp, best)
    return best


def _usual(stack: Stack) -> float:
    """A sum of squares that a right model hardly exceeds."""
    count = int((stack.weight > 0).sum())
    return count + 4 * math.sqrt(2 * count) + LEAST_GAIN / 2


def _others(stack: Stack, pair: CablePair, ramp: float, fit: Fit) -> dict[str, Fit]:
    """Every other kind of fault at the place of a fit."""
    found: dict[str, Fit] = {}
    last = stack.first + stack.step * len(stack.mean)
    r = fit.response
    for shape in ("end", "pass", "branch", "two"):
        if shape == fit.shape:
            continue
        problem = EchoProblem(stack, pair, shape, ramp)
        load = r.load if r.stub <= 0 else -0.3
        if shape in ("end", "pass"):
            # With the line going on, loss that a fit of an end took up elsewhere has to come back.
            usual = {"load": 0.7 * load, "beyond": r.tau, "last": 0.0, "loss": 1.0, "source": SOURCE_PRIOR[0]}
            changes: list[dict[str, float]] = [{"load": load, "beyond": r.tau, "last": 0.0}, usual]
        elif shape == "branch":
            changes = [{"stub": k * ramp, "beyond": r.tau, "last": 0.0} for k in (0.2, 0.7, 2.5)]
        else:
            spans = [k * r.tau for k in (0.3, 1.0, 2.5) if 2 * (1 + k) * r.tau < last]
            changes = [{"load": max(min(load, 0.5), -0.5), "beyond": b, "last": g} for b in spans for g in (0.3, -0.3)]
        tried = [problem.solve(problem.start_of(fit, **c), 6 if len(changes) > 1 else 15) for c in changes]
        if tried:
            best = min(tried, key=lambda f: f.cost)
            best = problem.solve(best.params, 15) if len(changes) > 1 else best
            if _apart(best):
                found[shape] = best
    return found


def _realigned(s: _Samples, shifts: Floats, tails: Floats | None, fit: Fit, rise: float) -> Floats:
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


def _tails(windows: Sequence[EdgeWindow], s: _Samples, fit: Fit, shifts: Floats) -> Floats | None:
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


def _measured(fit: Fit, rise: float, step: float) -> tuple[float, float, float, float]:
    """Round trip in s with its bar, factor with its bar, of a fit."""
    r = fit.response
    wider = math.sqrt(_inflation(fit.residual))
    delay = 2 * r.tau
    # The edge of the echo is the reference itself, so the delay hangs on both.
    coarse = MODEL_STEP * max(step - rise / 2, 0.0)
    bar = math.hypot(BAR * delay * fit.spread("tau") * wider, MODEL_DELAY * delay, MODEL_RISE * rise, coarse)
    if _left_over(fit) > POOR:  # something else is on the line as well
        bar = math.hypot(bar, UNEXPLAINED * delay)
    if r.stub > 0:
        return delay, bar, -1 / 3, 0.0
    return delay, bar, r.load, BAR * fit.spread("load") * wider * (1 - r.load**2)


def _left_over(fit: Fit) -> float:
    """Chi-square per bin."""
    return float(fit.residual @ fit.residual) / max(len(fit.residual), 1)


def _judged(stack: Stack, fit: Fit, pair: CablePair, usable: float, edges: int, step: float) -> Echo:
    """Which shape the data bear out, with bars and limits."""
    rise = rise_of(fit.response)
    ramp = max(1.2 * rise, 1.5 * step)
    fit, rival = _single(stack, pair, ramp, fit)
    none = EchoProblem(stack, pair, "none", ramp)
    plain = fit if fit.shape == "none" else min((none.solve(none.start_of(fit, tau=tau), 15) for tau in (fit.response.tau, 3 * fit.response.tau)), key=lambda f: f.cost)
    scale = _inflation(fit.residual)
    left_over = _left_over(fit)
    r = fit.response
    shape = "none" if fit.shape == "none" else "branch" if r.stub > 0 else "step"
    delay, delay_bar, factor, factor_bar = _measured(fit, rise, step)
    other = (0.0, 0.0, 0.0, 0.0) if rival is None else _measured(rival, rise, step)
    overshoot, ring, settles, size = _outline(fit, stack)
    least = LEAST_ECHO
    share = abs(factor) * (1 + r.source) * (min(1.0, 2 * r.stub / rise) if shape == "branch" else 1.0)
    real = shape != "none" and plain.cost - fit.cost > LEAST_GAIN * math.sqrt(scale) and share > LEAST_ECHO
    nearest, farthest = max(rise, 2 * step), max(usable - 1.5 * rise, 0.0)
    found = real and _explained(fit, plain) > EXPLAINED
    begins = _departure(stack, pair, ramp, plain, nearest, usable) if (real and not found) or (left_over > UNCLEAR and not found) else (0.0, 0.0)
    branch, branch_bar = (r.stub, BAR * r.stub * fit.spread("stub") * math.sqrt(scale)) if shape == "branch" else (0.0, 0.0)
    slight = (0.0, 0.0)
    if found:
        size_of = abs(factor) if shape == "step" else _dip(stack, fit, plain)
        unsure = abs(factor) < factor_bar + SURE if shape == "step" else branch < branch_bar + SHORT_DROP_S
        if unsure or size_of < (SLIGHT if shape == "step" else LEAST_DIP):
            found, slight = False, (delay, factor if shape == "step" else -size_of)
            least = max(least, size_of + factor_bar)
    if not found:
        nearest, least_there = _seen_from(stack, pair, ramp, plain, nearest, farthest, scale)
        least = max(least, least_there)
        shape, delay, delay_bar, factor, factor_bar, branch, branch_bar, rival = "none", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, None
    two = found and fit.shape == "two"
    return Echo(
        shape, delay, delay_bar, factor, factor_bar, branch, branch_bar, r.source if found else SOURCE_PRIOR[0], rise, size, overshoot, ring, settles,
        nearest, farthest, least, edges, left_over, 2 * (r.tau + r.beyond) if two else 0.0, r.last if two else 0.0,
        found and fit.shape in ("pass", "two", "branch"), "" if rival is None else "branch" if rival.response.stub > 0 else "step", *begins, other, *slight,
    )  # fmt: skip


def _explained(fit: Fit, plain: Fit) -> float:
    """How much of what a sound line leaves over, beyond noise, the fit takes away."""
    count = len(fit.residual)
    over = float(plain.residual @ plain.residual) - count
    # Chance alone leaves some scatter of chi-square in both.
    left = max(float(fit.residual @ fit.residual) - count - 2 * math.sqrt(2 * count), 0.0)
    return 1 - left / over if over > 0 else 0.0


def _dip(stack: Stack, fit: Fit, plain: Fit) -> float:
    """The greatest departure of the fit from a sound line's, as a share of the step that leaves the driver."""
    count = len(stack.mean)
    one, other = (f.base + f.size * step_response(f.response, count, stack.step) for f in (fit, plain))
    leaves = abs(plain.size) * (1 - plain.response.source) / 2
    return float(np.abs(one - other).max()) / max(leaves, 1e-12)


def _single(stack: Stack, pair: CablePair, ramp: float, fit: Fit) -> tuple[Fit, Fit | None]:
    """The fit, or a simpler or better one of a single fault, and its rival."""
    if fit.shape == "none":
        return fit, None
    if fit.shape == "two":
        r = fit.response
        end = EchoProblem(stack, pair, "end", ramp)
        ended = end.solve(end.start_of(fit, tau=r.tau + r.beyond, load=r.last), 20)
        minor = abs(r.load) < 1.5 * SLIGHT and abs(r.last) > 3 * abs(r.load)
        forked = abs(r.load + 1 / 3) < 0.1 and r.last > 0.6
        if ended.cost <= fit.cost + LEAST_GAIN or minor:
            fit = ended
        elif forked:  # a matched trunk that goes on is what lies across the pair, the open end that of a branch
            branch = EchoProblem(stack, pair, "branch", ramp)
            return branch.solve(branch.start_of(fit, stub=r.beyond, beyond=r.tau, last=0.0), 20), None
        else:
            return fit, None
    rival = _rival(stack, pair, ramp, fit, _inflation(fit.residual))
    if rival is not None and rival.cost < fit.cost - (LEAST_GAIN if rival.response.stub > 0 else 0.0):
        return rival, fit if fit.cost < rival.cost + RIVAL_GAIN * _inflation(rival.residual) else None
    return fit, rival


def _rival(stack: Stack, pair: CablePair, ramp: float, fit: Fit, scale: float) -> Fit | None:
    """Another kind of single fault at the place that the data do not refuse."""
    r = fit.response
    load = r.load if r.stub <= 0 else -0.2
    found: Fit | None = None
    for shape in ("end", "pass") if r.stub <= 0 else ("end",):
        if shape == fit.shape or fit.shape == "two":
            continue
        problem = EchoProblem(stack, pair, shape, ramp)
        usual = problem.start_of(fit, load=0.7 * load, beyond=r.tau, loss=1.0, source=SOURCE_PRIOR[0])
        tried = [problem.solve(p, 12) for p in (problem.start_of(fit, load=load, beyond=r.tau), usual)]
        other = min(tried, key=lambda f: f.cost)
        if other.cost < fit.cost + RIVAL_GAIN * scale and (found is None or other.cost < found.cost):
            found = other
    return found


def _departure(stack: Stack, pair: CablePair, ramp: float, plain: Fit, nearest: float, usable: float) -> tuple[float, float]:
    """Round trips in s between which the mean edge begins to differ from that of a sound line."""
    problem = EchoProblem(stack, pair, "none", ramp)
    last = min(usable, stack.first + stack.step * len(stack.mean))
    low, high = 0.0, last
    times = stack.first + stack.step * (np.arange(len(stack.mean)) + 0.5)
    middle = plain.response.centre + plain.first
    for cut in np.geomspace(nearest + 0.5 * ramp, max(last, 1.1 * nearest + ramp), 14):
        short = stack._replace(weight=np.where(times < middle + cut, stack.weight, 0.0))
        problem = EchoProblem(short, pair, "none", ramp)
        fit = problem.solve(problem.start_of(plain), 10)
        if fit.residual @ fit.residual < POOR * max(len(fit.residual), 1):
            low = max(low, float(cut) - 0.5 * ramp)
        else:
            high = float(cut)
            break
    return low, high


def _seen_from(stack: Stack, pair: CablePair, ramp: float, plain: Fit, nearest: float, farthest: float, scale: float) -> tuple[float, float]:
    """From which round trip in s on an echo of the factor `SHOWN` would have been told, and the smallest that would have been
    told everywhere beyond, as a share of the edge.

    A near echo is half mistaken for the edge's own form: what of it the sound line's free parameters could take up does
    not count (Fisher information with the rest projected out, textbook).
    """
    problem = EchoProblem(stack, pair, "end", ramp)
    at = problem.names.index("load")
    trips = np.unique(np.concatenate([np.geomspace(nearest, max(min(8 * ramp, farthest), 1.01 * nearest), 7), np.geomspace(nearest, max(farthest, 1.01 * nearest), 4)]))
    sizes = []
    for trip in trips:
        # A sound line says nothing of its source; the usual one is taken.
        p = problem.start_of(plain, tau=float(trip) / 2, load=0.0, source=SOURCE_PRIOR[0])
        sizes.append(problem.smallest(p, at))
    least = np.sqrt(LEAST_GAIN) * scale**0.25 * np.array(sizes)
    # Beyond the end of the fit's bins nothing is measured; the last one that was stands for the rest.
    measured = trips < stack.first + stack.step * len(stack.mean) - 4 * ramp
    measured[0] = True
    trips, least = trips[measured], least[measured]
    hidden = np.flatnonzero(least > SHOWN)
    begin = 0 if not len(hidden) else int(hidden[-1]) + 1
    if begin >= len(trips):  # nowhere so small a one; then it is the size that limits
        return nearest, min(float(least.max()), 1.0) * (1 + SOURCE_PRIOR[0])
    return float(trips[begin]), float(least[begin:].max()) * (1 + SOURCE_PRIOR[0])


def _outline(fit: Fit, stack: Stack) -> tuple[float, float, bool, float]:
    """Overshoot as a share of the settled step, period of the ringing in s (0: none), whether it settles here, step in V."""
    good = stack.weight > 0
    y = (stack.mean - fit.base)[good]
    t = (stack.step * np.arange(len(stack.mean)))[good]
    if len(y) < 12:
        return 0.0, 0.0, False, 0.0
    tail = y[-max(len(y) // 10, 3) :]
    settled = float(np.median(tail))
    size = abs(settled) if abs(settled) > 1e-9 else 1e-9
    width = max(int(rise_of(fit.response) / stack.step / 3), 1)
    smooth = np.convolve(y, np.ones(width) / width, "same")[width:-width] if len(y) > 4 * width else y
    overshoot = max(float(smooth.max()) - settled, 0.0) / size
    off = smooth - settled
    large = np.abs(off) > 0.08 * size
    crossings = np.flatnonzero((off[1:] > 0) != (off[:-1] > 0))
    after = [k for k in crossings if large[k:].any()]
    ring = 2 * float(np.mean(np.diff(t[: len(smooth)][after]))) if len(after) > 2 else 0.0
    return overshoot, ring, not bool(large[-len(large) // 6 :].any()), float(smooth.max())


def mean_edge(windows: Sequence[EdgeWindow], span: float) -> tuple[float, float, Floats]:
    """The edges laid over each other for a drawing: time of the first bin in s, bin width in s, volts (nan: nothing)."""
    if not windows:
        return 0.0, 1.0, np.empty(0)
    step = float(np.median([w.step for w in windows]))
    width = max(step, span / 600)
    first = -min(0.15 * span, float(np.median([-w.first for w in windows])))
    count = max(int((span - first) / width), 2)
    stack = _stack(_samples(windows, 0.0), np.zeros(len(windows)), None, first, count, width, _Noise(1.0, 0.0), 2 * step)
    return first, width, np.where(stack.weight > 0, stack.mean, np.nan)
