"""Echoes in the edges of a waveform: their delay, size and shape, with what cannot be told apart.

Many edges of one sender are laid over each other, the physical step response is fitted to the mean (delay, size,
edge, loss, source together), and the error bar comes from the fit's covariance, widened by what the fit leaves over.
Source: transmission-line theory (textbook), least squares (textbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from diagnose.evidence.echo_model import Pair, Response, step_response
from diagnose.evidence.scope_scan import Window

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SOURCE_PRIOR = (-0.55, 0.3)
"""Usual reflection factor of a driver with a terminator beside it, and its scatter (common practice, no source)."""
LEAST_ECHO = 0.03
"""Smaller echoes, as a share of the edge, are ordinary unevenness of a sound cable (common practice, no source)."""
MOST_BINS = 1500
LEAST_GAIN = 30.0  # by how much chi-square has to fall for an echo, or for a further parameter pair, to be believed
SAME_SENDER = 0.12  # steps that differ by less come from one sender
UNCLEAR = 20.0  # chi-square per bin above which no distance is given at all
POOR = 2.5  # chi-square per bin above which the first search is taken to have got stuck
UNEXPLAINED = 0.015  # of the delay, added to the bar where the fit leaves more than that over
MODEL_DELAY, MODEL_RISE = 0.003, 0.03
"""What the model of the cable's loss and of the edge's form leaves uncertain, shares of the delay and of the rise time
at 95 % (measured against simulated lines with and without skin effect)."""
BAR = 1.96  # standard deviations of a 95 % bar


class Echo(NamedTuple):
    """What was found. Times in s; every `_bar` is half the width of a 95 % interval.

    `delay` is the round trip. `shape` is `step` (a resistive end or passage), `branch` (an open stub, its one-way
    delay in `branch`) or `none`. `factor` is the reflection factor freed of source and cable loss. `nearest` and
    `farthest` are the round trips between which this recording can tell an echo; `least` the smallest size it could.
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


class _Stack(NamedTuple):
    """Mean edge: bins from `first` on, `step` apart; weights are one over the standard error of the mean."""

    first: float
    step: float
    mean: Floats
    weight: Floats


def one_sender(windows: Sequence[Window], noise: float) -> list[Window]:
    """The windows of the strongest sender: its first step is the largest, for it stands nearest."""
    import numpy as np

    sized = [(w, _first_step(w)) for w in windows]
    sized = [(w, a) for w, a in sized if a > 6 * noise]
    if len(sized) < 3:
        return [w for w, _ in sized]
    steps = np.array([a for _, a in sized])
    best = max((int((np.abs(steps / s - 1) < SAME_SENDER).sum()) * s**2, s) for s in steps)[1]
    return [w for w, a in sized if abs(a / best - 1) < SAME_SENDER]


def _first_step(w: Window) -> float:
    """How far the edge has gone when its steep part ends, V."""
    import numpy as np

    y = w.volts * w.sign
    at = min(max(int(-w.first / w.step), 1), len(y) - 2)
    base = float(np.median(y[: max(at - 1, 1)][-200:]))
    smooth = np.convolve(y[at:], np.ones(3) / 3, "valid") if len(y) - at > 6 else y[at:]
    slope = np.diff(smooth)
    if not len(slope):
        return 0.0
    top = int(np.argmax(slope < 0.08 * max(float(slope[:4].max()), 1e-12))) if (slope < 0.08 * float(slope[:4].max())).any() else len(slope) - 1
    return float(smooth[top]) - base


def _noise_of(windows: Sequence[Window]) -> float:
    import numpy as np

    values = []
    for w in windows:
        quiet = w.volts[: max(int(-w.first / w.step * 0.6), 3)]
        if len(quiet) >= 6:
            values.append(float(np.median(np.abs(quiet[2:] - 2 * quiet[1:-1] + quiet[:-2]))) * 1.4826 / 6**0.5)
    return max(float(np.median(values)) if values else 0.0, 1e-7)


