"""Everything that is computed from a meter's log, in one pass over it."""

from __future__ import annotations

from typing import IO, NamedTuple

from diagnose.evidence.meter.breaker import Bands, Trip, bands, trip
from diagnose.evidence.meter.heat import CutBack, Rise, breaker_celsius, cut_backs, panel_celsius, rises
from diagnose.evidence.meter.layout import LogLayout
from diagnose.evidence.meter.legs import FloatingNeutral, LostLeg, floating, lost_legs
from diagnose.evidence.meter.levels import Charge, Level, charges, levels
from diagnose.evidence.meter.read import LogRows
from diagnose.evidence.meter.reduce import Reducer
from diagnose.evidence.meter.sag import Sag, sag
from diagnose.evidence.meter.view import View, look, spot
from diagnose.evidence.reader import Asked, EvidenceError

LEAST_ROWS = 3


class MeterFindings(NamedTuple):
    """Everything found in a log."""

    view: View
    layout: LogLayout
    rows: LogRows
    held: list[Level]
    spikes: int
    charges: list[Charge]
    sag: Sag
    lost: list[LostLeg]
    floats: FloatingNeutral | None
    bands: Bands | None
    trips: list[Trip]
    ended: list[Charge]
    cuts: list[CutBack]
    rises: list[Rise]
    panel: tuple[float, int, int] | None


def find(stream: IO[bytes], asked: Asked) -> MeterFindings:
    """Read a log once, in bounded memory, and find everything in it. Errors: EvidenceError when it is no log."""
    rows = LogRows(stream)
    layout = rows.layout
    reducer = Reducer(layout.used, layout.dated, bool(layout.number) or not layout.times)
    for times, values, lines in rows:
        reducer.feed(times, values, lines)
    log = reducer.finish()
    if log.samples < LEAST_ROWS:
        raise EvidenceError(f"only {log.samples} rows of time and values; export the whole log")
    if log.jump_count > log.samples // 2:
        raise EvidenceError("the times run backwards; export or sort the log with its oldest row first")
    view = look(log, asked.site, spot(asked, layout.header))
    held, spikes = levels(view)
    found = charges(view, held)
    limits = bands(view)
    ended = [c for c in found if c.ending == "supply-lost"]
    trips = [trip(view, limits, c, breaker_celsius(view, c)) for c in ended] if limits else []
    setting = view.branch.load()
    return MeterFindings(
        view=view, layout=layout, rows=rows, held=held, spikes=spikes, charges=found, sag=sag(view, held),
        lost=lost_legs(view), floats=floating(view), bands=limits, trips=trips, ended=ended,
        cuts=cut_backs(view, held, found), rises=rises(view, setting), panel=panel_celsius(view, found),
    )  # fmt: skip
