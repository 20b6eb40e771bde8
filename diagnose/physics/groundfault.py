"""Ground-fault devices and leakage: windows, times, sums, and which of two devices in series acts first."""

import math
from collections.abc import Iterable
from typing import Final, Literal, NamedTuple

from diagnose.physics import service


class Window(NamedTuple):
    """A device holds up to `hold` mA and must trip from `trip` mA on; the standard that says so."""

    hold: float
    trip: float
    source: str


# RCD windows, multiples of the rated residual current by type (EN 61008-1); type A with pulsating dc
_RCD: Final = {"ac": (0.5, 1.0), "a": (0.35, 1.4), "a-small": (0.35, 2.0)}
# Largest break time (s) at 1, 2 and 5 times the rated residual current (IEC 61008-1)
_RCD_SECONDS: Final = {
    False: ((5, 0.040), (2, 0.150), (1, 0.300)), True: ((5, 0.150), (2, 0.200), (1, 0.500))}
_RDC_SECONDS: Final = ((200.0, 0.1), (60.0, 0.3), (6.0, 10.0))  # mA dc, s: IEC 62955, from memory


def rcd_window(rated_ma: float, kind: Literal["ac", "a"] = "ac") -> Window:
    """Return the trip window (mA) of an RCD (mA): sinusoidal (`ac`), or pulsating dc on type A (`a`).

    ValueError unless the rating is positive and the kind known. Source: EN 61008-1 trip-current windows.
    """
    if not rated_ma > 0 or kind not in ("ac", "a"):
        raise ValueError(f"RCD of {rated_ma:g} mA type {kind!r}; right would be above 0 mA, type ac or a")
    low, high = _RCD["a-small" if kind == "a" and rated_ma <= 10 else kind]
    return Window(low * rated_ma, high * rated_ma, "EN 61008-1")


# By the names of the install record. Alternating current only; `dc-6ma` answers to smooth dc alone.
WINDOWS: Final[dict[str, Window]] = {
    "ground-fault-5ma": Window(4, 6, "UL 943 Class A"),
    "ground-fault-30ma": rcd_window(30),
    "ccid5": Window(4, 6, "UL 2231-2, as Class A"),
    "ccid20": Window(15, 20, "UL 2231-2, from memory"),
}
DC_WINDOW: Final = Window(3, 6, "IEC 62955, lower figure from memory")


def class_a_seconds(ma: float) -> float:
    """Return the longest trip time (s) of a Class A device at `ma` (mA): (20/I)^1.43, 25 ms from 264 mA.

    ValueError under 6 mA, where no trip is required. Source: UL 943.
    """
    if not ma >= 6:
        raise ValueError(f"{ma:g} mA; a Class A device need not trip under 6 mA")
    return 0.025 if ma >= 264 else math.pow(20.0 / ma, 1.43)


def rcd_seconds(rated_ma: float, ma: float, selective: bool = False) -> float:
    """Return the longest break time (s) of an RCD (mA rated) at a fault of `ma` (mA).

    ValueError under the rated current, where no trip is required. Source: IEC 61008-1 Table 1.
    """
    for multiple, seconds in _RCD_SECONDS[selective]:
        if ma >= multiple * rated_ma > 0:
            return seconds
    raise ValueError(f"{ma:g} mA; an RCD of {rated_ma:g} mA need not trip below its rating")


def dc_detection_seconds(ma: float) -> float:
    """Return the longest break time (s) of 6 mA dc detection at `ma` (mA dc). ValueError under 6 mA.

    Source: IEC 62955, from memory.
    """
    for level, seconds in _RDC_SECONDS:
        if ma >= level:
            return seconds
    raise ValueError(f"{ma:g} mA dc; 6 mA detection need not trip under 6 mA")


def order(upstream: Window, downstream: Window) -> Literal["downstream", "upstream", "either"]:
    """Return which device acts first on a growing fault that both see.

    `either` when their windows overlap. Source: windows of UL 943, UL 2231-2, EN 61008-1.
    """
    if downstream.trip <= upstream.hold:
        return "downstream"
    return "upstream" if upstream.trip <= downstream.hold else "either"


def action(window: Window, ma: float) -> Literal["holds", "may-trip", "trips"]:
    """Return what a device does at a steady `ma` (mA). Source: the window's standard."""
    if ma >= window.trip:
        return "trips"
    return "holds" if ma <= window.hold else "may-trip"


def who_trips(
    ma: float, upstream: Window, downstream: Window
) -> Literal["upstream", "downstream", "either", "neither"]:
    """Return which of two devices opens on a steady fault of `ma` (mA) that both see.

    `either`: both may, and no standard orders them. Source: windows of UL 943, UL 2231-2, EN 61008-1.
    """
    up, down = action(upstream, ma) != "holds", action(downstream, ma) != "holds"
    if up and down:
        return "either"
    return "upstream" if up else "downstream" if down else "neither"


def capacitive_leakage(nanofarad: float, volts_to_ground: float, hertz: float) -> float:
    """Return the leakage (mA) through a capacitor (nF) to ground at volts (V), hertz (Hz): 2 pi f C V.

    ValueError for a negative capacitance. Source: capacitor law.
    """
    if not nanofarad >= 0:
        raise ValueError(f"capacitance {nanofarad:g} nF; it must not be negative")
    return 2 * math.pi * hertz * nanofarad * 1e-9 * volts_to_ground * 1e3


def resistive_leakage(volts_to_ground: float, ohms: float) -> float:
    """Return the leakage (mA) through a resistance (ohm) to ground. ValueError unless ohms are positive.

    Source: Ohm's law.
    """
    if not ohms > 0:
        raise ValueError(f"resistance {ohms:g} ohm; it must be above 0 ohm")
    return 1e3 * volts_to_ground / ohms


def leakage_sum(parts: Iterable[tuple[str, float, float]], system: str) -> float:
    """Return the residual current (mA) that the device sees: vector sum over the legs.

    Parts: leg (``a``), capacitive mA, resistive mA. ValueError for a leg the system lacks.
    Source: sum of phasors (Kirchhoff); capacitive current leads by 90 degrees.
    """
    return abs(sum((service.leg_phasor(system, leg) * complex(resistive, capacitive)
                    for leg, capacitive, resistive in parts), 0j))


def standing_budget(rated_ma: float) -> float:
    """Return the largest standing leakage (mA) behind one RCD (mA): 30 %. Source: BS 7671 531.3.2."""
    return 0.3 * rated_ma


def nuisance_likelihood(standing_ma: float, window: Window) -> float:
    """Return how likely (0..1) standing leakage (mA) trips the device now and then.

    None up to 30 % of the current that must trip, certain at that current, even between (assumption).
    Source: BS 7671 531.3.2 for the lower end, the device's window for the upper.
    """
    floor = standing_budget(window.trip)
    return min(1.0, max(0.0, (standing_ma - floor) / (window.trip - floor)))


