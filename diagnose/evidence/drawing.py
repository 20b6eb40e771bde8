"""Curves that evidence can be drawn from, as plain values; how they look is decided in `diagnose/report/plot.py`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from diagnose.source.problems import one_line

MOST_COLUMNS = 600
"""Columns of a curve that are kept with a case: as many as a page is wide."""
MOST_MARKS = 9
MOST_DRAWINGS = 4
LONGEST_TEXT = 120


class Curve(NamedTuple):
    """A curve: from `start` to `end` s, the least and the greatest value of each equal piece (nan: nothing known).

    `unit` is that of the values, volts unless said.
    """

    start: float
    end: float
    low: Sequence[float]
    high: Sequence[float]
    unit: str = "V"


class CurveMark(NamedTuple):
    """A moment in s and what is there."""

    at: float
    text: str


class Drawing(NamedTuple):
    """A curve with its title and the moments marked in it."""

    title: str
    trace: Curve
    marks: tuple[CurveMark, ...] = ()


def columns(trace: Curve, width: int) -> list[tuple[float, float]]:
    """Least and greatest value of each of `width` columns, nan where nothing is known."""
    count = len(trace.low)
    out: list[tuple[float, float]] = []
    for k in range(width if count else 0):
        a = k * count // width
        b = max(a + 1, (k + 1) * count // width)
        low = [v for v in trace.low[a:b] if math.isfinite(v)]
        high = [v for v in trace.high[a:b] if math.isfinite(v)]
        out.append((min(low), max(high)) if low and high else (math.nan, math.nan))
    return out


def to_json(drawing: Drawing) -> dict[str, Any]:
    """A drawing as JSON values of bounded size: at most 600 columns with five digits, null where nothing is known."""
    trace = drawing.trace
    rows = columns(trace, min(len(trace.low), MOST_COLUMNS))

    def value(v: float) -> float | None:
        return float(f"{v:.5g}") if math.isfinite(v) else None

    return {
        "title": one_line(drawing.title, LONGEST_TEXT), "from_s": trace.start, "to_s": trace.end, "unit": one_line(trace.unit, 8),
        "low": [value(a) for a, _ in rows], "high": [value(b) for _, b in rows],
        "marks": [{"at_s": m.at, "text": one_line(m.text, LONGEST_TEXT)} for m in drawing.marks[:MOST_MARKS]],
    }  # fmt: skip


def kept(drawings: Iterable[Drawing]) -> list[dict[str, Any]]:
    """Drawings as they are kept with a case, the first four."""
    return [to_json(d) for d in list(drawings)[:MOST_DRAWINGS]]


def from_json(value: object) -> Drawing | None:
    """A drawing that was kept with a case; None when it is none, for a case file may come from anywhere."""
    if not isinstance(value, Mapping):
        return None
    low, high, marks = value.get("low"), value.get("high"), value.get("marks", [])
    start, end = _number(value.get("from_s")), _number(value.get("to_s"))
    if not (isinstance(low, list) and isinstance(high, list) and isinstance(marks, list)) or len(low) != len(high):
        return None
    if not (math.isfinite(start) and math.isfinite(end)) or not end > start or len(low) > MOST_COLUMNS:
        return None
    found = [
        CurveMark(at, one_line(str(m.get("text", "")), LONGEST_TEXT))
        for m in marks[:MOST_MARKS]
        if isinstance(m, Mapping) and math.isfinite(at := _number(m.get("at_s")))
    ]
    trace = Curve(start, end, [_number(v) for v in low], [_number(v) for v in high], one_line(str(value.get("unit", "V")), 8))
    return Drawing(one_line(str(value.get("title", "")), LONGEST_TEXT), trace, tuple(found))


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e300:
        return math.nan
    return float(value)
