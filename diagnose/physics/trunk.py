"""The two-wire data trunk as a resistor network: what a meter reads across the pair, at any point, however wired.

Places along the trunk are numbers: 0 is the near end, 1 the next unit, 3.5 the middle of the segment between the
units at 3 and 4. Alterations (a terminator off, a wire open, a short, a swap ...) can be combined at will.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import accumulate, pairwise

from diagnose.physics.network import Network, Point

UNIT_LOAD_OHMS = 12_000.0
"""Input resistance of one unit load, each line to common, ohm (TIA/EIA-485-A)."""
SEGMENT_UNIT_LOADS = 32.0
"""Unit loads one driver carries (TIA/EIA-485-A)."""
BIASED_SEGMENT_UNITS = 28
"""Units on a trunk with a bias pair: four fewer (MODBUS over Serial Line V1.02, 3.4.6)."""
THRESHOLD_V = 0.2
"""Idle voltage from which every receiver agrees on the idle state, V (TIA/EIA-485-A)."""
COMMON_DIFFERENCE_V = 7.0
"""Largest difference between two commons, V: lines swing 0 to 5 V, so -7 - 0 and 12 - 5 (TIA/EIA-485-A)."""
COMMON_DIFFERENCE_SUSPICIOUS_V = 1.0
"""Difference between two commons that deserves a look, V (common practice, no source)."""
COMMON_DIFFERENCE_MAINS_V = 25.0
"""Difference between two commons from which bare parts may not be touched, V: the limit for alternating current without cover
in dry places (IEC 60364-4-41 414.4.5, from memory). What stands so high between two grounds is fed by a supply."""
LENGTH_CAP_M = 1200.0
LENGTH_RATE_PRODUCT = 1e8
DROP_LIMIT_M = 20.0
"""Longest branch off a trunk, m (MODBUS over Serial Line V1.02, 3.4.3)."""
TAP_BUDGET_M = 40.0
"""Sum shared by the branches of one tap, m (MODBUS over Serial Line V1.02, 3.4.3)."""
METER_OHMS = 10e6
"""Input resistance of a voltmeter, ohm (common practice, no source)."""
SHORT_OHMS = 0.1

_COMMON, _RAIL = ("common", 0.0), "rail"


@dataclass(frozen=True)
class Bias:
    """A pull-up on the + wire and a pull-down on the - wire: where, ohm each, and the supply in V."""

    at: float
    ohms: float
    volts: float = 5.0


@dataclass(frozen=True)
class Pair:
    """A trunk's wiring. Resistances in ohm; `segments` are loop resistances, so a segment's wire has half of it.

    `receivers` maps a position to the unit loads there. `opens` and `swaps` sit just beyond their position
    (between units: x.5); `opens` says which wires are broken, "+", "-" or both.
    """

    segments: tuple[float, ...]
    terminators: tuple[tuple[float, float], ...] = ()
    biases: tuple[Bias, ...] = ()
    receivers: Mapping[float, float] = field(default_factory=dict)
    opens: Mapping[float, str] = field(default_factory=dict)
    shorts: tuple[float, ...] = ()
    swaps: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if any(not ohms >= 0 for ohms in self.segments):
            raise ValueError("a segment's loop resistance is below zero; it must be zero or above")
        if any(not ohms > 0 for _, ohms in self.terminators) or any(not b.ohms > 0 for b in self.biases):
            raise ValueError("terminators and bias resistors must be above zero ohm")
        for at in self._marks():
            self._check(at)

    @property
    def far(self) -> float:
        """Position of the far end."""
        return float(len(self.segments))

    def _check(self, at: float) -> None:
        if not 0 <= at <= self.far:
            raise ValueError(f"position {at:g} is off the trunk; it reaches from 0 to {self.far:g}")

    def _marks(self) -> set[float]:
        return {
            *(at for at, _ in self.terminators),
            *(b.at for b in self.biases),
            *self.receivers,
            *self.opens,
            *self.shorts,
            *self.swaps,
        }

    def _network(self, meter: float) -> Network:
        self._check(meter)
        net = Network()
        points = sorted({0.0, self.far} | self._marks() | {meter})
        along = list(accumulate(self.segments, initial=0.0))

        def reached(at: float) -> float:
            n = min(int(at), len(self.segments) - 1)
            return along[n] + self.segments[n] * (at - n) if self.segments else 0.0

        for a, b in pairwise(points):
            ohms = (reached(b) - reached(a)) / 2
            broken, crossed = self.opens.get(a, ""), a in self.swaps
            for wire, other in (("+", "-"), ("-", "+")):
                net.join((wire, a), (other if crossed else wire, b), math.inf if wire in broken else ohms)
        for at, ohms in self.terminators:
            net.join(("+", at), ("-", at), ohms)
        for at in self.shorts:
            net.join(("+", at), ("-", at), SHORT_OHMS)
        for at, loads in self.receivers.items():
            for wire in "+-":
                net.join((wire, at), _COMMON, UNIT_LOAD_OHMS / loads if loads > 0 else math.inf)
        return net

    def lumped(self, most: int = 24) -> Pair:
        """The same trunk with its receivers gathered at no more than `most` positions, evenly spread.

        For long trunks: receivers are so high in resistance that where exactly they sit does not show in a
        reading (under 0.1 % at 247 eighth-load units), while the work grows with the number of positions.
        """
        if len(self.receivers) <= most:
            return self
        step = self.far / (most - 1)
        gathered: dict[float, float] = {}
        for at, loads in self.receivers.items():
            spot = round(round(at / step) * step)
            gathered[float(spot)] = gathered.get(float(spot), 0.0) + loads
        return replace(self, receivers=gathered)

    def ohms(self, at: float, rail_ohms: float = 0.0) -> float:
        """Resistance in ohm across the pair at a position, everything off and wires joined; inf when open.

        `rail_ohms` is what the dead bias supply leaves between its rail and common (0 usual, inf: floating).
        Errors: ValueError for a position off the trunk. Source: Ohm's law; unit load by TIA/EIA-485-A.
        """
        net = self._network(at)
        for n, bias in enumerate(self.biases):
            net.join(("+", bias.at), (_RAIL, n), bias.ohms)
            net.join((_RAIL, n), _COMMON, rail_ohms)
            net.join(("-", bias.at), _COMMON, bias.ohms)
        return net.resistance(("+", at), ("-", at))

    def idle_volts(self, at: float) -> float:
        """Idle voltage in V of the + wire over the - wire at a position, every driver silent.

        Errors: ValueError for a position off the trunk. Source: Ohm's law; unit load by TIA/EIA-485-A.
        """
        net = self._network(at)
        plus, minus = ("+", at), ("-", at)
        net.join(plus, minus, METER_OHMS)
        held: dict[Point, float] = {_COMMON: 0.0}
        for bias in self.biases:
            rail = (_RAIL, bias.volts)
            held[rail] = bias.volts
            net.join(("+", bias.at), rail, bias.ohms)
            net.join(("-", bias.at), _COMMON, bias.ohms)
        seen = net.seen_from((plus, minus, *held))
        high, low = seen.voltage(plus, held), seen.voltage(minus, held)
        return 0.0 if high is None or low is None else high - low


# ---- alterations: each a function of a wiring and a position

def _without_one(pair: Pair, at: float) -> Pair:
    here = [t for t in pair.terminators if t[0] == at]
    kept = list(pair.terminators)
    if here:
        kept.remove(here[-1])
    return replace(pair, terminators=tuple(kept))


def _with_terminator(pair: Pair, at: float) -> Pair:
    like = pair.terminators[0][1] if pair.terminators else 120.0
    return replace(pair, terminators=(*pair.terminators, (at, like)))


def _with_bias(pair: Pair, at: float) -> Pair:
    like = pair.biases[0] if pair.biases else Bias(at, 560.0)
    return replace(pair, biases=(*pair.biases, replace(like, at=at)))


def _open(wires: str) -> Callable[[Pair, float], Pair]:
    return lambda pair, at: replace(pair, opens={**pair.opens, at: "".join({*pair.opens.get(at, ""), *wires})})


ALTERATIONS: dict[str, Callable[[Pair, float], Pair]] = {
    "near-terminator-off": lambda pair, at: _without_one(pair, 0.0),
    "far-terminator-off": lambda pair, at: _without_one(pair, pair.far),
    "extra-terminator": _with_terminator,
    "doubled-far-terminator": lambda pair, at: _with_terminator(pair, pair.far),
    "pair-open": _open("+-"),
    "one-wire-open": _open("-"),
    "pair-short": lambda pair, at: replace(pair, shorts=(*pair.shorts, at)),
    "bias-off": lambda pair, at: replace(pair, biases=()),
    "bias-extra": _with_bias,
    "pair-swapped": lambda pair, at: replace(pair, swaps=(*pair.swaps, at)),
    "rc-terminators": lambda pair, at: replace(pair, terminators=()),
}
"""What can be wrong with a trunk's wiring. A series capacitor makes a terminator invisible to direct current."""


