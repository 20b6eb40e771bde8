"""The two-wire dry-contact input: how much loop it bears, what leak keeps it on, what a meter shows.

Sources: IEC 61131-2 (24 V inputs; on-currents from memory), Ohm's law, common practice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

SUPPLY_LOW, SUPPLY_HIGH = 0.85, 1.2
"""Tolerance of a 24 V supply, share (IEC 61131-2: -15 % / +20 %)."""
CONTACT_OHMS = 1.0
"""Resistance a good closed contact stays under, ohm (common practice, no source)."""
MAINS_PF_PER_M = 100.0
"""Capacitance between neighbouring cores, pF/m (common practice, no source)."""


@dataclass(frozen=True)
class Input:
    """A kind of input. Voltages in V, resistance in ohm, currents in A.

    `way`: "resistive" (series resistance to common), "constant-current", "opto" (series resistance and a diode),
    "pull-up" (contact pulls a logic line down), "pull-down" (contact feeds a logic line).
    `on_v` is the voltage from (for pull-up: up to) which the closed contact is seen; `off_v` the voltage up to
    (pull-up: from) which the open one is; `on_a`, `off_a` the currents for the same where the kind counts in those.
    """

    title: str
    way: str
    supply: float
    on_v: float
    off_v: float
    ohms: float = 0.0
    on_a: float = 0.0
    off_a: float = 0.0


INPUTS: Mapping[str, Input] = {
    "type-1-24v": Input("24 V input of type 1", "resistive", 24, 15, 5, ohms=4800, on_a=0.005, off_a=0.0005),
    "type-3-24v": Input("24 V input of type 3", "constant-current", 24, 11, 5, on_a=0.0025, off_a=0.0015),
    "opto-24v": Input("24 V opto-coupler", "opto", 24, 1.2, 1.2, ohms=2200, on_a=0.002, off_a=0.0002),
    "pull-up-3v3": Input("3.3 V pull-up input", "pull-up", 3.3, 0.8, 2.0, ohms=10_000),
    "pull-down-3v3": Input("3.3 V pull-down input", "pull-down", 3.3, 0.3, 0.3, ohms=10_000),
}
"""Typical inputs. Types 1 and 3: IEC 61131-2; the others common practice, no source."""


def _known(kind: str) -> Input:
    if kind not in INPUTS:
        raise ValueError(f"unknown kind of input {kind}; known are {', '.join(INPUTS)}")
    return INPUTS[kind]


def largest_loop_ohms(kind: str, supply_v: float | None = None) -> float:
    """Largest resistance in ohm of cable and contact at which the closed contact is still seen; 0 if never.

    `supply_v` is the sensing voltage in V (the kind's nominal one when None).
    Errors: ValueError for an unknown kind. Source: Ohm's law on IEC 61131-2 thresholds.
    """
    spec = _known(kind)
    volts = spec.supply if supply_v is None else supply_v
    if spec.way == "constant-current":
        loop = (volts - spec.on_v) / spec.on_a
    elif spec.way == "opto":
        loop = (volts - spec.on_v) / spec.on_a - spec.ohms
    elif spec.way == "pull-up":
        loop = spec.ohms * spec.on_v / (volts - spec.on_v) if volts > spec.on_v else math.inf
    else:
        loop = spec.ohms * (volts / spec.on_v - 1)
    return max(0.0, loop)


def leak_keeps_on_ohms(kind: str, supply_v: float | None = None) -> float:
    """Leak in ohm across the open contact below which the open state is no longer safely seen.

    Errors: ValueError for an unknown kind. Source: Ohm's law on IEC 61131-2 thresholds (off-currents from memory).
    """
    spec = _known(kind)
    volts = spec.supply if supply_v is None else supply_v
    if spec.way == "pull-up":
        return spec.ohms * spec.off_v / (volts - spec.off_v) if volts > spec.off_v else math.inf
    if spec.way == "resistive":
        return max(0.0, spec.ohms * (volts / spec.off_v - 1))
    if spec.way == "pull-down":
        return max(0.0, spec.ohms * (volts / spec.off_v - 1))
    return max(0.0, (volts - spec.off_v) / spec.off_a - (spec.ohms if spec.way == "opto" else 0.0))


def contact_current_a(kind: str, loop_ohms: float = 0.0, supply_v: float | None = None) -> float:
    """Current in A through the closed contact. Errors: ValueError as above. Source: Ohm's law."""
    spec = _known(kind)
    volts = spec.supply if supply_v is None else supply_v
    if spec.way == "constant-current":
        return spec.on_a
    drop = spec.on_v if spec.way == "opto" else 0.0
    return max(0.0, volts - drop) / (spec.ohms + loop_ohms)


def coupled_current_a(length_m: float, volts: float, hertz: float, pf_per_m: float = MAINS_PF_PER_M) -> float:
    """Current in A that mains couples into a core beside it over a length in m. Source: capacitive reactance.

    Errors: ValueError for a negative length.
    """
    if not length_m >= 0:
        raise ValueError("the length must be zero or above")
    return 2 * math.pi * hertz * pf_per_m * 1e-12 * length_m * volts


