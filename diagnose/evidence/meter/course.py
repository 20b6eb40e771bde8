"""The course of a unit's log: how the current runs through a charge, when the breaker opened, how the legs' volts run.

An abnormal course is told only where the log shows it. A normal one only where the log is long enough that the
abnormal one would have shown. Where neither holds there is no reading.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from diagnose.evidence.meter.breaker import Bound, Trip, longest
from diagnose.evidence.meter.find import MeterFindings
from diagnose.evidence.meter.heat import LEAST_AMPS, PANEL_S, breaker_celsius, moved
from diagnose.evidence.meter.levels import Charge, Level, within
from diagnose.evidence.meter.sag import CLAMP_ERROR
from diagnose.evidence.meter.words import (
    SUSTAINED_S,
    all_lines,
    alone,
    clock,
    early,
    float_words,
    lost_words,
    one,
    rows_lines,
    upstream_went,
)
from diagnose.evidence.report import TakenReading
from diagnose.physics import circuit, protection

AS_SET = 0.07  # share of the setting within which a clamp and a car's own steps leave the current
BELOW = 0.9  # of the setting; less is clearly below
OFFERED_A = 6.0  # IEC 61851-1: no station offers a car less, so less says nothing of the offer
FLAT_S = 600.0
WHOLE = 0.8  # of the charge that a level has to fill
SECOND_ROWS = 2.0  # s between samples up to which a first moment can be told from a first minute
PAST = 1.05  # of a bound's time before it counts as passed
SAG_SHARE = 0.05  # of a leg's volts that feeder and branch together may lose; NEC 210.19 and 215.2 notes
STEADY_SHARE = 0.03
ONE_SHARE = 0.01  # of a leg's volts that one leg has to lose more than another: 1.2 V at 32 A is 38 W in one spot
ONE_FACTOR = 1.25
LEAST_STEPS = 3
LEGS_S = 600.0
OTHERS = 0.5  # of a step that the others have to move the other way
LOOK_S = 60.0


def charge_course(a: MeterFindings, at: str) -> list[TakenReading]:
    """The worst that the current of a unit was seen to do, or that it did as set for about an hour."""
    view = a.view
    if not view.load_name:
        return []

    def told(outcome: str, because: str, charge: Charge) -> list[TakenReading]:
        return [TakenReading("charge-course", at, outcome, because, rows_lines(view, charge.begin, min(charge.end + 1, len(view.log.times))))]

    if a.ended:
        c = a.ended[-1]
        return told("cut-off", f"from {c.last:.1f} A to nothing at once, with the volts", c)
    for cut in a.cuts:
        if cut.seen and cut.column is not None:
            return told(
                "steps-down-warm",
                (
                    f"down to {cut.low:.1f} A {cut.cuts} times as {one(view.title(cut.column))} rises to "
                    f"{cut.down:.1f} °C, up again at {cut.up:.1f} °C"
                ),
                cut.charge,
            )
    shared = _with_others(a)
    if shared is not None:
        charge, count = shared
        return told("steps-with-others", f"at each of {count} steps the rest of the feeder goes the other way", charge)
    setting = view.branch.setting() if view.recorded else None
    if setting is None:
        return []
    begun = [c for c in a.charges if c.start > float(view.log.times[0]) + 1.5 * view.log.interval]
    full = max(((c, _full_seconds(a, c, setting)) for c in begun), key=lambda x: x[1], default=None)
    if full is not None and full[1] >= PANEL_S:
        strange = any(c.ending in ("leg-lost", "lost-at-end", "unknown", "interrupted") for c in a.charges)
        # A car eases off little by little; a lower level held for long is somebody's limit, though the log does not say whose.
        strange = strange or any(x.seconds >= FLAT_S and x.amps < BELOW * setting for x in _inside(a, full[0]))
        return [] if strange or a.cuts else told("as-set", f"{clock(full[1])} at the setting of {setting:g} A, no step", full[0])
    if full is not None and full[1] > 0:
        return []
    flat = [(c, level) for c in begun if (level := _flat(a, c)) is not None]
    if flat and all(OFFERED_A <= level.amps < BELOW * setting for _, level in flat) and not a.cuts:
        c, level = max(flat, key=lambda x: x[1].seconds)
        return told("flat-below", f"{level.amps:.1f} A without a step for {clock(level.seconds)}, the setting is {setting:g} A", c)
    return []


def _inside(a: MeterFindings, charge: Charge) -> list[Level]:
    return within(a.held, charge.begin, charge.end, LEAST_AMPS)


def _full_seconds(a: MeterFindings, charge: Charge, setting: float) -> float:
    """Seconds that a charge was at its setting, if it was lower only behind that; else nought, or so long as it lasted before."""
    total = 0.0
    for x in _inside(a, charge):
        if abs(x.amps - setting) > AS_SET * setting:
            break
        total += x.seconds
    return total


def _flat(a: MeterFindings, charge: Charge) -> Level | None:
    """The one level of a charge, if it fills it and nothing was higher; a car may ease off behind it."""
    inside = _inside(a, charge)
    if not inside:
        return None
    main = max(inside, key=lambda x: x.seconds)
    if main.seconds < FLAT_S or main.seconds < WHOLE * charge.seconds or any(x.amps > 1.05 * main.amps + 0.5 for x in inside):
        return None
    return main


def _with_others(a: MeterFindings) -> tuple[Charge, int] | None:
    """A charge whose every step is met by the others of the feeder, and how many steps; needs a column of the feeder's current."""
    view = a.view
    if not view.feeder:
        return None
    for charge in a.charges:
        moves: list[bool] = []
        downs = 0
        for x, y in pairwise(_inside(a, charge)):
            step = y.amps - x.amps
            if y.start - x.stop > LOOK_S + 5 * view.log.interval or not moved(x, y):
                continue
            rest = _rest(a, y, False) - _rest(a, x, True)
            moves.append(rest * step < 0 and abs(rest) >= OTHERS * abs(step))
            downs += step < 0
        if len(moves) >= 2 and all(moves) and 0 < downs < len(moves):
            return charge, len(moves)
    return None


