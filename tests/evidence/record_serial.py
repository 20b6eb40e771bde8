"""Record captures of real Modbus RTU stacks over pseudo terminals, clean and with faults put in on the way.

    python tests/evidence/record_serial.py tests/evidence/data

Two pairs of stacks that share no code: `pymodbus` as controller and units, and `minimalmodbus` as controller
with the C library `libmodbus` (package libmodbus5) as units. Between them stands a wire that writes down what
passes, and spoils it as a fault would. What was put in is written down beside it (the truth).
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import ctypes.util
import json
import logging
import os
import random
import select
import sys
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

UNITS = range(2, 13)  # polled units; unit 1 is the controller
REGISTERS = 20
TIMEOUT_S = 0.12
PAUSE_S = 0.012
FAULTS = (
    "clean", "silent", "two-on-one", "corrupted", "late", "echo", "parity", "parity-everywhere", "extra-bytes", "first-lost", "busy",
    "tail-silent", "all-silent",
)  # fmt: skip
VICTIM = {"silent": 5, "two-on-one": 7, "corrupted": 6, "late": 8, "parity": 9, "busy": 3, "tail-silent": 8}


class Event(NamedTuple):
    """Bytes at a time, s, in a direction as the controller sees it."""

    at: float
    way: str
    data: bytes


class Recording(NamedTuple):
    """What was on the wire, and the frames that were put on it whole."""

    stack: str
    fault: str
    events: list[Event]
    good: list[bytes]
    victim: int
    hurt: int  # polls that were spoiled


class Wire:
    """Stands between the controller's terminal and those of the units, and spoils what a fault would spoil."""

    def __init__(self, fault: str, ports: int, seed: int = 1) -> None:
        self.fault, self.draw = fault, random.Random(seed)
        self.controller, far = os.openpty()
        self.controller_path = os.ttyname(far)
        pairs = [os.openpty() for _ in range(ports)]
        self.units = [a for a, _ in pairs]
        self.unit_paths = [os.ttyname(b) for _, b in pairs]
        for end in (self.controller, far, *self.units, *(b for _, b in pairs)):
            tty.setraw(end)
        self.events: list[Event] = []
        self.good: list[bytes] = []
        self.hurt = 0
        self.began = time.monotonic()
        self.delayed: list[tuple[float, bytes]] = []
        self.stop = False
        self.asked = 0
        self.turn: dict[int, int] = {}
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        while not self.stop:
            ready, _, _ = select.select([self.controller, *self.units], [], [], 0.002)
            now = time.monotonic()
            for due in [d for d in self.delayed if d[0] <= now]:
                self.delayed.remove(due)
                self._to_controller(due[1])
            for end in ready:
                data = os.read(end, 4096)
                if end == self.controller:
                    self._request(data)
                else:
                    self._reply(self._whole(end, data))

    def _whole(self, end: int, data: bytes) -> bytes:
        """A reply in one piece: a program may hand it to its terminal in several."""
        while select.select([end], [], [], 0.003)[0]:
            data += os.read(end, 4096)
        return data

    def _note(self, way: str, data: bytes) -> None:
        self.events.append(Event(time.monotonic() - self.began, way, data))

    def _to_controller(self, data: bytes) -> None:
        """Bytes to the controller, written down in one or two pieces as a listener would get them."""
        cut = self.draw.randrange(1, len(data)) if len(data) > 1 and self.draw.random() < 0.3 else len(data)
        self._note("RX", data[:cut])
        if cut < len(data):
            self._note("RX", data[cut:])
        os.write(self.controller, data)

    def _request(self, data: bytes) -> None:
        unit = data[0]
        self.asked = unit
        self._note("TX", data)
        self.good.append(data)
        self.turn[unit] = self.turn.get(unit, 0) + 1
        if self.fault == "echo":
            self.good.append(data)
            self._to_controller(data)
        mute = {"silent": unit == 5, "two-on-one": unit == 7, "tail-silent": unit >= 8, "all-silent": True}
        if mute.get(self.fault):
            self.hurt += 1
            return
        if self.fault == "busy" and unit == 3 and self.turn[unit] % 2:
            self.hurt += 1
            reply = checked(bytes((unit, data[1] | 0x80, 6)))
            self.good.append(reply)
            self._to_controller(reply)
            return
        # A unit with a terminal of its own gets its own requests only: the C library would wait for the replies
        # of the others, which a listener on a real pair hears as well.
        os.write(self.units[0 if len(self.units) == 1 else unit - UNITS[0]], data)

    def _reply(self, data: bytes) -> None:
        unit, draw = self.asked, self.draw
        if self.fault == "late" and unit == 8:
            self.hurt += 1
            self.good.append(data)
            self.delayed.append((time.monotonic() + TIMEOUT_S + 0.055, data))
            return
        spoiled = self._spoil(data, unit, draw)
        if spoiled is None:
            self.good.append(data)
            spoiled = data
        else:
            self.hurt += 1
        self._to_controller(spoiled)

    def _spoil(self, data: bytes, unit: int, draw: random.Random) -> bytes | None:
        """The reply as the fault leaves it; None where it stays whole. A frame behind stray bytes is a good one."""
        if self.fault == "two-on-one" and unit == 4:
            second = checked(data[:3] + bytes(draw.randrange(256) for _ in data[3:-2]))
            return collide(data, second, draw.randrange(0, 6))
        if self.fault == "corrupted" and unit == 6 and draw.random() < 0.5:
            hurt = bytearray(data)
            hurt[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
            return bytes(hurt)
        if (self.fault == "parity" and unit == 9) or self.fault == "parity-everywhere":
            return bytes(0 if byte.bit_count() & 1 else byte for byte in data)
        if self.fault == "extra-bytes" and draw.random() < 0.3:
            self.good.append(data)
            return bytes(draw.choice((0x00, 0xFF, 0xFE, 0xF8, 0x80)) for _ in range(draw.randrange(1, 3))) + data
        if self.fault == "first-lost" and draw.random() < 0.3:
            return data[1:]
        return None

    def close(self) -> None:
        """Let the last bytes through, then stop."""
        time.sleep(0.25)
        self.stop = True
        self.thread.join()


def collide(one: bytes, two: bytes, behind: int) -> bytes:
    """Two replies on the pair at once: where both send, a bit is high only where both are."""
    size = max(len(one), len(two) + behind)
    a, b = one.ljust(size, b"\xff"), (b"\xff" * behind + two).ljust(size, b"\xff")
    return bytes(x & y for x, y in zip(a, b, strict=True))


def checked(body: bytes) -> bytes:
    """With its CRC, bit by bit as the standard writes it (independent of what is tested)."""
    register = 0xFFFF
    for byte in body:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return body + bytes((register & 0xFF, register >> 8))


def values(unit: int) -> list[int]:
    """Register contents of a unit."""
    draw = random.Random(unit)
    return [draw.randrange(65_536) for _ in range(64)]


# ---- pymodbus as controller and units


def pymodbus_units(path: str) -> Callable[[], None]:
    """All units in one server; gives back how to stop it."""
    from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
    from pymodbus.server import ModbusSerialServer

    loop = asyncio.new_event_loop()
    started = threading.Event()

    async def serve() -> None:
        devices = {u: ModbusDeviceContext(hr=ModbusSequentialDataBlock(1, values(u))) for u in UNITS}
        server = ModbusSerialServer(ModbusServerContext(devices=devices), port=path, baudrate=19_200)
        await server.serve_forever(background=True)
        started.set()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(serve())
        loop.run_forever()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    if not started.wait(5):
        raise RuntimeError("the units did not start")

    def stop() -> None:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(2)

    return stop


def pymodbus_controller(path: str, rounds: int) -> None:
    """Polls every unit `rounds` times, no retries."""
    from pymodbus.client import ModbusSerialClient
    from pymodbus.exceptions import ModbusException

    client = ModbusSerialClient(path, baudrate=19_200, timeout=TIMEOUT_S, retries=0)
    client.connect()
    for _ in range(rounds):
        for unit in UNITS:
            try:
                client.read_holding_registers(0, count=REGISTERS, device_id=unit)
            except ModbusException:
                client.connect()
            time.sleep(PAUSE_S)
    client.close()


# ---- minimalmodbus as controller, libmodbus as units


def libmodbus() -> Any:
    """The C library, or None where it is not installed."""
    name = ctypes.util.find_library("modbus")
    if name is None:
        return None
    lib = ctypes.CDLL(name)
    lib.modbus_new_rtu.restype = ctypes.c_void_p
    lib.modbus_mapping_new.restype = ctypes.c_void_p
    return lib


class _Mapping(ctypes.Structure):
    _fields_ = (
        *((n, ctypes.c_int) for n in ("nb_bits", "start_bits", "nb_input_bits", "start_input_bits", "nb_input_registers",
                                      "start_input_registers", "nb_registers", "start_registers")),
        ("tab_bits", ctypes.c_void_p), ("tab_input_bits", ctypes.c_void_p),
        ("tab_input_registers", ctypes.c_void_p), ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    )  # fmt: skip


def libmodbus_units(paths: list[str]) -> Callable[[], None]:
    """One context of the C library per unit, each on its own terminal of the shared wire."""
    lib = libmodbus()
    going = [True]

    def serve(path: str, unit: int) -> None:
        context = ctypes.c_void_p(lib.modbus_new_rtu(path.encode(), 19_200, ctypes.c_char(b"N"), 8, 1))
        lib.modbus_set_slave(context, unit)
        if lib.modbus_connect(context):
            raise RuntimeError(f"unit {unit} did not start")
        lib.modbus_set_indication_timeout(context, 0, 200_000)
        mapping = ctypes.c_void_p(lib.modbus_mapping_new(8, 8, 64, 64))
        table = ctypes.cast(mapping, ctypes.POINTER(_Mapping)).contents
        for n, value in enumerate(values(unit)):
            table.tab_registers[n] = value
        query = (ctypes.c_uint8 * 260)()
        while going[0]:
            size = lib.modbus_receive(context, query)
            if size > 0:
                lib.modbus_reply(context, query, size, mapping)

    threads = [threading.Thread(target=serve, args=(p, u), daemon=True) for p, u in zip(paths, UNITS, strict=True)]
    for thread in threads:
        thread.start()
    time.sleep(0.3)

    def stop() -> None:
        going[0] = False
        for thread in threads:
            thread.join(1)

    return stop


def minimalmodbus_controller(path: str, rounds: int) -> None:
    """Polls every unit `rounds` times."""
    import minimalmodbus
    import serial

    port = serial.Serial(path, 19_200, timeout=TIMEOUT_S)
    for _ in range(rounds):
        for unit in UNITS:
            instrument = minimalmodbus.Instrument(port, unit)
            with contextlib.suppress(minimalmodbus.ModbusException, OSError):
                instrument.read_registers(0, REGISTERS)
            time.sleep(PAUSE_S)
    port.close()


def record(stack: str, fault: str, rounds: int = 24) -> Recording:
    """One capture. `stack` is `python` (pymodbus) or `mixed` (minimalmodbus and libmodbus)."""
    wire = Wire(fault, 1 if stack == "python" else len(UNITS))
    stop = pymodbus_units(wire.unit_paths[0]) if stack == "python" else libmodbus_units(wire.unit_paths)
    wire.began = time.monotonic()
    (pymodbus_controller if stack == "python" else minimalmodbus_controller)(wire.controller_path, rounds)
    wire.close()
    stop()
    return Recording(stack, fault, wire.events, wire.good, VICTIM.get(fault, 0), wire.hurt)


# ---- writing captures down


def as_log(events: list[Event]) -> str:
    """ISO times, TX and RX, hex with spaces."""
    day = 9 * 3600.0
    rows = []
    for e in events:
        t = day + e.at
        clock = f"{int(t // 3600):02d}:{int(t // 60) % 60:02d}:{t % 60:09.6f}"
        rows.append(f"2025-03-04 {clock} {e.way} {e.data.hex(' ').upper()}\n")
    return "".join(rows)


def load(path: Path) -> tuple[list[Event], dict[str, Any]]:
    """A recorded capture and its truth."""
    events = []
    for row in path.read_text(encoding="ascii").splitlines():
        _, clock, way, text = row.split(" ", 3)
        h, m, s = clock.split(":")
        events.append(Event(int(h) * 3600 + int(m) * 60 + float(s), way, bytes.fromhex(text)))
    return events, json.loads(path.with_suffix(".json").read_text(encoding="ascii"))


def main(folder: Path, stacks: Sequence[str], faults: Sequence[str]) -> None:
    """Record everything into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for stack in stacks:
        for fault in faults:
            r = record(stack, fault)
            path = folder / f"serial-{stack}-{fault}.log"
            path.write_text(as_log(r.events), encoding="ascii")
            truth = {"stack": stack, "fault": fault, "victim": r.victim, "hurt": r.hurt, "good": [g.hex() for g in r.good]}
            path.with_suffix(".json").write_text(json.dumps(truth), encoding="ascii")
            print(f"{path.name}: {len(r.events)} lines, {len(r.good)} good frames, {r.hurt} polls spoiled")


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    main(Path(sys.argv[1]), sys.argv[2:3] or ("python", "mixed"), sys.argv[3:] or FAULTS)
