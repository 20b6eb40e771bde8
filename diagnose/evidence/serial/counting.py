"""From frames and gaps to polls: who was asked, who answered, and what came instead.

A poll is a request and everything up to the next one. Polls that went as they should are counted by
columns; the others are looked at one by one.
"""

from __future__ import annotations

import numpy as np

from diagnose.evidence.arrays import Bools, Octets, Whole
from diagnose.evidence.serial.counts import KEPT_SPOTS, TrunkPolls
from diagnose.evidence.serial.frames import REPLY, REQUEST, Gap
from diagnose.evidence.serial.odd_polls import OddPolls
from diagnose.evidence.serial.streams import Items, alike, join, lines_of, merged, nothing
from diagnose.evidence.serial.text import RECEIVED, SENT, UNMARKED

ECHO_S = 0.03  # a request that comes again within this time, s, was not sent again
RESTART_S = 0.5  # bytes that could be request or reply are no reply after so long, s
MOST_HELD = 60_000  # rows held while no request comes
KEPT_TIMES = 4000
TIMED_TURNS = 500  # turns of a batch whose distance is looked at


class PollCounter:
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
        self._odd = OddPolls(self.tally, gaps)
        self._sides_known = False
        self._last_address = -1

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
                self.tally.spot("echo", int(lines_of(rows.pick(slice(n, n + 1)))[0]))
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
            same[heard] = alike(rows, heard, latest[heard])
        twin = np.flatnonzero(asks[1:] & asks[:-1]) + 1
        twin = twin[rows.direction[twin] == UNMARKED]
        if len(twin):
            close = alike(rows, twin, before[twin]) & (rows.first[twin] - rows.last[before[twin]] <= ECHO_S)
            same[twin] |= close
        return role, same

    @staticmethod
    def _alternate(rows: Items, role: Octets, plain: Bools) -> None:
        """Bytes that could be request or reply take turns; the first of a row answers a request before it."""
        at = np.flatnonzero(plain)
        near = at[1:] == at[:-1] + 1
        runs = near & alike(rows, at[1:], at[:-1]) & ~(rows.first[at[1:]] - rows.last[at[:-1]] > RESTART_S)
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
                t.spot("foreign", int(lines_of(rows.pick(slice(n, n + 1)))[0]))
        t.broadcasts += int(((address == 0) & own).sum())
        own &= address != 0
        clean = (matches == 1) & (size == 2) & own
        self._clean(rows, ask_at, clean)
        self._times(rows, role, ask_at, address, own, follows)
        strange = np.flatnonzero(own & ~clean | ~own & (size > 1) & (matches < size - 1))
        if len(strange) or t.units:
            self._odd.look(rows, role, ask_at, size, address, clean, strange, own, follows)
        self._odd.polls += polls

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
        spots = lines_of(rows)
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
