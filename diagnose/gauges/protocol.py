"""The serial protocol: time-out and cycle against what the bit rate makes possible."""

from __future__ import annotations

import math

from diagnose.gauges.bands import Record, figure, ladder
from diagnose.gauges.base import Audit, Expectation, audit_gauge, reading_gauge, strength_gauge
from diagnose.physics import serial
from diagnose.site.model import Site
from diagnose.site.places import Place

SLOW_PROCESSING_S = 0.1
"""Time a slow unit takes to prepare its reply, s (common practice, no source)."""
USUAL_REGISTERS, USUAL_TIMEOUT_S = 20, 1.0
CLEAN_PERCENT, MANY_PERCENT = 1.0, 30.0
"""Share of failed polls from which it deserves a look, and from which it is the rule (common practice)."""


def _reads(registers: float) -> list[int]:
    """A wish for registers as requests of at most 125."""
    most = serial.QUANTITY_LIMITS[3]
    count = min(65_536, max(1, int(registers)))
    return [most] * (count // most) + ([count % most] if count % most else [])


def _cycle_s(rate: float, units: int, registers: float, processing_s: float) -> float:
    return units * sum(serial.unit_poll_s(rate, n, processing_s) for n in _reads(registers))


def _polled(site: Site, place: Place) -> int:
    site_trunk = site.trunk_of(place)
    if site_trunk is None:
        return 0
    return len([unit for unit in site_trunk.units if unit != site_trunk.controller])


@audit_gauge("timeout-against-reply", "trunk", ("enough", "too-short"))
def timeout_against_reply(site: Site, place: Place) -> Audit | None:
    """Time-out in ms against the time that the longest reply needs. Source: MODBUS over Serial Line V1.02, 2.5.1;
    10 ms for the unit to prepare it is common practice, no source.
    """
    rate, timeout = site.number("trunk.bit-rate", place), site.number("trunk.timeout", place)
    registers = site.number("trunk.registers-polled", place)
    if not rate or timeout is None or not registers:
        return None
    needed = 1000 * serial.needed_timeout_s(rate, max(_reads(registers)))
    text = f"time-out {figure(timeout)} ms; the reply needs {needed:.0f} ms at {rate:.0f} bit/s"
    return Audit("enough" if timeout >= needed else "too-short", text)


@audit_gauge("interval-against-cycle", "trunk", ("enough", "too-short"))
def interval_against_cycle(site: Site, place: Place) -> Audit | None:
    """Poll interval in s against the time one round takes. Source: MODBUS over Serial Line V1.02, 2.5.1."""
    rate, interval = site.number("trunk.bit-rate", place), site.number("trunk.poll-interval", place)
    registers, units = site.number("trunk.registers-polled", place), _polled(site, place)
    if not rate or interval is None or not registers or not units:
        return None
    cycle = _cycle_s(rate, units, registers, serial.TYPICAL_PROCESSING_S)
    text = f"interval {figure(interval)} s; one round of {units} units takes {figure(cycle)} s"
    return Audit("enough" if interval >= cycle else "too-short", text)


@strength_gauge("timeout-loses-replies", "trunk")
def timeout_loses_replies(site: Site, place: Place) -> float:
    """Chance, 0 to 1, that the time-out cuts replies off: it lies below what a quick (10 ms) or a slow (100 ms)
    unit needs. Source: MODBUS over Serial Line V1.02, 2.4.1; unit times common practice, no source.
    """
    rate = site.number("trunk.bit-rate", place) or 19_200.0
    registers = site.number("trunk.registers-polled", place) or float(USUAL_REGISTERS)
    timeout = site.number("trunk.timeout", place)
    if timeout is None:
        return 0.1
    longest = max(_reads(registers))
    quick = 1000 * serial.needed_timeout_s(rate, longest)
    slow = 1000 * serial.needed_timeout_s(rate, longest, SLOW_PROCESSING_S)
    share = (slow - timeout) / (slow - quick)
    return min(0.98, max(0.01, share))


@reading_gauge("poll-cycle-seconds", "trunk", "s", ("as-expected", "long"))
def poll_cycle_seconds(site: Site, place: Place) -> Expectation:
    """Seconds for one round over all units. Source: MODBUS over Serial Line V1.02, 2.5.1; 10 to 100 ms for a unit
    to prepare its reply are common practice, no source.
    """
    facts = Record(site, place)
    rate = facts.number("trunk.bit-rate", 19_200.0, "19200 bit/s") or 19_200.0
    registers = facts.number("trunk.registers-polled", float(USUAL_REGISTERS), "20 registers a unit")
    timeout = facts.number("trunk.timeout", 1000 * USUAL_TIMEOUT_S, "a time-out of 1 s") / 1000
    units = _polled(site, place)
    low = _cycle_s(rate, units, registers, serial.TYPICAL_PROCESSING_S)
    high = max(low, _cycle_s(rate, units, registers, SLOW_PROCESSING_S))
    interval = site.number("trunk.poll-interval", place)
    why = f"{units} units, {registers:.0f} registers each, {rate:.0f} bit/s"
    if interval is not None and interval > low:
        high = max(high, interval)
        why += f"; asked for every {figure(interval)} s"
    limit = high + max(0.1 * high, 0.5 * serial.dead_unit_s(rate, timeout))
    text = f"{figure(low)} to {figure(high)} s: {why}"
    bands = ladder("as-expected", (limit, "long"), start=0.0)
    return Expectation(math.sqrt(low * high), low, high, "s", text, bands, tuple(facts.assumed))


@reading_gauge("poll-error-percent", "unit", "%", ("clean", "some", "many"))
def poll_error_percent(site: Site, place: Place) -> Expectation:
    """Percent of polls to a unit that fail. Source: common practice, no source."""
    bands = ladder("clean", (CLEAN_PERCENT, "some"), (MANY_PERCENT, "many"), start=0.0)
    text = f"under {CLEAN_PERCENT:g} %: a sound trunk loses next to nothing"
    return Expectation(0.0, 0.0, CLEAN_PERCENT, "%", text, bands)
