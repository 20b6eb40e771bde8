"""From what a probe measured to figures, sentences and readings. Pure.

Readings come from the same judgement as those of captures. Left out is what only the usual controller could show
(its pauses, its list, its own port), since the probe stands in its place.
Sources: Wilson's interval for a share (general statistics literature); MODBUS Application Protocol V1.1b3 (codes).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import fmean, median
from typing import Any, NamedTuple

from diagnose.evidence.polls import GATEWAY_CODES, PollCount
from diagnose.evidence.report import Report, TakenReading
from diagnose.evidence.robust import wilson
from diagnose.evidence.serial.counts import UnitPolls
from diagnose.evidence.serial.find import TrunkFindings, TrunkPlan, find
from diagnose.evidence.serial.say import says as capture_says
from diagnose.evidence.serial.take import take, units_text
from diagnose.physics import serial
from diagnose.probe.plan import FUNCTION_NAMES, IDENTITIES, Setting
from diagnose.probe.trunk import REFUSED_AS_ASKED, Measured, SweepRow, UnitMeasure
from diagnose.site.model import Site
from diagnose.site.places import ranges
from diagnose.source.problems import one_line

KIND = "trunk-probe"
TITLE = "Live probe of a trunk"
EDGES_MS = (0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
KEPT_CHECKS = ("unit-answers", "poll-error-rate", "exception-codes", "address-scan", "reply-capture")
FROM_THE_FRAMES = ("Bytes of address", "Address ")
"""How sentences begin that the reader of captures adds: bytes of one parity, replies of a wrong length."""
NOT_OF_THE_PROBE = ("own-echo", "foreign-requests", "no-gaps")
"""Outcomes of raw-frames that would speak of the adapter or of whom the probe stands in for."""
ALL_ADDRESSES = len(serial.UNIT_ADDRESSES)
MOST_SENTENCES = 12


class Bin(NamedTuple):
    """Replies that took from `low` up to below `high` ms; None: without end."""

    low: float
    high: float | None
    replies: int


def histogram(times_s: Sequence[float]) -> list[Bin]:
    """Reply times, s, in bins of ms, from the first that is not empty to the last."""
    counts = [0] * len(EDGES_MS)
    for seconds in times_s:
        counts[max(n for n, edge in enumerate(EDGES_MS) if n == 0 or 1000 * seconds >= edge)] += 1
    full = [n for n, count in enumerate(counts) if count]
    if not full:
        return []
    ends: list[float | None] = [*EDGES_MS[1:], None]
    return [Bin(EDGES_MS[n], ends[n], counts[n]) for n in range(full[0], full[-1] + 1)]


def faults(m: UnitMeasure) -> dict[int, int]:
    """Exceptions that are failures; those that only say that this register is not there are none."""
    return {code: n for code, n in sorted(m.exceptions.items()) if code not in REFUSED_AS_ASKED}


def polls_of(m: UnitMeasure) -> PollCount:
    """As polls: those of which a controller would have got nothing it can use count as failed."""
    silent = m.timed_out + m.wrong_address
    told = Counter(faults(m))
    return PollCount(m.asked, good=m.answered, silent=silent, damaged=m.damaged, late=m.late, exceptions=told)


def present(m: UnitMeasure) -> bool:
    """Whether somebody answered well at this address, at the setting of the scan, in scan or rounds."""
    gate = {f"exception {code:02X}" for code in GATEWAY_CODES}
    well = any(what == "data" or (what.startswith("exception") and what not in gate) for what in m.functions.values())
    return bool(well or m.answered or m.late or any(code not in GATEWAY_CODES for code in m.exceptions))


def two_units(m: UnitMeasure) -> str:
    """Why this address looks as if two units had it, or nothing."""
    names = list(dict.fromkeys(m.identities))
    if len(names) > 1:
        return f"it named itself in {len(names)} ways: {one_line(names[0], 60)} and {one_line(names[1], 60)}"
    if m.twice >= 2:
        return f"{m.twice} of {m.asked} polls were answered twice"
    return ""


def alternates(values: Sequence[bytes]) -> bool:
    """Whether a register's value goes to and fro between just two values; a measured value seldom does."""
    if len(set(values)) != 2:
        return False
    changes = sum(a != b for a, b in pairwise(values))
    return changes >= 4


