"""Logs of multimeters, clamp meters, power loggers and thermometers: volts, amperes, watts and °C over time.

What is computed stands in the modules beside this one (`meter_sag`, `meter_legs`, `meter_levels`, `meter_breaker`,
`meter_heat`); here it becomes readings and sentences.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import IO, Any, NamedTuple

from diagnose.evidence import meter_csv
from diagnose.evidence.base import EvidenceError, Report, Taken, importer
from diagnose.evidence.meter_breaker import Bands, Trip, bands, trip
from diagnose.evidence.meter_heat import CutBack, Rise, breaker_celsius, cut_backs, panel_celsius, rises
from diagnose.evidence.meter_legs import Floats, Lost, floating, lost_legs
from diagnose.evidence.meter_levels import Charge, Level, charges, levels
from diagnose.evidence.meter_rows import Reducer
from diagnose.evidence.meter_sag import Sag, sag
from diagnose.evidence.meter_view import View, look, spot
from diagnose.site.model import Site
from diagnose.source.problems import one_line

KIND, TITLE = "meter-log", "Log of a meter (volts, amperes, watts, temperature)"
LEAST_ROWS = 3
FASTEST_STEP = 1e-3  # s; what is sampled faster is a waveform


class Analysis(NamedTuple):
    """Everything found in a log."""

    view: View
    layout: meter_csv.Layout
    rows: meter_csv.Rows
    held: list[Level]
    spikes: int
    charges: list[Charge]
    sag: Sag
    lost: list[Lost]
    floats: Floats | None
    bands: Bands | None
    trips: list[Trip]
    ended: list[Charge]
    cuts: list[CutBack]
    rises: list[Rise]
    panel: tuple[float, int, int] | None


def recognise(head: bytes, name: str) -> float:
    """How sure it is that these bytes begin a meter's log: times, and columns titled with units of the trade, not faster than 1 ms."""
    if b"\0" in head:
        return 0.0
    try:
        found = meter_csv.layout(head.removeprefix(b"\xef\xbb\xbf"))
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


def _first_times(head: bytes, found: meter_csv.Layout) -> list[float]:
    import io

    rows = meter_csv.Rows(io.BytesIO(head))
    for times, _, _ in rows:
        return [float(t) for t in times[:200]]
    return []


def analyse(stream: IO[bytes], name: str, site: Site | None) -> Analysis:
    """Read a log once, in bounded memory, and find everything in it. Errors: EvidenceError when it is no log."""
    rows = meter_csv.Rows(stream)
    layout = rows.layout
    reducer = Reducer(layout.used, layout.dated, bool(layout.number) or not layout.times)
    for times, values, lines in rows:
        reducer.feed(times, values, lines)
    log = reducer.finish()
    if log.samples < LEAST_ROWS:
        raise EvidenceError(f"only {log.samples} rows of time and values; export the whole log")
    if log.jump_count > log.samples // 2:
        raise EvidenceError("the times run backwards; export or sort the log with its oldest row first")
    view = look(log, site, spot(site, name, layout.header))
    held, spikes = levels(view)
    found = charges(view, held)
    limits = bands(view)
    ended = [c for c in found if c.ending == "supply-lost"]
    trips = [trip(view, limits, c, breaker_celsius(view, c)) for c in ended] if limits else []
    setting = view.branch.load()
    return Analysis(
        view, layout, rows, held, spikes, found, sag(view, held), lost_legs(view), floating(view), limits, trips, ended,
        cut_backs(view, held, found), rises(view, setting), panel_celsius(view, found),
    )  # fmt: skip


@importer(KIND, TITLE, recognise)
def read_meter_log(stream: IO[bytes], name: str, site: Site | None) -> Report:
    """Read a meter's log. Figures: see docs/evidence/meter-log.md. Errors: EvidenceError when it is none."""
    from diagnose.evidence.meter_drawn import drawings
    from diagnose.evidence.meter_says import figures, says
    from diagnose.evidence.meter_taken import taken

    a = analyse(stream, name, site)
    readings = taken(a)
    found = tuple(one_line(text, 400) for text in says(a))
    counts = a.rows.counts
    placed = tuple(
        Taken(t.check, t.at, t.answer, one_line(t.because, 300), t.lines) for t in readings
    ) if a.view.where.place is not None or site is None else ()  # fmt: skip
    left_out = {"not_taken": [[t.check, t.answer] for t in readings]} if readings and not placed else {}
    return Report(
        KIND, TITLE, found, placed, strict({**figures(a), **left_out}), counts.rows, counts.bad, tuple(one_line(s, 160) for s in counts.samples),
        drawings(a),
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


__all__ = ["KIND", "TITLE", "Analysis", "analyse", "read_meter_log", "recognise"]
