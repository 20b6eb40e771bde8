"""The trunk seen by a meter: resistance across the pair, idle voltage, and both with any alteration made.

A healthy trunk is taken to have a terminator at each end, whatever the record says of the switches: a record that
says otherwise is a matter for `terminator-plan`. Bias is taken as recorded, for a trunk may be meant to do without.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, wraps
from typing import NamedTuple

from diagnose.gauges.bands import Record, awg_of, between, either_sign, figure, ladder
from diagnose.gauges.base import Alterations, Band, Expectation, predictor, reading_gauge
from diagnose.physics import cable, trunk
from diagnose.physics.trunk import Bias, Pair, alter
from diagnose.site.model import FactValue, Site, Trunk
from diagnose.site.places import FAR, Place

PARTS_SPREAD = 0.03
"""Terminators of 1 or 2 %, the meter and its leads, together (common practice, no source)."""
BIAS_SPREAD = 0.06
"""Bias resistors of 5 %, their supply, receivers' leakage (common practice, no source)."""
LEADS_OHMS = 2.5
"""A dead short through test leads and screw terminals, ohm (common practice, no source)."""
LENGTH_SPREAD, ASSUMED_LENGTH_SPREAD = 1.15, 1.6
"""How far a recorded length (with the cable's temperature), or an assumed one, may be off, as a factor."""
ASSUMED_SEGMENT_M = 10.0
ASSUMED_BIAS_OHMS = 560.0
LEAST_IDLE_MV, MOST_IDLE_MV = 5.0, 50.0
"""Within this of zero a reading counts as no idle voltage, mV: meter offset and pick-up (common practice)."""


Facts = frozenset[tuple[str, FactValue]]


class Wiring(NamedTuple):
    """A trunk as the record has it, healthy: `pair` for the meter, the rest for the words."""

    pair: Pair
    site_trunk: Trunk
    awg: float
    length_m: float
    terminator_ohms: float
    hidden_terminators: bool
    length_known: bool
    bias: str
    bias_ohms: float
    assumed: tuple[str, ...]

    def position(self, place: Place) -> float:
        """Where a place lies along the trunk, as the trunk's physics counts."""
        units = self.site_trunk.units
        if place.kind == "unit" and place.number in units:
            return float(units.index(place.number))
        if place.kind == "segment" and place.number in units and place.other in units:
            return min(units.index(place.number), units.index(place.other)) + 0.5
        if place.kind == "trunk-end":
            return self.pair.far if place.other == FAR else 0.0
        return self.pair.far / 2


def segment_lengths(site_trunk: Trunk) -> tuple[tuple[float, ...], bool]:
    """Every segment's length in m, and whether all are recorded; gaps take the mean of the others."""
    known = [m for m in site_trunk.segment_m if m is not None]
    typical = sum(known) / len(known) if known else ASSUMED_SEGMENT_M
    return tuple(typical if m is None else m for m in site_trunk.segment_m), len(known) == len(site_trunk.segment_m)


def wiring(site: Site, place: Place) -> Wiring:
    """The healthy trunk at a place. Errors: ValueError when the place is on no trunk."""
    site_trunk = site.trunk_of(place)
    if site_trunk is None:
        raise ValueError(f"{place} is on no trunk of this site")
    return _wiring(site_trunk, _trunk_facts(site, site_trunk))


def _trunk_facts(site: Site, site_trunk: Trunk) -> Facts:
    return frozenset(site.facts.get(("trunk", site_trunk.number), {}).items())