# ---- the report


def report(m: Measured, site: Site | None) -> Report:
    """What was measured, as readers give it."""
    found = _found(m, site)
    taken = [t for t in take(found, "lines") if _speaks_of_units(t, m)]
    taken = list({(t.check, t.at, t.answer): t for t in reversed(taken)}.values())[::-1]  # two shared addresses are one answer
    taken += _scan_readings(m, found.plan, taken)
    taken += _identity_readings(m, found.plan)
    taken += _sweep_readings(m, found.plan)
    if m.plan.host and found.plan.trunk:
        taken.append(TakenReading("gateway-port", f"trunk {found.plan.trunk}", "connects", f"{m.plan.where} took the connection", "whole log"))
    damage = [x for x in capture_says(found, "lines") if x.startswith(FROM_THE_FRAMES)]
    says = [*_headline(m), *_remarks(m), *damage, *_sweep_says(m)]
    return Report(
        KIND, TITLE, tuple(one_line(x) for x in says),
        tuple(t._replace(because=one_line(t.because), lines=one_line(t.lines)) for t in taken),
        figures(m), m.frames, m.damaged, tuple(one_line(x, 160) for x in m.samples),
    )  # fmt: skip


def _speaks_of_units(t: TakenReading, m: Measured) -> bool:
    """Whether a reading is of the units and the trunk, not of the adapter or of the controller that the probe stands in for."""
    if t.check == "raw-frames":
        return not m.plan.host and t.answer not in NOT_OF_THE_PROBE
    return t.check in KEPT_CHECKS or (t.check == "unit-port-shown" and m.plan.recorded and m.setting == m.plan.setting)


def _found(m: Measured, site: Site | None) -> TrunkFindings:
    """The judgement of captures over the polls of the rounds."""
    excused = set()
    for address, u in m.tally.units.items():
        if any(code in REFUSED_AS_ASKED for code in u.exceptions):
            excused.add(address)
            for code in REFUSED_AS_ASKED:
                u.exceptions.pop(code, None)
        _behind_gateway(u)
    return find(m.tally, site, frozenset(excused))


def _behind_gateway(u: UnitPolls) -> None:
    """A gateway that says that the unit is silent has answered in the unit's place."""
    told = sum(n for code, n in u.exceptions.items() if code in GATEWAY_CODES)
    if told and told + u.silent == u.asked:
        u.silent, u.good = u.asked, 0


def _scan_readings(m: Measured, place: TrunkPlan, taken: Sequence[TakenReading]) -> list[TakenReading]:
    """What the addresses say together, and two names at one address."""
    found: list[TakenReading] = []
    if not place.trunk:
        return found
    known = {t.answer for t in taken if t.check == "address-scan"}
    names = [u for u in m.units.values() if two_units(u)]
    found += [
        TakenReading("identity-read", f"unit {place.unit_of[u.address]}", "changes", two_units(u), "whole log")
        for u in m.units.values() if len(set(u.identities)) > 1 and u.address in place.unit_of
    ]  # fmt: skip
    if names and "collides" not in known:
        because = f"address {names[0].address}: {two_units(names[0])}"
        return [*found, TakenReading("address-scan", f"trunk {place.trunk}", "collides", because, "whole log")]
    if known or not place.planned or m.stopped or len(m.plan.units) < ALL_ADDRESSES - 1:
        return found
    wanted = [a for a in place.unit_of if a != place.controller and a in m.units]
    missing = [a for a in wanted if not present(m.units[a])]
    because = f"{len(wanted)} planned of {len(m.plan.units)} asked; missing: {ranges(missing) if missing else 'none'}"
    return [TakenReading("address-scan", f"trunk {place.trunk}", "units-missing" if missing else "as-planned", because, "whole log")]


def _identity_readings(m: Measured, place: TrunkPlan) -> list[TakenReading]:
    """Whether a unit names itself alike each time; being alike counts only after as many reads as the check asks for."""
    groups: dict[str, list[int]] = {}
    for address, u in m.units.items():
        if address in place.unit_of and u.identities:
            alike = len(set(u.identities)) == 1
            if not alike or len(u.identities) >= IDENTITIES:
                groups.setdefault("same-each-time" if alike else "changes", []).append(address)
    taken = []
    for answer, addresses in groups.items():
        units = [place.unit_of[a] for a in addresses]
        because = f"address {ranges(addresses)}, read {max(len(m.units[a].identities) for a in addresses)} times"
        taken.append(TakenReading("identity-read", units_text(units), answer, because, "whole log"))
    return taken


