"""What the polls of a capture show: whose addresses they are, who answers, what is wrong with the frames. Pure.

Thresholds are those of the gauges or common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from diagnose.evidence.polls import FEWEST_POLLS, GARBLED, POLLS_FOR_SHARE, SEEN_OFTEN, SILENT, clean, often
from diagnose.evidence.robust import by_chance
from diagnose.evidence.serial.counts import TrunkPolls, UnitPolls
from diagnose.evidence.serial.damage import one_parity
from diagnose.site.model import Site, Trunk
from diagnose.site.places import Place, ranges

MOSTLY = 0.5
ECHO_SHARE = 0.8
"""Share of the answered polls whose request comes twice, from which the controller hears itself."""
COLLIDES = 0.3
"""Share of an address's polls that are damaged when two units have it."""
OVERLONG = 0.3
"""Share of the damaged replies that are too long when two units have an address."""
FEWEST_ROUNDS = 3
QUICK_PAUSE_S = 0.010
"""The shortest pauses of a capture that sees them, s: an adapter that hands bytes on in lumps shows shorter ones."""
REST_S, REST_TIMES = 0.1, 3.0
"""A pause is the rest after a round when it is longer than this, s, and than so many usual ones."""


class TrunkPlan(NamedTuple):
    """Which trunk the capture is of, and which unit has which address."""

    trunk: int
    unit_of: Mapping[int, int]
    planned: bool  # addresses come from a record
    controller: int  # its address, 0 not known


class JudgedUnit(NamedTuple):
    """A unit's polls with its number; `polls.answers` and `polls.share` sum them up."""

    unit: int
    address: int
    polls: UnitPolls


class FrameFault(NamedTuple):
    """An outcome of `raw-frames`, why, and where it was seen."""

    outcome: str
    because: str
    spots: list[int]


class Round(NamedTuple):
    """Time of one round without the rest after it, s, from so many rounds of so many units."""

    busy_s: float
    rounds: int
    units: int


@dataclass
class TrunkFindings:
    """Everything found in a capture. `excused`: addresses of whose exceptions nothing is said, since the asker chose
    what they may not have. `doubles` seem to be two units each, `outside` are addresses of no unit.
    """

    tally: TrunkPolls
    site: Site | None
    excused: frozenset[int]
    echo: bool
    plan: TrunkPlan
    judged: list[JudgedUnit]
    outside: list[tuple[int, UnitPolls]]
    doubles: list[JudgedUnit] = field(default_factory=list)

    @property
    def other_parity(self) -> list[JudgedUnit]:
        """Units whose bytes show that they send with another parity than the receiver expects."""
        return [j for j in self.judged if other_parity(j.polls)]

    @property
    def all_other_parity(self) -> bool:
        """Whether it is rather the controller that is set to another parity than everybody else."""
        found = len(self.other_parity)
        return found > 1 and found > MOSTLY * len(self.judged)


def find(tally: TrunkPolls, site: Site | None, excused: frozenset[int] = frozenset()) -> TrunkFindings:
    """Sum up the polls of a capture at the places of a site, or at unit numbers that equal the addresses."""
    echo, plan = settle_echoes(tally), plan_of(site, tally)
    units = sorted((a, u) for a, u in tally.units.items() if u.asked >= FEWEST_POLLS)
    judged = [JudgedUnit(plan.unit_of[a], a, u) for a, u in units if a in plan.unit_of]
    if tally.swapped:  # a unit's own log: of the others it hears only the requests
        judged = [j for j in judged if j.polls.asked > j.polls.silent]
    outside = [(a, u) for a, u in units if a not in plan.unit_of]
    found = TrunkFindings(tally, site, excused, echo, plan, judged, outside)
    found.doubles = [j for j in judged if _double(found, j)]
    return found


def plan_of(site: Site | None, tally: TrunkPolls) -> TrunkPlan:
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
    asked = sum(u.asked for u in tally.units.values())
    echo = tally.echoes >= SEEN_OFTEN and tally.echoes >= MOSTLY * max(1, asked)
    if not echo:
        for u in tally.units.values():
            u.two_answers += u.perhaps_two
    return echo


# ---- units


