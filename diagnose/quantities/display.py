"""Numbers with units for people: four figures at most, a prefix that fits, `OL` for an open circuit."""

from diagnose.quantities.units import DIMENSIONS, UNITS, Unit, wanted_unit

_SYMBOLS = {"ohm": "Ω", "mohm": "mΩ", "kohm": "kΩ", "Mohm": "MΩ", "Gohm": "GΩ"}


def _digits(value: float, most: int) -> str:
    """At most four significant figures and `most` decimals; whole numbers keep all figures (19200,
    115200).
    """
    if value == 0:
        return "0"
    if abs(value) >= 1e15:
        return f"{value:.4g}"
    places = max(0, 3 - int(f"{value:.3e}".partition("e")[2]))
    text = f"{value:.{min(places, most)}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _rescaled(value: float, unit: Unit) -> tuple[float, Unit]:
    """Another prefix of the same unit where the number would be below 0.01 or from 10000."""
    ladder = DIMENSIONS[unit.dimension].ladder
    if unit.name not in ladder or value == 0 or 0.01 <= abs(value) < 10_000:
        return value, unit
    base = value * unit.num / unit.den
    fitting = unit
    for name in ladder:
        other = UNITS[name]
        if abs(base) * other.den / other.num >= 1 - 1e-9 or name == ladder[0]:
            fitting = other
    return base * fitting.den / fitting.num, fitting


def format_quantity(value: float, unit: str, *, only_ascii: bool = False) -> str:
    """`value` in `unit` (canonical name) as text that `parse` reads back to within the four figures shown.

    An infinite resistance is `OL`, another infinity is `∞` with its unit; no number at all (NaN) is
    `unknown`.
    """
    wanted = wanted_unit(unit)
    if value != value:
        return "unknown"
    if value == float("inf") and wanted.dimension == "resistance":
        return "OL"
    if abs(value) == float("inf"):
        number, shown = ("-" if value < 0 else "") + ("infinite" if only_ascii else "∞"), wanted
    else:
        scaled, shown = _rescaled(value, wanted)
        # Three decimals of a bit rate would read as a group of thousands.
        number = _digits(scaled, 2 if shown.name == "bit/s" else 15)
    if shown.name == "1":
        return number
    name = shown.ascii if only_ascii else _SYMBOLS.get(shown.name, shown.name)
    return f"{number} {name}"
