"""The step response of a trunk with one fault, as the probe at the sender sees it, and its derivatives.

A driver with a source resistance feeds a pair with series loss (copper and its skin effect) that ends in, or passes,
something that throws the edge back. The response is computed in the Laplace domain and transformed numerically, so
that every later round trip, dispersion and overlap with the edge itself is in it.

Source: transmission-line theory (textbook); internal impedance of a round wire by its two limits, the direct-current
resistance and the skin effect (textbook); numerical inversion by the damped Fourier series (textbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Complexes, Floats
from diagnose.physics.cable import COPPER_20C, LIGHT, diameter_mm, ohms_per_metre

DAMPING = 11.0  # the wrapped-round rest of the response is smaller by e to this power
VACUUM = 4e-7 * math.pi
LARGEST = 0.9995  # factors are kept within this of zero, so that no impedance is infinite


class CablePair(NamedTuple):
    """What is known of the cable: loss rate in 1/s (resistance over inductance), skin-effect time in s."""

    loss: float
    skin: float


def pair_of(awg: float, impedance: float, velocity_factor: float) -> CablePair:
    """The pair's constants from gauge, impedance in ohm and velocity factor.

    Errors: ValueError as `ohms_per_metre`. Source: textbook; copper as in `diagnose.physics.cable`.
    """
    loss = 2 * ohms_per_metre(awg) * velocity_factor * LIGHT / impedance
    radius = diameter_mm(awg) * 1e-3 / 2
    return CablePair(loss, VACUUM * radius**2 / (4 * COPPER_20C))


class Response(NamedTuple):
    """Parameters of a response. Times in s, `tau` one way; factors between -1 and 1.

    `load` is the reflection factor at `tau`. `stub` above zero puts an open branch of that delay there instead.
    `beyond` above zero lets the line go on for that delay to an end with the factor `last`; behind a branch it always
    goes on, for ever when `beyond` is zero.
    `centre` is when the middle of the edge leaves; `ramp`, `second` and `pole` are its rise parts: two moving means and
    an exponential.
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
    second: float = 0.0


class _Grid(NamedTuple):
    """What depends on the bins alone."""

    size: int
    period: float
    s: Complexes
    spread: Complexes  # bin mean over s, per step
    growth: Floats