# Kept by what they depend on: one question about a trunk asks for the same expectation hundreds of times.
@lru_cache(maxsize=64)
def _wiring(site_trunk: Trunk, trunk_facts: Facts) -> Wiring:
    here = Place("trunk", site_trunk.number)
    site = Site("", site_trunk.units, (site_trunk,), facts={("trunk", site_trunk.number): dict(trunk_facts)})
    facts = Record(site, here)
    lengths, known = segment_lengths(site_trunk)
    if not known:
        facts.note(f"segments of {figure(sum(lengths) / max(1, len(lengths)))} m where no length is recorded")
    awg = awg_of(facts.word("trunk.cable", "24-awg", "24 AWG cable"))
    impedance = site.number("trunk.impedance", facts.place) or cable.NOMINAL_IMPEDANCE["rs485"]
    ohms = facts.number("trunk.terminator-ohms", impedance, f"terminators of {figure(impedance)} ohm") or impedance
    hidden = facts.word("trunk.terminator-kind", "resistor", "plain resistors as terminators") == "rc"
    bias = facts.word("trunk.bias", "controller", "bias at the controller")
    bias_ohms, volts = ASSUMED_BIAS_OHMS, 5.0
    if bias != "none":
        bias_ohms = facts.number("trunk.bias-ohms", bias_ohms, "bias resistors of 560 ohm") or bias_ohms
        volts = facts.number("trunk.bias-supply", volts, "bias from 5 V")
    load = facts.number("trunk.unit-load", 1.0, "one unit load for each unit")
    positions = [float(n) for n in range(len(site_trunk.units))]
    controller = site_trunk.units.index(site_trunk.controller) if site_trunk.controller in site_trunk.units else 0
    biased = {"none": [], "every-unit": positions}.get(bias, [float(controller)])
    far = float(len(lengths))
    pair = Pair(
        segments=tuple(cable.loop_ohms(awg, metres) for metres in lengths),
        terminators=() if hidden else ((0.0, ohms), (far, ohms)),
        biases=tuple(Bias(at, bias_ohms, volts) for at in biased),
        receivers=dict.fromkeys(positions, load),
    )
    length = sum(lengths)
    return Wiring(pair, site_trunk, awg, length, ohms, hidden, known, bias, bias_ohms, tuple(facts.assumed))


def with_terminator(pair: Pair, at: float, ohms: float) -> Pair:
    """The wiring with one plain terminator more."""
    return replace(pair, terminators=(*pair.terminators, (at, ohms)))


def altered(site: Site, healthy: Wiring, alterations: Alterations) -> Pair:
    """The trunk's wiring with every alteration made at its place; those of other trunks leave it as it is.

    Errors: ValueError for an unknown alteration.
    """
    pair = healthy.pair
    for name, place in alterations:
        if site.trunk_of(place) != healthy.site_trunk:
            continue
        at = healthy.position(place)
        if name == "bias-extra" and place.kind == "trunk":
            taken = {bias.at for bias in pair.biases}
            for unit in range(len(healthy.site_trunk.units)):
                pair = pair if unit in taken else alter(pair, name, float(unit))
        elif name in ("extra-terminator", "doubled-far-terminator"):
            where = pair.far if name == "doubled-far-terminator" else at
            pair = with_terminator(pair, where, healthy.terminator_ohms)
        else:
            pair = alter(pair, name, at)
    return pair.lumped()


def _stretched(pair: Pair, known: bool) -> Pair:
    factor = LENGTH_SPREAD if known else ASSUMED_LENGTH_SPREAD
    return replace(pair, segments=tuple(ohms * factor for ohms in pair.segments))


def _spread(value: float, stretched: float, parts: float) -> float:
    if math.isinf(value) or value == 0:
        return 0.0 if math.isinf(value) else parts
    return math.hypot(parts, (stretched - value) / value)


@predictor("trunk-ohms")
def predict_ohms(site: Site, place: Place, alterations: Alterations) -> tuple[float, float]:
    """Ohm across the pair at a trunk end with alterations made (inf: open), and the relative spread.

    Source: Ohm's law on the record; unit load by TIA/EIA-485-A.
    """
    healthy = wiring(site, place)
    return _predict_ohms(healthy, altered(site, healthy, alterations), healthy.position(place))


def _predict_ohms(healthy: Wiring, pair: Pair, at: float) -> tuple[float, float]:
    value = pair.ohms(at)
    return value, _spread(value, _stretched(pair, healthy.length_known).ohms(at), PARTS_SPREAD)


@predictor("idle-millivolts")
def predict_idle(site: Site, place: Place, alterations: Alterations) -> tuple[float, float]:
    """Idle mV (+ over -) at a trunk end with alterations made, and the relative spread. Source: as for the ohms."""
    healthy = wiring(site, place)
    return _predict_idle(healthy, altered(site, healthy, alterations), healthy.position(place))


