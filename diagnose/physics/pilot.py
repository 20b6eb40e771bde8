"""Control pilot and proximity: levels, states, duty cycle and current, and what a dc meter makes of it."""

import math
from typing import Final, Literal, NamedTuple

SOURCE_VOLTS: Final = 12.0
SOURCE_OHMS: Final = 1000.0
DIODE_VOLTS: Final = 0.7
DUTY_TOLERANCE: Final = 0.5  # % of the period: +-5 us, IEC 61851-1 Annex A, from memory

# Ohms from pilot to ground in the vehicle, behind its diode (IEC 61851-1 Annex A; SAE J1772: 2740, 882, 246)
VEHICLE_OHMS: Final = {"B": 2740.0, "C": 1 / (1 / 2740 + 1 / 1300), "D": 1 / (1 / 2740 + 1 / 270)}
LEVELS: Final = {"A": 12.0, "B": 9.0, "C": 6.0, "D": 3.0, "E": 0.0}  # nominal high peak, V
ACCEPT_VOLTS: Final = 1.0  # accepted around each level, IEC 61851-1

State = Literal["A", "B", "C", "D", "E", "F", "between"]


class Levels(NamedTuple):
    """High and low peak of the pilot to ground (V)."""

    high: float
    low: float


class Duty(NamedTuple):
    """What a duty cycle says: `current` and its amperes, `digital` communication, or `none`: no charging."""

    kind: Literal["current", "digital", "none"]
    amps: float


def levels(vehicle_ohms: float = math.inf, *, series_ohms: float = 0.0, leak_ohms: float = math.inf,
           diode: bool = True, volts: float = SOURCE_VOLTS, source_ohms: float = SOURCE_OHMS,
           diode_volts: float = DIODE_VOLTS) -> Levels:
    """Return the peaks (V) at the station's pilot terminal.

    Vehicle resistance behind its diode (ohm, inf: no vehicle), worn contacts in series (ohm), leakage from
    the pilot to ground (ohm), diode present or missing, generator volts and source ohms.
    ValueError for a negative resistance. Source: Kirchhoff at the pilot node; circuit of IEC 61851-1 Annex A.
    """
    if min(vehicle_ohms, series_ohms, leak_ohms) < 0 or source_ohms <= 0:
        raise ValueError("pilot resistances must not be negative, the source's above 0 ohm")
    branch = vehicle_ohms + series_ohms
    return Levels(_node(volts, branch, leak_ohms, source_ohms, diode_volts if diode else 0.0),
                  _node(-volts, math.inf if diode else branch, leak_ohms, source_ohms, 0.0))


def _node(volts: float, branch_ohms: float, leak_ohms: float, source_ohms: float, drop: float) -> float:
    # Generator and leakage as one source behind one resistance; the vehicle's branch then divides it.
    share = 1.0 if leak_ohms == math.inf else leak_ohms / (leak_ohms + source_ohms)
    unloaded, behind = volts * share, source_ohms * share
    if abs(unloaded) <= drop or branch_ohms == math.inf or behind == 0:  # the diode stays shut
        return unloaded
    return drop + (unloaded - drop) * branch_ohms / (branch_ohms + behind)


def state(high: float, low: float | None = None) -> State:
    """Return the pilot state that a high peak (V) and, if read, a low peak (V) stand for.

    Within +-1 V of a level; ``F`` when the pilot stays negative; ``between`` when no level fits.
    Source: IEC 61851-1 Annex A, acceptance +-1 V.
    """
    if abs(high + SOURCE_VOLTS) <= ACCEPT_VOLTS and (low is None or abs(low + SOURCE_VOLTS) <= ACCEPT_VOLTS):
        return "F"
    for name, level in LEVELS.items():
        if abs(high - level) <= ACCEPT_VOLTS:
            return name  # type: ignore[return-value]
    return "between"


def series_ohms(high: float, vehicle_state: str = "C") -> float:
    """Return the contact resistance (ohm) that lifts the high peak (V) of a state above its level.

    0 when it is not lifted. ValueError for a state other than B, C, D, or a peak that no resistance gives.
    Source: inverse of `levels`, leakage none.
    """
    if vehicle_state not in VEHICLE_OHMS:
        raise ValueError(f"pilot state {vehicle_state!r}; right would be B, C or D")
    if not DIODE_VOLTS < high < SOURCE_VOLTS:
        raise ValueError(f"high peak {high:g} V; it must lie between {DIODE_VOLTS:g} and {SOURCE_VOLTS:g} V")
    total = SOURCE_OHMS * (high - DIODE_VOLTS) / (SOURCE_VOLTS - high)
    return max(0.0, total - VEHICLE_OHMS[vehicle_state])


