"""Branch circuits and feeders: breaker size, conductor ampacity, resistance, voltage drop, line currents.

Conductor sizes are named as in the install record: ``6-awg``, ``1-0-awg``, ``10-mm2``.
"""

import math
from collections.abc import Iterable
from typing import Final

from diagnose.physics import service

FOOT: Final = 0.3048  # m, exact
CONTINUOUS: Final = 1.25  # NEC 625.41, 210.20(A)

STANDARD_RATINGS: Final = (  # A, NEC 240.6(A)
    15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300, 350, 400,
    450, 500, 600, 700, 800, 1000, 1200, 1600, 2000, 2500, 3000, 4000, 5000, 6000)

_COLUMNS = {60: 0, 75: 1, 90: 2}
_AMPACITY: Final = {  # A, NEC Table 310.16 at 30 deg C: columns 60, 75, 90 deg C
    "copper": {
        "14-awg": (15, 20, 25), "12-awg": (20, 25, 30), "10-awg": (30, 35, 40), "8-awg": (40, 50, 55),
        "6-awg": (55, 65, 75), "4-awg": (70, 85, 95), "3-awg": (85, 100, 115), "2-awg": (95, 115, 130),
        "1-awg": (110, 130, 145), "1-0-awg": (125, 150, 170), "2-0-awg": (145, 175, 195),
        "3-0-awg": (165, 200, 225), "4-0-awg": (195, 230, 260)},
    "aluminum": {
        "12-awg": (15, 20, 25), "10-awg": (25, 30, 35), "8-awg": (35, 40, 45), "6-awg": (40, 50, 55),
        "4-awg": (55, 65, 75), "3-awg": (65, 75, 85), "2-awg": (75, 90, 100), "1-awg": (85, 100, 115),
        "1-0-awg": (100, 120, 135), "2-0-awg": (115, 135, 150), "3-0-awg": (130, 155, 175),
        "4-0-awg": (150, 180, 205)},
}
# A, IEC 60364-5-52 Tables B.52.2 to B.52.5, method B1 (in conduit), copper, from memory:
# 70 deg C insulation with 2 and 3 loaded conductors, then 90 deg C with 2 and 3.
_AMPACITY_MM2: Final = {
    "2.5-mm2": (24, 21, 31, 28), "4-mm2": (32, 28, 42, 37), "6-mm2": (41, 36, 54, 48),
    "10-mm2": (57, 50, 75, 66), "16-mm2": (76, 68, 100, 88), "25-mm2": (101, 89, 133, 117)}
_BUNDLING: Final = ((3, 1.0), (6, 0.80), (9, 0.70), (20, 0.50), (30, 0.45), (40, 0.40))  # NEC 310.15(C)(1)
# IEC 60364-5-52 Table B.52.17, circuits bunched, from memory
_BUNCHED: Final = (1.0, 0.80, 0.70, 0.65, 0.60, 0.57, 0.54, 0.52, 0.50)
_SMALL_CAP: Final = {  # A, NEC 240.4(D)
    ("14-awg", "copper"): 15, ("12-awg", "copper"): 20, ("10-awg", "copper"): 30,
    ("12-awg", "aluminum"): 15, ("10-awg", "aluminum"): 25}

# NEC chapter 9 Table 8, stranded, uncoated, dc, 75 deg C: copper, aluminum, circular mils
_OHM_PER_KFT: Final = {
    "14-awg": (3.14, 5.17, 4110), "12-awg": (1.98, 3.25, 6530), "10-awg": (1.24, 2.04, 10380),
    "8-awg": (0.778, 1.28, 16510), "6-awg": (0.491, 0.808, 26240), "4-awg": (0.308, 0.508, 41740),
    "3-awg": (0.245, 0.403, 52620), "2-awg": (0.194, 0.319, 66360), "1-awg": (0.154, 0.253, 83690),
    "1-0-awg": (0.122, 0.201, 105600), "2-0-awg": (0.0967, 0.159, 133100), "3-0-awg": (0.0766, 0.126, 167800),
    "4-0-awg": (0.0608, 0.100, 211600)}
_OHM_PER_KM: Final = {  # IEC 60228, 20 deg C, largest: copper class 1/2, aluminum class 2
    "1.5-mm2": (12.1, None), "2.5-mm2": (7.41, None), "4-mm2": (4.61, None), "6-mm2": (3.08, None),
    "10-mm2": (1.83, 3.08), "16-mm2": (1.15, 1.91), "25-mm2": (0.727, 1.20), "35-mm2": (0.524, 0.868),
    "50-mm2": (0.387, 0.641), "70-mm2": (0.268, 0.443), "95-mm2": (0.193, 0.320), "120-mm2": (0.153, 0.253)}
_TEMPERATURE_75: Final = {"copper": 0.00323, "aluminum": 0.00330}  # per K around 75 deg C, NEC Table 8 note 2
# per K around 20 deg C, IEC 60228; aluminum from memory
_TEMPERATURE_20: Final = {"copper": 0.00393, "aluminum": 0.00403}


