"""Which checks of the rule base a meter's log answers, with what, and from which lines."""

from __future__ import annotations

import numpy as np

from diagnose.evidence.meter.course import charge_course, leg_course, trip_time
from diagnose.evidence.meter.feeder import feeder_course
from diagnose.evidence.meter.find import MeterFindings
from diagnose.evidence.meter.heat import breaker_celsius
from diagnose.evidence.meter.legs import GONE, STRAY
from diagnose.evidence.meter.levels import Charge
from diagnose.evidence.meter.view import View
from diagnose.evidence.meter.words import (
    alone,
    clock,
    early,
    float_words,
    lost_words,
    one,
    rows_lines,
    top,
    upstream_went,
)
from diagnose.evidence.report import TakenReading
from diagnose.site.places import Place

FULL = 0.8  # of the setting: from there on a car counts as taking full current
BRANCH_SHARE, FEEDER_SHARE = 0.03, 0.02  # NEC 210.19 and 215.2 notes: 3 % in the branch, 5 % in all
COOLER_K = 5.0
STEPPED = ("steps-with-others", "steps-down-warm")  # where the current has no one value to tell
ALIKE_AMPS = 0.1


def take(a: MeterFindings) -> list[TakenReading]:
    """Every reading the log gives, one for each check and place."""
    view = a.view
    unit = view.branch.place
    at = str(view.where.place) if view.where.place is not None else ""
    panel = str(Place("panel", view.site.panel_of(unit.number))) if view.recorded and at else ""
    found: list[TakenReading] = []
    if view.where.point == "panel":
        found += [*_feeder(a, at), *feeder_course(a, at)]
    else:
        course = charge_course(a, at)
        amps = [t for t in _amps(a, at) if t.check != "amps-while-charging" or not any(c.answer in STEPPED for c in course)]
        found += [*_volts(a, at), *_legs(a, at), *amps, *_trips(a, at), *_heat(a, at)]
        found += [t._replace(check="charging-power", answer="low-with-several") for t in course if t.answer == "steps-with-others"]
        found += [*course, *trip_time(a, at), *leg_course(a, at)]
        if a.floats is not None and view.legs_n and a.floats.low_leg in view.legs_n:
            found.append(TakenReading("feeder-legs", panel, "unequal-to-neutral", float_words(a), rows_lines(view, a.floats.begin, a.floats.end)))
    if a.panel is not None:
        celsius, begin, end = a.panel
        place = at if view.where.point == "panel" else panel
        found.append(
            TakenReading(
                "panel-temperature", place, f"{celsius:.1f} °C",
                "the hottest five minutes after an hour of charging", rows_lines(view, begin, end),
            )
        )
    return found


def _feeder(a: MeterFindings, at: str) -> list[TakenReading]:
    view, found = a.view, []
    peak = top(a.held)
    if peak is not None:
        because = f"highest line {peak.amps:.1f} A, held for {clock(peak.seconds)}"
        found.append(TakenReading("amps-on-feeder", at, f"{peak.amps:.1f} A", because, rows_lines(view, peak.begin, peak.end)))
    wanted = 3 if view.branch.system().startswith("wye") else 2
    if a.floats is not None:
        found.append(TakenReading("feeder-legs", at, "unequal-to-neutral", float_words(a), rows_lines(view, a.floats.begin, a.floats.end)))
    elif a.lost:
        x = a.lost[0]
        found.append(TakenReading("feeder-legs", at, "one-leg-missing", lost_words(a), rows_lines(view, x.begin, x.end)))
    elif len(view.legs) >= wanted and view.nominal != view.to_ground:
        values = [v for n in view.legs.values() if (v := _alive(a, n)) is not None]
        if len(values) == len(view.legs) and min(values) > 0.9 * view.to_ground and max(values) < 1.1 * view.to_ground:
            text = ", ".join(f"{v:.1f} V" for v in values)
            found.append(TakenReading("feeder-legs", at, "all-alive", f"legs read {text}", rows_lines(view, 0, len(view.log.times))))
    return found


def _idle(a: MeterFindings, column: int) -> float | None:
    """Mean volts of a column to ground or neutral without load, dead stretches left out unless there are no others."""
    rest = [x for x in a.held if x.amps < 1.0]
    parts = [a.view.volts(column)[x.begin : x.end] for x in rest]
    values = np.concatenate(parts) if parts else np.empty(0)
    values = values[np.isfinite(values)]
    alive = values[values > GONE * a.view.to_ground]
    values = alive if len(alive) else values
    return float(np.mean(values)) if len(values) else None


