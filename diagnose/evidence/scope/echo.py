"""Echoes in the edges of a waveform: their delay, size and shape, with what cannot be told apart.

Many edges of one sender are laid over each other, the physical step response is fitted to the mean (delay, size,
edge, loss, source together), and the error bar comes from the fit's covariance, widened by what the fit leaves over.
Source: transmission-line theory (textbook), least squares (textbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from diagnose.evidence.arrays import Floats
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
from diagnose.evidence.scope.echo_judge import LEAST_FALL, Echo, judge
from diagnose.evidence.scope.echo_model import CablePair
from diagnose.evidence.scope.echo_stack import (
    EdgeNoise,
    EdgeSamples,
    edge_noise,
    first_rise,
    realigned,
    samples_of,
    stack_of,
    tails_of,
)
from diagnose.evidence.scope.scan import EdgeWindow

MOST_BINS = 1500
MOST_STARTS, AGAIN_STARTS = 9, 6
NEAR_RISES = 6.0  # an echo within so many rise times is looked for twice
FINE = 0.005  # of the step: what the second search's edge may be off
TWO_SHARE = 0.7  # of the cost of one fault that two may leave


def find_echo(windows: Sequence[EdgeWindow], pair: CablePair) -> Echo | None:
    """The echo in edges of one sender; None when there are too few usable edges.

    `pair` is what the record says of the cable (the fit may depart from it).
    """
    if len(windows) < 1:
        return None
    noise = edge_noise(windows)
    step = float(np.median([w.step for w in windows]))
    usable = float(np.percentile([min(w.quiet_after, w.first + w.step * len(w.volts)) for w in windows], 75))
    shifts = np.zeros(len(windows))
    # A first look at the edge itself, as fine as the number of edges allows.
    fine = step / min(4, max(1, len(windows) // 8))
    before = float(np.median([-w.first for w in windows]))
    count = int(min((before + usable) / fine, 8000))
    samples = samples_of(windows, 0.0)
    rise, size, centre = first_rise(stack_of(samples, shifts, None, -before, count, fine, noise, 3 * step), round(step / fine))
    if not size > 4 * noise.sigma or usable < 3 * rise:
        return None
    samples = samples_of(windows, rise)
    step = samples.step
    together = max(round(step / float(np.median([w.step for w in windows]))), 1)
    noise = noise._replace(sigma=noise.sigma / math.sqrt(together))
    fit = _first_fit(samples, shifts, noise, pair, rise, centre, before, usable)
    tails: Floats | None = None
    for _ in range(2):
        rise = rise_of(fit.response)
        shifts = realigned(samples, shifts, tails, fit, rise)
        tails = tails_of(windows, samples, fit, shifts)
        ramp = max(1.2 * rise, 1.5 * step)
        stack = _near_stack(samples, shifts, tails, noise, fit, ramp, before, usable)
        fit = _refit(stack, pair, ramp, fit)
        if fit.shape != "none" and (2 * fit.response.tau < NEAR_RISES * rise or fit.cost > _usual(stack)):
            fit = _looked_again(stack, pair, ramp, fit)
    return judge(stack, fit, pair, usable, len(windows), step)


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


def _first_fit(
    samples: EdgeSamples, shifts: Floats, noise: EdgeNoise, pair: CablePair, rise: float, centre: float,
    before: float, usable: float,
) -> Fit:
    """The best of the likely places and kinds, over all that can be seen."""
    ramp = max(1.2 * rise, 1.5 * samples.step)
    first, width, count = _grid(samples.windows, rise, before, usable, samples.step)
    stack = stack_of(samples, shifts, None, first, count, width, noise, rise)
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
    return _simplest(best or {f.shape: f for f in tried}, LEAST_FALL)


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


def _near_stack(
    samples: EdgeSamples, shifts: Floats, tails: Floats | None, noise: EdgeNoise, fit: Fit, ramp: float,
    before: float, usable: float,
) -> Stack:
    """The mean edge as far as this fit needs to see."""
    r = fit.response
    reach = max(3.3 * 2 * r.tau, 2 * r.tau + 10 * ramp, 2 * r.tau + 8 * r.stub) + r.centre + fit.first
    rise = rise_of(r)
    first, width, count = _grid(samples.windows, rise, before, min(usable, reach), samples.step)
    return stack_of(samples, shifts, tails, first, count, width, noise, rise, fit)


def _refit(stack: Stack, pair: CablePair, ramp: float, known: Fit) -> Fit:
    """The known fit on a new stack, and where it leaves much over, the other kinds at the same place."""
    problem = EchoProblem(stack, pair, known.shape, ramp)
    fits = {known.shape: problem.solve(problem.start_of(known), 15)}
    if known.shape == "none":
        return fits["none"]
    usual = _usual(stack)
    if fits[known.shape].cost > usual:
        fits |= _others(stack, pair, ramp, fits[known.shape])
    return _simplest(fits, LEAST_FALL)


def _looked_again(stack: Stack, pair: CablePair, ramp: float, known: Fit) -> Fit:
    """The search once more on the narrower, finer stack: among echoes close to the edge a small one is easily missed."""
    best = known
    for start in candidates(stack, pair, ramp, known.response.centre + known.first, AGAIN_STARTS, FINE):
        problem = EchoProblem(stack, pair, start.shape, ramp)
        fit = problem.solve(problem.pack(start), 12)
        if _apart(fit) and fit.cost < best.cost - (LEAST_FALL if fit.shape == "branch" and best.shape != "branch" else 0.0):
            best = fit
    if best is not known:
        return _refit(stack, pair, ramp, best)
    return best


def _usual(stack: Stack) -> float:
    """A sum of squares that a right model hardly exceeds."""
    count = int((stack.weight > 0).sum())
    return count + 4 * math.sqrt(2 * count) + LEAST_FALL / 2


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
