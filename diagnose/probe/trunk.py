"""Asks the units of a live trunk and measures what comes back. Only reads; the line is given, so is the clock.

One request at a time: send, listen until the reply or the time-out, listen on while resting. What comes in the rest
belongs to the request before it: a late reply, or a second unit's.
"""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import IO

import numpy as np

from diagnose.evidence.intake import EXCERPT, Original
from diagnose.evidence.polls import GATEWAY_CODES
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.serial.counting import PollCounter
from diagnose.evidence.serial.counts import TrunkPolls, UnitPolls
from diagnose.evidence.serial.streams import Assembler
from diagnose.evidence.serial.text import RECEIVED, SENT, Pieces
from diagnose.probe.lines import LineLost, TrunkLine
from diagnose.probe.look import ANSWER, DAMAGED, EXCEPTION, NOTHING, OTHER, Look, identity, look
from diagnose.probe.plan import (
    ASKS_EACH,
    MANY,
    READ_COILS,
    READ_HOLDING,
    READ_IDENTITY,
    READ_INPUTS,
    READ_REGISTERS,
    REPORT_ID,
    SCANNED,
    SITTINGS,
    SWEEP_TIMEOUT_S,
    ProbePlan,
    ReadRequest,
    Setting,
    frame_s,
    least_polls,
    rest_s,
    settings_to_try,
    silence_s,
)

LISTEN_S = 1.0
"""How long a serial trunk is listened to before the first request, s: another controller would be heard (common practice)."""
LATE_SHARE, LATE_MOST_S = 0.25, 0.5
"""After a time-out the line rests for this share of it, s at most the second, so that a late reply disturbs nobody."""
IDLE_S = 0.15
"""A reply that has stopped for so long in the middle does not go on, s: longer than adapters hold bytes back."""
STEP_S = 0.05  # a stop is noticed within this time
BRING_BACK = 2  # plain requests to a unit that stumbled over one
LATE_TIMEOUTS = 6  # a reply that comes later than so many time-outs answers nothing any more
SURPLUS_POLLS = 2  # a second answer comes so many polls later at most
FOREIGN = 2  # requests of another controller after which the probe gives up
LONGEST_REPLY = 256
KEPT_TIMES, KEPT_BLOCK, KEPT_SAMPLES = 20_000, 64, 5
REFUSED_AS_ASKED = (1, 2, 3)
"""Exceptions that say only that this register or function is not there; they prove the unit and the line good."""


Chunk = tuple[float, bytes]
FIRST_ASK, UNHEARD = ReadRequest(READ_HOLDING), Look(NOTHING)


class _Stopped(Exception):
    """The person has stopped it."""


@dataclass
class UnitMeasure:
    """What one address did in the rounds; times in s."""

    address: int
    functions: dict[int, str] = field(default_factory=dict)  # data, exception 02, damaged, silent
    chosen: ReadRequest = FIRST_ASK
    heard: bool = False
    asked: int = 0
    answered: int = 0
    timed_out: int = 0
    damaged: int = 0
    wrong_address: int = 0
    late: int = 0
    twice: int = 0
    stray: int = 0
    exceptions: Counter[int] = field(default_factory=Counter)
    times: list[float] = field(default_factory=list)
    late_times: list[float] = field(default_factory=list)
    said: dict[int, list[str]] = field(default_factory=dict)  # by function, who it says it is
    values: list[bytes] = field(default_factory=list)
    left_out: bool = False

    @property
    def identities(self) -> list[str]:
        """What it said it is, each time, to the same function; two functions may well name it in two ways."""
        return self.said.get(READ_IDENTITY) or self.said.get(REPORT_ID) or []


@dataclass
class SweepRow:
    """What happened at one setting: addresses that answered well, with damage, and how many not at all."""

    setting: Setting
    good: list[int] = field(default_factory=list)
    garbled: list[int] = field(default_factory=list)
    silent: int = 0
    refused: str = ""