def alter(pair: Pair, name: str, at: float) -> Pair:
    """The wiring with one alteration made at a position (ignored by those that name an end).

    Errors: ValueError for an unknown alteration or a position off the trunk. Source: common practice, no source.
    """
    if name not in ALTERATIONS:
        raise ValueError(f"unknown alteration {name}; known are {', '.join(ALTERATIONS)}")
    return ALTERATIONS[name](pair, at)


# ---- lumped formulas and limits

def parallel(*ohms: float) -> float:
    """Resistances in ohm in parallel, ohm; inf counts as absent. Errors: ValueError below zero. Source: Ohm."""
    if any(not r >= 0 for r in ohms):
        raise ValueError("a resistance is below zero; it must be zero or above")
    return 0.0 if 0 in ohms else 1 / s if (s := sum(1 / r for r in ohms)) else math.inf


def lumped_idle_volts(bias_ohms: float, across_ohms: float, volts: float = 5.0) -> float:
    """Idle voltage in V of one bias pair (ohm each) over everything across the pair (ohm), short trunk.

    Errors: ValueError unless the bias resistor is above zero. Source: Ohm's law.
    """
    if not bias_ohms > 0 or not across_ohms >= 0:
        raise ValueError("the bias resistor must be above zero ohm, the rest zero or above")
    return volts if math.isinf(across_ohms) else volts * across_ohms / (2 * bias_ohms + across_ohms)


