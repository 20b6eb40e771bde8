"""Logs of multimeters, clamp meters, power loggers and thermometers: volts, amperes, watts and °C over time.

What is computed stands in the modules beside this one (`sag`, `legs`, `levels`, `breaker`, `heat`), what comes of it in
`take` and `say`; here it becomes a report.
"""

from __future__ import annotations

import io
import math
from itertools import pairwise
from typing import IO, Any

from diagnose.evidence.lines import binary
from diagnose.evidence.meter.draw import drawings
from diagnose.evidence.meter.find import find
from diagnose.evidence.meter.layout import LogLayout, layout_of
from diagnose.evidence.meter.read import LogRows
from diagnose.evidence.meter.say import figures, says
from diagnose.evidence.meter.take import take
from diagnose.evidence.reader import Asked, EvidenceError, reader
from diagnose.evidence.report import Report, TakenReading
from diagnose.source.problems import one_line

KIND, TITLE = "meter-log", "Log of a meter (volts, amperes, watts, temperature)"
FASTEST_STEP = 1e-3  # s; what is sampled faster is a waveform


def recognise(head: bytes, name: str) -> float:
    """How sure it is that these bytes begin a meter's log: times, and columns titled with units of the trade, not faster than 1 ms."""
    if binary(head):
        return 0.0
    try:
        found = layout_of(head.removeprefix(b"\xef\xbb\xbf"))
    except EvidenceError:
        return 0.0
    titled = sum(1 for c in found.used if c.title.strip())
    if not titled and not found.unit_cells:
        return 0.0
    times = _first_times(head, found)
    steps = sorted(b - a for a, b in pairwise(times) if b > a)
    if found.number and (not steps or steps[len(steps) // 2] < FASTEST_STEP):
        return 0.0
    share = len(found.used) / max(1, len(found.used) + len(found.left))
    score = 0.55 + (0.2 if not found.number else 0.1) + 0.15 * share
    return min(0.95, score + (0.05 if name.lower().endswith((".csv", ".txt", ".tsv")) else 0.0))


def _first_times(head: bytes, found: LogLayout) -> list[float]:
    rows = LogRows(io.BytesIO(head))
    for times, _, _ in rows:
        return [float(t) for t in times[:200]]
    return []


@reader(KIND, TITLE, recognise, ("unit", "panel", "breaker"))
def read_meter_log(stream: IO[bytes], asked: Asked) -> Report:
    """Read a meter's log. Figures: see docs/evidence/meter-log.md. Errors: EvidenceError when it is none."""
    a = find(stream, asked)
    readings = take(a)
    found = tuple(one_line(text, 400) for text in says(a))
    placed = tuple(
        TakenReading(t.check, t.at, t.answer, one_line(t.because, 300), t.lines) for t in readings
    ) if a.view.where.place is not None or asked.site is None else ()  # fmt: skip
    left_out = {"not_taken": [[t.check, t.answer] for t in readings]} if readings and not placed else {}
    return Report(
        kind=KIND, title=TITLE, says=found, taken=placed, figures=strict({**figures(a), **left_out}),
        understood=a.rows.tally.understood, not_understood=a.rows.tally.not_understood,
        samples=tuple(a.rows.tally.samples), drawings=drawings(a),
    )  # fmt: skip


def strict(value: Any) -> Any:
    """JSON values alone: no number that is none, floats with six digits, texts of one line."""
    if isinstance(value, bool) or value is None or isinstance(value, int):
        return value
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    if isinstance(value, str):
        return one_line(value, 200)
    if isinstance(value, dict):
        return {str(k): strict(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [strict(v) for v in value]
    return strict(float(value))


__all__ = ["KIND", "TITLE", "read_meter_log", "recognise"]