@dataclass
class Measured:
    """Everything that was measured."""

    plan: ProbePlan
    setting: Setting
    units: dict[int, UnitMeasure] = field(default_factory=dict)
    sweep: list[SweepRow] = field(default_factory=list)
    tally: TrunkPolls = field(default_factory=TrunkPolls)
    sent: Counter[int] = field(default_factory=Counter)  # frames by function code
    rounds_done: int = 0
    requests: int = 0
    stopped: str = ""  # why it is partial
    interrupted: bool = False
    foreign: int = 0
    echoes: int = 0
    noise: int = 0
    frames: int = 0
    damaged: int = 0
    samples: list[str] = field(default_factory=list)
    unexpected: Counter[int] = field(default_factory=Counter)  # good frames of addresses that were not asked
    took_s: float = 0.0


@dataclass
class _Poll:
    """A request and what came behind it."""

    unit: int
    ask: ReadRequest
    request: bytes
    sent: float
    ended: float  # when its last bit was on the wire
    number: int
    counted: bool
    heard: list[Chunk] = field(default_factory=list)
    after: list[Chunk] = field(default_factory=list)
    stale: list[Chunk] = field(default_factory=list)  # replies to earlier requests, where the line tells them
    look: Look = UNHEARD
    took: float = 0.0
    line: int = 0


class ExchangeLog:
    """Every frame in both directions with its time, as text that the reader of captures reads back.

    The whole goes to `stream` where there is one; kept are hash, size and beginning.
    """

    def __init__(self, name: str, stream: IO[bytes] | None = None, start: datetime | None = None, zero: float = 0.0) -> None:
        self.name = name
        self._stream = stream
        self._start = start or datetime.now()
        self._zero = zero
        self._digest = hashlib.sha256()
        self._size = 0
        self._beginning = b""
        self.lines = 0

    def put(self, at: float, way: str, data: bytes) -> int:
        """Write a line; its number, from 1. Raises LineLost, once, where the file cannot be written."""
        when = self._start + timedelta(seconds=at - self._zero)
        text = f"{when:%Y-%m-%d %H:%M:%S.%f} {way} {data.hex(' ').upper()}\n".encode()
        if self._stream is not None:
            self._keep(text)
        self._digest.update(text)
        self._size += len(text)
        if len(self._beginning) < EXCERPT:
            self._beginning = (self._beginning + text)[:EXCERPT]
        self.lines += 1
        return self.lines

    def _keep(self, text: bytes) -> None:
        stream, self._stream = self._stream, None
        assert stream is not None
        try:
            stream.write(text)
            stream.flush()
        except OSError as error:
            raise LineLost(f"the log cannot be written any more ({error.strerror or error})") from None
        self._stream = stream

    def original(self) -> Original:
        """What a case keeps of it."""
        return Original(self.name, self._size, self._digest.hexdigest(), self._beginning.decode())


