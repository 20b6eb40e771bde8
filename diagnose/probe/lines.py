"""The wires of a probe: a serial port, or a TCP connection to a gateway. Effects live here and nowhere else in it.

Requests are made by pymodbus; every frame goes through the guard. Both kinds of line hand out what they hear as
frames of the serial line, so that all behind them is alike.
Source: MODBUS Messaging on TCP/IP V1.0b (header).
"""

from __future__ import annotations

import errno
import importlib
import importlib.util
import os
import socket
from typing import Any, Protocol

from diagnose.evidence.reader import EvidenceError
from diagnose.physics import serial
from diagnose.probe.guard import HEADER, ReadOnly, require_serial_read, require_tcp_read
from diagnose.probe.plan import (
    READ_COILS,
    READ_HOLDING,
    READ_IDENTITY,
    READ_INPUTS,
    READ_REGISTERS,
    REPORT_ID,
    ProbePlan,
    ReadRequest,
    Setting,
)
from diagnose.source.problems import shown

MISSING = "the live probe needs two more packages; install them with: pip install 'diagnose[live]'"
SLICE_S = 0.02  # a serial port is asked for the first byte at least so often
CONNECT_S = 5.0
LONGEST_TCP = 256 + 4
LOST: tuple[type[Exception], ...] = (OSError, ValueError, TypeError)
"""What pyserial raises when a port cannot be used or is gone; TypeError comes of a descriptor that is gone."""
if importlib.util.find_spec("termios"):
    LOST = (*LOST, importlib.import_module("termios").error)
PSEUDO_TERMINALS = range(136, 144)
"""Device numbers that Linux gives pseudo terminals; what bridges a network to a port is one."""
PARITY_LETTERS = {"even": "E", "odd": "O", "none": "N"}


class LineLost(Exception):
    """The port or connection went away during the work; one line."""


class TrunkLine(Protocol):
    """A line to units."""

    def ask(self, unit: int, ask: ReadRequest) -> bytes:
        """Send a request; the frame as it stands on the trunk. Raises WriteRefused, LineLost."""

    def hear(self, wait_s: float) -> bytes:
        """What comes within so many seconds, at once when it comes; empty when nothing does. Raises LineLost."""

    def stale(self) -> list[bytes]:
        """Replies to earlier requests that have been heard since, where the line can tell them."""

    def change(self, setting: Setting) -> None:
        """Use another setting. Raises EvidenceError where the port cannot."""

    def close(self) -> None:
        """Let go of the port."""


def need_packages() -> None:
    """Raises EvidenceError where a package of the extra `live` is missing."""
    if not all(importlib.util.find_spec(name) for name in ("pymodbus", "serial")):
        raise EvidenceError(MISSING)


def open_line(plan: ProbePlan) -> TrunkLine:
    """The line of a plan. Raises EvidenceError in one line: what cannot be opened, and what would be right."""
    need_packages()
    return TcpLine(plan) if plan.host else SerialLine(plan)


def request(unit: int, ask: ReadRequest, transaction: int = 0) -> Any:
    """A request as pymodbus has it. Raises KeyError for a function that is not read with."""
    from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
    from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
    from pymodbus.pdu.other_message import ReportDeviceIdRequest
    from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

    kinds: dict[int, Any] = {
        READ_COILS: ReadCoilsRequest, READ_INPUTS: ReadDiscreteInputsRequest, READ_HOLDING: ReadHoldingRegistersRequest,
        READ_REGISTERS: ReadInputRegistersRequest, REPORT_ID: ReportDeviceIdRequest, READ_IDENTITY: ReadDeviceInformationRequest,
    }  # fmt: skip
    kind = kinds[ask.function]
    if ask.function in (REPORT_ID, READ_IDENTITY):
        return kind(dev_id=unit, transaction_id=transaction)
    return kind(dev_id=unit, transaction_id=transaction, address=ask.start, count=ask.quantity)


class SerialLine:
    """A serial port in RTU mode, opened for this program alone."""

    def __init__(self, plan: ProbePlan) -> None:
        import serial as pyserial  # type: ignore[import-untyped]
        from pymodbus.framer import FramerRTU
        from pymodbus.pdu import DecodePDU

        self._framer = FramerRTU(DecodePDU(is_server=False))
        s = plan.setting
        try:
            self._port = pyserial.Serial(
                plan.port, s.bit_rate, 8, _letter(plan.port, s.parity), s.stop_bits, timeout=SLICE_S, write_timeout=2.0, exclusive=True,
            )  # fmt: skip
        except LOST as error:
            raise EvidenceError(_port_problem(plan.port, error, s)) from None
        self._gate = ReadOnly(self._port.write, require_serial_read)

    def ask(self, unit: int, ask: ReadRequest) -> bytes:
        """Send a request."""
        frame: bytes = self._framer.buildFrame(request(unit, ask))
        try:
            self._gate.send(frame)
        except LOST as error:
            raise LineLost(f"the port went away while sending ({_why(error)})") from None
        return frame

    def hear(self, wait_s: float) -> bytes:
        """What comes; waits no longer than its slice."""
        try:
            if wait_s <= 0:
                return bytes(self._port.read(self._port.in_waiting or 0))
            data = bytes(self._port.read(1))
            return data + bytes(self._port.read(self._port.in_waiting)) if data else b""
        except LOST as error:
            raise LineLost(f"the port went away while listening ({_why(error)})") from None

    def stale(self) -> list[bytes]:
        """A serial line does not tell."""
        return []

    def change(self, setting: Setting) -> None:
        """Bit rate, parity and stop bits from the next byte on."""
        try:
            self._port.baudrate = setting.bit_rate
            self._port.parity = _letter(self._port.port, setting.parity)
            self._port.stopbits = setting.stop_bits
            self._port.reset_input_buffer()
        except LOST as error:
            raise EvidenceError(f"this port cannot do {setting} ({_why(error)})") from None

    def close(self) -> None:
        """Let go of the port."""
        self._port.close()