def leak_ohms(low: float) -> float:
    """Return the leakage (ohm) from pilot to ground that a low peak (V) gives away; inf at -12 V and under.

    ValueError for a low peak above 0 V. Source: voltage divider with the 1 kohm source, diode shut.
    """
    if low > 0:
        raise ValueError(f"low peak {low:g} V; it must not be above 0 V")
    return math.inf if low <= -SOURCE_VOLTS else SOURCE_OHMS * -low / (SOURCE_VOLTS + low)


def dc_meter(peaks: Levels, duty_percent: float) -> float:
    """Return what a dc voltmeter averages (V) from the peaks at a duty cycle (%).

    ValueError outside 0..100 %. Source: mean of a rectangular wave.
    """
    if not 0 <= duty_percent <= 100:
        raise ValueError(f"duty cycle {duty_percent:g} %; right would be 0 to 100 %")
    share = duty_percent / 100.0
    return peaks.high * share + peaks.low * (1 - share)


def duty_meaning(percent: float) -> Duty:
    """Return what a duty cycle (%) allows the vehicle: amperes, digital communication, or nothing.

    ValueError outside 0..100 %. Source: IEC 61851-1 Annex A, duty cycle table of the vehicle.
    """
    if not 0 <= percent <= 100:
        raise ValueError(f"duty cycle {percent:g} %; right would be 0 to 100 %")
    if percent < 3 or 7 < percent < 8 or percent > 97:
        return Duty("none", 0.0)
    if percent <= 7:
        return Duty("digital", 0.0)
    if percent < 10:
        return Duty("current", 6.0)
    if percent <= 85:
        return Duty("current", 0.6 * percent)
    return Duty("current", min(80.0, 2.5 * (percent - 64.0)))


def duty_for(amps: float) -> float:
    """Return the duty cycle (%) that a station shows for a current (A). ValueError outside 6..80 A.

    Source: IEC 61851-1 Annex A, duty cycle table of the station; SAE J1772.
    """
    if not 6 <= amps <= 80:
        raise ValueError(f"{amps:g} A; the pilot can offer 6 to 80 A")
    return amps / 0.6 if amps <= 51 else amps / 2.5 + 64.0


# ---- proximity

# Detachable cable, proximity to ground: nominal ohms, decision band, amperes (IEC 61851-1; bands as in use)
CABLE_CODES: Final = ((100.0, 75.0, 150.0, 63), (220.0, 150.0, 330.0, 32), (680.0, 330.0, 1000.0, 20),
                      (1500.0, 1000.0, 2200.0, 13))
LATCHED_OHMS: Final = 150.0  # SAE J1772 handle, from memory
PRESSED_OHMS: Final = 480.0  # the same with the latch button pressed (150 + 330), from memory


def cable_amps(ohms: float) -> int | Literal["short", "none"]:
    """Return the rating (A) that a cable's resistor (ohm) codes; ``short`` or ``none`` beyond the codes.

    ValueError for a negative resistance. Source: IEC 61851-1 cable coding; band edges common practice.
    """
    if not ohms >= 0:
        raise ValueError(f"proximity {ohms:g} ohm; it must not be negative")
    if ohms < CABLE_CODES[0][1]:
        return "short"
    return next((amps for _, low, high, amps in CABLE_CODES if low <= ohms < high), "none")


def cable_code(amps: float) -> tuple[float, float, float, int]:
    """Return ohms, band edges (ohm) and amperes of the smallest cable code that carries `amps` (A).

    ValueError above 63 A. Source: IEC 61851-1 cable coding.
    """
    for code in reversed(CABLE_CODES):
        if amps <= code[3]:
            return code
    raise ValueError(f"{amps:g} A; the largest cable code is 63 A")


def vehicle_proximity_volts(handle_ohms: float = math.inf, supply: float = 5.0) -> float:
    """Return the proximity voltage (V) in the vehicle with a handle of `handle_ohms` (inf: unplugged).

    ValueError for a negative resistance. Source: SAE J1772 vehicle circuit (330 ohm, 2.7 kohm), from memory.
    """
    if not handle_ohms >= 0:
        raise ValueError(f"proximity {handle_ohms:g} ohm; it must not be negative")
    if handle_ohms == 0:
        return 0.0
    lower = 2700.0 if handle_ohms == math.inf else 1 / (1 / 2700.0 + 1 / handle_ohms)
    return supply * lower / (lower + 330.0)