def _predict_idle(healthy: Wiring, pair: Pair, at: float) -> tuple[float, float]:
    value = 1000 * pair.idle_volts(at)
    return value, _spread(value, 1000 * _stretched(pair, healthy.length_known).idle_volts(at), BIAS_SPREAD)


def _words(healthy: Wiring) -> str:
    run = f"{figure(healthy.length_m)} m of {healthy.awg:g} AWG pair" if healthy.length_m else "no cable to speak of"
    if healthy.hidden_terminators:
        return f"terminators with a capacitor do not show; bias and receivers over {run}"
    extra = "" if healthy.bias == "none" else f", bias {'at every unit' if healthy.bias == 'every-unit' else 'on'}"
    return f"two {figure(healthy.terminator_ohms)} ohm terminators and {run}{extra}"


def _lowest_healthy(value: float, spread: float, lower: list[float]) -> float:
    """The limit between a healthy reading and the lower ones of a fault, leaving room for the healthy scatter.

    On a long trunk a fault at the other end may hide in that scatter; then only the nearer ones are told apart.
    """
    return max(min(between(max(lower), value), value * (1 - 2 * spread)), between(min(lower), value))


def _highest_healthy(value: float, spread: float, higher: list[float]) -> float:
    """As for the lowest, towards the higher readings of a fault."""
    return min(max(between(value, min(higher)), value * (1 + 2 * spread)), between(value, max(higher)))


def _kept(compute: Callable[[Wiring, float], Expectation]) -> Callable[[Site, Place], Expectation]:
    """A gauge from a function of the healthy wiring and a position, its answers kept."""

    @lru_cache(maxsize=256)
    def kept(site_trunk: Trunk, trunk_facts: Facts, at: float) -> Expectation:
        return compute(_wiring(site_trunk, trunk_facts), at)

    @wraps(compute)
    def gauge(site: Site, place: Place) -> Expectation:
        healthy = wiring(site, place)
        return kept(healthy.site_trunk, _trunk_facts(site, healthy.site_trunk), healthy.position(place))

    return gauge


OHMS = ("as-expected", "one-terminator", "no-terminator", "extra-terminator", "short")


@reading_gauge("trunk-ohms", "trunk-end", "ohm", OHMS)
@_kept
def trunk_ohms(healthy: Wiring, at: float) -> Expectation:
    """Ohm across the pair at a trunk end, all units off, wires joined; bands from what each fault would read here.

    Source: Ohm's law on the record; unit load by TIA/EIA-485-A.
    """
    far = healthy.pair.far
    value, spread = _predict_ohms(healthy, healthy.pair, at)
    more = [with_terminator(healthy.pair, x, healthy.terminator_ohms).ohms(at) for x in (0.0, far / 2, far)]
    shorts = [alter(healthy.pair, "pair-short", x).ohms(at) for x in (0.0, far / 2, far)]
    shorts.append(LEADS_OHMS)
    # On a long trunk a short at the other end reads like a terminator too many: the nearer short keeps the name.
    short = between(max(shorts), min(more)) if max(shorts) < 0.8 * min(more) else 0.85 * min(more)
    steps = [(short, "extra-terminator"), (_lowest_healthy(value, spread, more), "as-expected")]
    if not healthy.hidden_terminators:
        less = [alter(healthy.pair, f"{end}-terminator-off", at).ohms(at) for end in ("near", "far")]
        none = replace(healthy.pair, terminators=()).ohms(at)
        steps += [(_highest_healthy(value, spread, less), "one-terminator"), (between(max(less), none), "no-terminator")]
    bands = ladder("short", *steps, start=0.0)
    return _expect(value, spread, "ohm", _words(healthy), bands, healthy.assumed)


IDLE = ("as-expected", "high", "weak", "none", "reversed")