def _alive(a: MeterFindings, column: int) -> float | None:
    """Mean volts of a leg without load; of a feeder that always has some, over the whole log."""
    idle, values = _idle(a, column), a.view.volts(column)
    return float(np.nanmean(values)) if idle is None and np.isfinite(values).any() and not a.ended else idle


def _volts(a: MeterFindings, at: str) -> list[TakenReading]:
    view, s, found = a.view, a.sag, []
    name = "volts-at-breaker" if view.where.point == "breaker" else "volts-at-unit"
    across_gone = [x for x in a.lost if x.across is not None and x.across < GONE * view.nominal]
    if across_gone:
        x = across_gone[0]
        found.append(TakenReading(name, at, "absent", lost_words(a), rows_lines(view, x.begin, x.end)))
    elif s.idle is not None and s.idle_level is not None:
        level = s.idle_level
        found.append(TakenReading(name, at, f"{s.idle:.1f} V", "mean without load", rows_lines(view, level.begin, level.end)))
    elif s.idle is None and s.loaded is None and (dead := _dead(view)) is not None:
        found.append(TakenReading(name, at, f"{dead:.1f} V", "throughout the log", rows_lines(view, 0, len(view.log.times))))
    if view.where.point == "unit" and s.loaded is not None and s.loaded_level is not None and not across_gone:
        level = s.loaded_level
        if level.amps >= FULL * view.branch.load():
            because = f"mean at {level.amps:.1f} A"
            found.append(TakenReading("volts-while-charging", at, f"{s.loaded:.1f} V", because, rows_lines(view, level.begin, level.end)))
    found += _along(a, at)
    return found


def _dead(view: View) -> float | None:
    """The highest volts across the supply wires where they never come near the nominal ones; None where they do."""
    if view.across is None or not np.isfinite(view.volts(view.across)).any():
        return None
    most = float(np.nanmax(view.volts(view.across)))
    return most if most < GONE * view.nominal else None


def _along(a: MeterFindings, at: str) -> list[TakenReading]:
    """Where the volts are lost, from volts at both ends of the branch."""
    view, s = a.view, a.sag
    whole = next((x for x in s.sources if x.column == view.across), None)
    if whole is None or s.upstream is None:
        return []
    amps = view.branch.load()
    ahead, run = s.upstream.ohms * amps, (whole.ohms - s.upstream.ohms) * amps
    because = f"at {amps:g} A {run:.1f} V between the two columns and {ahead:.1f} V ahead of them"
    nominal = view.nominal
    outcome = ""
    if run > BRANCH_SHARE * nominal and run > ahead:
        outcome = "in-the-run"
    elif ahead > FEEDER_SHARE * nominal and ahead > run:
        outcome = "ahead-of-panel"
    elif run + ahead < BRANCH_SHARE * nominal and max(run, ahead) < FEEDER_SHARE * nominal:
        outcome = "little-lost"
    return [TakenReading("drop-along-run", at, outcome, because, rows_lines(view, 0, len(view.log.times)))] if outcome else []


def _legs(a: MeterFindings, at: str) -> list[TakenReading]:
    view = a.view
    if view.nominal == view.to_ground or view.where.point != "unit":
        return []
    gone = [x for x in a.lost if x.leg and x.volts is not None]
    if gone:
        x = gone[0]
        volts = x.volts or 0.0
        answer = "absent" if volts < STRAY * view.to_ground else f"{volts:.1f} V"
        return [TakenReading("leg-to-ground-volts", at, answer, lost_words(a), rows_lines(view, x.begin, x.end))]
    if a.lost:
        return []
    if a.floats is not None:
        f = a.floats
        far = f.low if abs(f.low - view.to_ground) > abs(f.high - view.to_ground) else f.high
        return (
            [
                TakenReading(
                    "leg-to-ground-volts", at, f"{far:.1f} V", float_words(a),
                    rows_lines(view, f.begin, f.end),
                )
            ]
            if view.legs is view.legs_g
            else []
        )
    values = [v for n in view.legs_g.values() if (v := _idle(a, n)) is not None]
    if len(values) < 2:
        return []
    far = max(values, key=lambda v: abs(v - view.to_ground))
    text = " and ".join(f"{v:.1f} V" for v in values)
    return [
        TakenReading(
            "leg-to-ground-volts", at, f"{far:.1f} V",
            f"means without load {text}; the one that is farthest out",
            rows_lines(view, 0, len(view.log.times)),
        )
    ]


