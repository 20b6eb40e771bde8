"""Peers for the trunk probe, built by hand: units on a pseudo terminal or behind TCP, and a line with its own clock.

They share no code with the probe; checksums are those of crcmod. Every byte that reaches them is kept.
"""

from __future__ import annotations

import os
import select
import socket
import struct
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress

import crcmod.predefined

CRC = crcmod.predefined.mkCrcFun("modbus")
READ_CODES = {1, 2, 3, 4, 0x11, 0x2B}
REQUEST_SIZES = {1: 8, 2: 8, 3: 8, 4: 8, 0x11: 4, 0x2B: 7}
SPEEDS = {
    termios.B1200: 1200, termios.B2400: 2400, termios.B4800: 4800, termios.B9600: 9600, termios.B19200: 19_200,
    termios.B38400: 38_400, termios.B57600: 57_600, termios.B115200: 115_200,
}  # fmt: skip

# What a unit does with a request: delays in s, and the bytes that it then sends.
Sends = list[tuple[float, bytes]]
Unit = Callable[[bytes, int], Sends]


def framed(body: bytes) -> bytes:
    return body + struct.pack("<H", CRC(body))


def reply(request: bytes, name: str = "", value: int = 230) -> bytes:
    """The right reply of a unit that knows all functions."""
    unit, function = request[0], request[1]
    if function in (1, 2):
        return framed(bytes((unit, function, 1, 1)))
    if function in (3, 4):
        count = int.from_bytes(request[4:6], "big")
        return framed(bytes((unit, function, 2 * count)) + value.to_bytes(2, "big") * count)
    if function == 0x11:
        text = (name or f"unit {unit}").encode()
        return framed(bytes((unit, function, len(text) + 1)) + text + b"\xff")
    text = (name or f"unit {unit}").encode()
    return framed(bytes((unit, 0x2B, 0x0E, 1, 1, 0, 0, 1, 0, len(text))) + text)


def good(name: str = "", delay: float = 0.0) -> Unit:
    return lambda request, turn: [(delay, reply(request, name))]


def silent(request: bytes, turn: int) -> Sends:
    return []


def refusing(code: int) -> Unit:
    return lambda request, turn: [(0, framed(bytes((request[0], request[1] | 0x80, code))))]


def registers_only(request: bytes, turn: int) -> Sends:
    """Knows function 3 alone."""
    return [(0, reply(request))] if request[1] == 3 else refusing(1)(request, turn)


def damaged(every: int = 1) -> Unit:
    """Each n-th reply has a bit wrong."""

    def act(request: bytes, turn: int) -> Sends:
        data = bytearray(reply(request))
        if turn % every == 0:
            data[3] ^= 0x10
        return [(0, bytes(data))]

    return act


def two_in_turn(request: bytes, turn: int) -> Sends:
    """Two units on one address; only one at a time is heard."""
    return [(0, reply(request, f"first of {request[0]}" if turn % 2 else f"second of {request[0]}"))]


def two_at_once(request: bytes, turn: int) -> Sends:
    """Two units on one address; the second is slower."""
    return [(0, reply(request, "one")), (0.03, reply(request, "two", 231))]


class Wire:
    """Answers requests of the serial line as its units do. `at_rate` limits them to one bit rate."""

    def __init__(self, units: Mapping[int, Unit], at_rate: Mapping[int, int] | None = None, echo: bool = False) -> None:
        self.units, self.at_rate, self.echo = dict(units), dict(at_rate or {}), echo
        self.received = bytearray()
        self.turns: dict[int, int] = {}
        self._pending = b""

    def take(self, data: bytes, rate: int = 0) -> Sends:
        """Bytes from the probe; what goes back, and when."""
        self.received += data
        sends: Sends = [(0.0, data)] if self.echo else []
        self._pending += data
        while len(self._pending) >= 4:
            size = REQUEST_SIZES.get(self._pending[1], 0)
            if not size or len(self._pending) < size:
                break
            request, self._pending = self._pending[:size], self._pending[size:]
            if CRC(request) != 0 or request[0] not in self.units:
                continue
            wanted = self.at_rate.get(request[0])
            if wanted and rate and rate != wanted:
                continue
            turn = self.turns[request[0]] = self.turns.get(request[0], 0) + 1
            sends += self.units[request[0]](request, turn)
        return sends

    def codes(self) -> list[int]:
        """Function codes of all that has been received; raises ValueError where that is not whole good frames."""
        return codes_of(bytes(self.received))


def codes_of(received: bytes) -> list[int]:
    """Function codes of requests one after the other. Raises ValueError for anything else."""
    codes, at = [], 0
    while at < len(received):
        code = received[at + 1]
        size = REQUEST_SIZES.get(code)
        if size is None or CRC(received[at : at + size]) != 0 or not 1 <= received[at] <= 247:
            raise ValueError(f"no read request at {at}: {received[at : at + 16].hex(' ')}")
        if code == 0x2B and received[at + 2] != 0x0E:
            raise ValueError("2B without 0E")
        codes.append(code)
        at += size
    return codes


class PtyTrunk:
    """A serial port whose other end is a wire with units."""

    def __init__(self, wire: Wire, chatter: Sends | None = None) -> None:
        self.wire = wire
        self._end, self._port = os.openpty()
        self.path = os.ttyname(self._port)
        tty.setraw(self._end)
        tty.setraw(self._port)
        self._due: list[tuple[float, bytes]] = []
        began = time.monotonic()
        self._due += [(began + after, data) for after, data in chatter or []]
        self._stop = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop:
            ready, _, _ = select.select([self._end], [], [], 0.002)
            now = time.monotonic()
            if ready:
                rate = SPEEDS.get(termios.tcgetattr(self._port)[5], 0)
                try:
                    data = os.read(self._end, 4096)
                except OSError:
                    return
                self._due += [(now + after, sent) for after, sent in self.wire.take(data, rate)]
            for due in [d for d in self._due if d[0] <= now]:
                self._due.remove(due)
                os.write(self._end, due[1])

    def close(self) -> None:
        self._stop = True
        self._thread.join()
        for end in (self._end, self._port):
            with suppress(OSError):
                os.close(end)

    def unplug(self) -> None:
        """The adapter is pulled."""
        self._stop = True
        self._thread.join()
        os.close(self._end)


