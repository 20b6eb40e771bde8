"""Modbus TCP in a capture: requests, replies, exceptions, silence and time, by server and unit.

Source: MODBUS Application Protocol V1.1b3, MODBUS Messaging on TCP/IP V1.0b (header, port 502). TCP streams are
put together in order; what was not captured is stepped over and counted.
"""

from __future__ import annotations

from collections import Counter, OrderedDict
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from diagnose.evidence.network.packets.capture_file import Packet
from diagnose.evidence.polls import EXCEPTION_OUTCOMES, GATEWAY_CODES, PollCount, usual_code
from diagnose.evidence.tally import Tally
from diagnose.physics import serial

PORT = 502
LATEST_S = 1.0
"""A request younger than this at the end of the capture is not called unanswered, s (common practice)."""
MOST_FLOWS, MOST_UNITS, MOST_OPEN, MOST_HELD, MOST_AHEAD, MOST_TIMES = 1024, 2048, 256, 8, 4096, 1000
LONGEST_ROUND_S = 86_400.0
LONGEST = 253 + 1  # unit and PDU
SYN, RST = 2, 4
FUNCTIONS = frozenset({1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43})
"""Public function codes (MODBUS Application Protocol V1.1b3, 5.1)."""


class Request(NamedTuple):
    """A request that waits for its reply."""

    time: float
    unit: int
    function: int
    what: bytes
    frame: int


@dataclass
class Talk:
    """What was said with one unit behind one server."""

    requests: int = 0
    replies: int = 0
    unanswered: int = 0
    exceptions: Counter[int] = field(default_factory=Counter)
    first: int = 0
    last: int = 0
    exception_frames: list[int] = field(default_factory=list)
    silent_frames: list[int] = field(default_factory=list)
    delays_s: list[float] = field(default_factory=list)
    rounds_s: list[float] = field(default_factory=list)
    asked_at: OrderedDict[bytes, float] = field(default_factory=OrderedDict)

    @property
    def settled(self) -> int:
        """Requests whose end is known."""
        return self.replies + self.unanswered

    @property
    def mute(self) -> int:
        """Requests without any reply of the unit itself."""
        return self.unanswered + sum(self.exceptions[c] for c in GATEWAY_CODES)

    @property
    def polls(self) -> PollCount:
        """As polls: for a poller an exception is a failed one, and a gateway's word that the unit is silent is silence."""
        told = Counter({c: n for c, n in self.exceptions.items() if c not in GATEWAY_CODES})
        return PollCount(self.settled, good=self.replies, silent=self.mute, exceptions=told)


class _Direction:
    """One direction of a TCP connection: bytes in order."""

    def __init__(self) -> None:
        self.next: int | None = None
        self.buffer = b""
        self.held: dict[int, bytes] = {}
        self.gaps = 0

    def put(self, sequence: int, data: bytes) -> None:
        """Take a segment; keep it aside when an earlier one is missing."""
        if self.next is None:
            self.next = sequence
        ahead = (sequence - self.next) & 0xFFFFFFFF
        if ahead >= 0x80000000:  # seen before, at least its beginning
            data = data[(self.next - sequence) & 0xFFFFFFFF :]
            ahead = 0
        if ahead:
            self.held[sequence] = data[:MOST_AHEAD]
            if len(self.held) <= MOST_HELD:
                return
            self._step_over()
        elif data:
            self._take(data)
        while self.next in self.held:
            self._take(self.held.pop(self.next))

    def _take(self, data: bytes) -> None:
        self.buffer += data
        self.next = ((self.next or 0) + len(data)) & 0xFFFFFFFF

    def _step_over(self) -> None:
        """What is missing does not come any more."""
        base = self.next or 0
        first = min(self.held, key=lambda s: (s - base) & 0xFFFFFFFF)
        self.gaps += 1
        self.buffer, self.next = b"", first

    def finish(self) -> None:
        """No more segments come: what is kept aside goes on from the next one."""
        if self.held:
            self._step_over()
            while self.next in self.held:
                self._take(self.held.pop(self.next))


class _Flow:
    def __init__(self) -> None:
        self.to_server, self.to_client = _Direction(), _Direction()
        self.open: OrderedDict[tuple[int, int], Request] = OrderedDict()
        self.asked: int | None = None  # frame of a SYN without an answer
        self.last = 0