def _stack(windows: Sequence[Window], shifts: Sequence[float], tails: Sequence[Floats] | None, first: float, count: int, step: float, noise: float, rise: float) -> _Stack:
    import numpy as np

    total, number = np.zeros(count), np.zeros(count)
    for n, w in enumerate(windows):
        t = w.first + w.step * np.arange(len(w.volts)) - shifts[n]
        y = w.volts * w.sign
        if tails is not None:
            y = y - tails[n]
        quiet = t < -1.2 * rise
        if quiet.sum() < 2:
            quiet = t < -0.5 * rise
        y = y - float(np.mean(y[quiet])) if quiet.any() else y - float(y[0])
        # The next edge begins to move before its middle is crossed.
        usable = (t < w.quiet_after - 1.2 * rise) & (t > -w.quiet_before + 2 * rise)
        place = np.floor((t - first) / step).astype(np.int64)
        usable &= (place >= 0) & (place < count)
        total += np.bincount(place[usable], weights=y[usable], minlength=count)[:count]
        number += np.bincount(place[usable], minlength=count)[:count]
    mean = total / np.maximum(number, 1)
    return _Stack(first, step, mean, np.sqrt(number) / noise)


def _rise_of(stack: _Stack, together: int) -> tuple[float, float, float]:
    """Rise time 10 to 90 % in s, size in V and middle in s of the first step, averaged over so many bins."""
    import numpy as np

    good = stack.weight > 0
    t = (stack.first + stack.step * (np.arange(len(stack.mean)) + 0.5))[good]
    y = stack.mean[good]
    if together > 1 and len(y) > 8 * together:  # neighbouring bins hold different edges, each a little off
        t, y = t[together - 1 :] - (together - 1) * stack.step / 2, np.convolve(y, np.ones(together) / together, "valid")
    if len(y) < 8:
        return 0.0, 0.0, 0.0
    noise = 1.4826 * float(np.median(np.abs(y[2:] - 2 * y[1:-1] + y[:-2]))) / 6**0.5
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


def _candidates(stack: _Stack, ramp: float, centre: float) -> list[tuple[float, float, float, float]]:
    """Likely (round trip, ramp, centre, branch's round trip or 0), best first, by least squares of shifted edges."""
    import numpy as np

    good = stack.weight > 0
    t = (stack.first + stack.step * (np.arange(len(stack.mean)) + 0.5))[good]
    y, w = stack.mean[good], stack.weight[good]

    def edge(at: float, width: float) -> Floats:
        result: Floats = np.clip((t - at) / width + 0.5, 0.0, 1.0)
        return result

    last = float(t[-1])
    found: list[tuple[float, float, float, float, float]] = []
    early: list[tuple[float, float, float, float, float]] = []
    for share in (1.0, 0.6, 1.6, 2.6):
        width, middle = share * ramp, centre + (share - 1) * ramp / 2  # the foot stays where it is
        low = max(0.35 * width, 2 * stack.step)
        if last <= 2 * low:
            continue
        wide_trips = np.geomspace(low, last * 0.97, 110)
        base = edge(middle, width)
        drift = np.clip(t - middle, 0, None)
        for stub in (0.0,) if share != 1 else (0.0, 1.2 * width, 3 * width, 8 * width):
            # A branch's dip is short: far out the even ratio would step over it.
            even: Floats = np.arange(low, last * 0.97 if stub else low, max(stub / 2, last / 400))
            trips = np.unique(np.concatenate([wide_trips, even]))
            gains, shares = [], []
            for trip in trips:
                use = t < middle + (3.4 * trip + width if not stub else trip + 4 * stub + width)
                later = trip + (stub or trip)
                columns = [np.ones_like(t), base, drift, edge(middle + trip, width), edge(middle + later, width)]
                a = np.column_stack(columns)[use] * w[use, None]
                b = y[use] * w[use]
                shares.append(math.log((_left(a[:, :3], b) + 1e-9) / (_left(a, b) + 1e-9)))
                gains.append(0.5 * len(b) * shares[-1])
            g = np.array(gains)
            # A far guess is judged by more bins than a near one; by the share explained, a near one has its chance.
            h = np.where(g > 20, shares, 0.0)
            early += [(float(h[k]), float(trips[k]), width, middle, stub) for k in range(len(h)) if 0 < h[k] >= h[max(k - 2, 0) : k + 3].max()]
            peaks = [k for k in range(len(g)) if g[k] >= g[max(k - 2, 0) : k + 3].max()]
            found += [(float(g[k]), float(trips[k]), width, middle, stub) for k in peaks]
    found.sort(reverse=True)
    early.sort(reverse=True)
    chosen: list[tuple[float, float, float, float]] = []
    for stubbed, ranked, most in ((False, found, 3), (False, early, 2), (True, found, 2), (True, early, 2)):
        some: list[tuple[float, float, float, float]] = []
        for _, trip, width, middle, stub in ranked:
            if (stub > 0) == stubbed and all(abs(math.log(trip / c[0])) > 0.12 for c in (*some, *chosen) if (c[3] > 0) == stubbed):
                some.append((trip, width, middle, stub))
            if len(some) == most:
                break
        chosen += some
    return chosen


