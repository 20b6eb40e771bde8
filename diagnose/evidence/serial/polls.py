"""From frames and gaps to polls: who was asked, who answered, and what came instead.

A poll is a request and everything up to the next one. Polls that went as they should are counted by
columns; the others are looked at one by one.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Bools, Floats, Octets, Whole
from diagnose.evidence.serial import damage as d
from diagnose.evidence.serial.frames import REPLY, REQUEST, Gap
from diagnose.evidence.serial.streams import Items, join, merged, nothing
from diagnose.evidence.serial.text import RECEIVED, SENT, UNMARKED

ECHO_S = 0.03  # a request that comes again within this time, s, was not sent again
RESTART_S = 0.5  # bytes that could be request or reply are no reply after so long, s
LATE_POLLS = 6  # a reply may come so many polls late
MOST_HELD = 60_000  # rows held while no request comes
KEPT_TIMES = 4000
TIMED_TURNS = 500  # turns of a batch whose distance is looked at
KEPT_SPOTS = 4


@dataclass
class UnitPolls:
    """What one address did. Counts of polls, times in s."""

    asked: int = 0
    good: int = 0  # answered in time with a fitting reply or an exception
    silent: int = 0
    damaged: int = 0
    late: int = 0
    displaced: int = 0  # answered in time, but the poller took another unit's late reply for it
    wrong_span: int = 0
    two_answers: int = 0
    perhaps_two: int = 0  # a write answered twice, which an echo does as well
    junk_before: int = 0
    first_lost: int = 0
    overlong: int = 0
    headed: int = 0  # damaged replies that begin as they should
    whole_unknown: int = 0
    marked: int = 0
    even: int = 0
    odd: int = 0
    unasked: int = 0
    twins: int = 0  # silent polls directly followed by the same request
    twins_answered: int = 0
    exceptions: Counter[int] = field(default_factory=Counter)
    replies_timed: int = 0
    reply_s: float = 0.0
    worst_s: float = 0.0
    late_s: float = 0.0
    silent_run: int = 0
    longest_silent: int = 0
    spots: dict[str, list[int]] = field(default_factory=dict)

    def spot(self, what: str, where: int) -> None:
        """Remember where a thing was seen, the first few times."""
        kept = self.spots.setdefault(what, [])
        if len(kept) < KEPT_SPOTS:
            kept.append(where)


@dataclass
class TrunkPolls:
    """The whole capture. Times in s, lists cut to the first few thousand."""

    units: dict[int, UnitPolls] = field(default_factory=dict)
    frames: int = 0
    frame_bytes: int = 0
    requests: int = 0
    replies: int = 0
    broadcasts: int = 0
    echoes: int = 0
    foreign: int = 0
    damaged_requests: int = 0
    stray_bytes: int = 0
    behind: int = 0  # polls with bytes left over behind the reply
    gaps: int = 0
    swapped: bool = False  # the log is a unit's, its "received" are the requests
    marked: bool = False
    pauses: list[float] = field(default_factory=list)  # reply to next request
    short_pauses: int = 0
    judged_pauses: int = 0
    rounds: dict[int, list[float]] = field(default_factory=dict)
    asked_at: dict[int, float] = field(default_factory=dict)
    spots: dict[str, list[int]] = field(default_factory=dict)

    def unit(self, address: int) -> UnitPolls:
        """The tally of an address, made when new."""
        if address not in self.units:
            self.units[address] = UnitPolls()
        return self.units[address]

    def spot(self, what: str, where: int) -> None:
        """Remember where a thing was seen, the first few times."""
        kept = self.spots.setdefault(what, [])
        if len(kept) < KEPT_SPOTS:
            kept.append(where)


class _Waiting(NamedTuple):
    """A poll that has had no reply yet."""

    poll: int
    displaced: bool
    sent: float


class Polls:
    """Feed items in wire order; the tally grows. `silence_s` is the interval that must lie between frames,
    `resolution_s` what the times can tell apart, `timeout_s` the poller's time-out where it is known.
    """

    def __init__(self, gaps: dict[int, Gap], silence_s: float, timeout_s: float | None = None) -> None:
        self.tally = TrunkPolls()
        self.resolution_s = 1.0
        self._gaps = gaps
        self._silence_s = silence_s
        self._timeout_s = timeout_s
        self._held = nothing()
        self._polls = 0
        self._waiting: dict[int, _Waiting] = {}
        self._sides_known = False
        self._last_address = -1
        self._twin_of = -1  # address of a silent poll whose request comes again right behind

    def feed(self, items: Items, last: bool = False) -> None:
        """Count what is complete, hold what may go on."""
        rows = merged(join([self._held, items]), self._gaps)
        if not len(rows.at):
            return
        rows = self._sides(rows, last)
        role, echo = self._roles(rows)
        if echo.any():
            self.tally.echoes += int(echo.sum())
            self.tally.frames += int(echo.sum())
            self.tally.frame_bytes += int(rows.length[echo].sum())
            for n in np.flatnonzero(echo)[:KEPT_SPOTS].tolist():
                self.tally.spot("echo", int(_where(rows.pick(slice(n, n + 1)))[0]))
            rows, role = rows.pick(~echo), role[~echo]
        asks = np.flatnonzero(role == REQUEST)
        if last:
            cut = len(role)
        elif len(asks):
            cut = int(asks[-1])
            if len(role) - cut > MOST_HELD:
                cut = len(role)
        else:
            cut = len(role) if len(role) > MOST_HELD else 0
        self._held = rows.pick(slice(cut, None))
        if cut:
            self._count(rows.pick(slice(0, cut)), role[:cut], rows.pick(slice(cut, cut + 1)))

    # ---- who speaks

    def _sides(self, rows: Items, last: bool) -> Items:
        """Whose log it is: a unit's own log has the requests among what it received."""
        marked = rows.direction != UNMARKED
        if not marked.any():
            return rows
        self.tally.marked = True
        if not self._sides_known:
            ask, tell = rows.form == REQUEST, rows.form == REPLY
            sent, received = rows.direction == SENT, rows.direction == RECEIVED
            ahead = int((sent & ask).sum() + (received & tell).sum())
            astern = int((sent & tell).sum() + (received & ask).sum())
            ahead += int((sent & ask).sum())  # a unit never sends a request, so one weighs double
            self.tally.swapped = astern > ahead
            self._sides_known = ahead + astern > 16 or last
        return rows

    def _roles(self, rows: Items) -> tuple[Octets, Bools]:
        """REQUEST, REPLY or 0 (gap) for each row, and which rows are echoes of the request before them."""
        sent = RECEIVED if self.tally.swapped else SENT
        role = np.where(rows.gap >= 0, 0, rows.form).astype(np.uint8)
        either = role == REQUEST + REPLY
        if either.any():
            plain = either & (rows.direction == UNMARKED)
            role[either & ~plain] = np.where(rows.direction == sent, REQUEST, REPLY)[either & ~plain]
            if plain.any():
                self._alternate(rows, role, plain)
        count = len(role)
        before = np.arange(-1, count - 1)
        asks = role == REQUEST
        same = np.zeros(count, bool)
        if self.tally.marked:
            own = asks & (rows.direction == sent)
            latest = np.maximum.accumulate(np.where(own, np.arange(count), -1))
            heard = np.flatnonzero(asks & (rows.direction != sent) & (rows.direction != UNMARKED) & (latest >= 0))
            same[heard] = _alike(rows, heard, latest[heard])
        twin = np.flatnonzero(asks[1:] & asks[:-1]) + 1
        twin = twin[rows.direction[twin] == UNMARKED]
        if len(twin):
            close = _alike(rows, twin, before[twin]) & (rows.first[twin] - rows.last[before[twin]] <= ECHO_S)
            same[twin] |= close
        return role, same

    @staticmethod
    def _alternate(rows: Items, role: Octets, plain: Bools) -> None:
        """Bytes that could be request or reply take turns; the first of a row answers a request before it."""
        at = np.flatnonzero(plain)
        near = at[1:] == at[:-1] + 1
        runs = near & _alike(rows, at[1:], at[:-1]) & ~(rows.first[at[1:]] - rows.last[at[:-1]] > RESTART_S)
        head = np.concatenate(([True], ~runs))
        number = np.cumsum(head) - 1
        first = at[head]
        place = np.arange(len(at)) - np.flatnonzero(head)[number]
        before = np.maximum(first - 1, 0)
        answers = (first > 0) & (role[before] == REQUEST)
        answers &= (rows.address[before] == rows.address[first]) & (rows.function[before] == rows.function[first])
        role[at] = np.where((place + answers[number]) % 2 == 0, REQUEST, REPLY)

    # ---- polls

    def _count(self, rows: Items, role: Octets, follows: Items) -> None:
        """Count whole polls; `follows` holds the request behind them, where there is one."""
        t = self.tally
        framed = rows.gap < 0
        t.frames += int(framed.sum())
        t.frame_bytes += int(rows.length[framed].sum())
        t.gaps += int((~framed).sum())
        asks = role == REQUEST
        ask_at = np.flatnonzero(asks)
        t.requests += len(ask_at)
        t.replies += int((role == REPLY).sum())
        poll = np.cumsum(asks) - 1
        lead = int(ask_at[0]) if len(ask_at) else len(role)
        if lead:
            self._leading(rows, role, lead)
        if not len(ask_at):
            return
        polls = len(ask_at)
        address, function = rows.address[ask_at], rows.function[ask_at]
        told = np.flatnonzero((role == REPLY) & (poll >= 0))
        fits = (rows.address[told] == address[poll[told]]) & (rows.function[told] & 0x7F == function[poll[told]])
        matched = told[fits]
        matches = np.bincount(poll[matched], minlength=polls)
        size = np.diff(np.append(ask_at, len(role)))
        own = np.ones(polls, bool)
        if t.marked:
            sent = RECEIVED if t.swapped else SENT
            own = (rows.direction[ask_at] == sent) | (rows.direction[ask_at] == UNMARKED)
            foreign = ~own
            t.foreign += int(foreign.sum())
            for n in ask_at[foreign][:KEPT_SPOTS].tolist():
                t.spot("foreign", int(_where(rows.pick(slice(n, n + 1)))[0]))
        t.broadcasts += int(((address == 0) & own).sum())
        own &= address != 0
        clean = (matches == 1) & (size == 2) & own
        self._clean(rows, ask_at, clean)
        self._times(rows, role, ask_at, address, own, follows)
        strange = np.flatnonzero(own & ~clean | ~own & (size > 1) & (matches < size - 1))
        if len(strange) or t.units:
            self._strange(rows, role, ask_at, size, address, clean, strange, own, follows)
        self._polls += polls

    def _clean(self, rows: Items, ask_at: Whole, clean: Bools) -> None:
        """Polls of a request and its reply, nothing else."""
        ask = ask_at[clean]
        tell = ask + 1
        address = rows.address[ask]
        refused = rows.function[tell] >= 0x80
        wrong = ~refused & (rows.expect[ask] > 0) & (rows.length[tell] != rows.expect[ask])
        took = rows.first[tell] - rows.last[ask]
        timed = took >= 0
        late = np.zeros(len(ask), bool) if self._timeout_s is None else timed & (took > self._timeout_s)
        total = np.bincount(address, minlength=256)
        columns = {
            "wrong_span": np.bincount(address[wrong], minlength=256),
            "late": np.bincount(address[late], minlength=256),
            "replies_timed": np.bincount(address[timed], minlength=256),
        }
        spent = np.bincount(address[timed], took[timed], minlength=256)
        worst = np.zeros(256)
        np.maximum.at(worst, address[timed], took[timed])
        codes = np.bincount(address[refused].astype(np.int64) * 16 + (rows.code[tell][refused] & 15), minlength=4096)
        spots = _where(rows)
        for unit in np.flatnonzero(total).tolist():
            u = self.tally.unit(unit)
            u.asked += int(total[unit])
            u.good += int(total[unit] - columns["wrong_span"][unit] - columns["late"][unit])
            for name, values in columns.items():
                setattr(u, name, getattr(u, name) + int(values[unit]))
            u.reply_s += float(spent[unit])
            u.worst_s = max(u.worst_s, float(worst[unit]))
        for number in np.flatnonzero(codes).tolist():
            self.tally.unit(number // 16).exceptions[number % 16] += int(codes[number])
        for name, which in (("wrong span", wrong), ("exception", refused), ("late", late)):
            for n in np.flatnonzero(which)[:KEPT_SPOTS].tolist():
                self.tally.unit(int(address[n])).spot(name, int(spots[tell[n]]))

    def _times(
        self, rows: Items, role: Octets, ask_at: Whole, address: Octets, own: Bools, follows: Items
    ) -> None:  # fmt: skip
        """Pauses between a reply and the next request, and how often each unit's turn comes."""
        t = self.tally
        if np.isnan(rows.first[ask_at[0]]):
            return
        later = ask_at[1:]
        replied = later[role[later - 1] == REPLY]
        pause = rows.first[replied] - rows.last[replied - 1]
        if len(follows.at) and role[-1] == REPLY:
            pause = np.append(pause, follows.first[0] - rows.last[-1])
        pause = pause[pause >= 0]
        t.judged_pauses += len(pause)
        t.short_pauses += int((pause + self.resolution_s < self._silence_s).sum())
        room = KEPT_TIMES - len(t.pauses)
        t.pauses += pause[: max(room, 0)].tolist()
        fresh = np.flatnonzero(np.concatenate(([address[0] != self._last_address], address[1:] != address[:-1])) & own)
        self._last_address = int(address[-1])
        some = fresh[:TIMED_TURNS]
        for unit, when in zip(address[some].tolist(), rows.first[ask_at[some]].tolist(), strict=True):
            before = t.asked_at.get(unit)
            t.asked_at[unit] = when
            kept = t.rounds.setdefault(unit, [])
            if before is not None and len(kept) < 500:
                kept.append(when - before)
        if len(some) < len(fresh):
            t.asked_at.clear()

    def _leading(self, rows: Items, role: Octets, lead: int) -> None:
        """What stands before the first request."""
        for n in range(lead):
            if role[n] == REPLY:
                self.tally.unit(int(rows.address[n])).unasked += 1
            else:
                self.tally.stray_bytes += int(rows.length[n])
                self._gaps.pop(int(rows.gap[n]), None)

    def _strange(
        self, rows: Items, role: Octets, ask_at: Whole, size: Whole, address: Octets,
        clean: Bools, strange: Whole, own: Bools, follows: Items,
    ) -> None:  # fmt: skip
        t = self.tally
        quiet: dict[int, list[int]] = {}
        spots = _where(rows)
        again = False
        if len(follows.at):
            pair = join([rows.pick(ask_at[-1:]), follows])
            again = bool(_alike(pair, np.array([0]), np.array([1]))[0])
        alike = np.concatenate((_alike(rows, ask_at[1:], ask_at[:-1]), [again]))
        order = np.argsort(address, kind="stable")
        previous = np.full(len(address), -1)
        chained = address[order][1:] == address[order][:-1]
        previous[order[1:][chained]] = order[:-1][chained]
        silent_at = set()
        for n in strange.tolist():
            a = int(ask_at[n])
            count, unit = int(size[n]), int(address[n])
            if count == 1:
                u = t.unit(unit)
                u.asked += 1
                u.silent += 1
                u.twins += bool(alike[n])
                u.spot("silent", int(spots[a]))
                self._waiting[unit] = _Waiting(self._polls + n, False, float(rows.last[a]))
                before = int(previous[n])
                run = 1 + (quiet[before][0] if before in silent_at else u.silent_run if before < 0 else 0)
                quiet[n] = [run]
                silent_at.add(n)
                u.longest_silent = max(u.longest_silent, run)
                continue
            self._one(rows, role, a, count, n, bool(own[n]), int(spots[a]))
        for unit in np.unique(address).tolist():
            at = int(order[np.searchsorted(address[order], unit, "right") - 1])
            if unit in t.units:
                t.units[unit].silent_run = quiet[at][0] if at in silent_at else 0
        twins = np.flatnonzero(alike[:-1] & (size[:-1] == 1) & (size[1:] > 1))
        if clean[0] and self._twin_of == int(address[0]):
            t.unit(int(address[0])).twins_answered += 1
        self._twin_of = int(address[-1]) if again and size[-1] == 1 else -1
        for n in twins.tolist():
            if clean[n + 1]:
                t.unit(int(address[n])).twins_answered += 1

    def _one(self, rows: Items, role: Octets, a: int, count: int, n: int, own: bool, spot: int) -> None:
        """One poll that did not go as it should."""
        t = self.tally
        unit, function, expect = int(rows.address[a]), int(rows.function[a]), int(rows.expect[a])
        u = t.unit(unit)
        u.asked += own
        answered: list[int] = []
        others = False
        looks: list[tuple[d.Damage, bool]] = []  # and whether it stands behind a fitting reply
        for m in range(a + 1, a + count):
            if role[m] == REPLY:
                if rows.address[m] == unit and rows.function[m] & 0x7F == function:
                    answered.append(m)
                else:
                    others |= self._other(rows, m, n, bool(looks) and looks[-1][0].kind == "request", spot)
                continue
            gap = self._gaps.pop(int(rows.gap[m]))
            look = d.look(gap.head, gap.length, unit, function, expect)
            looks.append((look, bool(answered)))
            if look.kind == "request":
                t.damaged_requests += 1
            elif answered or (look.kind == "junk"):
                t.stray_bytes += gap.length
                t.behind += bool(answered)
                t.spot("stray bytes", spot)
        if not own:
            return
        if answered:
            self._answered(u, rows, a, answered, looks, expect, spot, n)
            return
        worth = [x for x, _ in looks if x.kind not in ("junk", "request")]
        if not worth:
            u.silent += 1
            u.spot("silent", spot)
            self._waiting[unit] = _Waiting(self._polls + n, others, float(rows.last[a]))
            return
        self._damaged(u, worth, spot)

    def _damaged(self, u: UnitPolls, looks: list[d.Damage], spot: int) -> None:
        """No fitting reply, but bytes came."""
        kinds = {x.kind for x in looks}
        if kinds == {"whole"}:
            u.good += 1
            u.whole_unknown += 1
            return
        u.damaged += 1
        u.spot("damaged", spot)
        u.first_lost += "first-lost" in kinds
        u.marked += "marked" in kinds
        u.overlong += "long" in kinds
        u.headed += any(x.headed for x in looks)
        if "first-lost" not in kinds:
            u.even += sum(x.even for x in looks)
            u.odd += sum(x.odd for x in looks)

    def _answered(
        self, u: UnitPolls, rows: Items, a: int, answered: list[int], looks: list[tuple[d.Damage, bool]],
        expect: int, spot: int, n: int,
    ) -> None:  # fmt: skip
        """A fitting reply came, with something more."""
        first = answered[0]
        took = float(rows.first[first] - rows.last[a])
        waiting = self._waiting.get(int(rows.address[a]))
        surplus = len(answered) - 1
        if surplus and waiting and self._polls + n - waiting.poll <= LATE_POLLS:
            self._late(u, waiting, float(rows.first[first]), spot)
            surplus -= 1
        if surplus:
            if rows.form[first] == REQUEST + REPLY and rows.key[first] == rows.key[answered[-1]]:
                u.perhaps_two += 1
            else:
                u.two_answers += 1
            u.spot("two answers", spot)
        broken = [x for x, behind in looks if x.headed and x.kind != "request"]
        if broken and not surplus:
            u.two_answers += 1
            u.spot("two answers", spot)
        elif any(not behind and x.kind != "request" for x, behind in looks):
            u.junk_before += 1
            u.spot("junk before", spot)
        if rows.function[first] >= 0x80:
            u.exceptions[int(rows.code[first]) & 15] += 1
            u.spot("exception", spot)
        elif expect and all(rows.length[m] != expect for m in answered):
            u.wrong_span += 1
            u.spot("wrong span", spot)
            return
        u.good += 1
        if took >= 0:
            u.replies_timed += 1
            u.reply_s += took
            u.worst_s = max(u.worst_s, took)

    def _other(self, rows: Items, m: int, n: int, after_damaged_request: bool, spot: int) -> bool:
        """A reply of another unit than the one asked: late, or to a request that was damaged."""
        unit = int(rows.address[m])
        u = self.tally.unit(unit)
        waiting = self._waiting.get(unit)
        if waiting is not None and self._polls + n - waiting.poll <= LATE_POLLS:
            self._late(u, waiting, float(rows.first[m]), spot)
            return True
        if after_damaged_request:
            u.asked += 1
            u.good += 1
            return False
        u.unasked += 1
        u.spot("unasked", spot)
        return True

    def _late(self, u: UnitPolls, waiting: _Waiting, now: float, spot: int) -> None:
        """A poll that had been counted as silent is answered after all."""
        for address, one in list(self._waiting.items()):
            if one is waiting:
                del self._waiting[address]
        u.silent -= 1
        if waiting.displaced:
            u.displaced += 1
            return
        u.late += 1
        u.spot("late", spot)
        if now >= waiting.sent:
            u.late_s = max(u.late_s, now - waiting.sent)


def _alike(rows: Items, one: Whole, two: Whole) -> Bools:
    """Whether frames are byte for byte the same, as far as their first eight bytes, length and CRC tell."""
    same: Bools = (rows.key[one] == rows.key[two]) & (rows.tail[one] == rows.tail[two]) & (rows.length[one] == rows.length[two])
    return same


def _where(rows: Items) -> Whole:
    """Line of each row, or its byte where the capture has no lines."""
    return np.where(rows.line > 0, rows.line, rows.at)


__all__ = ["Floats", "Polls", "TrunkPolls", "UnitPolls"]