def _rest(a: MeterFindings, level: Level, late: bool) -> float:
    """Mean A that others take from the feeder over the last or first minute of a level."""
    view, log = a.view, a.view.log
    wire = next((w for w in view.amps if w in view.feeder), next(iter(view.feeder)))
    feeder, own = np.abs(view.volts(view.feeder[wire])), np.abs(view.volts(view.amps[wire])) if wire in view.amps else view.load
    times = log.times[level.begin : level.end]
    near = times >= level.stop - LOOK_S if late else times < level.start + LOOK_S
    part = (feeder - own)[level.begin : level.end][near]
    return float(np.nanmean(part)) if np.isfinite(part).any() else float("nan")


def trip_time(a: MeterFindings, at: str) -> list[TakenReading]:
    """Whether the recorded breaker opened before, within or after its standard's times."""
    view, found = a.view, a.bands
    if found is None or not view.recorded or not view.load_name:
        return []

    def told(outcome: str, because: str, begin: int, end: int) -> list[TakenReading]:
        return [TakenReading("trip-time-logged", at, outcome, because, rows_lines(view, begin, min(end + 1, len(view.log.times))))]

    bound = _passed(a)
    if bound is not None:
        point, s = bound.point, bound.stretch
        because = (
            f"never under {100 * point.multiple:.0f} % of {found.rating:g} A for {clock(s.seconds)}; it had "
            f"to open within {clock(point.seconds)} ({point.source})"
        )
        return told("past-band", because, s.begin, s.end)
    if a.trips and alone(view) and not upstream_went(a):
        t = a.trips[-1]
        word = _trip_word(a, t)
        if not word:
            return []
        heat = f", {t.celsius:.0f} °C at the breaker" if t.celsius is not None else ""
        because = f"opened {clock(t.seconds)} after the load came on, at most {100 * t.most:.0f} % of {found.rating:g} A{heat} ({t.verdict.source})"
        return told(word, because, t.charge.begin, t.charge.end)
    clean = {"log-ends", "tapered", "stopped"}
    if a.ended or a.lost or not alone(view) or any(c.ending not in clean for c in a.charges):
        return []
    if max((_full_seconds(a, c, view.branch.load()) for c in a.charges), default=0.0) >= PANEL_S and view.across is not None:
        return told("no-trip", f"{clock(sum(c.seconds for c in a.charges))} of charging without a trip", 0, len(view.log.times))
    return []