def _left(a: Floats, b: Floats) -> float:
    import numpy as np

    normal = a.T @ a
    normal[np.diag_indices_from(normal)] *= 1 + 1e-9
    try:
        x = np.linalg.solve(normal, a.T @ b)
    except np.linalg.LinAlgError:
        return float(b @ b)
    r = b - a @ x
    return float(r @ r)


class _Fit(NamedTuple):
    chi: float
    params: Floats
    covariance: Floats
    response: Response
    base: float
    size: float
    residual: Floats  # in standard errors
    first: float  # where its bins begin, s


class _Problem:
    """Least squares of a response against a stack. Level and size are solved within, the rest by damped Newton steps."""

    def __init__(self, stack: _Stack, pair: Pair, shape: str, ramp: float) -> None:
        self.stack, self.pair, self.shape, self.ramp = stack, pair, shape, ramp

    def unpack(self, p: Floats) -> Response:
        """Parameters to the response: time in ramps, logarithms of durations, factors through tanh."""
        first = self.stack.first
        loss, skin = self.pair.loss * max(float(p[6]), 0.0), self.pair.skin * max(float(p[7]), 0.0)
        common = (
            float(p[0]) * self.ramp - first, self.ramp * math.exp(_bound(p[1])), self.ramp * math.exp(_bound(p[2])), math.tanh(p[3]),
        )  # fmt: skip
        tau, load = self.ramp * math.exp(_bound(p[4], 9)), math.tanh(p[5])
        if self.shape == "branch":
            return Response(*common, tau, 0.0, loss, skin, self.ramp * math.exp(_bound(p[5], 9)), tau * math.exp(_bound(p[8])), 0.0)
        if self.shape == "two":
            return Response(*common, tau, load, loss, skin, beyond=self.ramp * math.exp(_bound(p[8], 9)), last=math.tanh(p[9]))
        if self.shape == "none":
            return Response(*common, tau, 0.0, loss, skin)
        return Response(*common, tau, load, loss, skin)

    def prior(self, p: Floats) -> list[float]:
        """Departure from what is usual, in standard deviations."""
        usual = [(float(p[6]) - 1) / 0.7, (float(p[7]) - 1) / 1.0, (math.tanh(p[3]) - SOURCE_PRIOR[0]) / SOURCE_PRIOR[1]]
        usual += [float(p[1]) / 1.5, (float(p[2]) + 2) / 2.0]
        if self.shape == "two":
            usual += [float(p[9]) / 1.5, float(p[5]) / 1.5]
        if self.shape == "branch":
            usual += [float(p[8]) / 1.5]
        if self.shape == "step":
            usual += [float(p[5]) / 4.0]
        return usual

    def residual(self, p: Floats) -> tuple[Floats, float, float]:
        """Weighted residual with the priors behind it, base and size."""
        import numpy as np

        stack = self.stack
        h = step_response(self.unpack(p), len(stack.mean), stack.step)
        w = stack.weight
        hw, yw = h * w, stack.mean * w
        a11, a12, a22 = float(w @ w), float(w @ hw), float(hw @ hw)
        b1, b2 = float(w @ yw), float(hw @ yw)
        determinant = a11 * a22 - a12**2
        if not abs(determinant) > 1e-12 * max(a11 * a22, 1e-300):
            base, size = b1 / max(a11, 1e-300), 0.0
        else:
            base, size = (b1 * a22 - b2 * a12) / determinant, (a11 * b2 - a12 * b1) / determinant
        r = yw - base * w - size * hw
        return np.concatenate([r, self.prior(p)]), base, size

    def solve(self, start: Sequence[float] | Floats, rounds: int = 30) -> _Fit:
        """From a start to the least. Errors: none; a fit that does not move is returned as it is."""
        import numpy as np

        p = np.array(start, dtype=np.float64)
        r, base, size = self.residual(p)
        chi = float(r @ r)
        damping = 1e-2
        j = np.zeros((len(r), len(p)))
        for _ in range(rounds):
            j = self._jacobian(p, r)
            normal, gradient = j.T @ j, j.T @ r
            moved = False
            for _ in range(6):
                lifted = normal + damping * np.diag(np.maximum(np.diag(normal), 1e-9))
                step = np.clip(-np.linalg.solve(lifted, gradient), -0.7, 0.7)
                q = p + step
                q[6:8] = np.clip(q[6:8], 0.0, 6.0)
                q[[3, 5]] = np.clip(q[[3, 5]], -4.0, 4.0) if self.shape != "branch" else q[[3, 5]]
                new, new_base, new_size = self.residual(q)
                new_chi = float(new @ new)
                if new_chi < chi:
                    gain = chi - new_chi
                    p, r, chi, base, size, moved = q, new, new_chi, new_base, new_size, True
                    damping = max(damping / 5, 1e-9)
                    break
                damping *= 5
            if not moved or gain < 1e-3 + 1e-5 * chi:
                break
        j = self._jacobian(p, r)
        normal = j.T @ j + 1e-9 * np.eye(len(p))
        covariance: Floats = np.asarray(np.linalg.pinv(normal), dtype=np.float64)
        count = len(self.stack.mean)
        return _Fit(chi, p, covariance, self.unpack(p), base, size, r[:count][self.stack.weight > 0], self.stack.first)

    def _jacobian(self, p: Floats, r: Floats) -> Floats:
        import numpy as np

        j = np.empty((len(r), len(p)))
        for k in range(len(p)):
            # Near its bound at zero a little skin effect looks like a little more delay, a good deal of it does not.
            h = 0.1 if k in (6, 7) else 1e-4
            q = p.copy()
            q[k] += h
            if k in (6, 7) and q[k] > 6.0:
                q[k] -= 2 * h
                h = -h
            j[:, k] = (self.residual(q)[0] - r) / h
        return j