@reading_gauge("idle-millivolts", "trunk-end", "mV", IDLE)
@_kept
def idle_millivolts(healthy: Wiring, at: float) -> Expectation:
    """Idle mV of the + wire over the - wire at a trunk end, poller stopped, units on.

    Source: Ohm's law on the record; 200 mV threshold and unit load by TIA/EIA-485-A.
    """
    far = healthy.pair.far
    value, spread = _predict_idle(healthy, healthy.pair, at)
    floor = trunk.THRESHOLD_V * 1000
    if value <= LEAST_IDLE_MV:
        bands = ladder("reversed", (-MOST_IDLE_MV, "none"), (MOST_IDLE_MV, "weak"), (floor, "as-expected"))
        text = "no bias by the record: about 0 mV, so only fail-safe receivers see idle"
        return Expectation(value, -LEAST_IDLE_MV, LEAST_IDLE_MV, "mV", text, bands, healthy.assumed)
    loaded = [with_terminator(healthy.pair, x, healthy.terminator_ohms) for x in (0.0, far / 2, far)]
    weak = _lowest_healthy(value, spread, [1000 * pair.idle_volts(at) for pair in loaded])
    if value * (1 - spread) > floor:
        weak = max(weak, floor)
    none = min(MOST_IDLE_MV, max(LEAST_IDLE_MV, 0.15 * value))
    steps = [(-none, "none"), (none, "weak"), (weak, "as-expected")]
    if not healthy.hidden_terminators:
        # Idle rises where a terminator no longer draws on the bias: missing, or behind an open wire.
        lighter = [1000 * alter(healthy.pair, f"{end}-terminator-off", at).idle_volts(at) for end in ("near", "far")]
        steps.append((_highest_healthy(value, spread, lighter), "high"))
    bands = ladder("reversed", *steps)
    where = "every unit" if healthy.bias == "every-unit" else "the controller"
    text = f"{figure(healthy.bias_ohms)} ohm bias at {where}, {_words(healthy).partition(', bias')[0]}"
    if value < floor:
        text += "; even healthy under the 200 mV that receivers need"
    return _expect(value, spread, "mV", text, bands, healthy.assumed)


def _expect(
    value: float, spread: float, unit: str, why: str, bands: tuple[Band, ...], assumed: tuple[str, ...]
) -> Expectation:
    if math.isinf(value):
        return Expectation(None, value, value, unit, f"open (OL): {why}", bands, assumed)
    normal = next(b for b in bands if b.outcome == "as-expected")
    low, high = max(normal.low, value * (1 - spread)), min(normal.high, value * (1 + spread))
    return Expectation(value, low, high, unit, f"{low:.0f} to {high:.0f} {unit}: {why}", bands, assumed)


@reading_gauge("supply-5v", "trunk-end", "V", ("as-expected", "low", "absent"))
def bias_supply(site: Site, place: Place) -> Expectation:
    """V of the supply that feeds the bias resistors. Source: MODBUS over Serial Line V1.02, 3.4.6; 5 % common
    practice, no source.
    """
    facts = Record(site, place)
    volts = facts.number("trunk.bias-supply", 5.0, "bias from 5 V") or 5.0
    low, high = 0.95 * volts, 1.05 * volts
    bands = ladder("absent", (0.2 * volts, "low"), (low, "as-expected"), start=0.0)
    text = f"{figure(low)} to {figure(high)} V: the {figure(volts)} V that feed the bias resistors"
    return Expectation(volts, low, high, "V", text, either_sign(bands), tuple(facts.assumed))


@reading_gauge("common-difference", "trunk", "V", ("small", "suspicious", "beyond-limit", "mains"))
def common_difference(site: Site, place: Place) -> Expectation:
    """V between the commons of two units, DC or AC, before they are joined.

    Source: TIA/EIA-485-A common-mode range (7 V); 1 V common practice, no source; 25 V IEC 60364-4-41, from memory.
    """
    small, limit, mains = trunk.COMMON_DIFFERENCE_SUSPICIOUS_V, trunk.COMMON_DIFFERENCE_V, trunk.COMMON_DIFFERENCE_MAINS_V
    bands = either_sign(ladder("small", (small, "suspicious"), (limit, "beyond-limit"), (mains, "mains"), start=0.0))
    text = f"under {small:g} V; over {limit:g} V the receivers are out of their range, from {mains:g} V it can hurt somebody"
    return Expectation(0.0, 0.0, small, "V", text, bands)
