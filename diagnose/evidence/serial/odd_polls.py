"""Polls that did not go as they should, looked at one by one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Bools, Octets, Whole
from diagnose.evidence.serial import damage as d
from diagnose.evidence.serial.counts import TrunkPolls, UnitPolls
from diagnose.evidence.serial.frames import REPLY, REQUEST, Gap
from diagnose.evidence.serial.streams import Items, alike, join, lines_of

LATE_POLLS = 6  # a reply may come so many polls late


class _Waiting(NamedTuple):
    """A poll that has had no reply yet."""

    poll: int
    displaced: bool
    sent: float


class OddPolls:
    """Counts odd polls into the tally of the trunk. `polls` is how many polls came before the batch that is looked at."""

    def __init__(self, tally: TrunkPolls, gaps: dict[int, Gap]) -> None:
        self.tally = tally
        self.polls = 0
        self._gaps = gaps
        self._waiting: dict[int, _Waiting] = {}
        self._twin_of = -1  # address of a silent poll whose request comes again right behind

    def look(
        self, rows: Items, role: Octets, ask_at: Whole, size: Whole, address: Octets,
        clean: Bools, strange: Whole, own: Bools, follows: Items,
    ) -> None:  # fmt: skip
        t = self.tally
        quiet: dict[int, list[int]] = {}
        spots = lines_of(rows)
        again = False
        if len(follows.at):
            pair = join([rows.pick(ask_at[-1:]), follows])
            again = bool(alike(pair, np.array([0]), np.array([1]))[0])
        repeats = np.concatenate((alike(rows, ask_at[1:], ask_at[:-1]), [again]))
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
                u.twins += bool(repeats[n])
                u.spot("silent", int(spots[a]))
                self._waiting[unit] = _Waiting(self.polls + n, False, float(rows.last[a]))
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
        twins = np.flatnonzero(repeats[:-1] & (size[:-1] == 1) & (size[1:] > 1))
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
            self._waiting[unit] = _Waiting(self.polls + n, others, float(rows.last[a]))
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
        if surplus and waiting and self.polls + n - waiting.poll <= LATE_POLLS:
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
        if waiting is not None and self.polls + n - waiting.poll <= LATE_POLLS:
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
