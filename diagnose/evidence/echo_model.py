"""The step response of a trunk with one fault, as the probe at the sender sees it.

A driver with a source resistance feeds a pair with series loss (copper and its skin effect) that ends in, or passes,
something that throws the edge back. The response is computed in the Laplace domain and transformed numerically, so
that every later round trip, dispersion and overlap with the edge itself is in it.

Source: transmission-line theory (textbook); internal impedance of a round wire by its two limits, the direct-current
resistance and the skin effect (textbook); numerical inversion by the damped Fourier series (textbook).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from diagnose.physics.cable import COPPER_20C, LIGHT, diameter_mm, ohms_per_metre

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Complexes = NDArray[np.complex128]

DAMPING = 11.0  # the wrapped-round rest of the response is smaller by e to this power
VACUUM = 4e-7 * math.pi


class Pair(NamedTuple):
    """What is known of the cable: loss rate in 1/s (resistance over inductance), skin-effect time in s."""

    loss: float
    skin: float


def pair_of(awg: float, impedance: float, velocity_factor: float) -> Pair:
    """The pair's constants from gauge, impedance in ohm and velocity factor.

    Errors: ValueError as `ohms_per_metre`. Source: textbook; copper as in `diagnose.physics.cable`.
    """
    loss = 2 * ohms_per_metre(awg) * velocity_factor * LIGHT / impedance
    radius = diameter_mm(awg) * 1e-3 / 2
    return Pair(loss, VACUUM * radius**2 / (4 * COPPER_20C))


class Response(NamedTuple):
    """Parameters of a response. Times in s, `tau` one way; factors between -1 and 1.

    `load` is the reflection factor at `tau`. `stub` above zero puts an open branch of that delay there instead.
    `beyond` above zero lets the line go on for that delay to an end with the factor `last`; behind a branch it always
    goes on, for ever when `beyond` is zero.
    `centre` is when the middle of the edge leaves, `ramp` and `pole` its two rise parts.
    """

    centre: float
    ramp: float
    pole: float
    source: float
    tau: float
    load: float
    loss: float
    skin: float
    stub: float = 0.0
    beyond: float = 0.0
    last: float = 0.0


def _impedance(factor: float) -> float:
    bounded = min(max(factor, -0.9995), 0.9995)
    return (1 + bounded) / (1 - bounded)


def step_response(r: Response, count: int, step: float) -> Floats:
    """Voltage over time at the probe, for a step of one volt of an open source; bin means of `count` bins of `step` s.

    Errors: none; the values of `r` are not checked.
    """
    import numpy as np

    size = 2 * count
    period = size * step
    sigma = DAMPING / period
    omega = 2 * math.pi / period * np.arange(size // 2 + 1)
    s: Complexes = np.asarray(sigma + 1j * omega, dtype=np.complex128)
    per: Complexes = np.sqrt(1 + r.loss * np.sqrt(1 + s * r.skin) / s) if r.loss > 0 else np.ones_like(s)
    line = per  # impedance over the lossless one; the same root as the propagation
    there = np.exp(-2 * r.tau * s * per)
    end: Complexes
    if r.stub > 0:
        back = np.exp(-2 * r.stub * s * per)
        stub = line * (1 + back) / np.maximum(np.abs(1 - back), 1e-12) * np.exp(-1j * np.angle(1 - back))
        rest = line
        if r.beyond > 0:
            far = np.exp(-2 * r.beyond * s * per)
            rho = (_impedance(r.last) - line) / (_impedance(r.last) + line) * far
            rest = line * (1 + rho) / (1 - rho)
        end = rest * stub / (rest + stub)
    elif r.beyond > 0:
        far = np.exp(-2 * r.beyond * s * per)
        z_last = _impedance(r.last)
        rho = (z_last - line) / (z_last + line) * far
        rest = line * (1 + rho) / (1 - rho)
        bounded = min(max(r.load, -0.9995), 0.9995)
        if bounded < 0:  # something across the pair
            end = np.asarray(1 / (1 / rest - 2 * bounded / (1 + bounded)), dtype=np.complex128)
        else:  # something in series
            end = np.asarray(rest + 2 * bounded / (1 - bounded), dtype=np.complex128)
    else:
        end = np.full_like(s, _impedance(r.load))
    rho = (end - line) / (end + line) * there
    seen = line * (1 + rho) / (1 - rho)
    voltage = seen / (seen + _impedance(r.source))
    x = s * r.ramp
    small = np.abs(x) < 1e-4
    edge = np.where(small, 1 - x / 2, (1 - np.exp(-x)) / np.where(small, 1, x)) / (1 + s * r.pole)
    mean = np.sinc(omega * step / (2 * math.pi))  # a bin is a mean over its width
    spectrum = voltage * edge * mean * np.exp(-s * (r.centre - r.ramp / 2 - step / 2)) / s
    wave = np.fft.irfft(spectrum, size)[:count] / step
    result: Floats = wave * np.exp(sigma * step * np.arange(count))
    return result