def _positive(name: str, value: float, unit: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} is {value:g} {unit}; it must be above 0 {unit}")
    return float(value)


def _metal(metal: str) -> str:
    if metal not in _AMPACITY:
        raise ValueError(f"conductor metal {metal!r}; right would be copper or aluminum")
    return metal


def wire_name(size: str) -> str:
    """Return a size as the trade writes it: ``1-0-awg`` -> ``1/0 AWG``, ``6-mm2`` -> ``6 mm²``."""
    number, _, unit = size.rpartition("-")
    return f"{number.replace('-', '/')} {'mm²' if unit == 'mm2' else unit.upper()}"


# ---- breakers

def next_rating(amps: float) -> int:
    """Return the smallest standard breaker rating (A) of at least `amps` (A).

    ValueError above 6000 A or if `amps` is not positive. Source: NEC 240.6(A).
    """
    _positive("current", amps, "A")
    for rating in STANDARD_RATINGS:
        if rating >= amps - 1e-9:  # 1.25 x 48 A must be 60 A in floating point as well
            return rating
    raise ValueError(f"no standard rating holds {amps:g} A; the largest is {STANDARD_RATINGS[-1]} A")


def largest_setting(breaker: float) -> float:
    """Return the largest continuous load (A) on a breaker (A): 80 %. ValueError unless positive.

    Source: NEC 625.41, 210.20(A) (a breaker not marked for 100 %).
    """
    return _positive("breaker", breaker, "A") / CONTINUOUS


# ---- ampacity

def ambient_factor(conductor_celsius: float, ambient_celsius: float, base_celsius: float = 30.0) -> float:
    """Return the ampacity correction (1) for ambient: sqrt((Tc - Ta)/(Tc - base)), 0 at and above Tc.

    Temperatures in deg C: conductor rating, ambient, ambient of the ampacity table.
    ValueError if the rating is not above the base. Source: NEC 310.15(B) equation; IEC 60364-5-52 B.52.14
    follows the same law.
    """
    if not conductor_celsius > base_celsius:
        raise ValueError(f"conductor rating {conductor_celsius:g} deg C must be above {base_celsius:g} deg C")
    return math.sqrt(max(0.0, (conductor_celsius - ambient_celsius) / (conductor_celsius - base_celsius)))


def table_ambient_factor(conductor_celsius: int, ambient_celsius: float) -> float:
    """Return the printed ampacity correction (1) for ambient (deg C): 5 K bands, two decimals.

    The law at the upper edge of each band gives every printed cell; 10 deg C and colder is one band.
    ValueError for a rating other than 60, 75, 90 deg C. Source: NEC Table 310.15(B)(1), base 30 deg C.
    """
    if conductor_celsius not in _COLUMNS:
        raise ValueError(f"conductor rating {conductor_celsius} deg C; right would be 60, 75 or 90 deg C")
    edge = max(10.0, 5.0 * math.ceil(ambient_celsius / 5.0))
    return round(ambient_factor(conductor_celsius, edge), 2)


def bundling_factor(conductors: int) -> float:
    """Return the ampacity adjustment (1) for current-carrying conductors in one raceway.

    ValueError below one conductor. Source: NEC 310.15(C)(1).
    """
    if conductors < 1:
        raise ValueError(f"{conductors} conductors; at least one carries current")
    return next((factor for most, factor in _BUNDLING if conductors <= most), 0.35)


def table_ampacity(size: str, metal: str, column_celsius: int) -> int:
    """Return the ampacity (A) of the table cell: AWG size, metal, 60/75/90 deg C column.

    ValueError for a size, metal or column that the table lacks. Source: NEC Table 310.16.
    """
    row = _AMPACITY[_metal(metal)].get(size)
    if row is None or column_celsius not in _COLUMNS:
        raise ValueError(f"no ampacity for {wire_name(size)} {metal} at {column_celsius} deg C")
    return row[_COLUMNS[column_celsius]]


def ampacity(size: str, metal: str, insulation_celsius: int, terminal_celsius: int,
             ambient_celsius: float = 30.0, conductors: int = 3) -> float:
    """Return the usable ampacity (A) of an AWG conductor.

    Insulation column, corrected for ambient (deg C) and for the current-carrying conductors in the raceway,
    never above the terminal column. ValueError as table_ampacity and bundling_factor.
    Source: NEC 310.15(B)(1), 310.15(C)(1), 310.16, 110.14(C).
    """
    corrected = (table_ampacity(size, metal, insulation_celsius) * bundling_factor(conductors)
                 * table_ambient_factor(insulation_celsius, ambient_celsius))
    return min(corrected, float(table_ampacity(size, metal, terminal_celsius)))