def _letter(port: str, parity: str) -> str:
    """The letter that pyserial wants. A pseudo terminal has no parity and refuses one."""
    try:
        pseudo = hasattr(os, "major") and os.major(os.stat(port).st_rdev) in PSEUDO_TERMINALS
    except OSError:
        pseudo = False
    return "N" if pseudo else PARITY_LETTERS[parity]


def _why(error: BaseException) -> str:
    return getattr(error, "strerror", None) or str(error).partition(":")[0] or type(error).__name__


def _port_problem(port: str, error: BaseException, setting: Setting) -> str:
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.EACCES, errno.EPERM):
        return f"you are not allowed to use the port {shown(port)}; ask for the right to use serial ports, or run as somebody who has it"
    if number == errno.EBUSY or "lock" in text:
        return f"the port {shown(port)} is in use by another program; close that one first"
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFound" in text:
        return f"there is no port {shown(port)}; plug the adapter in and check its name"
    if isinstance(error, ValueError):
        return f"the port {shown(port)} cannot do {setting}; choose a usual bit rate"
    return f"the port {shown(port)} cannot be used as a serial port ({_why(error)}); check its name"


class TcpLine:
    """A connection to a gateway that speaks Modbus TCP."""

    def __init__(self, plan: ProbePlan) -> None:
        from pymodbus.framer import FramerSocket
        from pymodbus.pdu import DecodePDU

        self._framer = FramerSocket(DecodePDU(is_server=False))
        try:
            self._socket = socket.create_connection((plan.host, plan.tcp_port), min(CONNECT_S, max(plan.timeout_s, 1.0)))
        except (OSError, UnicodeError) as error:
            raise EvidenceError(_host_problem(plan, error)) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._gate = ReadOnly(self._socket.sendall, require_tcp_read)
        self._transaction = 0
        self._buffer = b""
        self._stale: list[bytes] = []

    def ask(self, unit: int, ask: ReadRequest) -> bytes:
        """Send a request under a new number."""
        self._transaction = self._transaction % 0xFFFF + 1
        frame: bytes = self._framer.buildFrame(request(unit, ask, self._transaction))
        try:
            self._socket.settimeout(CONNECT_S)
            self._gate.send(frame)
        except OSError as error:
            raise LineLost(f"the gateway closed the connection ({_why(error)})") from None
        return serial.with_crc(frame[HEADER - 1 :])

    def hear(self, wait_s: float) -> bytes:
        """The replies to the latest request, as frames of the serial line."""
        try:
            self._socket.settimeout(max(wait_s, 1e-4))
            data = self._socket.recv(4096)
        except TimeoutError:
            return b""
        except OSError as error:
            raise LineLost(f"the gateway closed the connection ({_why(error)})") from None
        if not data:
            raise LineLost("the gateway closed the connection")
        self._buffer += data
        heard = b""
        while len(self._buffer) >= HEADER:
            size = int.from_bytes(self._buffer[4:6], "big")
            if self._buffer[2:4] != b"\0\0" or not 3 <= size <= LONGEST_TCP:
                raise LineLost("what answers there does not speak Modbus TCP")
            if len(self._buffer) < 6 + size:
                break
            frame, self._buffer = self._buffer[: 6 + size], self._buffer[6 + size :]
            shaped = serial.with_crc(frame[HEADER - 1 :])
            if int.from_bytes(frame[:2], "big") == self._transaction:
                heard += shaped
            else:
                self._stale.append(shaped)
        return heard

    def stale(self) -> list[bytes]:
        """Replies that carry the number of an earlier request."""
        found, self._stale = self._stale, []
        return found

    def change(self, setting: Setting) -> None:
        """The gateway's own setting counts."""

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


def _host_problem(plan: ProbePlan, error: BaseException) -> str:
    where = f"{shown(plan.host)} port {plan.tcp_port}"
    if isinstance(error, (socket.gaierror, UnicodeError)):
        return f"the name {shown(plan.host)} is not known to this network; give the gateway's address"
    if isinstance(error, ConnectionRefusedError):
        return f"{where} refuses the connection; check the port, and that Modbus TCP is switched on in the gateway"
    if isinstance(error, TimeoutError):
        return f"{where} does not answer; check the address and the cable"
    return f"{where} cannot be reached ({_why(error)}); check the address and the cable"
