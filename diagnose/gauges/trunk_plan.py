"""The trunk on paper: audits of the install record, and how much a weakness can disturb on this trunk."""

from __future__ import annotations

import math
from collections import Counter

from diagnose.gauges.bands import figure
from diagnose.gauges.base import Audit, audit_gauge, strength_gauge
from diagnose.gauges.trunk import segment_lengths, wiring, with_terminator
from diagnose.physics import reflections, trunk
from diagnose.physics.cable import DEFAULT_VELOCITY_FACTOR
from diagnose.physics.serial import UNIT_ADDRESSES
from diagnose.site.model import Site
from diagnose.site.places import Place, ranges

FAST_EDGE_S = 50e-9
"""Rise time of a driver without slew limit, s (common practice, no source)."""
MISMATCH_TOLERATED = 0.125
"""Reflection factor that serial rates bear (common practice, no source)."""
CABLES_PER_CONNECTION = 2
SLOW_RATE, FAST_RATE = 19_200, 57_600
LEAST, MOST = 0.01, 0.98


def terminators_at(site: Site, place: Place) -> tuple[int, ...] | None:
    """Units of the trunk with a terminator on: the trunk's list, else the units' own entries if all are there."""
    site_trunk = site.trunk_of(place)
    if site_trunk is None:
        return None
    listed = site.get("trunk.terminators-at", place)
    if isinstance(listed, tuple):
        return tuple(unit for unit in listed if unit in site_trunk.units)
    switches = {unit: site.word("unit.terminator", Place("unit", unit)) for unit in site_trunk.units}
    if any(state is None for state in switches.values()):
        return None
    return tuple(unit for unit, state in switches.items() if state == "on")


@audit_gauge("terminator-plan", "trunk", ("two-at-ends", "one-missing", "none", "too-many", "misplaced"))
def terminator_plan(site: Site, place: Place) -> Audit | None:
    """Terminators by the record against one at each end. Source: MODBUS over Serial Line V1.02, 3.4.5."""
    site_trunk, at = site.trunk_of(place), terminators_at(site, place)
    if site_trunk is None or at is None:
        return None
    ends = {site_trunk.units[0], site_trunk.units[-1]}
    on = set(at)
    if not on:
        outcome = "none"
    elif on == ends:
        outcome = "two-at-ends"
    elif len(on) > 2:
        outcome = "too-many"
    else:
        outcome = "one-missing" if on < ends else "misplaced"
    is_on = f"terminators at {ranges(on)}" if on else "no terminator on"
    return Audit(outcome, f"{is_on}; the ends are units {site_trunk.units[0]} and {site_trunk.units[-1]}")


@audit_gauge("terminator-value", "trunk", ("matches", "differs"))
def terminator_value(site: Site, place: Place) -> Audit | None:
    """Terminators against the cable's impedance by their echo. Source: transmission-line theory (textbook)."""
    ohms, line = site.number("trunk.terminator-ohms", place), site.number("trunk.impedance", place)
    if not ohms or not line:
        return None
    echo = reflections.gamma(ohms, line)
    outcome = "matches" if abs(echo) <= MISMATCH_TOLERATED else "differs"
    return Audit(outcome, f"{figure(ohms)} ohm on {figure(line)} ohm cable echoes {abs(echo):.0%}")


@audit_gauge("bus-load", "trunk", ("within", "over"))
def bus_load(site: Site, place: Place) -> Audit | None:
    """Unit loads on the trunk against 32, or 28 with bias.

    Source: TIA/EIA-485-A; MODBUS over Serial Line V1.02, 3.4.6.
    """
    each, units = site.number("trunk.unit-load", place), site.units_of(place)
    if each is None or not units:
        return None
    limit = trunk.load_limit(site.word("trunk.bias", place) in ("controller", "every-unit"))
    total = each * len(units)
    text = f"{len(units)} units of {each:g} make {total:g} unit loads of {limit:g}"
    return Audit("within" if total <= limit else "over", text)


@audit_gauge("length-against-rate", "trunk", ("within", "over"))
def length_against_rate(site: Site, place: Place) -> Audit | None:
    """Trunk length in m against its bit rate. Source: MODBUS over Serial Line V1.02, 3.4.3 (1000 m); the product
    of length and rate is common practice, no source.
    """
    site_trunk, rate = site.trunk_of(place), site.number("trunk.bit-rate", place)
    if site_trunk is None or not rate:
        return None
    lengths, known = segment_lengths(site_trunk)
    if not known:
        return None
    limit = min(trunk.modbus_length_limit_m(24) or math.inf, trunk.length_limit_m(rate))
    text = f"{figure(sum(lengths))} m of {limit:.0f} m allowed at {rate:.0f} bit/s"
    return Audit("within" if sum(lengths) <= limit else "over", text)