def _bound(x: float, most: float = 4.0) -> float:
    return min(max(float(x), -most), most)


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


def find_echo(windows: Sequence[Window], pair: Pair) -> Echo | None:
    """The echo in edges of one sender; None when there are too few usable edges.

    `pair` is what the record says of the cable (the fit may depart from it).
    """
    import numpy as np

    if len(windows) < 1:
        return None
    noise = _noise_of(windows)
    step = float(np.median([w.step for w in windows]))
    usable = float(np.percentile([min(w.quiet_after, w.first + w.step * len(w.volts)) for w in windows], 75))
    shifts = [0.0] * len(windows)
    # A first look at the edge itself, as fine as the number of edges allows.
    fine = step / min(4, max(1, len(windows) // 8))
    before = float(np.median([-w.first for w in windows]))
    count = int(min((before + usable) / fine, 8000))
    rough = _stack(windows, shifts, None, -before, count, fine, noise, 3 * step)
    rise, size, centre = _rise_of(rough, round(step / fine))
    if not size > 4 * noise or usable < 3 * rise:
        return None
    fit, stack = _search(windows, shifts, None, noise, pair, rise, centre, before, usable, step)
    for _ in range(2):
        shifts = _realigned(windows, shifts, fit, stack, noise)
        tails = _tails(windows, fit, stack)
        fit, stack = _search(windows, shifts, tails, noise, pair, _rise_time(fit.response), fit.response.centre + stack.first, before, usable, step, fit)
    return _judged(windows, fit, stack, pair, noise, usable, step)


def _rise_time(r: Response) -> float:
    """10 to 90 % of a ramp with a pole behind it, s; the two add nearly as squares."""
    return math.hypot(0.8 * r.ramp, 2.197 * r.pole)


def _grid(windows: Sequence[Window], rise: float, before: float, span: float, step: float) -> tuple[float, float, int]:
    """First time, bin width and number of bins for a fit over `span` seconds after the edge."""
    start = -min(before, 3 * rise + 4 * step)
    enough = len(windows) >= 16
    width = max(rise / 6, (span - start) / MOST_BINS, step / (2 if enough else 1))
    # A length with small factors only, for the transform's sake.
    return start, width, 32 * max(-(-int((span - start) / width) // 32), 1)


def _search(windows: Sequence[Window], shifts: Sequence[float], tails: Sequence[Floats] | None, noise: float, pair: Pair, rise: float, centre: float, before: float, usable: float, step: float, known: _Fit | None = None) -> tuple[_Fit, _Stack]:
    """The best of several models. With a fit at hand only the window is set anew around it."""
    import numpy as np

    ramp = max(1.2 * rise, 1.5 * step)
    if known is None:
        first, width, count = _grid(windows, rise, before, usable, step)
        starts = _candidates(_stack(windows, shifts, tails, first, count, width, noise, rise), ramp, centre)
    else:
        starts = [(2 * known.response.tau, ramp, centre, 2 * known.response.stub)]
    # One window for all starts, so that their sums of squares can be compared.
    reach = [max(3.3 * trip, trip + 10 * ramp, trip + 4 * stub) + centre for trip, _, _, stub in starts] or [usable]
    span = min(usable, max(reach))
    first, width, count = _grid(windows, rise, before, span, step)
    stack = _stack(windows, shifts, tails, first, count, width, noise, rise)
    best: dict[str, _Fit] = {}
    for trip, wide, middle, stub in starts:
        shape = "branch" if stub > 0 else "step"
        problem = _Problem(stack, pair, shape, ramp)
        start = [middle / ramp, math.log(wide / ramp), -2.0, math.atanh(-0.55), math.log(trip / 2 / ramp), 0.0, 1.0, 1.0]
        if known is not None:
            start[:4] = _edge_of(known, stack, ramp)
            start[6:8] = list(known.params[6:8])
        guesses: tuple[float, ...] = (math.log(stub / 2 / ramp),) if stub > 0 else (0.5, -0.5)
        if known is not None and not stub:
            guesses = (float(known.params[5]),)
        tried = [np.array([*start[:5], guess, *start[6:], *([0.0] if stub > 0 else [])]) for guess in guesses]
        for begin in tried:
            fit = problem.solve(begin, 4 if known is None else 12)
            if shape not in best or fit.chi < best[shape].chi:
                best[shape] = fit
    if not best:
        problem = _Problem(stack, pair, "none", ramp)
        return problem.solve([centre / ramp, 0.0, -2.0, math.atanh(-0.55), 0.0, 0.0, 1.0, 1.0]), stack
    if known is None:
        best = {shape: _Problem(stack, pair, shape, ramp).solve(fit.params, 20) for shape, fit in best.items()}
        if min(fit.chi for fit in best.values()) > POOR * count:
            best = _harder(stack, pair, ramp, starts, best)
    if "step" in best and ("branch" not in best or best["branch"].chi > best["step"].chi - LEAST_GAIN):
        return best["step"], stack
    return best["branch"], stack


def _harder(
    stack: _Stack, pair: Pair, ramp: float, starts: Sequence[tuple[float, float, float, float]], best: dict[str, _Fit]
) -> dict[str, _Fit]:
    """A wider search, for a first one that got stuck: other sizes of the echo, and a source with little or much of its own."""
    import numpy as np

    found = dict(best)
    problem = _Problem(stack, pair, "step", ramp)
    for trip, wide, middle, _ in starts:
        for guess in (1.5, -1.5, 0.25, -0.25):
            begin = [middle / ramp, math.log(wide / ramp), -2.0, -0.6, math.log(trip / 2 / ramp), guess, 0.3, 0.3]
            fit = problem.solve(np.array(begin), 10)
            if "step" not in found or fit.chi < found["step"].chi:
                found["step"] = fit
    found["step"] = problem.solve(found["step"].params, 25)
    return found


def _edge_of(fit: _Fit, stack: _Stack, ramp: float) -> list[float]:
    """The first four parameters of a fit, in units of another ramp."""
    r = fit.response
    scaled = [_bound(math.log(max(part, 1e-15) / ramp)) for part in (r.ramp, r.pole)]
    return [(r.centre + fit.first) / ramp, *scaled, float(fit.params[3])]


def _realigned(windows: Sequence[Window], shifts: Sequence[float], fit: _Fit, stack: _Stack, noise: float) -> list[float]:
    """Each edge's own time, found against the fitted edge: noise moved the crossing that was taken before."""
    import numpy as np

    grid = stack.first + stack.step * (np.arange(len(stack.mean)) + 0.5)
    curve = fit.base + fit.size * step_response(fit.response, len(stack.mean), stack.step)
    slope = np.gradient(curve, stack.step)
    centre = fit.response.centre + stack.first
    reach = 1.0 * fit.response.ramp + 2 * fit.response.pole + 2 * stack.step
    moved = []
    for n, w in enumerate(windows):
        t = w.first + w.step * np.arange(len(w.volts)) - shifts[n]
        near = (np.abs(t - centre) < reach) & (t < grid[-1]) & (t > grid[0])
        if near.sum() < 2:
            moved.append(shifts[n])
            continue
        quiet = t < centre - reach
        y = w.volts * w.sign
        y = y - float(np.mean(y[quiet])) if quiet.sum() > 3 else y
        d = np.interp(t[near], grid, slope)
        off = y[near] - np.interp(t[near], grid, curve)
        power = float(d @ d)
        change = -float(d @ off) / power if power > 0 else 0.0
        moved.append(shifts[n] + min(max(change, -reach), reach))
    middle = float(np.median(moved))
    return [m - middle for m in moved]


def _tails(windows: Sequence[Window], fit: _Fit, stack: _Stack) -> list[Floats] | None:
    """What earlier edges still do within each window, by the fitted response; None when nothing is left of them."""
    import numpy as np

    r = fit.response
    trip = 2 * r.tau
    product = abs(r.source * r.load)
    quiet = min((w.quiet_before for w in windows), default=0.0)
    if r.stub > 0 or trip <= 0 or product < 1e-3 or product ** (quiet / trip) < 2e-3:
        return None
    longest = max(w.earlier[0][0] if w.earlier else 0.0 for w in windows)
    span = min(longest, 40 * trip) + max(w.first + w.step * len(w.volts) for w in windows)
    step = max(min(_rise_time(r) / 3, span / 200), span / 16_000)
    count = int(span / step) + 2
    shifted = r._replace(centre=r.centre + stack.first + 4 * _rise_time(r))
    lead = 4 * _rise_time(r)
    curve = fit.size * step_response(shifted, count, step)
    grid = step * (np.arange(count) + 0.5) - lead
    settled = float(curve[-1])
    tails: list[Floats] = []
    for w in windows:
        t = w.first + w.step * np.arange(len(w.volts))
        total = np.zeros(len(t))
        for ago, sign in w.earlier:
            total += sign * w.sign * (np.interp(t + ago, grid, curve, right=settled) - settled)
        tails.append(total)
    return tails


def _judged(windows: Sequence[Window], fit: _Fit, stack: _Stack, pair: Pair, noise: float, usable: float, step: float) -> Echo:
    """Which shape the data bear out, with bars and limits."""
    import numpy as np

    ramp = max(1.2 * _rise_time(fit.response), 1.5 * step)
    none = _Problem(stack, pair, "none", ramp)
    r = fit.response
    begin = _edge_of(fit, stack, ramp)
    plain = none.solve([*begin, math.log(max(r.tau, 1e-12) / ramp), 0.0, *fit.params[6:8]], 15)
    best, shape = fit, "branch" if r.stub > 0 else "step"
    scale = _inflation(fit.residual)
    count = len(fit.residual)
    uneasy = fit.chi > count + 4 * math.sqrt(2 * count) + LEAST_GAIN / 2
    branch = _branch(stack, pair, ramp, begin, fit) if uneasy and shape == "step" else None
    if branch is not None and branch.chi < best.chi - LEAST_GAIN * scale ** 0.5:
        best, shape = branch, "branch"
    rise = _rise_time(best.response)
    second_delay = second_factor = 0.0
    if shape == "step" and uneasy and 2 * r.tau < usable / 1.5:
        two = _two(stack, pair, ramp, begin, fit, usable)
        if two is not None and two.chi < 0.7 * fit.chi and two.chi < fit.chi - LEAST_GAIN:
            best = two
            second_delay, second_factor = 2 * (two.response.tau + two.response.beyond), two.response.last
    gain = plain.chi - best.chi
    scale = _inflation(best.residual)
    spread = np.sqrt(np.maximum(np.diag(best.covariance), 0) * scale)
    r = best.response
    delay = 2 * r.tau
    least = _least(best, ramp, scale, stack)
    # The edge of the echo is the reference itself, so the delay hangs on both; the floor is what binning hides.
    delay_bar = math.hypot(BAR * delay * float(spread[4]), MODEL_DELAY * delay, MODEL_RISE * rise)
    left_over = float(best.residual @ best.residual) / max(len(best.residual), 1)
    if left_over > POOR:  # something else is on the line as well
        delay_bar = math.hypot(delay_bar, UNEXPLAINED * delay)
    factor = r.load if shape == "step" else -1 / 3
    factor_bar = BAR * float(spread[5]) * (1 - r.load**2) if shape == "step" else 0.0
    overshoot, ring, settles, size = _outline(best, stack)
    echo_share = abs(factor) * (1 + r.source)
    found = gain > LEAST_GAIN * max(scale**0.5, 1.0) and echo_share > LEAST_ECHO and left_over < UNCLEAR
    branch_s, branch_bar = (r.stub, BAR * r.stub * float(spread[5])) if shape == "branch" else (0.0, 0.0)
    return Echo(
        shape if found else "none", delay if found else 0.0, delay_bar if found else 0.0, factor if found else 0.0,
        factor_bar if found else 0.0, branch_s if found else 0.0, branch_bar if found else 0.0, r.source, rise, size, overshoot,
        ring, settles, max(rise, 2 * step), max(usable - 1.5 * rise, 0.0), max(least, LEAST_ECHO), len(windows),
        left_over, second_delay if found else 0.0,
        second_factor if found else 0.0,
    )  # fmt: skip


def _branch(stack: _Stack, pair: Pair, ramp: float, begin: list[float], fit: _Fit) -> _Fit | None:
    """The best open branch, from several lengths."""
    problem = _Problem(stack, pair, "branch", ramp)
    best: _Fit | None = None
    for stub in (0.15, 0.6, 2.5):
        start = [*begin, math.log(fit.response.tau / ramp), math.log(stub), *fit.params[6:8], 0.0]
        found = problem.solve(start, 5)
        if best is None or found.chi < best.chi:
            best = found
    return problem.solve(best.params, 12) if best is not None else None


def _two(stack: _Stack, pair: Pair, ramp: float, begin: list[float], fit: _Fit, usable: float) -> _Fit | None:
    """The best pair of places, from several distances between them."""
    problem = _Problem(stack, pair, "two", ramp)
    best: _Fit | None = None
    for share in (0.3, 1.0, 2.5):
        beyond = share * fit.response.tau
        if 2 * (beyond + fit.response.tau) > usable:
            continue
        for guess in (0.3, -0.3):
            start = [*begin, math.log(fit.response.tau / ramp), float(fit.params[5]), *fit.params[6:8], math.log(beyond / ramp), guess]
            found = problem.solve(start, 5)
            if best is None or found.chi < best.chi:
                best = found
    return problem.solve(best.params, 14) if best is not None else None


def _least(fit: _Fit, ramp: float, scale: float, stack: _Stack) -> float:
    """Smallest echo that would have been told from the noise, as a share of the edge."""
    import numpy as np

    per_edge = ramp / stack.step
    weight = float(np.median(stack.weight[stack.weight > 0]))
    return float(4 * math.sqrt(scale) / (weight * max(abs(fit.size), 1e-9) * math.sqrt(max(per_edge, 1.0))))


def _outline(fit: _Fit, stack: _Stack) -> tuple[float, float, bool, float]:
    """Overshoot as a share of the settled step, period of the ringing in s (0: none), whether it settles here, step in V."""
    import numpy as np

    good = stack.weight > 0
    y = (stack.mean - fit.base)[good]
    t = (stack.step * np.arange(len(stack.mean)))[good]
    if len(y) < 12:
        return 0.0, 0.0, False, 0.0
    tail = y[-max(len(y) // 10, 3) :]
    settled = float(np.median(tail))
    size = abs(settled) if abs(settled) > 1e-9 else 1e-9
    width = max(int(_rise_time(fit.response) / stack.step / 3), 1)
    smooth = np.convolve(y, np.ones(width) / width, "same")[width:-width] if len(y) > 4 * width else y
    overshoot = max(float(smooth.max()) - settled, 0.0) / size
    off = smooth - settled
    large = np.abs(off) > 0.08 * size
    crossings = np.flatnonzero((off[1:] > 0) != (off[:-1] > 0))
    after = [k for k in crossings if large[k:].any()]
    ring = 2 * float(np.mean(np.diff(t[: len(smooth)][after]))) if len(after) > 2 else 0.0
    return overshoot, ring, not bool(large[-len(large) // 6 :].any()), float(smooth.max())


def mean_edge(windows: Sequence[Window], span: float) -> tuple[float, float, Floats]:
    """The edges laid over each other for a drawing: time of the first bin in s, bin width in s, volts (nan: nothing)."""
    import numpy as np

    if not windows:
        return 0.0, 1.0, np.empty(0)
    step = float(np.median([w.step for w in windows]))
    width = max(step, span / 600)
    first = -min(0.15 * span, float(np.median([-w.first for w in windows])))
    count = max(int((span - first) / width), 2)
    stack = _stack(windows, [0.0] * len(windows), None, first, count, width, 1.0, 2 * step)
    return first, width, np.where(stack.weight > 0, stack.mean, np.nan)
