"""Supply systems and their voltages: what a meter should read, and how far it may stray."""

import cmath
import math
from collections.abc import Sequence
from typing import Final, NamedTuple


class System(NamedTuple):
    """One supply system: volts between lines, volts from a line to ground, hertz, degrees of each leg."""

    between_lines: float
    to_ground: float
    hertz: float
    degrees: dict[str, float]


_WYE = {"a": 0.0, "b": -120.0, "c": -240.0}
# For one phase and neutral "between lines" is what the two wires of the station carry.
SYSTEMS: Final[dict[str, System]] = {
    "split-120-240": System(240.0, 120.0, 60.0, {"a": 0.0, "b": 180.0}),
    "wye-120-208": System(208.0, 120.0, 60.0, _WYE),
    "single-230": System(230.0, 230.0, 50.0, {"a": 0.0}),
    "wye-230-400": System(400.0, 230.0, 50.0, _WYE),
}


class Limits(NamedTuple):
    """Volts: range A (usual), range B (tolerable), and the least at the load (range A utilization)."""

    a_low: float
    a_high: float
    b_low: float
    b_high: float
    load_low: float


LIMITS: Final[dict[float, Limits]] = {
    # ANSI C84.1; range B and the utilization column from memory (except 432 V).
    120.0: Limits(114, 126, 110, 127, 108),
    208.0: Limits(197, 218, 191, 220, 187),
    240.0: Limits(228, 252, 220, 254, 216),
    277.0: Limits(263, 291, 254, 293, 249),
    480.0: Limits(456, 504, 440, 508, 432),
    # IEC 60038, from memory: +-10 % at the supply terminals, 4 % more down to the load.
    230.0: Limits(207, 253, 207, 253, 198),
    400.0: Limits(360, 440, 360, 440, 344),
}


def system(name: str) -> System:
    """Return the supply system of that name. ValueError if there is none of that name."""
    try:
        return SYSTEMS[name]
    except KeyError:
        raise ValueError(f"no supply system {name!r}; right would be one of {', '.join(SYSTEMS)}") from None


def limits(nominal: float) -> Limits:
    """Return the limits (V) around a nominal voltage (V). ValueError for a voltage not in the table.

    Source: ANSI C84.1 (range B and utilization from memory); IEC 60038 for 230 and 400 V, from memory.
    """
    try:
        return LIMITS[float(nominal)]
    except KeyError:
        raise ValueError(f"no limits for {nominal:g} V; right would be one of "
                         f"{', '.join(f'{v:g}' for v in sorted(LIMITS))} V") from None


def nominal_volts(name: str, legs: str | None = None) -> float:
    """Return the nominal volts (V) across two supply wires of a station on those legs (``a-b``, ``a-n``).

    Without legs: between lines. ValueError for an unknown system or legs that it lacks.
    Source: IEC 60038 and ANSI C84.1 nominal voltages.
    """
    chosen = system(name)
    if legs is None:
        return chosen.between_lines
    lines = [leg for leg in legs.split("-") if leg != "n"]
    if not lines or any(leg not in chosen.degrees for leg in lines):
        raise ValueError(f"legs {legs!r} do not exist on {name}; its lines are {', '.join(chosen.degrees)}")
    return chosen.to_ground if len(lines) == 1 else chosen.between_lines


def leg_phasor(name: str, leg: str) -> complex:
    """Return the unit phasor of a line's voltage to neutral; 0 for ``n``. ValueError for an unknown leg."""
    chosen = system(name)
    if leg == "n":
        return 0j
    if leg not in chosen.degrees:
        raise ValueError(f"leg {leg!r} does not exist on {name}; its lines are {', '.join(chosen.degrees)}")
    return cmath.rect(1.0, math.radians(chosen.degrees[leg]))


def unbalance_percent(volts: Sequence[float]) -> float:
    """Return voltage unbalance (%): the largest deviation from the mean, over the mean.

    ValueError for fewer than two readings or a mean that is not positive.
    Source: ANSI C84.1 annex (at most 3 % at no load), from memory.
    """
    if len(volts) < 2:
        raise ValueError("unbalance needs two or three voltages")
    mean = sum(volts) / len(volts)
    if not mean > 0:
        raise ValueError("unbalance needs voltages above zero")
    return 100.0 * max(abs(v - mean) for v in volts) / mean


def divided_by_open_neutral(line_to_line: float, ohms_a: float, ohms_b: float) -> tuple[float, float]:
    """Return the volts across the loads of legs A and B once the neutral between them is open.

    Volts line to line, load resistances in ohm. ValueError unless both resistances are positive.
    Source: voltage divider.
    """
    if not (ohms_a > 0 and ohms_b > 0):
        raise ValueError("load resistances must be above 0 ohm")
    across_a = line_to_line * ohms_a / (ohms_a + ohms_b)
    return across_a, line_to_line - across_a