@audit_gauge("drop-plan", "trunk", ("within", "over"))
def drop_plan(site: Site, place: Place) -> Audit | None:
    """Shape and longest branch in m. Source: MODBUS over Serial Line V1.02, 3.4.1 and 3.4.3."""
    shape, drop = site.word("trunk.topology", place), site.number("trunk.drop-length", place)
    if shape == "star":
        return Audit("over", "a star; the trunk must be one line from unit to unit")
    if drop is not None and (shape == "drops" or drop > 0):
        limit = trunk.drop_limit_m()
        return Audit("within" if drop <= limit else "over", f"branches up to {figure(drop)} m; {limit:g} m allowed")
    return Audit("within", "one line without branches") if shape == "line" else None


@audit_gauge("bias-plan", "trunk", ("adequate", "weak", "none"))
def bias_plan(site: Site, place: Place) -> Audit | None:
    """Idle mV by the record, healthy, at the worse end against 200 mV. Source: TIA/EIA-485-A; Ohm's law."""
    bias = site.word("trunk.bias", place)
    if bias is None or site.trunk_of(place) is None:
        return None
    if bias == "none":
        return Audit("none", "the pair is biased nowhere")
    if site.number("trunk.bias-ohms", place) is None:
        return None
    pair = wiring(site, place).pair
    near, far = 1000 * pair.idle_volts(0.0), 1000 * pair.idle_volts(pair.far)
    text = f"idle {near:.0f} mV at the near end, {far:.0f} mV at the far end; 200 mV wanted"
    return Audit("adequate" if min(near, far) >= 1000 * trunk.THRESHOLD_V else "weak", text)


@audit_gauge("bit-rate-class", "trunk", ("slow", "medium", "fast"))
def bit_rate_class(site: Site, place: Place) -> Audit | None:
    """slow up to 19200 bit/s, fast from 57600. Source: common practice, no source."""
    rate = site.number("trunk.bit-rate", place)
    if not rate:
        return None
    return Audit("slow" if rate <= SLOW_RATE else "fast" if rate >= FAST_RATE else "medium", f"{rate:.0f} bit/s")


def _addresses(site: Site, place: Place) -> dict[int, int | None]:
    found = {}
    for unit in site.units_of(place):
        value = site.number("unit.address", Place("unit", unit))
        found[unit] = None if value is None else int(value)
    return found


@audit_gauge("address-plan", "trunk", ("unique", "duplicate", "out-of-range"))
def address_plan(site: Site, place: Place) -> Audit | None:
    """Bus addresses of a trunk's units. Source: MODBUS over Serial Line V1.02, 2.2."""
    known = {unit: a for unit, a in _addresses(site, place).items() if a is not None}
    counts = Counter(known.values())
    twice = sorted(a for a, n in counts.items() if n > 1)
    if twice:
        units = ranges(unit for unit, a in known.items() if a == twice[0])
        return Audit("duplicate", f"address {twice[0]} is set at units {units}")
    wrong = [unit for unit, a in known.items() if a not in UNIT_ADDRESSES]
    if wrong:
        return Audit("out-of-range", f"unit {wrong[0]} has address {known[wrong[0]]}; 1 to 247 are allowed")
    if not known or len(known) < len(site.units_of(place)):
        return None
    return Audit("unique", f"addresses {ranges(known.values())}, each once")


@audit_gauge("unit-address", "unit", ("unique", "duplicate", "out-of-range"))
def unit_address(site: Site, place: Place) -> Audit | None:
    """This unit's bus address among those on its trunk. Source: MODBUS over Serial Line V1.02, 2.2."""
    site_trunk = site.trunk_of(place)
    if site_trunk is None:
        return None
    known = _addresses(site, Place("trunk", site_trunk.number))
    own = known.get(place.number)
    if own is None:
        return None
    others = [unit for unit, a in known.items() if a == own and unit != place.number]
    if others:
        return Audit("duplicate", f"address {own} is also set at units {ranges(others)}")
    if own not in UNIT_ADDRESSES:
        return Audit("out-of-range", f"address {own}; 1 to 247 are allowed")
    return Audit("unique", f"address {own}")


