"""Echoes on a data pair: size, echo train, when they have settled, branches, distance.

Source throughout: transmission-line theory (textbook), unless a function names another.
"""

from __future__ import annotations

import math

from diagnose.physics.cable import DEFAULT_VELOCITY_FACTOR, LIGHT, round_trip_s

ROUND_TRIPS_TO_SETTLE = 3


def gamma(load_ohms: float, line_ohms: float) -> float:
    """Reflection factor, -1 to 1, of a load in ohm (inf: open) at the end of a line in ohm.

    Errors: ValueError for a negative load or a line not above zero.
    """
    if not line_ohms > 0 or not load_ohms >= 0:
        raise ValueError("the line's impedance must be above zero ohm, the load zero or above")
    return 1.0 if math.isinf(load_ohms) else (load_ohms - line_ohms) / (load_ohms + line_ohms)


def load_from_gamma(reflection: float, line_ohms: float) -> float:
    """Load in ohm (inf: open) that echoes with a reflection factor on a line in ohm.

    Errors: ValueError for a factor outside -1 to 1.
    """
    if not -1 <= reflection <= 1:
        raise ValueError(f"reflection factor is {reflection:g}; it must be between -1 and 1")
    return math.inf if reflection == 1 else line_ohms * (1 + reflection) / (1 - reflection)


def echo_train(open_v: float, source_ohms: float, line_ohms: float, load_ohms: float, steps: int) -> list[float]:
    """Voltage in V at the load after 1, 3, 5 ... one-way delays of a step from a source (open voltage V, ohm).

    Errors: ValueError as `gamma`.
    """
    first = open_v * line_ohms / (line_ohms + source_ohms) * (1 + gamma(load_ohms, line_ohms))
    ratio = gamma(source_ohms, line_ohms) * gamma(load_ohms, line_ohms)
    total, train = 0.0, []
    for n in range(steps):
        total += first * ratio**n
        train.append(total)
    return train


def round_trips_to(share: float, loop_gain: float) -> float:
    """Round trips until echoes have fallen to a share of the first; `loop_gain` is the product of both factors.

    Errors: ValueError unless the share lies between 0 and 1 and the gain's size below 1.
    """
    if not 0 < share < 1 or abs(loop_gain) >= 1:
        raise ValueError("the share must lie between 0 and 1, the product of the reflection factors below 1")
    return 0.0 if loop_gain == 0 else math.log(share) / math.log(abs(loop_gain))


def settling_share(length_m: float, bit_rate: float, velocity_factor: float = DEFAULT_VELOCITY_FACTOR) -> float:
    """Three round trips of a trunk (m) as a share of half a bit (bit/s): above 1 the echoes reach the sample.

    Errors: ValueError unless the bit rate is above zero. Source: general trade literature on TIA/EIA-485-A.
    """
    if not bit_rate > 0:
        raise ValueError(f"bit rate is {bit_rate:g}; it must be above zero")
    return ROUND_TRIPS_TO_SETTLE * round_trip_s(length_m, velocity_factor) * 2 * bit_rate


def is_electrically_short(length_m: float, rise_s: float, velocity_factor: float = DEFAULT_VELOCITY_FACTOR) -> bool:
    """Whether a line (m) returns its echo within the driver's rise time (s), so that no step shows.

    Source: general trade literature on TIA/EIA-485-A.
    """
    return round_trip_s(length_m, velocity_factor) < rise_s


def stub_dip(stub_m: float, rise_s: float, velocity_factor: float = DEFAULT_VELOCITY_FACTOR) -> float:
    """Deepest dip, 0 to 1/3, that an open branch (m) cuts into an edge with a rise time in s.

    Errors: ValueError unless the rise time is above zero.
    """
    if not rise_s > 0:
        raise ValueError("the rise time must be above zero")
    return min(1.0, round_trip_s(stub_m, velocity_factor) / rise_s) / 3


def echo_distance_m(delay_s: float, velocity_factor: float = DEFAULT_VELOCITY_FACTOR) -> float:
    """Distance in m of whatever sent an echo back after a delay in s.

    Errors: ValueError for a negative delay or a velocity factor outside (0, 1].
    """
    if not delay_s >= 0 or not 0 < velocity_factor <= 1:
        raise ValueError("the delay must be zero or above, the velocity factor above 0 and at most 1")
    return velocity_factor * LIGHT * delay_s / 2


