"""Terminal torque: units, mistaken units, and the values to use where the maker gives none."""

from typing import Final, Literal

NEWTON_METRES: Final = {  # one unit in N·m, by the exact inch, pound and standard gravity
    "N·m": 1.0,
    "lbf·in": 0.45359237 * 9.80665 * 0.0254,
    "lbf·ft": 0.45359237 * 9.80665 * 0.3048,
    "kgf·cm": 9.80665 * 0.01,
}
RIGHT_SHARE: Final = 0.10  # allowed either way; common practice, no source
_MIXED: Final = {12.0: "lbf·in and lbf·ft", NEWTON_METRES["N·m"] / NEWTON_METRES["lbf·in"]: "N·m and lbf·in"}

Head = Literal["slot-narrow", "slot-wide", "hex-split-bolt", "hex-other"]
_HEADS: Final[tuple[Head, ...]] = ("slot-narrow", "slot-wide", "hex-split-bolt", "hex-other")
_FALLBACK: Final[dict[tuple[str, ...], tuple[int | None, int, int, int]]] = {  # lbf·in, NEC Annex I, column B
    ("14-awg", "12-awg", "10-awg"): (20, 35, 80, 75),
    ("8-awg",): (25, 40, 80, 75),
    ("6-awg", "4-awg"): (35, 45, 165, 110),
    ("3-awg",): (35, 50, 275, 150),
    ("2-awg",): (40, 50, 275, 150),
    ("1-awg",): (None, 50, 275, 150),
    ("1-0-awg", "2-0-awg"): (None, 50, 385, 180),
    ("3-0-awg", "4-0-awg"): (None, 50, 500, 250),
}


def mistaken_units(applied: float, wanted: float) -> str | None:
    """Return the two units that were mixed up if two torques (same unit) differ by their ratio, or None.

    Factor 12 (lbf·in, lbf·ft) or 8.85 (N·m, lbf·in), within 10 %. ValueError unless `wanted` is positive.
    Source: conversion factors.
    """
    if not wanted > 0:
        raise ValueError(f"wanted torque {wanted:g}; it must be above 0")
    if applied <= 0:
        return None
    ratio = max(applied / wanted, wanted / applied)
    return next((units for factor, units in _MIXED.items() if abs(ratio / factor - 1) <= RIGHT_SHARE), None)


def judge(applied: float, wanted: float) -> Literal["right", "low", "high", "wrong-unit"]:
    """Return how an applied torque stands to the wanted one (same unit).

    ValueError unless `wanted` is positive. Source: NEC 110.14(D); +-10 % is common practice.
    """
    if mistaken_units(applied, wanted):
        return "wrong-unit"
    if abs(applied / wanted - 1) <= RIGHT_SHARE + 1e-9:
        return "right"
    return "low" if applied < wanted else "high"


def fallback(size: str, head: Head) -> int:
    """Return the torque (lbf·in) for an AWG size and screw head where the maker states none.

    ValueError for a pair that the table lacks. Source: NEC Annex I (from UL 486A-486B), column B; other
    connectors than 2 AWG from memory. The maker's label always wins.
    """
    for sizes, row in _FALLBACK.items():
        if size in sizes and head in _HEADS:
            value = row[_HEADS.index(head)]
            if value is not None:
                return value
    raise ValueError(f"no fallback torque for {size!r} with head {head!r}")