def _passed(a: MeterFindings) -> Bound | None:
    """A point of the standard that was passed with the breaker closed, by more than clamp and clock may be out; None for a cold breaker."""
    view, found = a.view, a.bands
    assert found is not None
    for b in found.bounds:
        if b.due is None:
            continue
        seconds, begin, end, _ = longest(view, (1 + CLAMP_ERROR) * b.point.multiple * found.rating)
        if seconds <= PAST * b.point.seconds + 2 * view.log.interval:
            continue
        charge = next((c for c in a.charges if c.begin <= begin < c.end), None)
        celsius = breaker_celsius(view, charge) if charge is not None else None
        room = min(25.0, protection.FAMILIES[found.family].reference_celsius)
        if celsius is None or celsius >= room:
            return b._replace(stretch=b.stretch._replace(seconds=seconds, begin=begin, end=end))
    return None


def _trip_word(a: MeterFindings, t: Trip) -> str:
    """The outcome that a trip stands for; empty where the standard and what was logged leave it open."""
    view, family = a.view, a.bands.family if a.bands else ""
    if t.seconds <= early(view):
        return "at-once" if view.log.interval <= SECOND_ROWS else ""
    if t.verdict.verdict == "must-hold":
        if t.verdict.seconds is not None and t.seconds > t.verdict.seconds:
            return "in-band"
        if t.celsius is None and family == "ul489":
            # A breaker in an enclosure is good for 80 % for hours; above that the heat around it may explain a trip.
            return "before-band" if t.most <= circuit.largest_setting(1.0) * (1 + CLAMP_ERROR) else ""
        return "before-band" if t.most * (1 + CLAMP_ERROR) <= protection.FAMILIES[family].hold else ""
    if t.mean <= 1.0:
        return ""  # only the heat at the breaker makes it a load at which it may open
    return "in-band" if t.seconds >= SUSTAINED_S or t.verdict.verdict == "must-trip-within" else ""


def leg_course(a: MeterFindings, at: str) -> list[TakenReading]:
    """How the volts of the legs run beside the current."""
    view, legs = a.view, [s for s in a.sag.sources if s.leg]
    if a.lost:
        x = a.lost[0]
        return [TakenReading("leg-volts-course", at, "one-gone", lost_words(a), rows_lines(view, x.begin, x.end))]
    if a.floats is not None:
        return [TakenReading("leg-volts-course", at, "drift-apart", float_words(a), rows_lines(view, a.floats.begin, a.floats.end))]
    if len(legs) < 2:
        return []
    amps, nominal, lines = view.branch.load(), view.to_ground, all_lines(view)
    worst, best = max(s.ohms for s in legs), min(s.ohms for s in legs)
    told = ", ".join(f"leg {s.leg.upper()} {s.ohms * amps:.1f} ± {s.bar * amps:.1f} V" for s in legs)
    because = f"fall at {amps:g} A, from {min(s.steps for s in legs)} steps: {told}"
    more, bar = a.sag.leg_ohms, a.sag.leg_bar
    if a.sag.leg and more * amps >= ONE_SHARE * nominal and worst >= ONE_FACTOR * best and min(s.steps for s in legs) >= 2:
        return [TakenReading("leg-volts-course", at, "one-sags", because, lines)]
    if a.sag.leg:
        return []
    if all((s.ohms - s.bar) * amps >= SAG_SHARE * nominal for s in legs):
        return [TakenReading("leg-volts-course", at, "all-sag", because, lines)]
    long = sum(c.seconds for c in a.charges if c.most >= BELOW * amps) >= LEGS_S and min(s.steps for s in legs) >= LEAST_STEPS
    alike = (more + bar) * amps < ONE_SHARE * nominal
    if long and alike and all((s.ohms + s.bar) * amps <= STEADY_SHARE * nominal for s in legs):
        return [TakenReading("leg-volts-course", at, "steady", because, lines)]
    return []


__all__ = ["charge_course", "leg_course", "trip_time"]
