"""The way back for a fault: equipment ground size, loop resistance, fault current, electrode limits."""

from typing import Final

from diagnose.physics.circuit import circular_mils, ohms_per_km

_EGC: Final = (  # NEC Table 250.122: breaker not over (A), copper, aluminum
    (15, "14-awg", "12-awg"), (20, "12-awg", "10-awg"), (60, "10-awg", "8-awg"), (100, "8-awg", "6-awg"),
    (200, "6-awg", "4-awg"), (300, "4-awg", "2-awg"), (400, "3-awg", "1-awg"), (500, "2-awg", "1-0-awg"),
    (600, "1-awg", "2-0-awg"), (800, "1-0-awg", "3-0-awg"))
_BY_AREA: Final = ("14-awg", "12-awg", "10-awg", "8-awg", "6-awg", "4-awg", "3-awg", "2-awg", "1-awg",
                   "1-0-awg", "2-0-awg", "3-0-awg", "4-0-awg")
INVESTIGATE_OHMS: Final = 0.5  # equipment to main ground, NETA grounding section, from memory
TOUCH_VOLTS: Final = 50.0  # IEC 60364-4-41
SECOND_ROD_OHMS: Final = 25.0  # NEC 250.53(A)(2) exception


def equipment_ground(breaker: float, metal: str = "copper") -> str:
    """Return the least equipment-grounding size for a breaker (A).

    ValueError over 800 A, at or under 0 A, or for an unknown metal. Source: NEC Table 250.122.
    """
    if metal not in ("copper", "aluminum"):
        raise ValueError(f"conductor metal {metal!r}; right would be copper or aluminum")
    for most, copper, aluminum in _EGC:
        if 0 < breaker <= most:
            return copper if metal == "copper" else aluminum
    raise ValueError(f"breaker {breaker:g} A; the table goes from above 0 to 800 A")


def enlarged_ground(size: str, line_from: str, line_to: str) -> str:
    """Return the grounding size once the line conductors grow from one AWG size to another.

    In proportion to circular mils, next size up. ValueError for other sizes or beyond 4/0.
    Source: NEC 250.122(B).
    """
    wanted = circular_mils(size) * max(1.0, circular_mils(line_to) / circular_mils(line_from))
    for candidate in _BY_AREA:
        if circular_mils(candidate) >= wanted - 1e-6:
            return candidate
    raise ValueError(f"no size to 4/0 AWG holds {wanted:.0f} circular mils")


def loop_ohms(metres: float, line_ohm_km: float, ground_ohm_km: float) -> float:
    """Return the resistance (ohm) out along the line and back along the ground, source ignored.

    One-way length (m), ohm/km of each. ValueError if anything is negative. Source: Ohm's law.
    """
    if not (metres >= 0 and line_ohm_km >= 0 and ground_ohm_km >= 0):
        raise ValueError("length and resistances must not be negative")
    return (line_ohm_km + ground_ohm_km) * metres / 1000.0


def ground_path_ohms(metres: float, size: str, metal: str = "copper", celsius: float = 20.0) -> float:
    """Return what the equipment ground alone reads (ohm) from unit to panel, measured cold (deg C).

    ValueError as ohms_per_km, or for a negative length. Source: NEC chapter 9 Table 8; IEC 60228.
    """
    return loop_ohms(metres, 0.0, ohms_per_km(size, metal, celsius))


def fault_amps(volts_to_ground: float, ohms: float) -> float:
    """Return the fault current (A) through a loop or electrode (ohm). ValueError unless ohms are positive.

    Source: Ohm's law; earth alone is no fault path, NEC 250.4(A)(5).
    """
    if not ohms > 0:
        raise ValueError(f"loop resistance {ohms:g} ohm; it must be above 0 ohm")
    return volts_to_ground / ohms


def tt_electrode_limit(residual_ma: float) -> float:
    """Return the largest electrode resistance (ohm) for an RCD (mA): 50 V / I. ValueError unless positive.

    Source: IEC 60364-4-41 411.5.3.
    """
    return fault_amps(TOUCH_VOLTS * 1e3, residual_ma)


def tn_loop_limit(volts_to_ground: float, trip_amps: float) -> float:
    """Return the largest loop resistance (ohm) that trips at once at `trip_amps` (A).

    ValueError unless the current is positive. Source: IEC 60364-4-41 411.4.4, from memory.
    """
    return fault_amps(volts_to_ground, trip_amps)
