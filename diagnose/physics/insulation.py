"""Insulation resistance: least values, temperature, parallel circuits, length."""

from collections.abc import Iterable
from typing import NamedTuple


class Minimum(NamedTuple):
    """Test voltage (V dc) and least insulation resistance (Mohm), with the table it comes from."""

    test_volts: int
    megohms: float
    source: str


_NETA = ((250, 500, 25.0), (600, 1000, 100.0), (1000, 1000, 100.0))
_IEC = ((50, 250, 0.5), (500, 500, 1.0), (1000, 1000, 1.0))


def _least(rows: tuple[tuple[int, int, float], ...], volts: float, source: str) -> Minimum:
    for most, test, megohms in rows:
        if 0 < volts <= most:
            return Minimum(test, megohms, source)
    raise ValueError(f"{volts:g} V; the table goes from above 0 to {rows[-1][0]} V")


def neta_minimum(equipment_volts: float) -> Minimum:
    """Return the suggested least value for equipment of a rating (V). ValueError outside 0..1000 V.

    Source: ANSI/NETA MTS Table 100.1.
    """
    return _least(_NETA, equipment_volts, "ANSI/NETA MTS Table 100.1")


def iec_minimum(nominal_volts: float) -> Minimum:
    """Return the least value for a circuit of a nominal voltage (V). ValueError outside 0..1000 V.

    Source: IEC 60364-6 Table 6.1, live conductors to earth.
    """
    return _least(_IEC, nominal_volts, "IEC 60364-6 Table 6.1")


def at_temperature(megohms: float, from_celsius: float, to_celsius: float = 20.0) -> float:
    """Return a reading (Mohm) taken at one temperature as it would be at another (deg C): halves per +10 K.

    ValueError for a negative reading. Source: IEEE 43 (thermoplastic), ANSI/NETA MTS to 20 deg C.
    """
    if not megohms >= 0:
        raise ValueError(f"insulation {megohms:g} Mohm; it must not be negative")
    return float(megohms * 2.0 ** ((from_celsius - to_celsius) / 10.0))


def in_parallel(megohms: Iterable[float]) -> float:
    """Return what circuits tested together read (Mohm). ValueError for none, or one at or under zero.

    Source: Ohm's law, conductances add.
    """
    values = list(megohms)
    if not values or not all(m > 0 for m in values):
        raise ValueError("parallel insulation needs values above 0 Mohm")
    return 1.0 / sum(1.0 / m for m in values)


def of_length(megohm_metres: float, metres: float) -> float:
    """Return the insulation (Mohm) of a run (m) from the value for one metre (Mohm·m).

    ValueError unless the length is positive. Source: conductance grows with length.
    """
    if not metres > 0:
        raise ValueError(f"length {metres:g} m; it must be above 0 m")
    return megohm_metres / metres