@lru_cache(maxsize=16)
def _grid(count: int, step: float) -> _Grid:
    size = 2 * count
    period = size * step
    sigma = DAMPING / period
    omega = 2 * math.pi / period * np.arange(size // 2 + 1)
    s = np.asarray(sigma + 1j * omega, dtype=np.complex128)
    # A bin is a mean over its width; its middle is half a step on.
    spread = np.sinc(omega * step / (2 * math.pi)) * np.exp(s * step / 2) / s / step
    return _Grid(size, period, s, spread, np.exp(sigma * step * np.arange(count)))


def _impedance(factor: float) -> float:
    bounded = min(max(factor, -LARGEST), LARGEST)
    return (1 + bounded) / (1 - bounded)


def _root(loss: float, skin: float, s: Complexes) -> Complexes:
    """Impedance over the lossless one; the same root as the propagation."""
    if loss <= 0:
        return np.ones_like(s)
    return np.asarray(np.sqrt(1 + loss * np.sqrt(1 + s * skin) / s), dtype=np.complex128)


class _Parts(NamedTuple):
    """The stages of the voltage at the probe."""

    line: Complexes
    ahead: Complexes  # delay there and back
    rest: Complexes  # what follows the fault
    far: Complexes  # echo of the end beyond, before `rest`
    stub: Complexes
    end: Complexes
    rho: Complexes
    seen: Complexes
    voltage: Complexes


def _parts(r: Response, s: Complexes) -> _Parts:
    line = _root(r.loss, r.skin, s)
    travel = s * line
    ahead = np.exp(-2 * r.tau * travel)
    far, rest, stub = np.zeros_like(s), line, line
    if r.beyond > 0:
        last = _impedance(r.last)
        far = (last - line) / (last + line) * np.exp(-2 * r.beyond * travel)
        rest = line * (1 + far) / (1 - far)
    if r.stub > 0:
        back = np.exp(-2 * r.stub * travel)
        stub = line * (1 + back) / (1 - back + 1e-15)
        end = rest * stub / (rest + stub)
    elif r.beyond > 0:
        bounded = min(max(r.load, -LARGEST), LARGEST)
        end = (
            1 / (1 / rest - 2 * bounded / (1 + bounded))  # something across the pair
            if bounded < 0
            else rest + 2 * bounded / (1 - bounded)  # something in series
        )
    else:
        end = np.full_like(s, _impedance(r.load))
    rho = (end - line) / (end + line) * ahead
    seen = line * (1 + rho) / (1 - rho)
    return _Parts(
        line=line, ahead=ahead, rest=rest, far=far, stub=stub, end=end, rho=rho, seen=seen,
        voltage=seen / (seen + _impedance(r.source)),
    )  # fmt: skip


def _turns(grid: _Grid, seconds: float) -> Complexes:
    """exp(s seconds) on the evenly spaced frequencies, as products of two short tables."""
    count = len(grid.s)
    block = 64
    turn = (grid.s[1] - grid.s[0]) * seconds
    fine = np.exp(grid.s[0] * seconds + turn * np.arange(block))
    coarse = np.exp(turn * block * np.arange(-(-count // block)))
    result: Complexes = np.multiply.outer(coarse, fine).reshape(-1)[:count]
    return result


def _edge(r: Response, grid: _Grid) -> tuple[Complexes, list[tuple[Complexes, Complexes]]]:
    """Spectrum of the edge around its middle; of ramp and second the half width times s, and the exponential of it."""
    total: Complexes = grid.spread * _turns(grid, -r.centre) / (1 + grid.s * r.pole)
    means: list[tuple[Complexes, Complexes]] = []
    for width in (r.ramp, r.second):
        # A moving mean is sinh(x)/x; one much narrower than a bin's share leaves digits to cancel, so widths have a least.
        least = max(width, 1e-4 * grid.period / grid.size)
        half, grown = grid.s * (least / 2), _turns(grid, least / 2)
        total = total * (grown - 1 / grown) / (2 * half)
        means.append((half, grown))
    return total, means


def step_response(r: Response, count: int, step: float) -> Floats:
    """Voltage over time at the probe, for a step of one volt of an open source; bin means of `count` bins of `step` s.

    Errors: none; the values of `r` are not checked.
    """
    grid = _grid(count, step)
    spectrum = _parts(r, grid.s).voltage * _edge(r, grid)[0]
    result: Floats = np.fft.irfft(spectrum, grid.size)[:count] * grid.growth
    return result


WANTED = ("centre", "ramp", "second", "pole", "source", "tau", "load", "stub", "loss", "skin", "beyond", "last")
LOSS_STEP = 0.1  # near zero a little skin effect looks like a little more delay, a good deal of it does not


def slopes(r: Response, count: int, step: float, wanted: Sequence[str], pair: CablePair) -> tuple[Floats, Floats]:
    """The response and its derivatives, rows in the order of `wanted` (names of `WANTED`).

    `centre` in 1/s; `ramp`, `second`, `pole`, `tau`, `stub`, `beyond` by their natural logarithms; `source`, `load`, `last` by
    the inverse hyperbolic tangent; `loss` and `skin` by shares of `pair`, as a secant.
    Errors: ValueError for an unknown name.
    """
    grid = _grid(count, step)
    s = grid.s
    parts = _parts(r, s)
    edge, means = _edge(r, grid)
    source = _impedance(r.source)
    by_seen = source / (seen_plus := parts.seen + source) ** 2
    by_rho = by_seen * 2 * parts.line / (1 - parts.rho) ** 2
    by_end = by_rho * parts.ahead * 2 * parts.line / (parts.end + parts.line) ** 2
    travel = s * parts.line
    if r.stub > 0:
        by_rest = by_end * (parts.stub / (parts.rest + parts.stub)) ** 2
    else:
        by_rest = by_end * (parts.end / parts.rest) ** 2 if r.load < 0 else by_end
    by_far = by_rest * 2 * parts.line / (1 - parts.far) ** 2
    plain = parts.voltage * edge
    rows = np.empty((len(wanted) + 1, len(s)), dtype=np.complex128)
    rows[0] = plain
    for n, name in enumerate(wanted, 1):
        if name == "centre":
            rows[n] = -s * plain
        elif name in ("ramp", "second"):
            half, grown = means[name == "second"]
            square = grown**2
            rows[n] = plain * (half * (square + 1) / (square - 1) - 1)
        elif name == "pole":
            rows[n] = plain * (-s * r.pole / (1 + s * r.pole))
        elif name == "source":
            rows[n] = -parts.seen / seen_plus**2 * 2 * source * edge
        elif name == "tau":
            rows[n] = by_rho * parts.rho * (-2 * r.tau * travel) * edge
        elif name == "load":
            rows[n] = by_end * _end_by_load(r, parts) * edge
        elif name == "stub":
            back = np.exp(-2 * r.stub * travel)
            rows[n] = (
                by_end * (parts.rest / (parts.rest + parts.stub)) ** 2 * parts.line
                * 2 * back * (-2 * r.stub * travel) / (1 - back + 1e-15) ** 2 * edge
            )
        elif name == "beyond":
            rows[n] = by_far * parts.far * (-2 * r.beyond * travel) * edge if r.beyond > 0 else 0.0
        elif name == "last":
            last = _impedance(r.last)
            rows[n] = by_far * 4 * last * parts.line / (last + parts.line) ** 2 * np.exp(-2 * r.beyond * travel) * edge
        elif name == "loss":
            rows[n] = (_parts(r._replace(loss=r.loss + LOSS_STEP * pair.loss), s).voltage - parts.voltage) / LOSS_STEP * edge
        elif name == "skin":
            rows[n] = (_parts(r._replace(skin=r.skin + LOSS_STEP * pair.skin), s).voltage - parts.voltage) / LOSS_STEP * edge
        else:
            raise ValueError(f"{name!r} is no parameter of a response; one of {', '.join(WANTED)}")
    waves = np.fft.irfft(rows, grid.size, axis=1)[:, :count] * grid.growth
    return waves[0], waves[1:]


def _end_by_load(r: Response, parts: _Parts) -> Complexes | float:
    """Derivative of the fault's impedance by the inverse hyperbolic tangent of its factor."""
    bounded = min(max(r.load, -LARGEST), LARGEST)
    if r.beyond > 0:
        inner = 1 - bounded**2
        return 2 * parts.end**2 / (1 + bounded) ** 2 * inner if bounded < 0 else 2 * inner / (1 - bounded) ** 2
    return 2 * _impedance(r.load)


def table(r: Response, trips: Floats, count: int, step: float, loads: Sequence[float], stubs: Sequence[float]) -> Floats:
    """Responses for many places at once: one row for each round trip (s) and each factor, then each branch's delay (s, one way).

    Shape (trips, loads + stubs, count). Everything else is as in `r`; behind a branch the line goes on for ever.
    """
    grid = _grid(count, step)
    line = _root(r.loss, r.skin, grid.s)
    travel = grid.s * line
    ahead = np.exp(-trips[:, None] * travel)
    edge = _edge(r, grid)[0] * line
    source = _impedance(r.source)
    out = np.empty((len(ahead), len(loads) + len(stubs), count))
    ends: list[Complexes | float] = [_impedance(g) for g in loads]
    for stub in stubs:
        back = np.exp(-2 * stub * travel)
        shunt = line * (1 + back) / (1 - back + 1e-15)
        ends.append(line * shunt / (line + shunt))
    for n, end in enumerate(ends):
        rho = (end - line) / (end + line) * ahead
        # seen / (seen + source) with seen = line (1 + rho) / (1 - rho)
        spectrum = edge * (1 + rho) / ((line + source) + (line - source) * rho)
        out[:, n] = np.fft.irfft(spectrum, grid.size, axis=1)[:, :count] * grid.growth
    return out