def other_parity(u: UnitPolls) -> bool:
    """Whether a unit's bytes are marked as of wrong parity, or all of those that arrive are of one parity."""
    return u.marked >= SEEN_OFTEN or one_parity(u.even, u.odd)


def by_itself(f: TrunkFindings, j: JudgedUnit) -> bool:
    """Where it is known what happens to a unit's replies, `answers` or `garbled` would say the wrong thing of it.

    With its own echo in the receiver a controller makes nothing of replies that are good on the wire. Replies of
    another parity are garbled where one unit is set so, but not where the controller is.
    """
    if other_parity(j.polls):
        return j.polls.answers != "garbled" or f.all_other_parity
    return f.echo and j.polls.answers in ("answers", "intermittently")


def _double(f: TrunkFindings, j: JudgedUnit) -> bool:
    """Whether two units seem to answer at one address."""
    u = j.polls
    if often(u.two_answers, u.asked):
        return True
    if f.echo or other_parity(u) or u.damaged < COLLIDES * u.asked:
        return False
    alone = all(o.polls.damaged < COLLIDES * o.polls.asked for o in f.judged if o.address != j.address)
    longer = u.overlong >= SEEN_OFTEN and u.overlong > OVERLONG * u.damaged
    missing = any(o.polls.answers == SILENT for o in f.judged)
    return alone and (longer or (missing and u.headed > MOSTLY * u.damaged))


def error_shares(f: TrunkFindings) -> dict[str, list[JudgedUnit]]:
    """Units by their share of failed polls in percent; units that fail alike, as far as chance goes, share one figure."""
    counted = [j for j in f.judged if j.polls.asked >= POLLS_FOR_SHARE and (other_parity(j.polls) or not by_itself(f, j))]
    if any(j.polls.answers == SILENT for j in f.judged):
        # Two answer at this address, and one of them is the silent unit: that one has the fault, not the rightful owner.
        counted = [j for j in counted if j not in f.doubles]
    common = [j for j in counted if not clean(j.polls.failed, j.polls.asked) and j.polls.share < GARBLED]
    pooled = sum(j.polls.failed for j in common) / max(1, sum(j.polls.asked for j in common))
    alike = len(common) > 1 and all(abs(j.polls.share - pooled) <= by_chance(pooled, j.polls.asked) for j in common)
    shares: dict[str, list[JudgedUnit]] = {}
    for j in counted:
        share = pooled if alike and j in common else j.polls.share
        shares.setdefault(f"{100 * share:.3g} %", []).append(j)
    return shares


def reply_word(f: TrunkFindings, j: JudgedUnit) -> str:
    """The outcome of `reply-capture`; nothing where the parity explains it, or where it is a little of everything."""
    u = j.polls
    if j in f.doubles or often(u.two_answers, u.asked):
        return "two-replies"
    if other_parity(u):
        return ""
    if often(u.late, u.asked) and u.late >= u.damaged:
        return "late"
    if often(u.damaged, u.asked):
        return "damaged"
    return "one-reply" if clean(u.failed, u.asked) and u.asked >= POLLS_FOR_SHARE else ""


def strangers(f: TrunkFindings) -> list[int]:
    """Addresses that answer and are not in the plan."""
    return [a for a, u in f.outside if u.good >= SEEN_OFTEN] if f.plan.planned else []


def never_asked(f: TrunkFindings) -> list[int]:
    """Units that the controller never asks while it asks the others many times."""
    if f.site is None or not f.plan.planned or f.tally.swapped or len(f.judged) < 2:
        return []
    asked = {a for a, u in f.tally.units.items() if u.asked or u.unasked}
    missing = [u for a, u in f.plan.unit_of.items() if a not in asked and a != f.plan.controller]
    enough = min(j.polls.asked for j in f.judged) >= FEWEST_ROUNDS
    return missing if enough and len(missing) < len(f.plan.unit_of) / 2 else []


# ---- the trunk


def frame_fault(f: TrunkFindings) -> FrameFault | None:
    """The outcome of `raw-frames` that explains most; None where too little was asked, or nothing fits."""
    asked = sum(j.polls.asked for j in f.judged)
    if asked < FEWEST_POLLS:
        return None
    if fault := next(iter(_frame_faults(f, asked)), None):
        return fault
    failed = sum(j.polls.failed for j in f.judged)
    if clean(failed, asked) and not f.tally.damaged_requests and not f.doubles:
        return FrameFault("clean", f"{asked} polls, {failed} failed, {f.tally.gaps} damaged stretches", [])
    return None


