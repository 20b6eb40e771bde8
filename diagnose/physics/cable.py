"""Data and control cable: resistance of a pair by gauge and temperature, travel time, nominal impedance.

Source of the resistance figures: wire diameter by ASTM B258, copper by IEC 60028 (computed here, not a table).
"""

from __future__ import annotations

import math

LIGHT = 299_792_458.0
"""Speed of light, m/s."""
COPPER_20C = 17.241e-9
"""Resistivity of annealed copper at 20 °C, ohm metre (IEC 60028)."""
COPPER_PER_KELVIN = 0.00393
"""Rise of copper's resistance per kelvin, from the value at 20 °C (IEC 60028)."""

NOMINAL_IMPEDANCE = {"rs485": 120.0, "cat5": 100.0, "fieldbus": 150.0}
"""Characteristic impedance by cable type, ohm (TIA-568 for cat5; the others common practice, no source)."""
DEFAULT_VELOCITY_FACTOR = 0.66

ETHERNET_CHANNEL_M = 100.0
"""Longest channel of balanced cable, m: 90 m fixed plus cords (TIA-568)."""
ETHERNET_CHANNEL_OHMS = 25.0
"""Largest loop resistance of a channel, ohm (ISO/IEC 11801 class D and up, from memory)."""
ETHERNET_LOOP_PER_M = 0.188
"""Largest loop resistance of the cable itself, ohm/m (TIA-568: 9.38 ohm per 100 m and wire, from memory)."""


def _positive(name: str, value: float, allow_zero: bool = False) -> float:
    if math.isnan(value) or value < 0 or (value == 0 and not allow_zero):
        raise ValueError(f"{name} is {value:g}; it must be {'zero or ' if allow_zero else ''}above zero")
    return value


def diameter_mm(awg: float) -> float:
    """Diameter of a solid conductor, mm. Errors: ValueError for a gauge outside 0 to 40. Source: ASTM B258."""
    if not 0 <= awg <= 40:
        raise ValueError(f"gauge {awg:g} AWG is not a cable size; use 0 to 40")
    return float(0.127 * 92 ** ((36 - awg) / 39))


def ohms_per_metre(awg: float, celsius: float = 20.0) -> float:
    """Resistance of one solid copper wire, ohm/m, at a conductor temperature in °C.

    Errors: ValueError for a gauge outside 0 to 40, or a temperature outside -60 to 150 °C.
    Source: ASTM B258 (diameter), IEC 60028 (copper).
    """
    if not -60 <= celsius <= 150:
        raise ValueError(f"conductor temperature is {celsius:g} °C; it must be between -60 and 150 °C")
    area = math.pi / 4 * (diameter_mm(awg) * 1e-3) ** 2
    return COPPER_20C / area * (1 + COPPER_PER_KELVIN * (celsius - 20))


def loop_ohms(awg: float, length_m: float, celsius: float = 20.0) -> float:
    """Resistance out and back of a pair, ohm, from gauge, one-way length in m and temperature in °C.

    Errors: ValueError as `ohms_per_metre`, or for a negative length. Source: as `ohms_per_metre`.
    """
    return 2 * ohms_per_metre(awg, celsius) * _positive("length", length_m, allow_zero=True)


def length_from_loop(awg: float, ohms: float, celsius: float = 20.0) -> float:
    """One-way length in m of a pair whose far end is shorted, from its loop resistance in ohm.

    Errors: ValueError as `ohms_per_metre`, or for a negative resistance. Source: as `ohms_per_metre`.
    """
    return _positive("loop resistance", ohms, allow_zero=True) / (2 * ohms_per_metre(awg, celsius))


def delay_s(length_m: float, velocity_factor: float = DEFAULT_VELOCITY_FACTOR) -> float:
    """One-way travel time, s, of an edge along a length in m; velocity as a share of light's, 0 to 1.

    Errors: ValueError for a negative length or a velocity factor outside (0, 1]. Source: definition.
    """
    if not 0 < velocity_factor <= 1:
        raise ValueError(f"velocity factor is {velocity_factor:g}; it must be above 0 and at most 1 (0.66 is usual)")
    return _positive("length", length_m, allow_zero=True) / (velocity_factor * LIGHT)


def round_trip_s(length_m: float, velocity_factor: float = DEFAULT_VELOCITY_FACTOR) -> float:
    """Travel time out and back, s. Errors and source: as `delay_s`."""
    return 2 * delay_s(length_m, velocity_factor)