@audit_gauge("connection-plan", "trunk", ("within", "too-many"))
def connection_plan(site: Site, place: Place) -> Audit | None:
    """Cables at one connection point. Source: common practice, no source."""
    cables = site.number("trunk.cables-per-connection", place)
    if cables is None:
        return None
    outcome = "within" if cables <= CABLES_PER_CONNECTION else "too-many"
    return Audit(outcome, f"up to {cables:.0f} cables at one connection; {CABLES_PER_CONNECTION} belong there")


# ---- strengths

def _rising(share: float) -> float:
    """Chance of disturbance for a share of what the rule allows: 1 gives about a half, a third gives 5 %."""
    return LEAST + (MOST - LEAST) * share**3 / (1 + share**3)


def _line(site: Site, place: Place) -> tuple[float, float, float]:
    """Length in m, bit rate and velocity factor, with usual values where the record has none."""
    site_trunk = site.trunk_of(place)
    length = sum(segment_lengths(site_trunk)[0]) if site_trunk else 0.0
    rate = site.number("trunk.bit-rate", place) or float(SLOW_RATE)
    factor = site.number("trunk.velocity-factor", place) or DEFAULT_VELOCITY_FACTOR
    return length, rate, factor if 0 < factor <= 1 else DEFAULT_VELOCITY_FACTOR


@strength_gauge("reflections-disturb", "trunk")
def reflections_disturb(site: Site, place: Place) -> float:
    """Chance, 0 to 1, that an unmatched end spoils bits: three round trips against half a bit.

    Source: general trade literature on TIA/EIA-485-A; the curve is common practice, no source.
    """
    length, rate, factor = _line(site, place)
    if reflections.is_electrically_short(length, FAST_EDGE_S, factor):
        return LEAST
    return _rising(reflections.settling_share(length, rate, factor))


@strength_gauge("drops-disturb", "trunk")
def drops_disturb(site: Site, place: Place) -> float:
    """Chance, 0 to 1, that branches spoil bits: their echoes against half a bit, their dip against the edge.

    A star counts with its whole cable, for every leg echoes into every other. Where no branch is recorded, the one
    in question is taken as 20 m, or a quarter of a longer trunk.
    Source: transmission-line theory (textbook); the curve is common practice, no source.
    """
    length, rate, factor = _line(site, place)
    drop = site.number("trunk.drop-length", place)
    drop = drop or max(trunk.DROP_LIMIT_M, length / 4)
    star = site.word("trunk.topology", place) == "star"
    by_bit = _rising(reflections.settling_share(length + drop if star else drop, rate, factor))
    # A dip in the edge is over long before mid-bit at serial rates; it matters little unless bits are short.
    weight = 0.3 if rate >= FAST_RATE else 0.1
    return min(MOST, max(by_bit, weight * 3 * reflections.stub_dip(drop, FAST_EDGE_S, factor)))


@strength_gauge("bias-loss-disturbs", "trunk")
def bias_loss_disturbs(site: Site, place: Place) -> float:
    """Chance, 0 to 1, that an idle pair without bias (0 V, far below 200 mV) disturbs.

    Even chances, since many receivers are fail-safe; more beside power conductors and on a long pair, less where
    the trunk was meant to run without. Source: TIA/EIA-485-A (threshold); weights common practice, no source.
    """
    length, _, _ = _line(site, place)
    chance = 0.6
    chance += 0.2 if site.word("trunk.near-power", place) == "yes" else 0.0
    chance += 0.1 if length > 100 else 0.0
    chance -= 0.3 if site.word("trunk.bias", place) == "none" else 0.0
    return chance


@strength_gauge("extra-terminator-disturbs", "trunk")
def extra_terminator_disturbs(site: Site, place: Place) -> float:
    """Chance, 0 to 1, that one terminator too many disturbs: idle mV at the worse end against 200 mV.

    Source: TIA/EIA-485-A (threshold); Ohm's law; the curve is common practice, no source.
    """
    if site.trunk_of(place) is None:
        return LEAST
    healthy = wiring(site, place)
    if not healthy.pair.biases:
        return 0.1
    pair = with_terminator(healthy.pair, healthy.pair.far, healthy.terminator_ohms)
    idle = min(pair.idle_volts(0.0), pair.idle_volts(pair.far))
    return min(bias_loss_disturbs(site, place), _rising(trunk.THRESHOLD_V / max(idle, 1e-3)))