@contextmanager
def pty_trunk(units: Mapping[int, Unit], **more: object) -> Iterator[PtyTrunk]:
    chatter = more.pop("chatter", None)
    trunk = PtyTrunk(Wire(units, **more), chatter)  # type: ignore[arg-type]
    try:
        yield trunk
    finally:
        trunk.close()


class Gateway:
    """A gateway that speaks Modbus TCP, over the same units; `tells_silence` with exception 0B."""

    def __init__(self, units: Mapping[int, Unit], tells_silence: bool = False) -> None:
        self.units, self.tells_silence = units, tells_silence
        self.received = bytearray()
        self.turns: dict[int, int] = {}
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                peer, _ = self._server.accept()
            except OSError:
                return
            self._open.append(peer)
            threading.Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer: socket.socket) -> None:
        pending = b""
        while True:
            try:
                data = peer.recv(4096)
            except OSError:
                return
            if not data:
                peer.close()
                return
            self.received += data
            pending += data
            while len(pending) >= 8 and len(pending) >= 6 + int.from_bytes(pending[4:6], "big"):
                size = 6 + int.from_bytes(pending[4:6], "big")
                frame, pending = pending[:size], pending[size:]
                self._answer(peer, frame)

    def _answer(self, peer: socket.socket, frame: bytes) -> None:
        unit = frame[6]
        request = framed(frame[6:])
        turn = self.turns[unit] = self.turns.get(unit, 0) + 1
        sends = self.units.get(unit, silent)(request, turn)
        if not sends and self.tells_silence:
            sends = refusing(0x0B)(request, turn)
        for delay, data in sends:
            body = data[:-2]
            whole = frame[:2] + b"\0\0" + len(body).to_bytes(2, "big") + body
            threading.Timer(delay, _send, (peer, whole)).start() if delay else _send(peer, whole)

    def codes(self) -> list[int]:
        """Function codes of all requests received."""
        codes, at, data = [], 0, bytes(self.received)
        while at < len(data):
            size = 6 + int.from_bytes(data[at + 4 : at + 6], "big")
            if data[at + 2 : at + 4] != b"\0\0" or not 1 <= data[at + 6] <= 247 or at + size > len(data):
                raise ValueError(f"no request at {at}")
            codes.append(data[at + 7])
            at += size
        return codes

    def close(self) -> None:
        self._server.close()
        for peer in self._open:
            peer.close()


def _send(peer: socket.socket, data: bytes) -> None:
    with suppress(OSError):
        peer.sendall(data)


@contextmanager
def gateway(units: Mapping[int, Unit], tells_silence: bool = False) -> Iterator[Gateway]:
    made = Gateway(units, tells_silence)
    try:
        yield made
    finally:
        made.close()


class Clock:
    """A clock that only a line moves."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class FakeLine:
    """A serial line over a wire on a clock of its own. Units may want a setting; others hear nothing, or garble."""

    def __init__(
        self, wire: Wire, clock: Clock, wants: Mapping[int, object] | None = None, garbles: bool = False,
        chatter: Sends | None = None,
    ) -> None:
        from diagnose.probe.guard import ReadOnly, require_serial_read

        self.wire, self.clock, self.wants, self.garbles = wire, clock, dict(wants or {}), garbles
        self.setting: object = None
        self.sent: list[tuple[float, bytes]] = []
        self.closed = 0
        self._due: Sends = [(clock.now + after, data) for after, data in chatter or []]
        self._gate = ReadOnly(self._put, require_serial_read)

    def open(self, plan: object) -> FakeLine:
        self.setting = plan.setting  # type: ignore[attr-defined]
        return self

    def _put(self, frame: bytes) -> None:
        self.sent.append((self.clock.now, frame))
        wanted = self.wants.get(frame[0])
        if wanted is not None and wanted != self.setting:
            self.wire.received += frame
            if self.garbles:
                self._due.append((self.clock.now + 0.02, bytes(b ^ 0x5A for b in reply(frame))))
            return
        on_wire = 11 * len(frame) / self.setting.bit_rate  # type: ignore[attr-defined]
        self._due += [(self.clock.now + on_wire + 0.006 + after, data) for after, data in self.wire.take(frame)]

    def ask(self, unit: int, ask: object) -> bytes:
        from pymodbus.framer import FramerRTU
        from pymodbus.pdu import DecodePDU

        from diagnose.probe.lines import request

        frame = FramerRTU(DecodePDU(is_server=False)).buildFrame(request(unit, ask))  # type: ignore[arg-type]
        self._gate.send(frame)
        return frame

    def hear(self, wait_s: float) -> bytes:
        until = self.clock.now + max(wait_s, 0.0)
        self._due.sort(key=lambda d: d[0])
        if self._due and self._due[0][0] <= until:
            at, data = self._due.pop(0)
            self.clock.now = max(self.clock.now, at)
            return data
        self.clock.now = until + 1e-9
        return b""

    def stale(self) -> list[bytes]:
        return []

    def change(self, setting: object) -> None:
        self.setting = setting

    def close(self) -> None:
        self.closed += 1
