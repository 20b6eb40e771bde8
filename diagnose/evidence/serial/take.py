"""Readings of a serial capture, at the places of the record."""

from __future__ import annotations

from collections.abc import Iterable

from diagnose.evidence.polls import EXCEPTION_OUTCOMES, POLLS_FOR_SHARE, often, usual_code
from diagnose.evidence.report import TakenReading
from diagnose.evidence.serial.find import (
    JudgedUnit,
    TrunkFindings,
    by_itself,
    error_shares,
    frame_fault,
    never_asked,
    pause_text,
    pause_word,
    reply_word,
    round_time,
    spots_of,
    strangers,
)
from diagnose.evidence.serial.say import double_text, parity_text, polls_text, stranger_text, where_seen
from diagnose.physics import serial
from diagnose.site.places import ranges

REPLY_SPOTS = {"late": "late", "damaged": "damaged", "two-replies": "two answers"}


class _Readings:
    """Readings written down; `spots_are` says what the numbers of spots count: lines, or bytes from."""

    def __init__(self, found: TrunkFindings, spots_are: str) -> None:
        self.taken: list[TakenReading] = []
        self._trunk, self._spots_are = found.plan.trunk, spots_are

    def units(self, check: str, units: Iterable[int], answer: str, because: str, spots: Iterable[int] = ()) -> None:
        """A reading at units."""
        self.taken.append(TakenReading(check, units_text(units), answer, because, where_seen(self._spots_are, spots)))

    def trunk(self, check: str, answer: str, because: str, spots: Iterable[int] = ()) -> None:
        """A reading at the trunk, if the record has one."""
        if self._trunk:
            seen = where_seen(self._spots_are, spots)
            self.taken.append(TakenReading(check, f"trunk {self._trunk}", answer, because, seen))


def units_text(units: Iterable[int]) -> str:
    """`unit 5` or `units 5-9`."""
    numbers = ranges(units)
    return f"unit {numbers}" if numbers.isdecimal() else f"units {numbers}"


def take(f: TrunkFindings, spots_are: str) -> list[TakenReading]:
    """Every reading, in the order of what matters."""
    r = _Readings(f, spots_are)
    _answers(f, r)
    for text, group in error_shares(f).items():
        r.units("poll-error-rate", [j.unit for j in group], text, polls_text(group))
    _exceptions(f, r)
    _parity(f, r)
    _doubles(f, r)
    _replies(f, r)
    if missing := never_asked(f):
        r.units("poll-list-look", missing, "not-listed", "never asked in the whole capture, the others many times")
    if fault := frame_fault(f):
        r.trunk("raw-frames", *fault)
    if word := pause_word(f.tally):
        r.trunk("poll-gap-shown", word, pause_text(f.tally))
    if (turn := round_time(f)) is not None:
        because = f"{turn.rounds} rounds of {turn.units} units; the rest between rounds left out"
        r.trunk("poll-cycle", f"{turn.busy_s:.3g} s", because)
    return r.taken


def _answers(f: TrunkFindings, r: _Readings) -> None:
    for answer in ("answers", "intermittently", "garbled", "silent"):
        same = [j for j in f.judged if j.polls.answers == answer and not by_itself(f, j)]
        if same:
            kinds = ("silent", "damaged", "late", "exception") if answer != "answers" else ()
            spots = [s for j in same for k in kinds for s in j.polls.spots.get(k, ())[:2]]
            r.units("unit-answers", [j.unit for j in same], answer, polls_text(same), spots)


def _exceptions(f: TrunkFindings, r: _Readings) -> None:
    none: list[JudgedUnit] = []
    for j in f.judged:
        u = j.polls
        total = u.exceptions.total()
        if j.address in f.excused:
            continue
        if often(total, u.asked):
            code = usual_code(u.exceptions)
            if outcome := EXCEPTION_OUTCOMES.get(code):
                name = serial.EXCEPTIONS[code].name
                because = f"{total} of {u.asked} polls to address {j.address} refused, mostly {code:02X} ({name})"
                r.units("exception-codes", [j.unit], outcome, because, u.spots.get("exception", ()))
        elif not total and u.good >= POLLS_FOR_SHARE / 2 and not u.late and not f.echo:
            none.append(j)
    if none:
        r.units("exception-codes", [j.unit for j in none], "none", "no exception among the replies")


def _parity(f: TrunkFindings, r: _Readings) -> None:
    found = f.other_parity
    if f.all_other_parity:
        r.trunk("controller-port-shown", "wrong-serial", parity_text(found), spots_of(found, "damaged"))
        return
    for j in found:
        r.units("unit-port-shown", [j.unit], "wrong-parity", parity_text([j]), j.polls.spots.get("damaged", ()))


def _doubles(f: TrunkFindings, r: _Readings) -> None:
    """Two units on one address, or an address that nobody should have."""
    for j in f.doubles:
        seen = [*j.polls.spots.get("two answers", ()), *j.polls.spots.get("damaged", ())]
        r.trunk("address-scan", "collides", double_text(j), seen)
    if (strange := strangers(f)) and not f.doubles:
        r.trunk("address-scan", "unexpected", stranger_text(strange))


def _replies(f: TrunkFindings, r: _Readings) -> None:
    """What follows the requests to each unit, where some of it is not just there or missing."""
    if f.echo:
        return
    found: dict[str, list[JudgedUnit]] = {}
    for j in f.judged:
        if outcome := reply_word(f, j):
            found.setdefault(outcome, []).append(j)
    if set(found) <= {"one-reply"}:
        return  # unit-answers has said it
    for outcome, group in found.items():
        seen = spots_of(group, REPLY_SPOTS[outcome]) if outcome in REPLY_SPOTS else ()
        r.units("reply-capture", [j.unit for j in group], outcome, polls_text(group), seen)
