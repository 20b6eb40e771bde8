"""The cells of a meter's CSV: numbers, times as plain numbers, values with their unit."""

from __future__ import annotations

import csv
import re

import numpy as np

from diagnose.evidence.arrays import Bools, Floats, Octets, Whole
from diagnose.evidence.lines import (
    NUMBER,
)
from diagnose.evidence.meter.columns import MISSING

WIDEST = 15  # characters of a cell that is read at once; so many digits are exact
MOST_BLANKS = 12
_NONE = frozenset(text.encode() for text in MISSING)
LONGEST_MISSING = max(len(text) for text in _NONE)
LATEST = 1e13  # any unit; milliseconds of an epoch have 13 digits
BIGGEST = 1e7  # no meter of this trade reads more, in any unit


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of a line, quotes understood."""
    if '"' in line:
        try:
            return [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]
        except csv.Error:
            return [line]
    return [c.strip() for c in line.split(separator)]


def value_of(text: str, comma: bool) -> float | None:
    """A cell's number; NaN where the meter had none; None for a text that is neither."""
    if text.lower() in MISSING:
        return float("nan")
    clean = text.replace(",", ".", 1) if comma else text
    if not NUMBER.fullmatch(clean):
        return None
    value = float(clean)
    return value if abs(value) <= BIGGEST else float("nan")


def seconds_of(text: str, comma: bool) -> float | None:
    """A time that is a plain number; None for another text. Seconds and milliseconds of an epoch are large."""
    clean = text.replace(",", ".", 1) if comma else text
    value = float(clean) if NUMBER.fullmatch(clean) else float("nan")
    return value if abs(value) <= LATEST else None


def with_unit(text: str, comma: bool) -> tuple[float, str] | None:
    """`229.4 V` as number and unit."""
    found = re.fullmatch(r"([+-]?[\d.,]{1,20})\s?([kmMuµμ]?[VAWvaw](?:ac|AC|dc|DC)?|[°º]\s?[CF])", text)
    value = value_of(found.group(1), comma) if found else None
    return None if found is None or value is None else (value, found.group(2))


def is_value(text: str, comma: bool) -> bool:
    return value_of(text, comma) is not None or with_unit(text, comma) is not None


def numbers(data: Octets, starts: Whole, ends: Whole, point: int) -> tuple[Floats, Bools]:
    """Numbers of many cells of a buffer at once, NaN for an empty cell; and which cells were plain numbers or empty.

    Digits, a sign, one decimal point (its character code given) and blanks around them; all else has to be read on its own.
    """
    lo, hi = starts.copy(), ends.copy()
    for _ in range(MOST_BLANKS):
        lead, trail = (data[lo] == 32) & (lo < hi), (data[hi - 1] == 32) & (lo < hi)
        if not (lead.any() or trail.any()):
            break
        lo, hi = lo + lead, np.maximum(hi - trail, lo)
    empty = hi <= lo
    first = data[lo]
    signed = (first == 45) | (first == 43)
    begin = lo + signed
    width = int(min((hi - lo).max(initial=0), WIDEST))
    bad = (hi - lo > WIDEST) | ((hi - begin < 1) & ~empty)
    total = np.zeros(len(lo), dtype=np.int64)
    places = np.zeros(len(lo), dtype=np.int64)
    digits = np.zeros(len(lo), dtype=np.int64)
    dotted = np.zeros(len(lo), dtype=bool)
    for back in range(width, 0, -1):
        at = hi - back
        inside = at >= begin
        code = data[np.maximum(at, 0)]
        digit = code - 48  # wraps round: what is no digit becomes large
        is_digit = inside & (digit <= 9)
        is_dot = inside & (code == point)
        bad |= (inside & ~is_digit & ~is_dot) | (is_dot & dotted)
        total = np.where(is_digit, total * 10 + digit, total)
        places += is_digit & dotted
        digits += is_digit
        dotted |= is_dot
    bad |= (digits == 0) & ~empty
    values: Floats = np.asarray(total / np.power(10.0, places), dtype=np.float64)
    values[first == 45] *= -1.0
    values[empty | bad] = np.nan
    for n in np.flatnonzero(bad).tolist():
        if hi[n] - lo[n] <= LONGEST_MISSING and bytes(data[lo[n] : hi[n]]).lower() in _NONE:
            bad[n] = False
    return values, ~bad
