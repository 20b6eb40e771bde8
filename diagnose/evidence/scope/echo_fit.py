"""Fit of the physical step response to a mean edge: a search over all distances, then Levenberg-Marquardt within bounds.

Level and size of the edge are linear and are solved within (variable projection); everything else has a derivative of
its own in `echo_model`. Each shape of fault is a set of free parameters with what is usual for them as a prior.

Source: separable least squares, Levenberg-Marquardt (textbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.scope.echo_model import (
    CablePair,
    Response,
    slopes,
    step_response,
    table,
)

SHAPES: dict[str, tuple[str, ...]] = {
    "none": ("centre", "ramp", "second", "pole", "source", "loss", "skin", "tau"),
    "end": ("centre", "ramp", "second", "pole", "source", "loss", "skin", "tau", "load"),
    "pass": ("centre", "ramp", "second", "pole", "source", "loss", "skin", "tau", "load", "beyond"),
    "branch": ("centre", "ramp", "second", "pole", "source", "loss", "skin", "tau", "stub", "beyond"),
    "two": ("centre", "ramp", "second", "pole", "source", "loss", "skin", "tau", "load", "beyond", "last"),
}
"""Free parameters: a sound line; a resistive end; something passed on a line that goes on to a good end; an open branch;
something passed on a line that goes on to a bad end."""
SOURCE_PRIOR = (-0.55, 0.3)
"""Usual reflection factor of a driver with a terminator beside it, and its scatter (common practice, no source)."""
LOSS_PRIOR, SKIN_PRIOR = (1.0, 0.5), (1.0, 1.0)  # shares of what the record's cable has
EDGE_PRIOR = {"ramp": (0.0, 1.5), "second": (-1.2, 1.0), "pole": (-2.0, 2.0)}  # logarithms, of the ramp that was guessed
NEAREST = -1.4  # logarithm of the least one-way delay in ramps: what lies within the edge is the edge
MOST_SHARE = 6.0  # of the record's loss
FACTORS = (0.95, 0.3, -0.3, -0.95)  # of the search over all distances
STUB_RAMPS = (0.6, 2.0, 6.0)  # branches of that search, one way, in rise times
ROUGH = 0.02  # of the step: how far the search's edge and source may be off the true ones
ROUGH_BINS = 700
DAMPING, TURN, LEAST_DAMPING = 1e-2, 5.0, 1e-9
"""Levenberg-Marquardt: what is added to the diagonal, as a share of it, at first; what it is divided by after a step that
helped, and multiplied by after one that did not; and the least of it. Factors from 2 to 10 are usual (textbook)."""
TRIES = 7
"""Steps tried from one place, each damped more, before the fit is left where it is."""
LONGEST_STEP = 0.7
"""Most that a parameter moves in one step: parameters are logarithms and the like, so this is a factor of two."""
LEAST_DIAGONAL = 1e-9
"""Keeps the normal matrix regular where a parameter does nothing."""
ENOUGH = (1e-3, 1e-5)
"""A step that gains less chi-square than this, and than this share of the cost, is the last."""


class Stack(NamedTuple):
    """Mean edge: bins from `first` on, `step` apart; weights are one over the standard error of the mean."""

    first: float
    step: float
    mean: Floats
    weight: Floats


class Fit(NamedTuple):
    """A response fitted to a stack. `residual` in standard errors of the bins, `cost` with the priors in it."""

    shape: str
    cost: float
    params: Floats
    covariance: Floats
    response: Response
    base: float
    size: float
    residual: Floats
    first: float

    def spread(self, name: str) -> float:
        """Standard deviation of a parameter as the fit has it (a logarithm, or an inverse hyperbolic tangent); 0: not free."""
        names = SHAPES[self.shape]
        if name not in names:
            return 0.0
        at = names.index(name)
        return math.sqrt(max(float(self.covariance[at, at]), 0.0))


class Start(NamedTuple):
    """Where a fit begins: times in s (`centre` against the edge), factors, `loss` and `skin` as shares of the record's."""

    shape: str
    centre: float
    ramp: float
    second: float
    pole: float
    source: float
    tau: float
    load: float = 0.0
    stub: float = 0.0
    beyond: float = 0.0
    last: float = 0.0
    loss: float = 1.0
    skin: float = 1.0


def rise_of(r: Response) -> float:
    """10 to 90 % of two moving means and a pole, s; the parts add nearly as squares."""
    wide, narrow = max(r.ramp, r.second), min(r.ramp, r.second)
    return math.hypot(0.8 * wide, 0.74 * narrow, 2.197 * r.pole)


