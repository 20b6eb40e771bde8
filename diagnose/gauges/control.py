"""The remote-enable input: contact sense, loop, leak and sensing voltage."""

from __future__ import annotations

import math

from diagnose.gauges.bands import Record, awg_of, either_sign, figure, ladder
from diagnose.gauges.base import Audit, Expectation, audit_gauge, reading_gauge
from diagnose.physics import cable, controlinput
from diagnose.physics.controlinput import CONTACT_OHMS, INPUTS
from diagnose.site.model import Site
from diagnose.site.places import Place

ASSUMED_LENGTH_M = 50.0
LEADS_OHMS = 1.0
OPEN_LOOP_OHMS = 100e3
"""A loop above this is open; dampness seldom goes under it with direct contact lost (common practice)."""
HEALTHY_LEAK_OHMS = 1e6
"""A dry pair with its contact open stays above this, ohm (common practice, no source)."""


@audit_gauge("contact-sense", "control", ("agrees", "opposite"))
def contact_sense(site: Site, place: Place) -> Audit | None:
    """Contact form against what the station takes as enabled. Source: common practice, no source."""
    contact, sense = site.word("control.contact", place), site.word("control.sense", place)
    if contact is None or sense is None:
        return None
    agrees = (contact == "normally-open") == (sense == "closed-enables")
    form = contact.replace("-", " ")
    says = f"{form} contact, and the {'closed' if sense == 'closed-enables' else 'open'} contact enables"
    return Audit("agrees" if agrees else "opposite", says)


def _lowest_supply(site: Site, place: Place, kind: str) -> float:
    volts = site.number("control.supply", place) or INPUTS[kind].supply
    return volts * controlinput.SUPPLY_LOW if INPUTS[kind].supply >= 12 else volts


@audit_gauge("control-loop-plan", "control", ("within", "over"))
def control_loop_plan(site: Site, place: Place) -> Audit | None:
    """Loop ohm by the record against what the input bears at its lowest supply. Source: IEC 61131-2; Ohm's law."""
    kind, wire = site.word("control.input", place), site.word("control.cable", place)
    metres = site.number("control.cable-length", place)
    if kind is None or kind not in INPUTS or wire is None or metres is None:
        return None
    loop = cable.loop_ohms(awg_of(wire), metres) + CONTACT_OHMS
    limit = controlinput.largest_loop_ohms(kind, _lowest_supply(site, place, kind))
    text = f"loop of {figure(loop)} ohm; the input bears {figure(limit)} ohm"
    return Audit("within" if loop <= limit else "over", text)


def _kind(facts: Record) -> str:
    kind = facts.word("control.input", "type-3-24v", "a 24 V input")
    return kind if kind in INPUTS else "type-3-24v"


def _loop(facts: Record) -> tuple[float, str]:
    metres = facts.number("control.cable-length", ASSUMED_LENGTH_M, "50 m of control cable")
    awg = awg_of(facts.word("control.cable", "22-awg", "22 AWG control cable"))
    return cable.loop_ohms(awg, metres), f"{figure(metres)} m of {awg:g} AWG out and back"


@reading_gauge("sensing-volts", "control", "V", ("as-expected", "low", "absent", "foreign"))
def sensing_volts(site: Site, place: Place) -> Expectation:
    """V across the input terminals, contact open. Source: IEC 61131-2 (24 V -15 % / +20 %)."""
    facts = Record(site, place)
    volts = site.number("control.supply", place)
    if not volts:
        volts = INPUTS[_kind(facts)].supply
        facts.note(f"a sensing voltage of {figure(volts)} V")
    low, high = volts * controlinput.SUPPLY_LOW, volts * controlinput.SUPPLY_HIGH
    bands = ladder("absent", (0.1 * volts, "low"), (low, "as-expected"), (high, "foreign"), start=0.0)
    text = f"{figure(low)} to {figure(high)} V: the station's own sensing voltage"
    return Expectation(volts, low, high, "V", text, either_sign(bands), tuple(facts.assumed))


@reading_gauge("loop-ohms", "control", "ohm", ("as-expected", "high", "open"))
def loop_ohms(site: Site, place: Place) -> Expectation:
    """Ohm of cable and closed contact, sensing supply off. Source: copper by IEC 60028; contact under 1 ohm is
    common practice, no source.
    """
    facts = Record(site, place)
    loop, run = _loop(facts)
    spread = 0.15 if not facts.assumed else 1.0
    high = loop * (1 + spread) + CONTACT_OHMS + LEADS_OHMS
    # Twice the healthy reading is a bad joint or a filmed contact; a little above it is only the record's length.
    bands = ladder("as-expected", (max(1.3 * high, high + 2), "high"), (OPEN_LOOP_OHMS, "open"), start=0.0)
    text = f"up to {figure(high)} ohm: {run}, contact closed"
    return Expectation(loop + CONTACT_OHMS / 2, max(0.0, loop * (1 - spread)), high, "ohm", text, bands, tuple(facts.assumed))


@reading_gauge("leak-ohms", "control", "ohm", ("open", "leaky", "short"))
def leak_ohms(site: Site, place: Place) -> Expectation:
    """Ohm of the pair, contact open, sensing supply off. Source: IEC 61131-2 (off-currents from memory); Ohm's law."""
    facts = Record(site, place)
    kind = _kind(facts)
    loop, _ = _loop(facts)
    volts = site.number("control.supply", place) or INPUTS[kind].supply
    limit = controlinput.leak_keeps_on_ohms(kind, volts * (controlinput.SUPPLY_HIGH if volts >= 12 else 1.0))
    leaky = max(HEALTHY_LEAK_OHMS, 2 * limit if math.isfinite(limit) else 0.0)
    bands = ladder("short", (max(50.0, 2 * loop), "leaky"), (leaky, "open"), start=0.0)
    text = f"over {figure(leaky)}ohm (OL); under {figure(limit)} ohm the input may stay on"
    return Expectation(None, leaky, math.inf, "ohm", text, bands, tuple(facts.assumed))