def _amps(a: MeterFindings, at: str) -> list[TakenReading]:
    view, found = a.view, []
    peak = top(a.held)
    if peak is None or any(x.loaded for x in a.lost):
        return []
    lines = rows_lines(view, peak.begin, peak.end)
    because = f"highest level, held for {clock(peak.seconds)}"
    found.append(TakenReading("amps-while-charging", at, f"{peak.amps:.1f} A", because, lines))
    breaker, setting = view.branch.quantity("unit.breaker"), view.branch.load()
    # A car that takes little says nothing of the breaker at full current.
    if breaker is not None and alone(view) and peak.amps >= min(0.95 * setting, view.branch.allowed_share() * breaker):
        found.append(TakenReading("amps-at-breaker", at, f"{peak.amps:.1f} A", f"{because}; nothing else is on the branch", lines))
    return found


def _trips(a: MeterFindings, at: str) -> list[TakenReading]:
    view, found = a.view, []
    if a.ended and not upstream_went(a):
        charge = a.ended[-1]
        lines = rows_lines(view, max(charge.begin, charge.end - 3), min(charge.end + 3, len(view.log.times)))
        soon = all(c.seconds <= early(view) for c in a.ended)
        late = "only-in-heat" if held_when_cooler(a) else "after-a-while"
        because = f"current and volts went together {clock(charge.seconds)} after the load came on, at {charge.last:.1f} A; a breaker opened"
        found.append(TakenReading("breaker-trips", at, "at-once" if soon else late, because, lines))
        found.append(TakenReading("trip-moment", at, "when-charging-starts" if soon else "while-charging", because, lines))
        found.append(TakenReading("charging-starts", at, "stops-early", because, lines))
    return found


def held_when_cooler(a: MeterFindings) -> tuple[Charge, float, float] | None:
    """A like load that was held as long in a cooler panel, and the two temperatures in °C; None without one."""
    for t in a.trips:
        if t.celsius is None:
            continue
        for other in a.charges:
            if other.ending in ("supply-lost", "lost-at-end", "unknown", "gap") or other.seconds < t.seconds:
                continue
            cool = breaker_celsius(a.view, other)
            if cool is not None and cool <= t.celsius - COOLER_K and abs(other.most - t.charge.most) <= ALIKE_AMPS * t.charge.most:
                return other, cool, t.celsius
    return None


def _heat(a: MeterFindings, at: str) -> list[TakenReading]:
    view, found = a.view, []
    for cut in a.cuts:
        if cut.seen and cut.column is not None:
            because = (
                f"{cut.cuts} times from {cut.high:.1f} A down to {cut.low:.1f} A at {cut.down:.1f} °C, back "
                f"at {cut.up:.1f} °C ({one(view.title(cut.column))})"
            )
            found.append(TakenReading("charging-power", at, "drops-when-hot", because, rows_lines(view, cut.charge.begin, cut.charge.end)))
            break
    for rise in a.rises:
        check = "breaker-lug-rise" if rise.spot == "breaker-lug" else "unit-lug-rise"
        because = f"{one(rise.hot)} over {one(rise.cool)} at {rise.amps:.1f} A"
        found.append(TakenReading(check, at, f"{rise.kelvin:.1f} K", because, rows_lines(view, rise.begin, rise.end)))
    return [*found, *_joints(a, at)]


def _joints(a: MeterFindings, at: str) -> list[TakenReading]:
    """Millivolts across joints, brought to the unit's full current."""
    view, peak = a.view, top(a.held)
    if peak is None:
        return []
    best: dict[str, tuple[float, int]] = {}
    for n in view.joints:
        part = view.log.values[peak.begin : peak.end, n]
        if np.isfinite(part).any():
            volts = float(np.nanmean(np.abs(part)))
            spot = view.log.columns[n].spot
            best[spot] = max(best.get(spot, (0.0, n)), (volts, n))
    names = {
        "breaker-lug": "breaker-lug-millivolts", "unit-lug": "unit-lug-millivolts", "breaker-pole": "breaker-pole-millivolts",
        "contactor": "contactor-millivolts",
    }  # fmt: skip
    full = view.branch.load()
    return [
        TakenReading(
            names[s], at, f"{1e3 * v * full / peak.amps:.1f} mV",
            f"{1e3 * v:.1f} mV at {peak.amps:.1f} A ({one(view.title(n))}), reckoned to {full:g} A",
            rows_lines(view, peak.begin, peak.end),
        )
        for s, (v, n) in sorted(best.items())
    ]  # fmt: skip


__all__ = ["FEEDER_SHARE", "held_when_cooler", "take"]