class Modbus:
    """Everything said over port 502, fed packet by packet."""

    def __init__(self, tally: Tally) -> None:
        self.tally = tally
        self.talks: dict[tuple[str, int], Talk] = {}
        self.servers: set[str] = set()
        self.refused: dict[str, list[int]] = {}
        self.unanswered_calls: dict[str, list[int]] = {}
        self.end = 0.0
        self.unasked = 0
        self.not_kept = 0
        self._flows: OrderedDict[tuple[str, int, str, int], _Flow] = OrderedDict()

    def take(self, p: Packet, frame: int, time: float) -> bool:
        """Take a TCP packet of port 502; False when it is of another port."""
        if PORT not in (p.source_port, p.target_port):
            return False
        asks = p.target_port == PORT
        key = (p.source, p.source_port, p.target, p.target_port) if asks else (p.target, p.target_port, p.source, p.source_port)
        server = key[2]
        flow = self._flows.get(key)
        if flow is None:
            if len(self._flows) >= MOST_FLOWS:
                gone, old = self._flows.popitem(last=False)
                self._close(old, gone[2], everything=False)
            flow = self._flows[key] = _Flow()
        self.end, flow.last = max(self.end, time), frame
        way = flow.to_server if asks else flow.to_client
        if p.flags & SYN:
            self._syn(flow, way, p, frame, asks)
            return True
        if p.flags & RST and not asks and flow.asked is not None:
            _note(self.refused, server, frame)
            flow.asked = None
        if p.payload:
            way.put(p.sequence, p.payload)
            self._frames(flow, way, server, frame, time, asks)
        return True

    @staticmethod
    def _syn(flow: _Flow, way: _Direction, p: Packet, frame: int, asks: bool) -> None:
        way.next, way.buffer = (p.sequence + 1) & 0xFFFFFFFF, b""
        way.held.clear()
        if asks:
            flow.asked = flow.asked or frame
        else:
            flow.asked = None

    def _frames(self, flow: _Flow, way: _Direction, server: str, frame: int, time: float, asks: bool) -> None:
        while len(way.buffer) >= 8:
            tag, protocol = int.from_bytes(way.buffer[:2], "big"), int.from_bytes(way.buffer[2:4], "big")
            size, unit = int.from_bytes(way.buffer[4:6], "big"), way.buffer[6]
            if protocol != 0 or not 2 <= size <= LONGEST:
                self.tally.missed(f"frame {frame}", f"no Modbus TCP header: {way.buffer[:16].hex(' ')}")
                way.buffer = b""
                return
            if len(way.buffer) < 6 + size:
                return
            pdu, way.buffer = way.buffer[7 : 6 + size], way.buffer[6 + size :]
            if pdu[0] & 0x7F not in FUNCTIONS or (pdu[0] & 0x80 and (asks or len(pdu) != 2)):
                self.tally.missed(f"frame {frame}", f"function {pdu[0]} is not known: {pdu[:16].hex(' ')}")
                continue
            self.tally.took()
            if asks:
                self._request(flow, server, tag, Request(time, unit, pdu[0], pdu[:5], frame))
            else:
                self._reply(flow, server, tag, unit, pdu, frame, time)

    def _talk(self, server: str, unit: int) -> Talk | None:
        self.servers.add(server)
        if (server, unit) not in self.talks and len(self.talks) >= MOST_UNITS:
            self.not_kept += 1
            return None
        return self.talks.setdefault((server, unit), Talk())

    def _request(self, flow: _Flow, server: str, tag: int, r: Request) -> None:
        talk = self._talk(server, r.unit)
        if talk is None:
            return
        talk.requests += 1
        talk.first, talk.last = talk.first or r.frame, r.frame
        before = talk.asked_at.pop(r.what, None)
        if before is not None and 0 < r.time - before < LONGEST_ROUND_S and len(talk.rounds_s) < MOST_TIMES:
            talk.rounds_s.append(r.time - before)
        talk.asked_at[r.what] = r.time
        if len(talk.asked_at) > MOST_OPEN:
            talk.asked_at.popitem(last=False)
        old = flow.open.pop((tag, r.unit), None)
        if old is not None:
            self._lost(server, old)
        flow.open[tag, r.unit] = r
        if len(flow.open) > MOST_OPEN:
            self._lost(server, flow.open.popitem(last=False)[1])

    def _reply(self, flow: _Flow, server: str, tag: int, unit: int, pdu: bytes, frame: int, time: float) -> None:
        asked = flow.open.get((tag, unit))
        talk = self._talk(server, unit)
        if talk is None:
            return
        talk.last = frame
        if asked is None or asked.function != pdu[0] & 0x7F:
            self.unasked += 1
            return
        del flow.open[tag, unit]
        talk.replies += 1
        if len(talk.delays_s) < MOST_TIMES:
            talk.delays_s.append(max(0.0, time - asked.time))
        if pdu[0] & 0x80:
            talk.exceptions[pdu[1]] += 1
            _few(talk.exception_frames, frame)

    def _lost(self, server: str, r: Request) -> None:
        talk = self._talk(server, r.unit)
        if talk is not None:
            talk.unanswered += 1
            _few(talk.silent_frames, r.frame)

    def _close(self, flow: _Flow, server: str, everything: bool) -> None:
        for request in flow.open.values():
            if not everything or self.end - request.time >= LATEST_S:
                self._lost(server, request)
        flow.open.clear()
        if flow.asked is not None:
            _note(self.unanswered_calls, server, flow.asked)

    def finish(self) -> None:
        """The capture is over: what is still open has no answer."""
        for key, flow in self._flows.items():
            for way, asks in ((flow.to_server, True), (flow.to_client, False)):
                way.finish()
                self._frames(flow, way, key[2], flow.last, self.end, asks)
            self._close(flow, key[2], everything=True)

    @property
    def gaps(self) -> int:
        """Places where segments are missing in the capture."""
        return sum(f.to_server.gaps + f.to_client.gaps for f in self._flows.values())


def _note(table: dict[str, list[int]], server: str, frame: int) -> None:
    if server in table or len(table) < 256:
        _few(table.setdefault(server, []), frame)


def _few(frames: list[int], frame: int) -> None:
    """First and last frame are kept."""
    frames[1:] = [frame] if frames else []
    if not frames:
        frames.append(frame)


def middle(values: list[float]) -> float | None:
    """The middle value, None for none."""
    return median(values) if values else None


def exception_word(codes: Counter[int]) -> str:
    """The outcome of the check `exception-codes` for the code that came most."""
    if not codes:
        return "none"
    return EXCEPTION_OUTCOMES.get(usual_code(codes), "")


def exception_text(codes: Counter[int]) -> str:
    """`40 × 06 server device busy`."""
    parts = [f"{n} × {c:02X} {serial.EXCEPTIONS[c].name if c in serial.EXCEPTIONS else 'unknown'}" for c, n in codes.most_common(3)]
    return ", ".join(parts)