class EchoProblem:
    """Least squares of one shape against a stack. `ramp` in s is the unit of times."""

    def __init__(self, stack: Stack, pair: CablePair, shape: str, ramp: float) -> None:
        self.stack, self.pair, self.shape, self.ramp = stack, pair, shape, ramp
        self.names = SHAPES[shape]
        self.used = stack.weight > 0
        self._w = stack.weight
        self._yw = stack.mean * stack.weight
        prior: dict[str, tuple[float, float]] = {**EDGE_PRIOR, "loss": LOSS_PRIOR, "skin": SKIN_PRIOR, "beyond": (0.0, 1.5), "last": (0.0, 1.0)}
        if shape in ("end", "pass", "two"):
            prior["load"] = (0.0, 4.0 if shape == "end" else 1.5)
        self._prior = [(self.names.index(n), *m) for n, m in prior.items() if n in self.names]
        self._source = self.names.index("source")
        low = {"centre": -1e9, "source": -4.0, "load": -4.0, "last": -3.0, "loss": 0.0, "skin": 0.0, "tau": NEAREST, "stub": -4.0, "beyond": -4.0}
        high = {
            "centre": 1e9, "source": 4.0, "load": 4.0, "last": 3.0, "loss": MOST_SHARE, "skin": MOST_SHARE,
            "tau": 9.0, "stub": 9.0, "beyond": 9.0,
        }
        self._low = np.array([low.get(n, -4.0) for n in self.names])
        self._high = np.array([high.get(n, 4.0) for n in self.names])

    def pack(self, start: Start) -> Floats:
        """A start as parameters."""
        out = []
        for name in self.names:
            value = float(getattr(start, name))
            if name == "centre":
                value /= self.ramp
            elif name in ("source", "load", "last"):
                value = math.atanh(min(max(value, -0.999), 0.999))
            elif name not in ("loss", "skin"):
                value = math.log(max(value, 1e-15) / self.ramp)
            out.append(value)
        return np.asarray(np.clip(np.array(out), self._low, self._high), dtype=np.float64)

    def unpack(self, p: Floats) -> Response:
        """Parameters as a response that begins with the stack."""
        v = dict(zip(self.names, (float(x) for x in p), strict=True))
        beyond = self.ramp * math.exp(v["beyond"]) if "beyond" in v else 0.0
        return Response(
            centre=v["centre"] * self.ramp - self.stack.first, ramp=self.ramp * math.exp(v["ramp"]),
            pole=self.ramp * math.exp(v["pole"]), source=math.tanh(v["source"]),
            tau=self.ramp * math.exp(v["tau"]), load=math.tanh(v.get("load", 0.0)),
            loss=self.pair.loss * v["loss"], skin=self.pair.skin * v["skin"],
            stub=self.ramp * math.exp(v["stub"]) if "stub" in v else 0.0, beyond=beyond,
            last=math.tanh(v.get("last", 0.0)), second=self.ramp * math.exp(v["second"]),
        )  # fmt: skip

    def start_of(self, fit: Fit, **changes: float) -> Floats:
        """Another fit's parameters as a start for this shape, with changes by the names of `Start`."""
        r = fit.response
        start = Start(
            shape=self.shape, centre=r.centre + fit.first, ramp=r.ramp, second=r.second, pole=r.pole,
            source=r.source, tau=r.tau, load=r.load, stub=r.stub or r.tau, beyond=r.beyond or r.tau,
            last=r.last, loss=r.loss / self.pair.loss if self.pair.loss else 0.0,
            skin=r.skin / self.pair.skin if self.pair.skin else 0.0,
        )  # fmt: skip
        return self.pack(start._replace(**changes))  # type: ignore[arg-type]

    def _priors(self, p: Floats, slope: bool) -> tuple[Floats, Floats]:
        """Departures from what is usual in standard deviations, and their derivatives."""
        r = np.empty(len(self._prior) + 1)
        j = np.zeros((len(r), len(p))) if slope else np.empty(0)
        for k, (at, usual, scatter) in enumerate(self._prior):
            r[k] = (p[at] - usual) / scatter
            if slope:
                j[k, at] = 1 / scatter
        factor = math.tanh(p[self._source])
        r[-1] = (factor - SOURCE_PRIOR[0]) / SOURCE_PRIOR[1]
        if slope:
            j[-1, self._source] = (1 - factor**2) / SOURCE_PRIOR[1]
        return r, j

    def _linear(self, h: Floats) -> tuple[float, float, Floats]:
        """Base and size that fit best, and the weighted residual."""
        w, yw = self._w, self._yw
        hw = h * w
        a11, a12, a22 = float(w @ w), float(w @ hw), float(hw @ hw)
        b1, b2 = float(w @ yw), float(hw @ yw)
        determinant = a11 * a22 - a12**2
        if not determinant > 1e-12 * max(a11 * a22, 1e-300):
            base, size = b1 / max(a11, 1e-300), 0.0
        else:
            base, size = (b1 * a22 - b2 * a12) / determinant, (a11 * b2 - a12 * b1) / determinant
        return base, size, yw - base * w - size * hw

    def cost(self, p: Floats) -> float:
        """Sum of squares with the priors."""
        r = self._linear(step_response(self.unpack(p), len(self._w), self.stack.step))[2]
        prior = self._priors(p, False)[0]
        return float(r @ r) + float(prior @ prior)

    def _linearised(self, p: Floats) -> tuple[float, float, Floats, Floats, Floats]:
        """Base, size, residual of the bins, normal matrix and gradient."""
        h, d = slopes(self.unpack(p), len(self._w), self.stack.step, self.names, self.pair)
        base, size, r = self._linear(h)
        w, hw = self._w, h * self._w
        j = d * (w * -size)
        j[self.names.index("centre")] *= self.ramp
        # What a change of level and size would take up is no part of the derivative.
        basis = np.linalg.qr(np.column_stack([w, hw]))[0]
        j -= (j @ basis) @ basis.T
        prior, jp = self._priors(p, True)
        return base, size, r, j @ j.T + jp.T @ jp, j @ r + jp.T @ prior

    def smallest(self, p: Floats, at: int) -> float:
        """Standard deviation of one parameter with all others but the distance left free, by the linearised problem."""
        normal = self._linearised(p)[3]
        rest = [k for k in range(len(p)) if k != at and self.names[k] != "tau"]
        cross = normal[at, rest]
        left = float(normal[at, at] - cross @ np.linalg.solve(normal[np.ix_(rest, rest)] + LEAST_DIAGONAL * np.eye(len(rest)), cross))
        return 1 / math.sqrt(max(left, 1e-12))

    def solve(self, start: Floats, rounds: int = 30) -> Fit:
        """From a start to the least by Levenberg-Marquardt; a parameter at its bound that would leave it is held there.

        Errors: none; a fit that does not move is returned as it is.
        """
        p = np.array(start, dtype=np.float64)
        damping = DAMPING
        base, size, r, normal, gradient = self._linearised(p)
        cost = float(r @ r) + float((q := self._priors(p, False)[0]) @ q)
        for _ in range(rounds):
            gain = 0.0
            held = ((p <= self._low) & (gradient > 0)) | ((p >= self._high) & (gradient < 0))
            free = ~held
            for _ in range(TRIES):
                lifted = normal[np.ix_(free, free)] + damping * np.diag(np.maximum(np.diag(normal)[free], LEAST_DIAGONAL))
                step = np.zeros(len(p))
                step[free] = np.clip(-np.linalg.solve(lifted, gradient[free]), -LONGEST_STEP, LONGEST_STEP)
                q = np.clip(p + step, self._low, self._high)
                new = self.cost(q)
                if new < cost:
                    gain, p, cost = cost - new, q, new
                    damping = max(damping / TURN, LEAST_DAMPING)
                    break
                damping *= TURN
            if gain == 0.0:
                break
            base, size, r, normal, gradient = self._linearised(p)
            if gain < ENOUGH[0] + ENOUGH[1] * cost:
                break
        covariance = np.asarray(np.linalg.pinv(normal + LEAST_DIAGONAL * np.eye(len(p))), dtype=np.float64)
        return Fit(
            shape=self.shape, cost=cost, params=p, covariance=covariance, response=self.unpack(p), base=base,
            size=size, residual=r[self.used], first=self.stack.first,
        )  # fmt: skip


