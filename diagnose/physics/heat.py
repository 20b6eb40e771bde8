"""Heat at joints and along conductors: I²R, contact millivolts, thermal-image bands, load scaling."""

import math
from typing import Final, Literal

LORENZ: Final = 2.44e-8  # V²/K²
KELVIN: Final = 273.15

Action = Literal[
    "none", "investigate", "repair-as-time-permits", "monitor-until-corrected", "repair-immediately"]
ACTIONS: Final[tuple[Action, ...]] = (
    "none", "investigate", "repair-as-time-permits", "monitor-until-corrected", "repair-immediately")
# K from which each action holds: rise over a similar component, rise over the air (NETA Table 100.18).
# The table prints whole kelvins; the gap between 3 and 4 K belongs to the higher row.
_SIMILAR: Final = ((15.0, ACTIONS[4]), (3.0, ACTIONS[2]))
_AIR: Final = ((40.0, ACTIONS[4]), (20.0, ACTIONS[3]), (10.0, ACTIONS[2]))


def joint_ohms(millivolts: float, amps: float) -> float:
    """Return a joint's resistance (ohm) from the millivolts (mV) across it at a current (A).

    ValueError unless the current is positive. Source: Ohm's law.
    """
    if not amps > 0:
        raise ValueError(f"current {amps:g} A; a joint is measured under load")
    return millivolts / 1e3 / amps


def joint_millivolts(amps: float, ohms: float) -> float:
    """Return the millivolts (mV) across a joint (ohm) at a current (A). Source: Ohm's law."""
    return amps * ohms * 1e3


def joint_watts(amps: float, ohms: float) -> float:
    """Return the heat (W) of a joint (ohm) at a current (A). Source: Joule's law."""
    return amps**2 * ohms


def contact_celsius(millivolts: float, bulk_celsius: float = 25.0) -> float:
    """Return the hottest spot (deg C) inside a contact with that many millivolts (mV) across it.

    Bulk temperature in deg C. Source: contact voltage-temperature relation V² = 4 L (Tm² - T0²), from memory.
    """
    return math.sqrt((bulk_celsius + KELVIN) ** 2 + (millivolts / 1e3) ** 2 / (4 * LORENZ)) - KELVIN


def contact_millivolts(celsius: float, bulk_celsius: float = 25.0) -> float:
    """Return the millivolts (mV) at which a contact's hottest spot reaches `celsius` (deg C).

    ValueError if that is colder than the bulk. Source: inverse of contact_celsius.
    """
    if celsius < bulk_celsius:
        raise ValueError(f"{celsius:g} deg C; a spot is not colder than the bulk, {bulk_celsius:g} deg C")
    return 1e3 * math.sqrt(4 * LORENZ * ((celsius + KELVIN) ** 2 - (bulk_celsius + KELVIN) ** 2))


def thermal_action(over_similar: float | None = None, over_air: float | None = None) -> Action:
    """Return the action for a rise (K) over a similar component and/or over the air; the worse of the two.

    ValueError if neither is given. Source: ANSI/NETA Table 100.18.
    """
    columns = ((over_similar, _SIMILAR), (over_air, _AIR))
    found = [_row(rise, rows) for rise, rows in columns if rise is not None]
    if not found:
        raise ValueError("a thermal image needs the rise over a similar part or over the air")
    return max(found, key=ACTIONS.index)


def _row(rise: float, rows: tuple[tuple[float, Action], ...]) -> Action:
    if rise < 1:
        return "none"
    return next((action for above, action in rows if rise > above), "investigate")


def scaled_rise(kelvin: float, amps: float, to_amps: float) -> tuple[float, float]:
    """Return the least and largest rise (K) at `to_amps` (A), seen at `amps` (A).

    Exponent 1.6 to 2.0. ValueError unless both currents are positive. Source: common practice.
    """
    if not (amps > 0 and to_amps > 0):
        raise ValueError("currents must be above 0 A")
    ends = sorted(kelvin * (to_amps / amps) ** n for n in (1.6, 2.0))
    return ends[0], ends[1]


def conductor_celsius(ambient_celsius: float, amps: float, ampacity: float, rating_celsius: float = 75.0,
                      base_celsius: float = 30.0) -> float:
    """Return the conductor temperature (deg C) at a current (A): Ta + (Tc - base)(I/Iz)².

    Ampacity (A) at the rating and base ambient (deg C). ValueError unless the ampacity is positive.
    Source: the law behind NEC 310.15(B).
    """
    if not ampacity > 0:
        raise ValueError(f"ampacity {ampacity:g} A; it must be above 0 A")
    return ambient_celsius + (rating_celsius - base_celsius) * (amps / ampacity) ** 2
