"""Speed and memory of reading large network evidence: `python -m tests.bench.bench_evidence_network [MB]`.

Each file is generated while it is read, so that nothing but the reader holds memory. Printed: MB, seconds,
MB/s, peak of Python's own allocations above the start, MiB.
"""

from __future__ import annotations

import json
import struct
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from typing import IO, Any, cast

from diagnose.evidence.network.ip.reader import read_ip_output
from diagnose.evidence.network.modem.reader import read_modem
from diagnose.evidence.network.packets.reader import read_packets
from diagnose.evidence.ocpp.reader import read_ocpp_log
from diagnose.evidence.reader import Asked
from diagnose.evidence.report import Report


class Made:
    """A stream whose bytes are made on demand."""

    def __init__(self, pieces: Iterator[bytes], size: int) -> None:
        self._pieces, self._left, self._held = pieces, size, b""

    def read(self, size: int = -1) -> bytes:
        """Up to `size` bytes."""
        while self._left > 0 and len(self._held) < size:
            piece = next(self._pieces)
            self._left -= len(piece)
            self._held += piece
        data, self._held = self._held[:size], self._held[size:]
        return data


def messages() -> Iterator[bytes]:
    """A station that heartbeats, meters and changes states for ever."""
    n = 0
    while True:
        rows = []
        for _ in range(200):
            n += 1
            t = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(1_900_000_000 + n * 30))
            sample = {"timestamp": t, "sampledValue": [{"value": str(n)}, {"value": "230", "measurand": "Voltage"}]}
            calls: tuple[tuple[str, Any], ...] = (
                ("Heartbeat", {}), ("MeterValues", {"connectorId": 1, "meterValue": [sample]}),
                ("StatusNotification", {"connectorId": 1, "status": "Charging", "errorCode": "NoError", "timestamp": t}),
            )  # fmt: skip
            for k, (action, payload) in enumerate(calls):
                rows.append(f"{t} LARCH-1: receive message " + json.dumps([2, f"{n}-{k}", action, payload]))
                rows.append(f"{t} LARCH-1: send " + json.dumps([3, f"{n}-{k}", {"currentTime": t} if not k else {}]))
        yield "\n".join(rows).encode() + b"\n"


def modem() -> Iterator[bytes]:
    """A modem that is asked for ever."""
    while True:
        yield b"AT+CSQ\r\n+CSQ: 18,0\r\nOK\r\nAT+CEREG?\r\n+CEREG: 0,1\r\nOK\r\nAT+CGPADDR=1\r\n+CGPADDR: 1,\"10.1.2.3\"\r\nOK\r\n" * 50


def pings() -> Iterator[bytes]:
    """Pings for ever."""
    text = "PING 203.0.113.9 (203.0.113.9) 56(84) bytes of data.\n" + "64 bytes from 203.0.113.9: icmp_seq=1 ttl=60 time=9.1 ms\n" * 20
    text += (
        "--- 203.0.113.9 ping statistics ---\n"
        "20 packets transmitted, 20 received, 0% packet loss, time 19028ms\n"
        "rtt min/avg/max/mdev = 8.1/9.1/9.9/0.1 ms\n"
    )
    while True:
        yield text.encode() * 10


def polls() -> Iterator[bytes]:
    """Modbus TCP polls for ever, as a capture."""
    yield struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    n, sequence = 0, [1, 1]
    while True:
        out = []
        for _ in range(200):
            n += 1
            request = struct.pack(">HHHBBHH", n & 0xFFFF, 0, 6, 1 + n % 6, 3, 0, 10)
            reply = struct.pack(">HHHBBB", n & 0xFFFF, 0, 23, 1 + n % 6, 3, 20) + bytes(20)
            for asks, load in ((True, request), (False, reply)):
                ports = (40000, 502) if asks else (502, 40000)
                ends = (b"\x0a\0\0\1", b"\x0a\0\0\2") if asks else (b"\x0a\0\0\2", b"\x0a\0\0\1")
                tcp = struct.pack(">HHIIBBHHH", *ports, sequence[not asks] & 0xFFFFFFFF, 0, 0x50, 0x18, 1000, 0, 0) + load
                sequence[not asks] += len(load)
                ip = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(tcp), 0, 0, 64, 6, 0, *ends) + tcp
                frame = b"\2\0\0\0\0\1\2\0\0\0\0\2\x08\0" + ip
                out.append(struct.pack("<IIII", 1_900_000_000 + n // 10, n % 10 * 100_000 + (0 if asks else 20_000), len(frame), len(frame)) + frame)
        yield b"".join(out)


READERS: dict[str, tuple[Callable[[IO[bytes], str, None], Report], Callable[[], Iterator[bytes]]]] = {
    "ocpp-log": (read_ocpp_log, messages), "modem": (read_modem, modem), "ip-output": (read_ip_output, pings), "packets": (read_packets, polls),
}  # fmt: skip


def main(megabytes: float) -> None:
    """Measure every reader."""
    for kind, (read, make) in READERS.items():
        began = time.perf_counter()
        report = read(cast(IO[bytes], Made(make(), int(megabytes * 1e6))), Asked("bench"))
        seconds = time.perf_counter() - began
        tracemalloc.start()
        read(cast(IO[bytes], Made(make(), int(min(megabytes, 10) * 1e6))), Asked("bench"))
        peak = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        missed = report.not_understood
        print(
            f"{kind:<10}{megabytes:8.0f} MB{seconds:8.1f} s{megabytes / seconds:8.2f} MB/s  peak {peak:6.1f} "
            f"MiB  {report.understood} understood, {missed} not"
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20)
