"""What a number with its unit speaks of, roughly: a hot terminal, a voltage that no outlet should have.

The bounds only sort readings for the learned weights; nothing is decided by one of them. Common practice, no source:
a part above 60 degrees Celsius burns the hand, 20 K above its neighbors is a bad joint, a supply stays within 100 to 253 V
or 360 to 480 V.
"""

from __future__ import annotations

from collections.abc import Sequence

_CELSIUS = frozenset(["c", "deg", "degree", "degrees", "celsius", "centigrade", "degc", "grad"])
_FAHRENHEIT = frozenset(("f", "fahrenheit"))
_VOLT = frozenset(["v", "volt", "volts", "vac"])
_OTHER = frozenset(
    [
        "a", "amp", "amps", "ma", "ohm", "ohms", "kohm", "mohm", "kw", "kwh", "w", "m", "mm", "cm", "nm",
        "hz", "ms", "min", "minutes", "hours", "h", "percent", "mv", "dbm", "baud",
    ]
)


def measures(words: Sequence[str]) -> dict[int, str]:
    """For each word that is a number, what it measures; units may stand behind it or be missing after several volts."""
    found: dict[int, str] = {}
    for i, word in enumerate(words):
        if word[0].isdigit():
            kind = _kind(float(word.replace(",", ".")), words[i + 1] if i + 1 < len(words) else "")
            if kind:
                found[i] = kind
    return found


def _kind(number: float, unit: str) -> str:
    if unit in _FAHRENHEIT:
        number, unit = (number - 32) / 1.8, "c"
    if unit in _CELSIUS:
        return "reads-hot" if number >= 60 else "reads-warm" if number >= 45 else "reads-cool"
    if unit == "k":
        return "reads-rise" if number >= 20 else "reads-cool"
    if unit in _VOLT:
        if 253 < number < 360:
            return "volts-over"
        if number >= 100:
            return "volts-supply"
        return "volts-part" if number >= 20 else "volts-low"
    return "reads-other" if unit in _OTHER else ""
