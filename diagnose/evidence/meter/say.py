"""What a meter's log shows, in sentences and in figures."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from diagnose.evidence.meter.columns import CELSIUS, VOLTS
from diagnose.evidence.meter.find import MeterFindings
from diagnose.evidence.meter.layout import describe
from diagnose.evidence.meter.levels import SELF_CLOSING, Charge
from diagnose.evidence.meter.reduce import MOST
from diagnose.evidence.meter.sag import SourceOhms, heat_of
from diagnose.evidence.meter.take import FEEDER_SHARE, held_when_cooler
from diagnose.evidence.meter.words import clock, one
from diagnose.physics import circuit

MOST_LEVELS = 40
MOST_RANGES = 6
HOT_W = 20.0  # W in one spot that is said to be dangerous; a soldering iron has about so many (common practice, no source)
MOST_SENTENCES = 4


def says(a: MeterFindings) -> list[str]:
    """The sentences: danger first, then how the file was read."""
    return [*_hot(a), *_reading(a), *_ranges(a), *_current(a), *_sag(a), *_legs(a), *_breaker(a), *_endings(a), *_heat(a)]


def _hot(a: MeterFindings) -> list[str]:
    """A joint that may burn comes before everything."""
    watts = heat_of(a.sag.leg_ohms, a.view.branch.load()) if a.sag.leg else 0.0
    if not watts > HOT_W:
        return []
    return [
        f"DANGER: {watts:.0f} W in one joint or conductor of leg {a.sag.leg.upper()} can start a fire: no "
        "charging here until a qualified person has found it"
    ]


def _reading(a: MeterFindings) -> list[str]:
    view, log, tally = a.view, a.view.log, a.rows.tally
    span = float(log.times[-1] - log.times[0])
    out = [f"{log.samples} samples over {clock(span)}, one every {log.interval:.3g} s; {describe(a.layout)}"]
    out += [view.where.note] if view.where.note else []
    out += a.layout.notes + view.notes
    if a.layout.left:
        names = ", ".join(one(t) for t in a.layout.left[:8])
        out.append(f"columns not used: {names}{' and others' if len(a.layout.left) > 8 else ''}")
    if a.rows.missing:
        out.append(f"{a.rows.missing} cells without a value (blank, or over the range)")
    if log.gaps:
        out.append(f"{log.gaps} gap{'s' if log.gaps > 1 else ''} in the log, {clock(log.gap_seconds)} in all; nothing is concluded across a gap")
    if log.jump_count:
        back, line = log.jumps[0]
        out.append(
            f"the clock goes back {log.jump_count} time{'s' if log.jump_count > 1 else ''}, first by "
            f"{clock(-back)} at line {line}; the log is read on as if no time had passed"
        )
    if log.tolerance > 1 or (len(log.times) < log.samples and log.samples > MOST):
        out.append(
            f"a long log: like neighbours were merged into {len(log.times)} rows, steps of the current keep "
            "their place"
            + (f"; tolerances widened {log.tolerance:g} times" if log.tolerance > 1 else "")
        )
    if a.spikes:
        out.append(f"{a.spikes} single samples of the current stand out and count for no level")
    if tally.cut:
        out.append(f"{tally.cut} lines without end were cut")
    return out


def _ranges(a: MeterFindings) -> list[str]:
    """Where each temperature went, and the volts too when there is no current to say more of them."""
    view = a.view
    out: list[str] = []
    wanted = {CELSIUS: "°C"} if view.load_name else {CELSIUS: "°C", VOLTS: "V"}
    for n, c in enumerate(view.log.columns):
        values = view.volts(n)[np.isfinite(view.volts(n))]
        if c.quantity in wanted and len(values) and len(out) < MOST_RANGES:
            low, middle, high = (float(x) for x in (values.min(), np.median(values), values.max()))
            out.append(f"{one(c.title)}: {low:.1f} to {high:.1f} {wanted[c.quantity]}, half the time under {middle:.1f} {wanted[c.quantity]}")
    return out


def _current(a: MeterFindings) -> list[str]:
    view = a.view
    loaded = [x for x in a.held if x.amps >= 3.0]
    if not view.load_name:
        return ["no current in this log, so nothing is said of sag, levels and the breaker"] if view.across is not None or view.legs else []
    if not loaded:
        return ["no charging current in this log"]
    out = []
    merged: dict[float, float] = {}
    for x in loaded:
        key = next((k for k in merged if abs(k - x.amps) < max(0.5, 0.03 * k)), x.amps)
        merged[key] = merged.get(key, 0.0) + x.seconds
    shown = sorted(merged.items(), key=lambda p: -p[1])[:6]
    out.append(
        "levels of the current: "
        + ", ".join(f"{k:.1f} A for {clock(v)}" for k, v in shown)
        + (f" and {len(merged) - 6} more" if len(merged) > 6 else "")
    )
    origin = float(view.log.times[0])
    steps = [(x, y) for x, y in pairwise(loaded) if abs(x.amps - y.amps) >= 2.0 and y.start - x.stop < max(60.0, 5 * view.log.interval)]
    if steps:
        shown_steps = ", ".join(f"{x.amps:.1f} to {y.amps:.1f} A after {clock(y.start - origin)}" for x, y in steps[:MOST_SENTENCES])
        out.append(f"steps under load: {shown_steps}" + (f" and {len(steps) - MOST_SENTENCES} more" if len(steps) > MOST_SENTENCES else ""))
    if not view.recorded or view.where.point == "panel":
        return out
    top = max(loaded, key=lambda x: x.amps)
    setting, breaker = view.branch.setting(), view.branch.quantity("unit.breaker")
    if setting is not None and top.seconds >= 30:
        share = top.amps / setting
        word = "above" if top.amps > 1.05 * setting + 0.5 else "at" if share > 0.9 else "below"
        more = " (the car may take no more, or a limit holds it)" if word == "below" else ""
        out.append(f"the highest level, {top.amps:.1f} A, is {word} the setting of {setting:g} A{more}")
    if breaker is not None and top.amps > view.branch.allowed_share() * breaker * 1.005:
        allowed = circuit.largest_setting(breaker) if view.branch.north_american() else breaker
        out.append(f"{top.amps:.1f} A is over the {allowed:g} A that a {breaker:g} A breaker may carry for hours")
    return out


def _ohms(s: SourceOhms) -> str:
    return f"{1e3 * s.ohms:.0f} ± {1e3 * s.bar:.0f} mΩ"


def _sag(a: MeterFindings) -> list[str]:
    view, found, out = a.view, a.sag, []
    if found.idle is not None and found.loaded is not None:
        out.append(f"{found.idle:.1f} V without load, {found.loaded:.1f} V at {found.at_amps:.1f} A")
    if view.load_name and not found.sources and (view.across is not None or view.legs):
        out.append("no step of the load with volts on both sides of it, so the source resistance cannot be told")
    amps = view.branch.load()
    for s in found.sources:
        where = f"leg {s.leg.upper()}" if s.leg else "between the wires"
        text = f"seen from here the supply has {_ohms(s)} ({where}, 95 %, {s.steps} step{'s' if s.steps > 1 else ''}"
        text += f", {s.odd} disturbed by other loads)" if s.odd else ")"
        if s.cold is None or s.warm is None:
            text += "; the record lacks run length or wire size, so what the wires explain cannot be told"
        else:
            text += f"; {view.branch.run_words()} explain {1e3 * s.cold:.0f} mΩ cold to {1e3 * s.warm:.0f} mΩ warm"
        out.append(text)
    whole = next((s for s in found.sources if not s.leg), None)
    if whole is not None and whole.beyond is not None and view.where.point == "unit":
        out += _beyond(a, whole, whole.beyond, amps)
    if found.leg:
        out.append(
            f"leg {found.leg.upper()} loses {1e3 * found.leg_ohms:.0f} ± {1e3 * found.leg_bar:.0f} mΩ more "
            "than the other: a joint or a conductor of that leg alone "
            f"({heat_of(found.leg_ohms, amps):.0f} W at {amps:g} A), for feeder and utility load both legs alike"
        )
    elif (
        len([s for s in found.sources if s.leg]) >= 2
        and whole is not None
        and whole.beyond is not None
        and whole.beyond - whole.bar > FEEDER_SHARE * view.nominal / amps
    ):
        out.append("both legs lose alike: feeder, transformer or conductors rather than one joint")
    if found.upstream is not None and whole is not None:
        run = whole.ohms - found.upstream.ohms
        out.append(
            f"of these {1e3 * found.upstream.ohms:.0f} mΩ lie ahead of "
            f"{one(view.title(found.upstream.column))}, {1e3 * run:.0f} mΩ between there and here"
        )
    if found.drift is not None and found.drift > 0.01 * view.nominal:
        out.append(
            f"the supply itself moves by {found.drift:.1f} V during the log, whatever the load; only what "
            "moves with the load is counted above"
        )
    return out


def _beyond(a: MeterFindings, whole: SourceOhms, beyond: float, amps: float) -> list[str]:
    view = a.view
    usual = FEEDER_SHARE * view.nominal / amps
    if beyond <= whole.bar:
        return ["the recorded wires explain it, within the bar"]
    text = f"{1e3 * beyond:.0f} ± {1e3 * whole.bar:.0f} mΩ are beyond the wires, {beyond * amps:.1f} V at {amps:g} A"
    if beyond - whole.bar <= usual:
        return [f"{text}: no more than feeder and transformer usually take (2 % of {view.nominal:g} V)"]
    where = "" if a.sag.leg or len([s for s in a.sag.sources if s.leg]) >= 2 else "; one column of volts cannot tell in which leg"
    return [
        f"{text}, more than feeder and transformer should take: a joint, thinner or longer wires than "
        f"recorded, or a weak supply; in one joint {heat_of(beyond, amps):.0f} W{where}"
    ]


def _legs(a: MeterFindings) -> list[str]:
    view, out = a.view, []
    for x in a.lost[:2]:
        what = (
            f"leg {x.leg.upper()} is lost"
            if x.leg
            else "a leg is lost (all legs read alive, but nothing is between the wires: one is fed back "
            "through the unit)"
        )
        volts = f"{x.volts:.0f} V" if x.volts is not None else ""
        between = f"{x.across:.0f} V between the wires" if x.across is not None else ""
        detail = ", ".join(t for t in (volts, between, "with load on" if x.loaded else "no load on") if t)
        out.append(f"{what} for {clock(x.seconds)} from {clock(x.start - float(view.log.times[0]))} after the beginning: {detail}")
    if len(a.lost) > 2:
        out.append(f"{len(a.lost)} such stretches in all")
    if a.lost:
        out.append("a station that is dark for a lost leg can still have a live one: treat every conductor as live until it is proved dead")
    if a.floats is not None:
        f = a.floats
        out.append(
            f"the neutral floats: leg {f.low_leg.upper()} goes down to {f.low:.0f} V while another goes up to {f.high:.0f} V for {clock(f.seconds)}, "
            f"as loads of {f.ratio:.1f} to 1 in series would share the volts"
        )
        out.append("loads between one leg and neutral get too much: switch them off by their own switches, and call an electrician and the utility")
    return out


def _breaker(a: MeterFindings) -> list[str]:
    found, out = a.bands, []
    if found is None or not found.most:
        return []
    rated = f"the {found.rating:g} A breaker"
    over = [(m, s) for m, s in found.over.items() if s > 0]
    if not over:
        return []
    out.append(f"time over shares of {rated}: " + ", ".join(f"{100 * m:.0f} % {clock(s)}" for m, s in over))
    for b in found.bounds:
        if b.due is not None:
            held = (
                ""
                if any(
                    c.stop >= b.due and c.start <= b.due and c.ending == "supply-lost" and c.stop - b.due < 60
                    for c in a.charges
                )
                else ", and it did not: wrong rating, wrong breaker, or it does not work"
            )
            out.append(
                f"never under {100 * b.point.multiple:.0f} % for {clock(b.stretch.seconds)}: {rated} had to "
                f"open within {clock(b.point.seconds)} ({b.point.source}){held}"
            )
            break
    else:
        hold = 1.0 if found.family == "ul489" else 1.13
        if found.most <= hold:
            out.append(f"never over what {rated} has to hold by its standard" + (", but others are on the same branch" if found.shared else ""))
        else:
            out.append(f"between what {rated} has to hold and the time at which it has to open: it may trip or not, no standard says")
    return out


def _endings(a: MeterFindings) -> list[str]:
    out = []
    for t in a.trips[:MOST_SENTENCES]:
        word = {
            "must-hold": "a load that it has to hold - look for heat, a loose lug, a worn breaker",
            "may-trip": "a load at which it may trip, no standard says when",
            "must-trip-within": f"a load at which it has to open within {clock(t.verdict.seconds or 0)}",
        }[t.verdict.verdict]
        heat = f", {t.celsius:.0f} °C at the breaker" if t.celsius is not None else ""
        out.append(
            f"volts and current went together {clock(t.seconds)} after the load came on, at "
            f"{100 * t.mean:.0f} % of the breaker's rating (at most {100 * t.most:.0f} %){heat}: {word} "
            f"({t.verdict.source})"
        )
    if not a.trips:
        out += [
            f"volts and current went together {clock(c.seconds)} after the load came on, at {c.last:.1f} A: "
            "a breaker or a switch opened"
            for c in a.ended[:MOST_SENTENCES]
        ]
    if a.ended:
        out.append("a trip ahead of the branch breaker, or a hand at the switch, looks the same in this log")
    cooler = held_when_cooler(a)
    if cooler is not None:
        other, cool, hot = cooler
        out.append(f"a like load was held for {clock(other.seconds)} at {cool:.0f} °C; the breaker opened at {hot:.0f} °C")
    short = [c for c in a.charges if c.ending == "interrupted"]
    if short:
        out.append(
            f"{len(short)} time{'s' if len(short) > 1 else ''} the supply was gone under load and back "
            f"within {SELF_CLOSING:g} s: an interruption of the supply, no breaker"
        )
    if any(c.ending == "lost-at-end" for c in a.charges):
        out.append(
            "volts and current went together just before the log ends; an interruption of the supply and a "
            "breaker that opened cannot be told apart"
        )
    halves = sum(c.ending == "leg-lost" for c in a.charges)
    if halves:
        out.append(
            f"{halves} charge{'s' if halves > 1 else ''} ended as one leg went and another stayed: a lost "
            "leg, not a breaker of two poles that opened"
        )
    stopped = [c for c in a.charges if c.ending == "stopped"]
    if stopped:
        out.append(f"{len(stopped)} charge{'s' if len(stopped) > 1 else ''} ended at once with the volts still there: the unit or the car stopped")
    unknown = [c for c in a.charges if c.ending == "unknown"]
    if unknown:
        out.append(
            f"{len(unknown)} charge{'s' if len(unknown) > 1 else ''} ended at once; without volts in the "
            "log, breaker and unit cannot be told apart"
        )
    torn = [c for c in a.charges if c.ending == "gap"]
    if torn:
        out.append(
            f"{len(torn)} charge{'s' if len(torn) > 1 else ''} ended in a gap of the log; a logger fed from "
            "the same circuit goes dark with it"
        )
    if a.charges and a.charges[-1].ending == "log-ends":
        out.append("the log ends while the load is on")
    return out


def _heat(a: MeterFindings) -> list[str]:
    view, out = a.view, []
    for cut in a.cuts[:MOST_SENTENCES]:
        every = f", every {clock(cut.period)}" if cut.period else ""
        steps = f"{cut.cuts} cuts from {cut.high:.1f} A to {cut.low:.1f} A and {cut.recoveries} recoveries{every}"
        if cut.column is not None:
            sure = "the current is cut back for heat" if cut.seen else "this looks like a cut-back for heat, seen once"
            out.append(f"{steps}: down at {cut.down:.1f} °C, up again at {cut.up:.1f} °C ({one(view.title(cut.column))}): {sure}")
        elif view.heat:
            out.append(f"{steps}, but no logged temperature goes with them: load management or the car")
        elif cut.regular:
            out.append(f"{steps}, regular as heat or load management would make it; without a temperature in the log the two cannot be told apart")
        else:
            out.append(f"{steps}; without a temperature in the log the cause cannot be told")
    for rise in a.rises:
        out.append(f"{one(rise.hot)} is {rise.kelvin:.1f} K over {one(rise.cool)} at {rise.amps:.1f} A")
    return out


def _charge(c: Charge, origin: float) -> dict[str, Any]:
    return {"start_s": c.start - origin, "seconds": c.seconds, "amps": c.most, "ending": c.ending, "supply_away_s": c.away}


def _source(a: MeterFindings, s: SourceOhms) -> dict[str, Any]:
    return {
        "column": a.view.title(s.column), "leg": s.leg or None, "ohms": s.ohms, "bar_ohms": s.bar, "steps": s.steps, "odd": s.odd,
        "wires_cold_ohms": s.cold, "wires_warm_ohms": s.warm,
    }  # fmt: skip


def figures(a: MeterFindings) -> dict[str, Any]:
    """The figures, as docs/evidence/meter-log.md lists them."""
    view, log = a.view, a.view.log
    origin = float(log.times[0])
    b = a.bands
    return {
        "samples": log.samples, "interval_s": log.interval, "seconds": float(log.times[-1]) - origin, "rows_held": len(log.times),
        "missing": a.rows.missing, "gaps": log.gaps, "gap_s": log.gap_seconds, "clock_jumps": log.jump_count, "nominal_v": view.nominal,
        "columns": [{"title": c.title, "quantity": c.quantity, "wires": c.wires, "spot": c.spot} for c in log.columns],
        "columns_not_used": list(a.layout.left), "levels": [
            {"start_s": x.start - origin, "seconds": x.seconds, "amps": x.amps} for x in a.held[:MOST_LEVELS]],
        "level_count": len(a.held), "charges": [_charge(c, origin) for c in a.charges[:MOST_LEVELS]], "charge_count": len(a.charges),
        "idle_v": a.sag.idle, "loaded_v": a.sag.loaded, "loaded_a": a.sag.at_amps, "drift_v": a.sag.drift,
        "sources": [_source(a, s) for s in a.sag.sources], "upstream": _source(a, a.sag.upstream) if a.sag.upstream else None,
        "worse_leg": a.sag.leg or None, "worse_leg_ohms": a.sag.leg_ohms if a.sag.leg else None,
        "worse_leg_bar_ohms": a.sag.leg_bar if a.sag.leg else None,
        "lost_legs": [
            {"start_s": x.start - origin, "seconds": x.seconds, "leg": x.leg or None, "volts": x.volts, "across_v": x.across, "loaded": x.loaded}
            for x in a.lost[:MOST_LEVELS]],
        "floating_neutral": None if a.floats is None else {
            "low_v": a.floats.low, "high_v": a.floats.high, "low_leg": a.floats.low_leg, "seconds": a.floats.seconds, "load_ratio": a.floats.ratio},
        "breaker": None if b is None else {
            "rating_a": b.rating, "family": b.family, "over_s": {f"{100 * m:.0f} %": s for m, s in b.over.items()}, "most": b.most,
            "longest_s": {f"{100 * x.point.multiple:.0f} %": x.stretch.seconds for x in b.bounds},
            "had_to_open_s": None if b.due is None else b.due - origin, "source": b.source or None},
        "trips": [
            {
                "after_s": t.seconds, "multiple": t.mean, "most": t.most, "verdict": t.verdict.verdict,
                "celsius": t.celsius,
            }
            for t in a.trips[:MOST_LEVELS]],
        "cut_backs": [
            {
                "cuts": c.cuts, "recoveries": c.recoveries, "period_s": c.period, "high_a": c.high,
                "low_a": c.low, "down_c": c.down, "up_c": c.up, "heat": c.seen,
            }
            for c in a.cuts[:MOST_LEVELS]],
        "joint_rises": [{"spot": r.spot, "kelvin": r.kelvin, "amps": r.amps} for r in a.rises],
    }  # fmt: skip


__all__ = ["figures", "says"]