class Prober:
    """Runs a plan on a line. `stop` is looked at at every step; `tell(done, of, what)` hears how far it is."""

    def __init__(
        self, plan: ProbePlan, open_line: Callable[[ProbePlan], TrunkLine], log: ExchangeLog | None = None,
        stop: Callable[[], bool] = lambda: False, tell: Callable[[int, int, str], None] = lambda done, of, what: None,
        clock: Callable[[], float] = time.monotonic, listen_s: float = LISTEN_S,
    ) -> None:  # fmt: skip
        self._plan = plan
        self._open = open_line
        self._clock = clock
        self.zero = clock()
        self.log = log or ExchangeLog("probe-trunk.log", zero=self.zero)
        self._stop, self._tell = stop, tell
        self._listen_s = 0.0 if plan.host else listen_s
        self.measured = Measured(plan, plan.setting, {a: UnitMeasure(a) for a in plan.units})
        self._last: _Poll | None = None
        self._next_at = self.zero
        self._waiting: dict[int, _Poll] = {}  # polls without a reply that may still come
        self._answered: dict[int, int] = {}  # number of the last poll that was answered
        self._rows = Assembler()
        self._polls = self._new_polls()
        self._block: list[tuple[int, float, bytes, int]] = []  # direction, time, bytes, line
        self._done, self._of = 0, least_polls(plan)

    def _new_polls(self) -> PollCounter:
        """The reader of captures, for the setting that is used now."""
        setting = self.measured.setting
        polls = PollCounter(self._rows.gaps, silence_s(setting), self._plan.timeout_s + frame_s(setting, 8))
        polls.resolution_s = 1e-6
        return polls

    # ---- the whole

    def run(self) -> Measured:
        """Measure. Raises EvidenceError where nothing could be begun; whatever happens later gives a partial result."""
        m = self.measured
        self._line = self._open(self._plan)
        try:
            self._listen()
            try:
                if self._plan.sweep:
                    self._sweep()
                self._scan()
                self._rounds()
                self._rest()
            except _Stopped:
                m.stopped, m.interrupted = "it was stopped", True
            except (LineLost, EvidenceError) as error:
                m.stopped = str(error)
        finally:
            self._line.close()
        try:
            self._close_last()
        except LineLost as error:
            m.stopped = m.stopped or str(error)
        self._feed(True)
        m.tally = _own_tally(m) if self._plan.host else self._polls.tally
        m.took_s = self._clock() - self.zero
        return m

    def _listen(self) -> None:
        """Nobody else may be asking. Raises EvidenceError where somebody is."""
        until = self._clock() + self._listen_s
        heard: list[Chunk] = []
        while (left := until - self._clock()) > 0 and not self._stop():
            if data := self._line.hear(min(left, STEP_S)):
                heard.append((self._clock(), data))
        for at, data in heard:
            self.log.put(at, "RX", data)
        found = look(0, 0, b"", b"".join(d for _, d in heard))
        if found.foreign:
            asked = found.foreign[0]
            raise EvidenceError(
                f"another controller is polling this trunk (it asked address {asked[0]} just now);"
                " stop or disconnect it first, two controllers disturb each other"
            )
        self.measured.noise = len(found.loose)

    # ---- one request

    def _poll(self, unit: int, ask: ReadRequest, timeout: float | None = None, counted: bool = False) -> Look:
        """Ask once and listen. The bytes that come in the rest behind it are still this poll's."""
        self._rest()
        wait = self._plan.timeout_s if timeout is None else timeout
        sent = self._clock()
        request = self._line.ask(unit, ask)
        m = self.measured
        m.requests += 1
        m.sent[ask.function] += 1
        on_wire = 0.0 if self._plan.host else frame_s(m.setting, len(request))
        poll = _Poll(unit, ask, request, sent, sent + on_wire, m.requests, counted)
        self._last = poll
        self._hear_reply(poll, wait)
        now = self._clock()
        rest = rest_s(self._plan, m.setting)
        if not poll.look.answered:
            rest = max(rest, min(LATE_SHARE * wait, LATE_MOST_S))
        self._next_at = max(sent + 1 / self._plan.rate, now + rest)
        return poll.look

    def _hear_reply(self, poll: _Poll, wait: float) -> None:
        """Listen until the reply is whole, has broken off, or the time is over."""
        deadline = poll.ended + wait
        while (left := deadline - self._clock()) > 0:
            if self._stop():
                self._abandon(poll)
                raise _Stopped
            try:
                data = self._line.hear(min(left, STEP_S))
            except LineLost:
                self._abandon(poll)
                raise
            now = self._clock()
            poll.stale += [(now, frame) for frame in self._line.stale()]
            if data:
                poll.heard.append((now, data))
                poll.look = look(poll.unit, poll.ask.function, poll.request, _joined(poll.heard))
                if poll.look.answered:
                    poll.took = max(0.0, _time_of(poll.heard, poll.look.at) - poll.ended)
                    return
            elif poll.heard and now - poll.heard[-1][0] > IDLE_S and len(poll.look.loose) >= 4 and poll.look.kind == DAMAGED:
                return
            if sum(len(d) for _, d in poll.heard) > 8 * LONGEST_REPLY:
                return  # something sends without end

    def _abandon(self, poll: _Poll) -> None:
        """A request whose reply was not waited for counts for nothing, but stands in the log."""
        self._last = None
        self._write(poll)

    def _rest(self) -> None:
        """Listen until the next request may go out, and close the last poll."""
        while (left := self._next_at - self._clock()) > 0:
            if self._stop():
                raise _Stopped
            data = self._line.hear(min(left, STEP_S))
            if data and self._last is not None:
                self._last.after.append((self._clock(), data))
            if self._last is not None:
                self._last.stale += [(self._clock(), frame) for frame in self._line.stale()]
        self._close_last()
        if self._stop():
            raise _Stopped

    # ---- counting

    def _write(self, poll: _Poll) -> None:
        """The poll's lines in the log, and its bytes to the reader of captures."""
        poll.line = self.log.put(poll.sent, "TX", poll.request)
        events = [(SENT, poll.sent, poll.request, poll.line)]
        for at, data in sorted((*poll.stale, *poll.heard, *poll.after), key=lambda chunk: chunk[0]):
            events.append((RECEIVED, at, data, self.log.put(at, "RX", data)))
        if poll.counted:
            self._block += _without_echo(events, poll)
            if len(self._block) > KEPT_BLOCK:
                self._feed(False)

    def _feed(self, last: bool) -> None:
        rows, self._block = self._block, []
        pieces = Pieces(
            b"".join(r[2] for r in rows), np.array([len(r[2]) for r in rows], np.int64), np.array([r[0] for r in rows], np.uint8),
            np.array([r[1] for r in rows], np.float64), np.array([r[3] for r in rows], np.int64),
        )  # fmt: skip
        self._polls.feed(self._rows.feed(pieces, last), last)

    def _close_last(self) -> None:
        """Count the last poll with what came in the rest behind it."""
        poll, self._last = self._last, None
        if poll is None:
            return
        self._write(poll)
        m = self.measured
        after = look(poll.unit, poll.ask.function, b"", _joined(poll.after)) if poll.after else UNHEARD
        m.echoes += poll.look.echo
        m.foreign += len(poll.look.foreign) + len(after.foreign)
        m.frames += poll.look.answered + len(poll.look.more) + len(poll.look.others) + after.answered + len(after.others)
        if poll.look.loose or after.loose:
            m.damaged += 1
            if len(m.samples) < KEPT_SAMPLES:
                m.samples.append(
                    f"line {poll.line}, behind a request to address {poll.unit}: "
                    f"{(poll.look.loose + after.loose)[:40].hex(' ').upper()}"
                )
        explained = [self._late_one(poll, frame) for frame in (*poll.look.others, *after.others, *(f for _, f in poll.stale))]
        if not poll.counted and poll.look.kind == NOTHING and not after.answered:
            self._waiting[poll.unit] = poll
        if poll.counted:
            self._count(poll, after, bool(poll.look.others) and not all(explained))
        if m.foreign >= FOREIGN:
            raise LineLost("another controller polls this trunk at the same time; stop or disconnect it, then probe again")

    def _late_one(self, poll: _Poll, frame: bytes) -> bool:
        """Whether a reply of another, or of an earlier request, answers one that had timed out."""
        unit = frame[0]
        m = self.measured.units.get(unit)
        waiting = self._waiting.pop(unit, None)
        if (
            waiting is None
            or m is None
            or poll.sent - waiting.ended > LATE_TIMEOUTS * self._plan.timeout_s
            or frame[1] & 0x7F != waiting.ask.function
        ):
            if m is None:
                self.measured.unexpected[unit] += 1
            elif poll.number - self._answered.get(unit, -SURPLUS_POLLS) <= SURPLUS_POLLS and not (m.timed_out or m.late):
                m.twice += 1  # answered already, and by a unit that is never late
                self._answered.pop(unit)
            return False
        m.heard = True
        if waiting.counted:
            m.timed_out -= 1
            m.late += 1
            at = next((t for t, d in (*poll.stale, *poll.heard, *poll.after) if frame[:4] in d), poll.ended)
            m.late_times.append(at - waiting.ended)
        return True

    def _count(self, poll: _Poll, after: Look, wrong: bool) -> None:
        """One poll of the rounds into its unit's figures."""
        m = self.measured.units[poll.unit]
        m.asked += 1
        kind = poll.look.kind
        if kind in (ANSWER, EXCEPTION):
            surplus = len(poll.look.more) + after.answered + len(after.more)
            own_time = True
            if surplus and self._late_one(poll, poll.look.reply):
                surplus, own_time = surplus - 1, False  # the first of the two answers the poll before
            m.heard |= poll.look.code not in GATEWAY_CODES
            self._waiting.pop(poll.unit, None)
            self._answered[poll.unit] = poll.number
            m.twice += bool(surplus or after.headed or poll.look.headed)
            m.stray += bool(poll.look.loose and not poll.look.headed)
            if own_time and len(m.times) < KEPT_TIMES:
                m.times.append(poll.took)
            if kind == ANSWER:
                m.answered += 1
                if len(m.values) < KEPT_TIMES:
                    m.values.append(poll.look.reply[2:-2])
            else:
                m.exceptions[poll.look.code] += 1
        elif after.answered:
            m.heard = True
            m.late += 1
            m.late_times.append(_time_of(poll.after, after.at) - poll.ended)
        elif kind == DAMAGED or after.kind == DAMAGED:
            m.damaged += 1
            m.heard = True
        elif kind == OTHER and wrong:
            m.wrong_address += 1
        else:
            m.timed_out += 1
            self._waiting[poll.unit] = poll

    # ---- phases

    def _sweep(self) -> None:
        """Find the setting at which somebody answers; addresses that stay silent are looked for at the others as well.

        Of a long list only as many as answer at the first good setting are found.
        """
        m, left = self.measured, list(self._plan.units)
        main: Setting | None = None
        tries = settings_to_try(self._plan.setting)
        for n, setting in enumerate(tries):
            self._rest()
            row = SweepRow(setting)
            try:
                self._line.change(setting)
            except EvidenceError as error:
                row.refused = str(error)
                m.sweep.append(row)
                continue
            m.setting = setting
            m.sweep.append(row)
            wait = SWEEP_TIMEOUT_S + 2 * frame_s(setting, 8)
            if n == 0:
                wait = max(wait, self._plan.timeout_s)
            for unit in left:
                self._tell(n, len(tries), f"sweep: {setting}, address {unit}")
                seen = self._poll(unit, ReadRequest(READ_HOLDING, self._plan.register), wait)
                if seen.answered:
                    row.good.append(unit)
                elif seen.kind == DAMAGED:
                    row.garbled.append(unit)
                else:
                    row.silent += 1
            left = [u for u in left if u not in row.good]
            if row.good and main is None:
                main = setting
            if not left or (main is not None and len(self._plan.units) > MANY):
                break
        self._rest()
        m.setting = main or self._plan.setting
        self._line.change(m.setting)

    def _scan(self) -> None:
        """Who is there, and for which functions."""
        for unit in self._plan.units:
            m = self.measured.units[unit]
            for n, function in enumerate(SCANNED):
                ask = _ask(function, self._plan.register)
                self._step(f"scan: address {unit}")
                seen = self._poll(unit, ask)
                if n == 0 and not seen.answered:
                    seen = self._poll(unit, ask)
                m.functions[function] = _what(seen)
                m.heard |= seen.answered or seen.kind == DAMAGED
                if seen.kind == ANSWER and function in (READ_IDENTITY, REPORT_ID):
                    self._who(m, seen)
                if n == 0 and (not seen.answered or seen.code in GATEWAY_CODES):
                    self._done += len(SCANNED) - 1
                    break
                if not seen.answered:
                    self._bring_back(unit)
            m.chosen = _chosen(m.functions, self._plan.register)

    def _bring_back(self, unit: int) -> None:
        """Some units stumble over a function that they do not know and miss the request behind it as well."""
        for _ in range(BRING_BACK):
            if self._poll(unit, _ask(SCANNED[0], self._plan.register)).answered:
                return

    def _who(self, m: UnitMeasure, seen: Look) -> None:
        said = identity(seen.reply)
        if said:
            m.said.setdefault(seen.reply[1], []).append(said)

    def _rounds(self) -> None:
        """Every unit again and again, in turn."""
        self._polls = self._new_polls()
        for n in range(self._plan.rounds):
            for unit in self._plan.units:
                m = self.measured.units[unit]
                self._step(f"round {n + 1} of {self._plan.rounds}: address {unit}")
                if not m.heard and m.asked >= self._plan.silent_polls:
                    m.left_out = True
                    continue
                self._poll(unit, m.chosen, counted=True)
            if n < SITTINGS:
                self._identify()
            self.measured.rounds_done = n + 1
        for _ in range(SITTINGS - self._plan.rounds):
            self._identify()

    def _identify(self) -> None:
        """Ask those who say who they are, several times running."""
        for unit in self._plan.units:
            m = self.measured.units[unit]
            self._step(f"identity: address {unit}", ASKS_EACH)
            asked = next((f for f in (READ_IDENTITY, REPORT_ID) if m.functions.get(f) == "data"), None)
            for _ in range(ASKS_EACH if asked else 0):
                seen = self._poll(unit, ReadRequest(asked or READ_IDENTITY))
                if seen.kind == ANSWER:
                    self._who(m, seen)

    def _step(self, what: str, count: int = 1) -> None:
        self._tell(min(self._done, self._of), self._of, what)
        self._done += count