def _sweep_readings(m: Measured, place: TrunkPlan) -> list[TakenReading]:
    """Units that answer at another setting than the record's."""
    if not m.plan.recorded:
        return []
    taken = []
    for row in m.sweep:
        units = [place.unit_of[a] for a in row.good if a in place.unit_of]
        if row.setting == m.plan.setting or not units:
            continue
        other_rate = row.setting.bit_rate != m.plan.setting.bit_rate
        because = f"answers at {row.setting}; the record says {m.plan.setting}"
        taken.append(TakenReading("unit-port-shown", units_text(units), "wrong-rate" if other_rate else "wrong-parity", because, "whole log"))
    return taken


def _headline(m: Measured) -> list[str]:
    there = [a for a, u in m.units.items() if present(u)]
    silent = [a for a, u in m.units.items() if not present(u) and (u.asked or u.functions)]
    at = "" if m.plan.host else f" at {m.setting}"
    parts = [f"{len(there)} of {len(m.units)} addresses answer over {m.plan.where}{at}" + (f": {ranges(there)}" if there else "")]
    if silent:
        parts.append(f"nothing that can be used from {ranges(silent)}")
    says = ["; ".join(parts) + "."]
    if m.stopped:
        says.insert(0, f"Partial: {m.stopped} after {m.requests} requests, {m.rounds_done} of {m.plan.rounds} rounds done.")
    return says


def _remarks(m: Measured) -> list[str]:
    says: list[str] = []
    for u in m.units.values():
        if u.asked and polls_of(u).failed and present(u):
            says.append(_errors_text(u))
        if why := two_units(u):
            says.append(f"Hint: two units may have address {u.address}; {why}.")
        elif m.plan.register_given and alternates(u.values):
            says.append(
                f"Hint only: register {u.chosen.start} of address {u.address} goes to and fro between two "
                "values, as if two units answered in turn."
            )
        if u.left_out:
            says.append(f"Address {u.address} was left out after {u.asked} polls without an answer.")
    if len(says) > MOST_SENTENCES:
        says = [*says[:MOST_SENTENCES], f"and {len(says) - MOST_SENTENCES} more; the figures hold them all."]
    if m.echoes:
        says.append("The adapter hears what it sends; its echo was left out.")
    if m.foreign and not m.stopped:
        says.append("A request of another controller was heard; stop it, and probe again.")
    if m.noise:
        says.append(f"{m.noise} bytes were heard before anybody was asked: noise, or a line without bias.")
    if m.unexpected:
        says.append(f"Good replies of addresses that nobody asked: {ranges(m.unexpected)}.")
    return says


def _errors_text(u: UnitMeasure) -> str:
    s = wilson(polls_of(u).failed, u.asked)
    parts = [
        f"{n} {what}"
        for what, n in (
            ("timed out", u.timed_out), ("damaged", u.damaged), ("late", u.late),
            ("from a wrong address", u.wrong_address),
        )
        if n
    ]
    parts += [
        f"{n} refused with {code:02X} "
        f"({serial.EXCEPTIONS[code].name if code in serial.EXCEPTIONS else 'unknown'})"
        for code, n in faults(u).items()
    ]
    share = f"{100 * s.share:.3g} % (95 % sure: {100 * s.low:.2g} to {100 * s.high:.2g} %)"
    return f"Address {u.address}: {polls_of(u).failed} of {u.asked} polls failed, {share}: {', '.join(parts)}."


def _sweep_says(m: Measured) -> list[str]:
    says = []
    for row in m.sweep:
        if row.good and row.setting != m.plan.setting:
            says.append(f"Address {ranges(row.good)} answers at {row.setting}.")
        if row.garbled:
            says.append(f"At {row.setting} something answers for address {ranges(row.garbled)}, but damaged.")
        if row.refused:
            says.append(f"Not tried: {row.refused}.")
    if m.sweep and not any(row.good for row in m.sweep):
        says.append(f"At none of {len(m.sweep)} settings came a good answer.")
    return says


# ---- figures


