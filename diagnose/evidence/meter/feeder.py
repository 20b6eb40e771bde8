"""The course of a feeder's log: against its breaker, against the site limit of a load manager, line by line."""

from __future__ import annotations

import numpy as np

from diagnose.evidence.meter.breaker import longest
from diagnose.evidence.meter.find import MeterFindings
from diagnose.evidence.meter.heat import PANEL_S
from diagnose.evidence.meter.sag import CLAMP_ERROR
from diagnose.evidence.meter.words import all_lines, clock, rows_lines
from diagnose.evidence.report import TakenReading
from diagnose.gauges.branch import feeder_load, usable
from diagnose.physics import circuit
from diagnose.site.places import Place

OVER_S = 300.0
HELD_S = 1200.0
AT_LIMIT = 0.03  # share within which a manager holds a feeder and a clamp reads it
HELD_SHARE = 1.2  # of the limit that the settings have to add up to before anything holds the feeder there
APART = 0.25  # of the most loaded line's current that the least loaded one carries at most
ALIKE = 0.75
MANY = 2.05  # times the largest setting: more than two stations on one line


def feeder_course(a: MeterFindings, at: str) -> list[TakenReading]:
    """How the line currents of a feeder run against the limit; nothing where the log does not show it."""
    view = a.view
    place = view.where.place
    if not view.load_name or place is None or not view.recorded:
        return []

    def told(outcome: str, because: str, begin: int, end: int) -> list[TakenReading]:
        return [TakenReading("feeder-course", at, outcome, because, rows_lines(view, begin, min(end, len(view.log.times))))]

    if a.ended:
        c = a.ended[-1]
        return told("falls-to-nothing", f"from {c.last:.1f} A to nothing at once, with the volts", c.begin, c.end + 1)
    breaker, limit = usable(view.site.number("panel.breaker", place)), _limit(a, place)
    for bound, what in ((breaker, "feeder breaker"), (limit, "site limit")):
        if bound is not None:
            seconds, begin, end, _ = longest(view, (1 + CLAMP_ERROR + (AT_LIMIT if bound == limit else 0.0)) * bound)
            if seconds >= OVER_S:
                return told("over-limit", f"over the {what} of {bound:g} A for {clock(seconds)} without a break", begin, end)
    apart = _apart(a)
    if apart:
        return told("lines-apart", apart, 0, len(view.log.times))
    if limit is not None and (held := _held(a, limit, place)):
        return told("held-at-limit", held, 0, len(view.log.times))
    return [TakenReading("feeder-course", at, "keeps-under", words, all_lines(view))] if (words := _under(a, breaker, limit)) else []


def _limit(a: MeterFindings, place: Place) -> float | None:
    """The limit that a load manager keeps; None without a manager, or where it keeps it over several panels."""
    site = a.view.site
    if site.word("site.load-management", place) not in ("local", "back-office") or len(site.panels) > 1:
        return None
    return usable(site.number("site.load-limit", place))


def _held(a: MeterFindings, limit: float, place: Place) -> str:
    """How long the current stood at the limit, where the stations would take more and no number of them takes just that."""
    site = a.view.site
    wanted = _wanted(a, place)
    if wanted is None or wanted < HELD_SHARE * limit:
        return ""
    settings = {
        s
        for u in site.units_of(place)
        if (
            s := usable(
                site.number("unit.setting", Place("unit", u)) or site.number("unit.rating", Place("unit", u))
            )
        )
    }
    levels = [x for x in a.held if abs(x.amps - limit) <= AT_LIMIT * limit]
    if any(s * k and abs(s * k - x.amps) <= AT_LIMIT * x.amps for s in settings for x in levels for k in range(1, len(site.units) + 1)):
        return ""
    seconds = sum(x.seconds for x in levels)
    return (
        f"level at the site limit of {limit:g} A for {clock(seconds)}; the stations' settings add up to "
        f"{wanted:.0f} A"
        if seconds >= HELD_S
        else ""
    )


def _wanted(a: MeterFindings, place: Place) -> float | None:
    """Amperes of the worst line with every station at its setting and nobody holding them."""
    found = feeder_load(a.view.site.with_fact("site.load-management", Place("site", 0), "none"), place)
    return found[0] if found else None


def _lines(a: MeterFindings) -> list[float]:
    """Mean amperes of each line while the feeder is well loaded, each line by itself; empty where fewer than all are logged."""
    view, log = a.view, a.view.log
    wanted = 3 if view.branch.system().startswith("wye") else 2 if view.branch.system().startswith("split") else 1
    lines = [n for wire, n in view.amps.items() if wire]
    most = max((s for u in view.site.units if (s := usable(view.site.number("unit.setting", Place("unit", u))))), default=None)
    if len(lines) < wanted or most is None:
        return []
    busy = np.nan_to_num(view.load) >= MANY * most
    if float(log.seconds[busy].sum()) < PANEL_S:
        return []
    with np.errstate(all="ignore"):
        means = [float(np.nanmean(np.abs(view.volts(n))[busy])) for n in lines]
    return [m for m in means if m == m]


def _apart(a: MeterFindings) -> str:
    """What the lines carry, where one carries next to nothing while another carries more than two stations."""
    lines = _lines(a)
    if len(lines) < 2 or min(lines) > APART * max(lines):
        return ""
    return f"lines carry {', '.join(f'{x:.0f} A' for x in lines)} on average while the feeder is well loaded"


def _under(a: MeterFindings, breaker: float | None, limit: float | None) -> str:
    """What was seen of a feeder that was well loaded for about an hour and kept under every limit, its lines alike."""
    view, lines = a.view, _lines(a)
    if breaker is None or not lines or (len(lines) > 1 and min(lines) < ALIKE * max(lines)):
        return ""
    most = float(np.nanmax(view.high_load))
    share = breaker / circuit.CONTINUOUS if view.branch.north_american() else breaker
    if (
        most > min(share, limit if limit is not None else share)
        or any(c.ending in ("unknown", "lost-at-end", "interrupted") for c in a.charges)
        or a.lost
    ):
        return ""
    return f"at most {most:.1f} A in any line, the feeder breaker of {breaker:g} A may carry {share:g} A for hours"


__all__ = ["feeder_course"]
