"""Words and small looks that the readings of a meter's log share: where rows stand in the file, spans of time, what was lost."""

from __future__ import annotations

import numpy as np

from diagnose.evidence.lines import where
from diagnose.evidence.meter.find import MeterFindings
from diagnose.evidence.meter.legs import GONE
from diagnose.evidence.meter.levels import Level
from diagnose.evidence.meter.view import View
from diagnose.source.problems import one_line

SUSTAINED_S = 60.0
AT_ONCE_S = 3.0


def rows_lines(view: View, begin: int, end: int) -> str:
    """`lines 12-40` of rows `begin` to before `end`."""
    if end <= begin:
        return ""
    return where([int(view.log.first_line[begin]), int(view.log.last_line[end - 1])])


def all_lines(view: View) -> str:
    """The lines of the whole log."""
    return rows_lines(view, 0, len(view.log.times))


def clock(seconds: float) -> str:
    """`45 s`, `12 min`, `3 h 10 min`."""
    if seconds < 90:
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"


def one(text: str) -> str:
    """A title, cut short."""
    return one_line(text, 40)


def top(held: list[Level]) -> Level | None:
    """The highest level that was held for a minute; the longest of those alike."""
    long = [x for x in held if x.seconds >= SUSTAINED_S and x.amps >= 5.0]
    if not long:
        return None
    most = max(x.amps for x in long)
    return max((x for x in long if x.amps > 0.97 * most), key=lambda x: x.seconds)


def alone(view: View) -> bool:
    """Whether nothing else is on the unit's branch circuit, by the record."""
    circuit = view.site.circuit_of(view.branch.place.number)
    return sum(view.site.circuit_of(u) == circuit for u in view.site.units) == 1


def upstream_went(a: MeterFindings) -> bool:
    """Whether the volts ahead of the branch breaker went as well, so that it was not the one that opened."""
    view = a.view
    if view.upstream is None or not a.ended:
        return False
    end = a.ended[-1].end
    after = view.volts(view.upstream)[end + 1 : end + 6]
    return bool(np.isfinite(after).any() and np.nanmedian(after) < GONE * view.nominal)


def early(view: View) -> float:
    """Seconds within which a trip counts as one of the first moment."""
    return max(AT_ONCE_S, 2.5 * view.log.interval)


def lost_words(a: MeterFindings) -> str:
    """What the longest lost leg looked like."""
    x = a.lost[0]
    parts = []
    if x.leg and x.volts is not None:
        parts.append(f"leg {x.leg.upper()} at {x.volts:.0f} V")
    if x.across is not None:
        parts.append(f"{x.across:.0f} V between the wires")
    return f"{' and '.join(parts)} for {clock(x.seconds)}, another leg alive, {'under load' if x.loaded else 'without load'}"


def float_words(a: MeterFindings) -> str:
    """What the floating neutral looked like. Errors: none, but there has to be one."""
    f = a.floats
    assert f is not None
    what = "volts between the wires" if a.view.across is not None else "sum of the legs"
    return f"one leg down to {f.low:.0f} V while another goes up to {f.high:.0f} V, the {what} steady within {f.held:.1f} V"


__all__ = [
    "AT_ONCE_S", "SUSTAINED_S", "all_lines", "alone", "clock", "early", "float_words", "lost_words", "one",
    "rows_lines", "top", "upstream_went",
]
