"""The way back for a fault: equipment ground size, loop resistance, fault current, electrode limits."""

from typing import Final

from diagnose.physics.circuit import ohms_per_km

_EGC: Final = (  # NEC Table 250.122: breaker not over (A), copper, aluminum
    (15, "14-awg", "12-awg"), (20, "12-awg", "10-awg"), (60, "10-awg", "8-awg"), (100, "8-awg", "6-awg"),
    (200, "6-awg", "4-awg"), (300, "4-awg", "2-awg"), (400, "3-awg", "1-awg"), (500, "2-awg", "1-0-awg"),
    (600, "1-awg", "2-0-awg"), (800, "1-0-awg", "3-0-awg"))
INVESTIGATE_OHMS: Final = 0.5  # equipment to main ground, NETA grounding section, from memory


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


