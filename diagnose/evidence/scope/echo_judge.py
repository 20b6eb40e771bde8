"""Which shape of echo the data bear out, with error bars, and what this recording could not have shown.

Source: least squares, Fisher information (textbook).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.scope.echo_fit import (
    SOURCE_PRIOR,
    EchoProblem,
    Fit,
    Stack,
    rise_of,
)
from diagnose.evidence.scope.echo_model import CablePair, step_response

LEAST_ECHO = 0.03
"""Smaller echoes, as a share of the edge, are ordinary unevenness of a sound cable (common practice, no source)."""
SLIGHT = 0.1
"""Smaller reflection factors come from cable, resistors and stations within their tolerances (100 ohm on 120: 0.09)."""
SHOWN = 0.15
"""An echo of this factor must show for a distance to count as seen."""
SURE = 0.03  # by so much a factor must exceed its bar to be told as a fault
SHORT_DROP_S = 15e-9
"""One-way delay of a station's ordinary drop with its receiver, as a branch (3 m; common practice, no source)."""
LEAST_DIP = 0.04  # of the edge: what stations side by side cut out of it (measured on computed chains)
EXPLAINED = 0.6  # share of the departure from a sound line that one fault must explain to be told
PARAMETERS, MOST_LAGS, LEAST_RHO = 10, 60, 0.08
"""Parameters of a fit about, lags of the autocorrelation that are summed, and where it counts as gone: what remains beyond
is the scatter of the estimate (textbook: effective number of independent samples)."""
LEAST_FALL = 30.0  # by how much chi-square has to fall for an echo, or for a further parameter pair, to be believed
RIVAL_GAIN = 9.0  # two kinds whose chi-square differs by less are both possible
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


def _inflation(residual: Floats) -> float:
    """How much the variance has to grow because the residual is larger than the noise, or hangs together."""

    n = len(residual)
    variance = max(float(residual @ residual) / max(n - PARAMETERS, 1), 1.0)
    centred = residual - residual.mean()
    power = float(centred @ centred)
    length = 1.0
    if power > 0:
        for lag in range(1, min(n // 4, MOST_LAGS)):
            rho = float(centred[:-lag] @ centred[lag:]) / power
            if rho < LEAST_RHO:
                break
            length += 2 * rho
    return variance * length


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


def judge(stack: Stack, fit: Fit, pair: CablePair, usable: float, edges: int, step: float) -> Echo:
    """Which shape the data bear out, with bars and limits."""
    rise = rise_of(fit.response)
    ramp = max(1.2 * rise, 1.5 * step)
    fit, rival = _single(stack, pair, ramp, fit)
    none = EchoProblem(stack, pair, "none", ramp)
    plain = (
        fit
        if fit.shape == "none"
        else min(
            (none.solve(none.start_of(fit, tau=tau), 15) for tau in (fit.response.tau, 3 * fit.response.tau)),
            key=lambda f: f.cost,
        )
    )
    scale = _inflation(fit.residual)
    left_over = _left_over(fit)
    r = fit.response
    shape = "none" if fit.shape == "none" else "branch" if r.stub > 0 else "step"
    delay, delay_bar, factor, factor_bar = _measured(fit, rise, step)
    other = (0.0, 0.0, 0.0, 0.0) if rival is None else _measured(rival, rise, step)
    overshoot, ring, settles, size = _outline(fit, stack)
    least = LEAST_ECHO
    share = abs(factor) * (1 + r.source) * (min(1.0, 2 * r.stub / rise) if shape == "branch" else 1.0)
    real = shape != "none" and plain.cost - fit.cost > LEAST_FALL * math.sqrt(scale) and share > LEAST_ECHO
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
        shape=shape, delay=delay, delay_bar=delay_bar, factor=factor, factor_bar=factor_bar, branch=branch,
        branch_bar=branch_bar, source=r.source if found else SOURCE_PRIOR[0], rise=rise, step_v=size,
        overshoot=overshoot, ring_s=ring, settles=settles, nearest=nearest, farthest=farthest, least=least,
        edges=edges, fit=left_over, second_delay=2 * (r.tau + r.beyond) if two else 0.0,
        second_factor=r.last if two else 0.0, passes=found and fit.shape in ("pass", "two", "branch"),
        rival="" if rival is None else "branch" if rival.response.stub > 0 else "step", from_delay=begins[0],
        to_delay=begins[1], other=other, slight_delay=slight[0], slight_factor=slight[1],
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
        if ended.cost <= fit.cost + LEAST_FALL or minor:
            fit = ended
        elif forked:  # a matched trunk that goes on is what lies across the pair, the open end that of a branch
            branch = EchoProblem(stack, pair, "branch", ramp)
            return branch.solve(branch.start_of(fit, stub=r.beyond, beyond=r.tau, last=0.0), 20), None
        else:
            return fit, None
    rival = _rival(stack, pair, ramp, fit, _inflation(fit.residual))
    if rival is not None and rival.cost < fit.cost - (LEAST_FALL if rival.response.stub > 0 else 0.0):
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
    trips = np.unique(
        np.concatenate(
            [
                np.geomspace(nearest, max(min(8 * ramp, farthest), 1.01 * nearest), 7),
                np.geomspace(nearest, max(farthest, 1.01 * nearest), 4),
            ]
        )
    )
    sizes = []
    for trip in trips:
        # A sound line says nothing of its source; the usual one is taken.
        p = problem.start_of(plain, tau=float(trip) / 2, load=0.0, source=SOURCE_PRIOR[0])
        sizes.append(problem.smallest(p, at))
    # Chi-square has to fall by LEAST_FALL times the root of `scale`, and it falls with the square of the size.
    least = np.sqrt(LEAST_FALL) * scale**0.25 * np.array(sizes)
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