def far_end_share(terminator_ohms: float, loop_ohms: float) -> float:
    """Share of a driver's voltage that reaches the terminator at the far end, from loop resistance in ohm.

    Errors: ValueError unless the terminator is above zero ohm. Source: Ohm's law.
    """
    if not terminator_ohms > 0 or not loop_ohms >= 0:
        raise ValueError("the terminator must be above zero ohm, the loop zero or above")
    return terminator_ohms / (terminator_ohms + loop_ohms)


def dissipation_w(ohms: float, volts: float) -> float:
    """Power in W of a resistor in ohm at a voltage in V. Errors: ValueError unless ohm > 0. Source: Ohm's law."""
    if not ohms > 0:
        raise ValueError("the resistance must be above zero ohm")
    return volts * volts / ohms


def length_limit_m(bit_rate: float) -> float:
    """Longest trunk in m for a bit rate in bit/s: the product at most 1e8, never over 1200 m.

    Errors: ValueError unless the bit rate is above zero. Source: common practice, no source (both ends of the
    curve, 1200 m at 100 kbit/s and 12 m at 10 Mbit/s, are general trade literature on TIA/EIA-485-A).
    """
    if not bit_rate > 0:
        raise ValueError(f"bit rate is {bit_rate:g}; it must be above zero")
    return min(LENGTH_CAP_M, LENGTH_RATE_PRODUCT / bit_rate)


def modbus_length_limit_m(awg: float, cat5: bool = False) -> float | None:
    """Longest trunk in m for 9600 bit/s and below: 1000 m from 26 AWG up, 600 m of Cat 5; None for thinner wire.

    Source: MODBUS over Serial Line V1.02, 3.4.3 and 3.6.
    """
    return 600.0 if cat5 else 1000.0 if awg <= 26 else None


def drop_limit_m(drops_at_tap: int = 1) -> float:
    """Longest branch in m: 20 m, or 40 m shared by the branches of one tap.

    Errors: ValueError for no branch. Source: MODBUS over Serial Line V1.02, 3.4.3.
    """
    if drops_at_tap < 1:
        raise ValueError("a tap has at least one branch")
    return min(DROP_LIMIT_M, TAP_BUDGET_M / drops_at_tap)


def load_limit(biased: bool) -> float:
    """Unit loads a trunk may carry: 32, or 28 with a bias pair.

    Source: TIA/EIA-485-A; MODBUS over Serial Line V1.02, 3.4.1 and 3.4.6.
    """
    return float(BIASED_SEGMENT_UNITS) if biased else SEGMENT_UNIT_LOADS
