"""Statistics that a few wild values do not upset, each once, with the name of its method.

Sources: median absolute deviation, Huber's estimator and Wilson's interval (general statistics literature).
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats

MAD_SIGMA = 1.4826
"""Standard deviations in a median absolute deviation of normal noise: one over the normal quantile of 3/4."""
Z_95 = 1.959964
"""Standard normal quantile of a 95 % interval."""
CHANCE = 3.0
"""Standard deviations that chance alone is allowed (common practice, no source)."""
HUBER = 1.5
"""Scales of the noise up to which a rest counts in full; beyond it its pull no longer grows (Huber's tuning constant is
1.345 for 95 % efficiency with normal noise; a little more is common practice)."""
HUBER_ROUNDS = 20
"""Reweightings; the slope stands still long before."""
FEWEST_FOR_SCALE = 5
"""Rests from which their own scale is believed beside that of the noise."""
DIGITS_SEEN = 20_000
"""Samples in which a last digit is looked for."""


class Share(NamedTuple):
    """A share with its 95 % interval, all from 0 to 1."""

    share: float
    low: float
    high: float


class HuberLine(NamedTuple):
    """A slope through the origin with the weight of each point and what it leaves over."""

    slope: float
    weight: Floats
    rest: Floats


def sigma_of(off: Floats) -> float:
    """Standard deviation of normal noise by the median absolute deviation: of departures from a middle that is known."""
    return MAD_SIGMA * float(np.median(np.abs(off)))


def noise_of(values: Floats) -> float:
    """Standard deviation of the noise on a slowly moving curve: by second differences, whose noise is sqrt(6) times larger."""
    return sigma_of(second_differences(values)) / 6**0.5


def second_differences(values: Floats) -> Floats:
    """What straight pieces leave nothing of."""
    return values[2:] - 2 * values[1:-1] + values[:-2]


def last_digit(values: Floats) -> float:
    """The smallest step between different values, as far as the samples show it; 0 where all are alike."""
    known = values[np.isfinite(values)][:DIGITS_SEEN]
    steps = np.diff(np.unique(np.round(known, 6)))
    return float(steps.min()) if len(steps) else 0.0


def huber_line(x: Floats, y: Floats, sigma: float) -> HuberLine:
    """The slope of `y` over `x` through the origin by Huber's estimator, found by reweighting least squares.

    `sigma` is the noise of `y`; where the points scatter more than that, their own scale takes its place.
    """
    slope = float(np.median(y / x))
    weight = np.ones(len(x))
    for _ in range(HUBER_ROUNDS):
        rest = y - slope * x
        scale = max(sigma, sigma_of(rest)) if len(rest) >= FEWEST_FOR_SCALE else sigma
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(rest), 1e-12))
        slope = float((weight * y * x).sum() / (weight * x * x).sum())
    return HuberLine(slope, weight, y - slope * x)


def wilson(failed: int, asked: int) -> Share:
    """Share of failures with its 95 % interval by Wilson. Errors: ValueError unless 0 <= failed <= asked, asked > 0."""
    if not 0 <= failed <= asked or not asked:
        raise ValueError(f"{failed} of {asked} is no share")
    share, z2 = failed / asked, Z_95**2
    middle = (share + z2 / (2 * asked)) / (1 + z2 / asked)
    half = Z_95 / (1 + z2 / asked) * sqrt(share * (1 - share) / asked + z2 / (4 * asked**2))
    return Share(share, 0.0 if not failed else max(0.0, middle - half), 1.0 if failed == asked else min(1.0, middle + half))


def by_chance(share: float, count: int) -> float:
    """How far a share out of so many lies from the true one by chance: three standard deviations of the binomial."""
    return CHANCE * sqrt(share * (1 - share) / count)