def _frame_faults(f: TrunkFindings, asked: int) -> Iterable[FrameFault]:
    """What is wrong with the frames, what explains most first."""
    t, units = f.tally, [j.polls for j in f.judged]
    if f.echo:
        yield FrameFault("own-echo", f"{t.echoes} of {asked} requests came back as received", t.spots.get("echo", []))
    if t.foreign >= SEEN_OFTEN:
        because = f"{t.foreign} requests received that this side never sent"
        yield FrameFault("foreign-requests", because, t.spots.get("foreign", []))
    late = [j for j in f.judged if often(j.polls.late, j.polls.asked)]
    if late:
        who = ", ".join(f"address {j.address}: {j.polls.late} of {j.polls.asked}" for j in late[:4])
        yield FrameFault("late-replies", f"replies after the poller had gone on; {who}", spots_of(late, "late"))
    if often(lost := sum(u.first_lost for u in units), asked):
        because = f"{lost} replies fit their checksum once the lost first byte is put back"
        yield FrameFault("first-byte-lost", because, spots_of(f.judged, "damaged"))
    if too_fast(t):
        yield FrameFault("no-gaps", pause_text(t), [])
    if often(junk := sum(u.junk_before for u in units) + t.behind, asked) and not f.doubles:
        seen = t.spots.get("stray bytes", []) + spots_of(f.judged, "junk before")
        yield FrameFault("extra-bytes", f"{junk} polls with stray bytes beside the frames", seen)
    torn, good, silent = (sum(n) for n in zip(*((u.damaged, u.good, u.silent) for u in units), strict=True))
    if often(torn, asked) and good and not f.doubles and not f.other_parity:
        because = f"{torn} of {asked} polls brought replies with a bad checksum"
        yield FrameFault("damaged", because, spots_of(f.judged, "damaged"))
    if silent >= asked - torn and not good and silent >= MOSTLY * asked:
        yield FrameFault("no-reply", f"{asked} requests, no good reply", [])


def spots_of(judged: Iterable[JudgedUnit], what: str) -> list[int]:
    """Where a thing was seen, two places of each unit."""
    return [s for j in judged for s in j.polls.spots.get(what, [])[:2]]


def too_fast(t: TrunkPolls) -> bool:
    """Whether the next request mostly comes before the line has been silent for as long as it must."""
    return t.judged_pauses >= POLLS_FOR_SHARE and t.short_pauses > MOSTLY * t.judged_pauses


def pause_word(t: TrunkPolls) -> str:
    """The outcome of `poll-gap-shown`; nothing where there are too few pauses, or the capture cannot see short ones."""
    if too_fast(t):
        return "too-short"
    sees = bool(t.pauses) and sorted(t.pauses)[len(t.pauses) // 20] >= QUICK_PAUSE_S
    return "enough" if t.judged_pauses >= POLLS_FOR_SHARE and not t.short_pauses and sees else ""


def pause_text(t: TrunkPolls) -> str:
    """The pauses in words."""
    middle = median(t.pauses) if t.pauses else 0.0
    return f"{1000 * middle:.3g} ms between reply and next request in the middle of {t.judged_pauses} polls"


def round_time(f: TrunkFindings) -> Round | None:
    """Time for one round, without the rest that the poller takes after it."""
    rounds = [x for a, x in f.tally.rounds.items() if len(x) >= FEWEST_ROUNDS and a in f.plan.unit_of]
    if len(rounds) < 2:
        return None
    middle = median(median(x) for x in rounds)
    count = max(len(x) for x in rounds)
    longest = median(sorted(f.tally.pauses, reverse=True)[:count] or [0.0])
    usual = median(f.tally.pauses) if f.tally.pauses else 0.0
    rest = longest if longest > max(REST_S, REST_TIMES * usual) else 0.0
    return Round(max(middle - rest, 0.001), count, len(rounds))


def numbers(judged: Iterable[JudgedUnit]) -> str:
    """The addresses of units as ranges."""
    return ranges(j.address for j in judged)
