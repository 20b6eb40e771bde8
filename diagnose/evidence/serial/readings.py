"""What the polls of a capture answer: readings at places, sentences and figures.

Thresholds are those of the gauges or common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from math import sqrt
from statistics import median
from typing import Any, NamedTuple

from diagnose.evidence.report import TakenReading
from diagnose.evidence.serial.damage import one_parity
from diagnose.evidence.serial.polls import TrunkPolls, UnitPolls
from diagnose.physics import serial
from diagnose.site.model import Site, Trunk
from diagnose.site.places import Place, ranges

FEWEST_POLLS = 3  # below this nothing is said of a unit
POLLS_FOR_SHARE = 20  # below this no percentage is given
CLEAN, MANY = 0.01, 0.3
MOSTLY = 0.5
GARBLED = 0.9  # share of what comes back that is damaged; below it good replies come as well
SEEN_OFTEN = 2  # a thing seen once proves little
ECHO_SHARE = 0.8
COLLIDES = 0.3  # share of an address's polls that are damaged or answered twice when two units have it
FEWEST_ROUNDS = 3


class TrunkPlan(NamedTuple):
    """Which trunk the capture is of, and which unit has which address."""

    trunk: int
    unit_of: Mapping[int, int]
    planned: bool  # addresses come from a record
    controller: int  # its address, 0 not known


class JudgedUnit(NamedTuple):
    """A unit's polls, summed up in the words of the checks."""

    unit: int
    address: int
    tally: UnitPolls
    answers: str
    failed: float  # share of polls


def where(site: Site | None, tally: TrunkPolls) -> TrunkPlan:
    """The trunk whose addresses the capture asks, and its units by address; number for address where not recorded."""
    asked = {a for a, u in tally.units.items() if u.asked or u.unasked}
    if site is None or not site.trunks:
        units = asked if site is None else set(site.units)
        return TrunkPlan(0 if site else 1, {a: a for a in range(1, 248) if site is None or a in units}, False, 0)
    best = max(site.trunks, key=lambda t: len(asked & set(_addresses(site, t))))
    plan = _addresses(site, best)
    known = any(site.get("unit.address", Place("unit", u)) is not None for u in best.units)
    controller = next((a for a, u in plan.items() if u == best.controller), 0)
    return TrunkPlan(best.number, plan, known, controller)


def _addresses(site: Site, trunk: Trunk) -> dict[int, int]:
    plan: dict[int, int] = {}
    for unit in trunk.units:
        address = site.number("unit.address", Place("unit", unit))
        plan.setdefault(int(address) if address is not None else unit, unit)
    return plan


def settle_echoes(tally: TrunkPolls) -> bool:
    """Whether the controller hears itself. Without times or directions that shows when nearly all requests come twice."""
    answered = sum(u.asked - u.silent for u in tally.units.values())
    twice = sum(u.twins_answered for u in tally.units.values())
    if not tally.echoes and answered >= FEWEST_POLLS and twice >= ECHO_SHARE * answered:
        for u in tally.units.values():
            tally.echoes += u.twins
            u.asked -= u.twins
            u.silent -= u.twins
    echo = tally.echoes >= SEEN_OFTEN and tally.echoes >= MOSTLY * max(1, sum(u.asked for u in tally.units.values()))
    if not echo:
        for u in tally.units.values():
            u.two_answers += u.perhaps_two
    return echo


def judge(unit: int, address: int, u: UnitPolls) -> JudgedUnit:
    """The outcome of `unit-answers` for an address."""
    failed = failures(u) / max(1, u.asked)
    if failed <= CLEAN:
        answers = "answers"
    elif u.damaged >= GARBLED * (u.asked - u.silent) and u.damaged >= u.silent and u.damaged:
        answers = "garbled"
    elif u.silent == u.asked:
        answers = "silent"
    else:
        answers = "intermittently"
    return JudgedUnit(unit, address, u, answers, failed)


def failures(u: UnitPolls) -> int:
    """Polls of which the poller got nothing it could use: no reply, a damaged, late or refusing one, stray bytes before it."""
    return min(u.asked, u.silent + u.damaged + u.late + u.junk_before + sum(u.exceptions.values()))