def rebinned(stack: Stack, together: int) -> Stack:
    """So many bins made one."""
    if together < 2:
        return stack
    count = len(stack.mean) // together
    w2 = (stack.weight[: count * together] ** 2).reshape(count, together)
    total = w2.sum(axis=1)
    mean = (stack.mean[: count * together].reshape(count, together) * w2).sum(axis=1) / np.maximum(total, 1e-300)
    return Stack(stack.first, stack.step * together, mean, np.sqrt(total))


def candidates(stack: Stack, pair: CablePair, ramp: float, centre: float, most: int, off: float = ROUGH) -> list[Start]:
    """Likely places and kinds, best first: the physical response of usual faults at every distance, against the stack.

    `ramp` and `centre` in s are the edge's as far as they can be read off it, `off` how far the edge may be another, of the step.
    """
    together = max(len(stack.mean) // ROUGH_BINS, 1)
    while together > 1 and stack.step * together > 0.5 * ramp:
        together -= 1
    rough = rebinned(stack, together)
    last = rough.first + rough.step * len(rough.mean)
    size = float(np.percentile(rough.mean[rough.weight > 0], 90)) if (rough.weight > 0).any() else 1.0
    # The search's edge and source are guesses; what they miss must not outweigh the fault.
    weight = np.where(rough.weight > 0, 1 / np.hypot(1 / np.maximum(rough.weight, 1e-300), off * size), 0.0)
    rough = rough._replace(weight=weight)
    ranked: list[tuple[float, Start]] = []
    for share in (1.0, 0.6, 1.7):
        wide = share * ramp
        middle = centre + (share - 1) * ramp / 2  # the foot stays where it is
        first_trip = max(0.5 * wide, 2 * stack.step)
        stop = 0.95 * (last - centre) if share == 1.0 else min(0.95 * (last - centre), 8 * ramp)
        if stop <= first_trip:
            continue
        trips = _trips(first_trip, stop, max(0.6 * ramp, 1.5 * rough.step))
        for source, loss in ((-0.55, 0.0), (-0.55, 1.0)) if share == 1.0 else ((-0.55, 0.5),):
            stubs = [k * wide for k in STUB_RAMPS]
            r = Response(middle - rough.first, wide, 0.1 * wide, source, 0.0, 0.0, loss * pair.loss, pair.skin, second=0.3 * wide)
            costs = _costs(r, trips, rough, stubs)
            for n in range(costs.shape[1]):
                column = costs[:, n]
                for k in range(len(column)):
                    if column[k] <= column[max(k - 1, 0) : k + 2].min():
                        ranked.append((float(column[k]), _start(n, float(trips[k]), wide, middle, source, loss, stubs)))
    ranked.sort(key=lambda pair_: pair_[0])
    return _distinct([s for _, s in ranked], ramp, most)


def _trips(first: float, stop: float, even: float) -> Floats:
    """Round trips to try: near ones by shares, far ones evenly."""
    out = [first]
    while out[-1] < stop:
        out.append(out[-1] + min(max(0.12 * out[-1], 0.15 * even), even))
    return np.array(out)


def _costs(r: Response, trips: Floats, stack: Stack, stubs: Sequence[float]) -> Floats:
    """Weighted sums of squares, shape (trips, kinds), with the best level and size of each."""
    w2 = stack.weight**2
    y = stack.mean
    s0, sy, syy = float(w2.sum()), float(w2 @ y), float(w2 @ y**2)
    costs = []
    for at in range(0, len(trips), 64):
        h = table(r, trips[at : at + 64], len(y), stack.step, FACTORS, stubs)
        sh, shy = h @ w2, h @ (w2 * y)
        shh = np.einsum("ijk,ijk,k->ij", h, h, w2, optimize=False)
        vh, vhy, vy = shh - sh**2 / s0, shy - sh * sy / s0, syy - sy**2 / s0
        costs.append(vy - np.where(vhy > 0, vhy**2 / np.maximum(vh, 1e-300), 0.0))
    return np.concatenate(costs)


def _start(kind: int, trip: float, wide: float, middle: float, source: float, loss: float, stubs: Sequence[float]) -> Start:
    common = Start("end", middle, wide, 0.3 * wide, 0.1 * wide, source, trip / 2, loss=max(loss, 0.1), skin=max(loss, 0.1))
    if kind < len(FACTORS):
        return common._replace(load=FACTORS[kind])
    return common._replace(shape="branch", stub=stubs[kind - len(FACTORS)], beyond=trip / 2)


def _distinct(starts: Sequence[Start], ramp: float, most: int) -> list[Start]:
    """The best ones that are not next to each other; at least a third of either shape."""
    chosen: list[Start] = []
    for shape, share in (("end", most - most // 3), ("branch", most // 3)):
        some: list[Start] = []
        for s in starts:
            near = (abs(2 * s.tau - 2 * c.tau) < max(0.8 * ramp, 0.05 * s.tau) and (s.load > 0) == (c.load > 0) for c in some)
            if s.shape == shape and not any(near):
                some.append(s)
            if len(some) == share:
                break
        chosen += some
    return chosen