def _own_tally(m: Measured) -> TrunkPolls:
    """The figures in the form of captures. Behind a gateway every reply has a number, so that none is mistaken for another."""
    tally = TrunkPolls(marked=True)
    for u in m.units.values():
        if u.asked:
            tally.units[u.address] = UnitPolls(
                asked=u.asked, good=u.answered + u.exceptions.total(), silent=u.timed_out + u.wrong_address, damaged=u.damaged,
                late=u.late, two_answers=u.twice, exceptions=Counter(u.exceptions),
            )  # fmt: skip
    return tally


def _ask(function: int, register: int) -> ReadRequest:
    return ReadRequest(function) if function in (READ_IDENTITY, REPORT_ID) else ReadRequest(function, register)


def _what(seen: Look) -> str:
    if seen.kind == ANSWER:
        return "data"
    return f"exception {seen.code:02X}" if seen.kind == EXCEPTION else "damaged" if seen.kind == DAMAGED else "silent"


def _chosen(functions: dict[int, str], register: int) -> ReadRequest:
    """The request for the rounds: one that gives data, else one that is at least answered."""
    reads = (READ_HOLDING, READ_REGISTERS, READ_COILS, READ_INPUTS)
    for wanted in ("data", "exception"):
        for function in reads:
            if functions.get(function, "").startswith(wanted):
                return ReadRequest(function, register)
    return ReadRequest(READ_HOLDING, register)


def _joined(chunks: list[Chunk]) -> bytes:
    return b"".join(data for _, data in chunks)


def _time_of(chunks: list[Chunk], at: int) -> float:
    """When the byte at this place came."""
    for when, data in chunks:
        if at < len(data):
            return when
        at -= len(data)
    return chunks[-1][0]


def _without_echo(events: list[tuple[int, float, bytes, int]], poll: _Poll) -> list[tuple[int, float, bytes, int]]:
    """The adapter's own echo says nothing of the units."""
    if not poll.look.echo:
        return events
    drop, kept = len(poll.request), []
    for way, at, data, line in events:
        if way == RECEIVED and drop:
            data, drop = data[drop:], max(0, drop - len(data))
        if data:
            kept.append((way, at, data, line))
    return kept


__all__ = ["ExchangeLog", "Measured", "Prober", "SweepRow", "UnitMeasure"]