class Finder:
    """Readings from a tally, at the places of a site (or at unit numbers that equal the addresses)."""

    def __init__(self, tally: TrunkPolls, site: Site | None, spots_are: str, excused: frozenset[int] = frozenset()) -> None:
        """`excused`: addresses of whose exceptions nothing is said, since the asker chose what they may not have."""
        self.tally = tally
        self.excused = excused
        self.site = site
        self.taken: list[TakenReading] = []
        self.says: list[str] = []
        self.echo = settle_echoes(tally)
        self.where = where(site, tally)
        self._spots_are = spots_are
        units = sorted((a, u) for a, u in tally.units.items() if u.asked >= FEWEST_POLLS)
        self.judged = [judge(self.where.unit_of[a], a, u) for a, u in units if a in self.where.unit_of]
        if tally.swapped:  # a unit's own log: of the others it hears only the requests
            self.judged = [j for j in self.judged if j.tally.asked > j.tally.silent]
        self.doubles = [j for j in self.judged if self._double(j)]
        self.outside = [(a, u) for a, u in units if a not in self.where.unit_of]

    def find(self) -> None:
        """Everything, in the order of what matters."""
        self._units()
        self._errors()
        self._exceptions()
        parity = self._parity()
        self._doubles()
        self._replies()
        self._not_listed()
        self._raw_frames()
        self._pauses()
        self._round()
        self._remarks(parity)

    # ---- writing down

    def _take(self, check: str, units: Iterable[int], answer: str, because: str, spots: Iterable[int] = ()) -> None:
        numbers = ranges(units)
        at = f"unit {numbers}" if numbers.isdecimal() else f"units {numbers}"
        self.taken.append(TakenReading(check, at, answer, because, self._lines(spots)))

    def _take_trunk(self, check: str, answer: str, because: str, spots: Iterable[int] = ()) -> None:
        if self.where.trunk:
            self.taken.append(TakenReading(check, f"trunk {self.where.trunk}", answer, because, self._lines(spots)))

    def _lines(self, spots: Iterable[int]) -> str:
        found = sorted(set(spots))[:6]
        return f"{self._spots_are} {', '.join(str(s) for s in found)}" if found else "whole capture"

    # ---- units

    def _units(self) -> None:
        for answer in ("answers", "intermittently", "garbled", "silent"):
            same = [j for j in self.judged if j.answers == answer and not self._by_itself(j)]
            if same:
                spots = [s for j in same for k in ("silent", "damaged", "late", "exception") for s in j.tally.spots.get(k, ())[:2]]
                self._take("unit-answers", [j.unit for j in same], answer, _why(same), spots if answer != "answers" else ())

    def _by_itself(self, j: JudgedUnit) -> bool:
        """Where it is known what happens to a unit's replies, `answers` or `garbled` would say the wrong thing of it.

        With its own echo in the receiver a controller makes nothing of replies that are good on the wire. Replies of
        another parity are garbled where one unit is set so, but not where the controller is.
        """
        if _other_parity(j):
            return j.answers != "garbled" or self._all_other_parity()
        return self.echo and j.answers in ("answers", "intermittently")

    def _all_other_parity(self) -> bool:
        found = sum(1 for j in self.judged if _other_parity(j))
        return found > 1 and found > MOSTLY * len(self.judged)

    def _errors(self) -> None:
        shares: dict[str, list[JudgedUnit]] = {}
        counted = [j for j in self.judged if j.tally.asked >= POLLS_FOR_SHARE and (_other_parity(j) or not self._by_itself(j))]
        if any(j.answers == "silent" for j in self.judged):
            # Two answer at this address, and one of them is the silent unit: that one has the fault, not the rightful owner.
            counted = [j for j in counted if j not in self.doubles]
        common = [j for j in counted if CLEAN < j.failed < GARBLED]
        pooled = sum(failures(j.tally) for j in common) / max(1, sum(j.tally.asked for j in common))
        alike = len(common) > 1 and all(abs(j.failed - pooled) <= _spread(pooled, j.tally.asked) for j in common)
        for j in counted:
            share = pooled if alike and j in common else j.failed
            shares.setdefault(f"{100 * share:.3g} %", []).append(j)
        for text, group in shares.items():
            self._take("poll-error-rate", [j.unit for j in group], text, _why(group))

    def _exceptions(self) -> None:
        found: dict[str, list[JudgedUnit]] = {}
        for j in self.judged:
            if j.address in self.excused:
                continue
            total = sum(j.tally.exceptions.values())
            if total >= SEEN_OFTEN and total > CLEAN * j.tally.asked:
                code = j.tally.exceptions.most_common(1)[0][0]
                if outcome := EXCEPTION_OUTCOMES.get(code):
                    name = serial.EXCEPTIONS[code].name
                    because = f"{total} of {j.tally.asked} polls to address {j.address} refused, mostly {code:02X} ({name})"
                    self._take("exception-codes", [j.unit], outcome, because, j.tally.spots.get("exception", ()))
            elif not total and j.tally.good >= POLLS_FOR_SHARE / 2 and not j.tally.late and not self.echo:
                found.setdefault("none", []).append(j)
        for outcome, group in found.items():
            self._take("exception-codes", [j.unit for j in group], outcome, "no exception among the replies")

    def _parity(self) -> list[JudgedUnit]:
        """Units whose bytes show that they send with another parity than the receiver expects."""
        found = [j for j in self.judged if _other_parity(j)]
        if self._all_other_parity():
            self._take_trunk("controller-port-shown", "wrong-serial", _parity_text(found), _spots(found, "damaged"))
            return found
        for j in found:
            self._take("unit-port-shown", [j.unit], "wrong-parity", _parity_text([j]), j.tally.spots.get("damaged", ()))
        return found

    def _doubles(self) -> None:
        """Two units on one address, or an address that nobody should have."""
        for j in self.doubles:
            u = j.tally
            twice = f"{u.two_answers} polls answered twice, " if u.two_answers else "replies that fit no single sender, "
            because = f"address {j.address}: {twice}{u.damaged} damaged of {u.asked}"
            self.says.append(f"Two units seem to answer at once; {because}.")
            self._take_trunk("address-scan", "collides", because, [*u.spots.get("two answers", ()), *u.spots.get("damaged", ())])
        strange = [a for a, u in self.outside if u.good >= SEEN_OFTEN]
        if strange and self.where.planned:
            because = f"address {ranges(strange)} answers and is not in the plan"
            self.says.append(f"On the trunk an unplanned {because}.")
            if not self.doubles:
                self._take_trunk("address-scan", "unexpected", because)

    def _replies(self) -> None:
        """What follows the requests to each unit, where some of it is not just there or missing."""
        if self.echo:
            return
        found: dict[str, list[JudgedUnit]] = {}
        for j in self.judged:
            if outcome := self._reply(j):
                found.setdefault(outcome, []).append(j)
        if set(found) <= {"one-reply"}:
            return  # unit-answers has said it
        for outcome, group in found.items():
            spots = {"late": "late", "damaged": "damaged", "two-replies": "two answers"}.get(outcome)
            self._take("reply-capture", [j.unit for j in group], outcome, _why(group), _spots(group, spots) if spots else ())

    def _reply(self, j: JudgedUnit) -> str:
        """The outcome of `reply-capture`; nothing where the parity explains it, or where it is a little of everything."""
        u = j.tally
        often: Callable[[int], bool] = lambda n: n >= SEEN_OFTEN and n > CLEAN * u.asked  # noqa: E731
        if j in self.doubles or often(u.two_answers):
            return "two-replies"
        if _other_parity(j):
            return ""
        if often(u.late) and u.late >= u.damaged:
            return "late"
        if often(u.damaged):
            return "damaged"
        return "one-reply" if j.failed <= CLEAN and u.asked >= POLLS_FOR_SHARE else ""

    def _double(self, j: JudgedUnit) -> bool:
        u = j.tally
        if u.two_answers >= SEEN_OFTEN and u.two_answers > CLEAN * u.asked:
            return True
        if self.echo or _other_parity(j) or u.damaged < COLLIDES * u.asked:
            return False
        alone = all(o.tally.damaged < COLLIDES * o.tally.asked for o in self.judged if o.address != j.address)
        longer = u.overlong >= SEEN_OFTEN and u.overlong > MANY * u.damaged
        missing = any(o.answers == "silent" for o in self.judged)
        return alone and (longer or (missing and u.headed > MOSTLY * u.damaged))

    def _not_listed(self) -> None:
        if self.site is None or not self.where.planned or self.tally.swapped or len(self.judged) < 2:
            return
        asked = {a for a, u in self.tally.units.items() if u.asked or u.unasked}
        missing = [u for a, u in self.where.unit_of.items() if a not in asked and a != self.where.controller]
        enough = min(j.tally.asked for j in self.judged) >= FEWEST_ROUNDS
        if missing and enough and len(missing) < len(self.where.unit_of) / 2:
            self._take("poll-list-look", missing, "not-listed", "never asked in the whole capture, the others many times")

    # ---- the trunk

    def _raw_frames(self) -> None:
        t, asked = self.tally, sum(j.tally.asked for j in self.judged)
        if asked < FEWEST_POLLS:
            return
        for outcome, because, spots in self._kinds(asked):
            self._take_trunk("raw-frames", outcome, because, spots)
            return
        failed = sum(failures(j.tally) for j in self.judged)
        if failed <= CLEAN * asked and not t.damaged_requests and not self.doubles:
            self._take_trunk("raw-frames", "clean", f"{asked} polls, {failed} failed, {t.gaps} damaged stretches")

    def _kinds(self, asked: int) -> Iterable[tuple[str, str, list[int]]]:
        """What is wrong with the frames, what explains most first."""
        t = self.tally
        count: Callable[[str], int] = lambda name: sum(getattr(j.tally, name) for j in self.judged)  # noqa: E731
        often: Callable[[int], bool] = lambda n: n >= SEEN_OFTEN and n > CLEAN * asked  # noqa: E731
        if self.echo:
            yield "own-echo", f"{t.echoes} of {asked} requests came back as received", t.spots.get("echo", [])
        if t.foreign >= SEEN_OFTEN:
            yield "foreign-requests", f"{t.foreign} requests received that this side never sent", t.spots.get("foreign", [])
        late = [j for j in self.judged if j.tally.late >= SEEN_OFTEN and j.tally.late > CLEAN * j.tally.asked]
        if late:
            who = ", ".join(f"address {j.address}: {j.tally.late} of {j.tally.asked}" for j in late[:4])
            yield "late-replies", f"replies after the poller had gone on; {who}", _spots(late, "late")
        if often(lost := count("first_lost")):
            yield "first-byte-lost", f"{lost} replies fit their checksum once the lost first byte is put back", _spots(self.judged, "damaged")
        if self._too_fast():
            yield "no-gaps", self._pause_text(), []
        if often(junk := count("junk_before") + t.behind) and not self.doubles:
            yield "extra-bytes", f"{junk} polls with stray bytes beside the frames", t.spots.get("stray bytes", []) + _spots(self.judged, "junk before")
        if often(torn := count("damaged")) and count("good") and not self.doubles and not any(_other_parity(j) for j in self.judged):
            yield "damaged", f"{torn} of {asked} polls brought replies with a bad checksum", _spots(self.judged, "damaged")
        if count("silent") >= asked - count("damaged") and not count("good") and count("silent") >= MOSTLY * asked:
            yield "no-reply", f"{asked} requests, no good reply", []

    def _too_fast(self) -> bool:
        t = self.tally
        return t.judged_pauses >= POLLS_FOR_SHARE and t.short_pauses > MOSTLY * t.judged_pauses

    def _pause_text(self) -> str:
        middle = median(self.tally.pauses) if self.tally.pauses else 0.0
        return f"{1000 * middle:.3g} ms between reply and next request in the middle of {self.tally.judged_pauses} polls"

    def _pauses(self) -> None:
        if self._too_fast():
            self._take_trunk("poll-gap-shown", "too-short", self._pause_text())
        elif self.tally.judged_pauses >= POLLS_FOR_SHARE and not self.tally.short_pauses and self._sees_pauses():
            self._take_trunk("poll-gap-shown", "enough", self._pause_text())

    def _sees_pauses(self) -> bool:
        return bool(self.tally.pauses) and sorted(self.tally.pauses)[len(self.tally.pauses) // 20] >= 0.010

    def _round(self) -> None:
        """Time for one round, without the rest that the poller takes after it."""
        rounds = [x for a, x in self.tally.rounds.items() if len(x) >= FEWEST_ROUNDS and a in self.where.unit_of]
        if not rounds or len(rounds) < 2 or self.where.trunk == 0:
            return
        middle = median(median(x) for x in rounds)
        count = max(len(x) for x in rounds)
        longest = sorted(self.tally.pauses, reverse=True)[:count] or [0.0]
        usual = median(self.tally.pauses) if self.tally.pauses else 0.0
        rest = median(longest) if median(longest) > max(0.1, 3 * usual) else 0.0
        busy = max(middle - rest, 0.001)
        self._take_trunk("poll-cycle", f"{busy:.3g} s", f"{count} rounds of {len(rounds)} units; the rest between rounds left out")

    def _remarks(self, parity: list[JudgedUnit]) -> None:
        t = self.tally
        for j in self.judged:
            u = j.tally
            if u.wrong_span:
                self.says.append(
                    f"Address {j.address}: {u.wrong_span} replies hold another number of registers than was asked for"
                    f" ({self._lines(u.spots.get('wrong span', ()))})."
                )
            if u.displaced:
                self.says.append(f"Address {j.address}: answered {u.displaced} times while another unit's late reply was being taken for it.")
        if parity:
            self.says.append(_parity_text(parity)[0].upper() + _parity_text(parity)[1:] + ".")
        if t.damaged_requests:
            self.says.append(f"{t.damaged_requests} damaged stretches look like requests.")
        if self.outside and not self.where.planned:
            self.says.append(f"Addresses without a unit in the record: {ranges(a for a, _ in self.outside)}.")
        if t.swapped:
            self.says.append("This is a unit's own log: what it received are the requests.")
        only = [a for a, u in t.units.items() if not u.asked]
        if t.replies and not t.requests:
            self.says.append(f"The capture holds replies only (addresses {ranges(only)}); without the requests nobody can be called silent.")
        if t.requests and t.marked and not t.replies and not t.gaps:
            self.says.append("The capture holds requests only; if replies were not recorded, disregard that nobody answers.")


EXCEPTION_OUTCOMES = {
    1: "illegal-request", 2: "illegal-request", 3: "illegal-request", 4: "device-failure", 5: "busy", 6: "busy",
    10: "gateway-path", 11: "target-silent",
}  # fmt: skip


def _spread(share: float, polls: int) -> float:
    """How far a share out of so many polls lies from the true one by chance: three standard deviations."""
    return 3 * sqrt(share * (1 - share) / polls)


def _other_parity(j: JudgedUnit) -> bool:
    return j.tally.marked >= SEEN_OFTEN or one_parity(j.tally.even, j.tally.odd)


def _spots(judged: Iterable[JudgedUnit], what: str) -> list[int]:
    return [s for j in judged for s in j.tally.spots.get(what, [])[:2]]


def _parity_text(judged: list[JudgedUnit]) -> str:
    who = ranges(j.address for j in judged)
    return f"address {who} is set to another parity than the controller: only those of its bytes arrive that fit both"


def _why(group: list[JudgedUnit]) -> str:
    if len(group) > 1:
        asked = sum(j.tally.asked for j in group)
        return f"{asked} polls to {len(group)} units, {sum(failures(j.tally) for j in group)} failed"
    u = group[0].tally
    counts = {
        "unanswered": u.silent, "damaged": u.damaged, "late": u.late, "refused": sum(u.exceptions.values()),
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
