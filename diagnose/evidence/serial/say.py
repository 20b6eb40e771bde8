"""A serial capture in sentences and figures."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import median
from typing import Any

from diagnose.evidence.serial.counts import TrunkPolls
from diagnose.evidence.serial.find import JudgedUnit, TrunkFindings, numbers, strangers
from diagnose.site.places import ranges

MOST_SEEN = 6  # places of the capture that a reading names


def headline(f: TrunkFindings, total: int, cut: int) -> str:
    """How much of so many bytes was understood; `cut` overlong lines were cut."""
    t = f.tally
    share = 100 * t.frame_bytes / total
    units = sum(bool(u.asked) for u in t.units.values())
    frames = f"{t.frames} good frames in {total} bytes ({share:.4g} % of the bytes belong to one)"
    said = f"{frames}, {t.requests} requests to {units} addresses"
    return said + (f"; {cut} overlong lines were cut" if cut else "") + "."


def exchanged_text(addresses: Iterable[int]) -> str:
    """A hint at registers that stand the other way round."""
    who = ranges(addresses)
    return f"Hint only: 32-bit values of address {who} make sense with their two registers exchanged; compare one with the unit's screen."


def says(f: TrunkFindings, spots_are: str) -> list[str]:
    """The sentences: what may be two units first, then remarks."""
    out = [f"Two units seem to answer at once; {double_text(j)}." for j in f.doubles]
    if strange := strangers(f):
        out.append(f"On the trunk an unplanned {stranger_text(strange)}.")
    for j in f.judged:
        u = j.polls
        if u.wrong_span:
            seen = where_seen(spots_are, u.spots.get("wrong span", ()))
            out.append(f"Address {j.address}: {u.wrong_span} replies hold another number of registers than was asked for ({seen}).")
        if u.displaced:
            out.append(f"Address {j.address}: answered {u.displaced} times while another unit's late reply was being taken for it.")
    if parity := f.other_parity:
        text = parity_text(parity)
        out.append(text[0].upper() + text[1:] + ".")
    return out + _remarks(f)


def _remarks(f: TrunkFindings) -> list[str]:
    """What has to be said of the capture itself."""
    t, out = f.tally, []
    if t.damaged_requests:
        out.append(f"{t.damaged_requests} damaged stretches look like requests.")
    if f.outside and not f.plan.planned:
        out.append(f"Addresses without a unit in the record: {ranges(a for a, _ in f.outside)}.")
    if t.swapped:
        out.append("This is a unit's own log: what it received are the requests.")
    if t.replies and not t.requests:
        only = ranges(a for a, u in t.units.items() if not u.asked)
        out.append(f"The capture holds replies only (addresses {only}); without the requests nobody can be called silent.")
    if t.requests and t.marked and not t.replies and not t.gaps:
        out.append("The capture holds requests only; if replies were not recorded, disregard that nobody answers.")
    return out


def where_seen(spots_are: str, spots: Iterable[int]) -> str:
    """`lines 3, 9`, or the whole capture."""
    found = sorted(set(spots))[:MOST_SEEN]
    return f"{spots_are} {', '.join(str(s) for s in found)}" if found else "whole capture"


def double_text(j: JudgedUnit) -> str:
    """What looks like two units at an address."""
    u = j.polls
    twice = f"{u.two_answers} polls answered twice, " if u.two_answers else "replies that fit no single sender, "
    return f"address {j.address}: {twice}{u.damaged} damaged of {u.asked}"


def stranger_text(addresses: Iterable[int]) -> str:
    """Addresses that nobody should have."""
    return f"address {ranges(addresses)} answers and is not in the plan"


def parity_text(judged: Iterable[JudgedUnit]) -> str:
    """Units that are set to another parity."""
    return f"address {numbers(judged)} is set to another parity than the controller: only those of its bytes arrive that fit both"


def polls_text(group: list[JudgedUnit]) -> str:
    """How the polls to some units went."""
    if len(group) > 1:
        asked = sum(j.polls.asked for j in group)
        return f"{asked} polls to {len(group)} units, {sum(j.polls.failed for j in group)} failed"
    u = group[0].polls
    counts = {
        "unanswered": u.silent, "damaged": u.damaged, "late": u.late, "refused": u.exceptions.total(),
        "with stray bytes before the reply": u.junk_before,
    }  # fmt: skip
    parts = [f"{n} {what}" for what, n in counts.items() if n] or ["none failed"]
    return f"{u.asked} polls to address {group[0].address}: {', '.join(parts)}"


def figures(tally: TrunkPolls) -> dict[str, Any]:
    """Figures of each address and of the trunk, as JSON values."""
    units = {}
    for address, u in sorted(tally.units.items()):
        mean = 1000 * u.reply_s / u.replies_timed if u.replies_timed else None
        units[str(address)] = {
            "asked": u.asked, "answered": u.good, "silent": u.silent, "damaged": u.damaged, "late": u.late,
            "displaced": u.displaced, "wrong_span": u.wrong_span, "two_answers": u.two_answers, "first_byte_lost": u.first_lost,
            "stray_before": u.junk_before, "unasked_replies": u.unasked, "longest_silence_polls": u.longest_silent,
            "exceptions": {f"{code:02X}": n for code, n in sorted(u.exceptions.items())},
            "reply_mean_ms": None if mean is None else round(mean, 3),
            "reply_worst_ms": round(1000 * u.worst_s, 3) if u.replies_timed else None,
            "late_worst_ms": round(1000 * u.late_s, 3) if u.late else None,
        }  # fmt: skip
    return {
        "units": units, "frames": tally.frames, "requests": tally.requests,
        "replies": tally.replies, "broadcasts": tally.broadcasts, "echoes": tally.echoes,
        "foreign_requests": tally.foreign, "damaged_requests": tally.damaged_requests, "stretches_without_frame": tally.gaps,
        "stray_bytes": tally.stray_bytes, "pause_median_ms": round(1000 * median(tally.pauses), 3) if tally.pauses else None,
    }  # fmt: skip