def figures(m: Measured) -> dict[str, Any]:
    """All numbers, as JSON values."""
    return {
        "partial": bool(m.stopped), "stopped": m.stopped or None, "requests": m.requests,
        "rounds": m.plan.rounds, "rounds_done": m.rounds_done, "seconds": round(m.took_s, 3),
        "line": "tcp" if m.plan.host else "serial", "setting": None if m.plan.host else _setting(m.setting),
        "timeout_ms": round(1000 * m.plan.timeout_s, 3), "requests_per_second_at_most": m.plan.rate,
        "function_codes_sent": {f"{code:02X}": n for code, n in sorted(m.sent.items())},
        "echoes": m.echoes, "foreign_requests": m.foreign, "noise_bytes": m.noise,
        "sweep": [_row(row) for row in m.sweep],
        "units": {str(a): _unit(u) for a, u in m.units.items() if u.asked or u.functions},
    }  # fmt: skip


def _setting(s: Setting) -> dict[str, Any]:
    return {"bit_rate": s.bit_rate, "parity": s.parity, "stop_bits": s.stop_bits}


def _row(row: SweepRow) -> dict[str, Any]:
    return {**_setting(row.setting), "good": row.good, "garbled": row.garbled, "silent": row.silent, "refused": row.refused or None}


def _unit(u: UnitMeasure) -> dict[str, Any]:
    share = wilson(polls_of(u).failed, u.asked) if u.asked else None
    return {
        "functions": {FUNCTION_NAMES[f]: what for f, what in u.functions.items()},
        "asked_with": FUNCTION_NAMES[u.chosen.function], "asked": u.asked, "answered": u.answered, "timed_out": u.timed_out,
        "damaged": u.damaged, "late": u.late, "wrong_address": u.wrong_address, "answered_twice": u.twice, "stray_bytes": u.stray,
        "exceptions": {f"{code:02X}": n for code, n in sorted(u.exceptions.items())}, "failed": polls_of(u).failed,
        "error_percent": None if share is None else {
            "value": round(100 * share.share, 4), "low": round(100 * share.low, 4), "high": round(100 * share.high, 4),
        },
        "reply_ms": _times(u.times), "late_worst_ms": round(1000 * max(u.late_times), 3) if u.late_times else None,
        "identities": list(dict.fromkeys(u.identities)), "identity_asked": len(u.identities), "left_out": u.left_out,
    }  # fmt: skip


def _times(times: Sequence[float]) -> dict[str, Any] | None:
    if not times:
        return None
    return {
        "replies": len(times), "mean": round(1000 * fmean(times), 3), "median": round(1000 * median(times), 3),
        "worst": round(1000 * max(times), 3), "bins": [{"from": b.low, "to": b.high, "replies": b.replies} for b in histogram(times)],
    }  # fmt: skip


# ---- drawing

BLOCKS, PLAIN_BLOCKS = " ▁▂▃▄▅▆▇█", " .:-=+*#@"


def drawing(units: Iterable[UnitMeasure], width: int, blocks: str = BLOCKS) -> list[str]:
    """Reply times of each unit as a row of blocks over common bins, with median, mean and worst. For any width from 20."""
    rows = [(u, {b.low: b.replies for b in histogram(u.times)}) for u in units if u.times]
    if not rows:
        return []
    lows = [low for _, counts in rows for low in counts]
    edges = [e for e in EDGES_MS if min(lows) <= e <= max(lows)]
    steps = "one column each for " + ", ".join(f"{e:g}" for e in edges) + " and more" if len(edges) > 1 else f"one column, from {edges[0]:g}"
    texts = [f"Reply times, ms: {steps}"]
    for u, counts in rows:
        most = max(counts.values())
        bars = "".join(blocks[-(-counts.get(e, 0) * (len(blocks) - 1) // most)] for e in edges)
        ms = [1000 * x for x in (median(u.times), fmean(u.times), max(u.times))]
        head = f"{u.address:>3} |{bars}|"
        tail = f"median {ms[0]:.3g}, mean {ms[1]:.3g}, worst {ms[2]:.3g}"
        texts += [f"{head} {tail}"] if len(head) + len(tail) < width else [head, f"    {tail}"]
    return texts


__all__ = ["drawing", "figures", "histogram", "report", "wilson"]