def ampacity_mm2(size: str, insulation_celsius: int = 70, loaded: int = 2,
                 ambient_celsius: float = 30.0, circuits: int = 1) -> float:
    """Return the ampacity (A) of a copper conductor in mm² in conduit (method B1).

    Insulation 70 or 90 deg C, 2 or 3 loaded conductors, ambient in deg C, circuits bunched together.
    ValueError for what the tables lack. Source: IEC 60364-5-52 Tables B.52.2 to B.52.5 and B.52.17,
    from memory.
    """
    row = _AMPACITY_MM2.get(size)
    if row is None or insulation_celsius not in (70, 90) or loaded not in (2, 3) or circuits < 1:
        raise ValueError(f"no ampacity for {wire_name(size)}, {insulation_celsius} deg C, {loaded} loaded, "
                         f"{circuits} circuits")
    cell = row[(insulation_celsius == 90) * 2 + (loaded == 3)]
    bunched = _BUNCHED[min(circuits, len(_BUNCHED)) - 1]
    return cell * bunched * ambient_factor(insulation_celsius, ambient_celsius)


def largest_breaker(size: str, metal: str, usable: float) -> int:
    """Return the largest standard breaker (A) that protects a conductor of `usable` ampacity (A).

    The next standard rating up is allowed to 800 A; small conductors are capped whatever their ampacity.
    ValueError unless ampacity is positive, or under the smallest rating above 800 A.
    Source: NEC 240.4(B), 240.4(C), 240.4(D), 240.6(A).
    """
    _positive("ampacity", usable, "A")
    rating = next_rating(usable)
    if rating > 800:
        rating = max(r for r in STANDARD_RATINGS if r <= usable + 1e-9 or r == 800)
    return min(rating, _SMALL_CAP.get((size, _metal(metal)), rating))


# ---- resistance and voltage drop

def ohms_per_km(size: str, metal: str = "copper", celsius: float = 75.0) -> float:
    """Return the dc resistance (ohm/km) of one conductor at a temperature (deg C).

    ValueError for a size or metal that the tables lack.
    Source: NEC chapter 9 Table 8 (AWG, stranded); IEC 60228 (mm², largest value).
    """
    _metal(metal)
    if size in _OHM_PER_KFT:
        copper, aluminum, _ = _OHM_PER_KFT[size]
        at_75 = (copper if metal == "copper" else aluminum) / FOOT
        return at_75 * (1 + _TEMPERATURE_75[metal] * (celsius - 75.0))
    pair = _OHM_PER_KM.get(size, (None, None))
    at_20 = pair[0] if metal == "copper" else pair[1]
    if at_20 is None:
        raise ValueError(f"no resistance for {wire_name(size)} {metal}")
    return at_20 * (1 + _TEMPERATURE_20[metal] * (celsius - 20.0))


def voltage_drop(amps: float, metres: float, ohm_km: float, *, three_phase: bool = False,
                 reactance_ohm_km: float = 0.0, power_factor: float = 1.0) -> float:
    """Return the drop (V) along a run: two wires, or line to line on a balanced three-phase run.

    Current (A), one-way length (m), resistance and reactance of one conductor (ohm/km), power factor (1).
    ValueError for a negative current or length, or a power factor outside 0..1.
    Source: NEC chapter 9 Table 9 note 2 (R cos phi + X sin phi), from memory; IEC 60364-5-52 Annex G.
    """
    if not (amps >= 0 and metres >= 0 and ohm_km >= 0):
        raise ValueError("current, length and resistance must not be negative")
    if not 0 <= power_factor <= 1:
        raise ValueError(f"power factor {power_factor:g}; right would be 0 to 1")
    effective = ohm_km * power_factor + reactance_ohm_km * math.sqrt(1 - power_factor**2)
    return (math.sqrt(3) if three_phase else 2.0) * amps * effective * metres / 1000.0


# ---- feeders

def line_currents(loads: Iterable[tuple[str, float]], system: str = "wye-120-208") -> dict[str, float]:
    """Return the current (A) in each line and the neutral ``n`` for stations at unity power factor.

    Loads: legs (``a-b``, ``a-n``, ``a-b-c`` balanced) and amperes. ValueError for legs the system lacks or a
    negative current. Source: sum of phasors (Kirchhoff).
    """
    total = dict.fromkeys((*service.system(system).degrees, "n"), 0j)
    for legs, amps in loads:
        if not amps >= 0:
            raise ValueError(f"current {amps:g} A on {legs}; it must not be negative")
        ends = legs.split("-")
        phasors = [service.leg_phasor(system, end) for end in ends]
        if len(ends) == 3:
            for end, phasor in zip(ends, phasors, strict=True):
                total[end] += amps * phasor
        elif len(ends) == 2 and phasors[0] != phasors[1]:
            across = phasors[0] - phasors[1]
            current = amps * across / abs(across)
            total[ends[0]] += current
            total[ends[1]] -= current
        else:
            raise ValueError(f"legs {legs!r}; right would be two or three different ones, as a-b or a-b-c")
    return {leg: abs(current) for leg, current in total.items()}
