"""Servers on the loopback that a probe may be held against: each keeps what it was sent."""

from __future__ import annotations

import datetime
import json
import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import trustme

NTP_TO_UNIX = 2_208_988_800
Behave = Callable[[socket.socket, bytes], None]


class Peer:
    """A listening server in a thread. `got` holds, for every connection, the bytes that came (after TLS)."""

    def __init__(self, behave: Behave, context: ssl.SSLContext | None = None, read_first: bool = True) -> None:
        self.got: list[bytes] = []
        self.shaken = 0
        self._behave, self._context, self._read_first = behave, context, read_first
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._over.is_set():
            try:
                conn, _ = self._socket.accept()
            except OSError:
                return
            threading.Thread(target=self._one, args=(conn,), daemon=True).start()

    def _one(self, conn: socket.socket) -> None:
        place = len(self.got)
        self.got.append(b"")
        conn.settimeout(8)
        try:
            if self._context is not None:
                conn = self._context.wrap_socket(conn, server_side=True)
                self.shaken += 1
            if self._read_first:
                while b"\r\n\r\n" not in self.got[place]:
                    data = conn.recv(4096)
                    if not data:
                        return
                    self.got[place] += data
            self._behave(conn, self.got[place])
            while data := conn.recv(4096):
                self.got[place] += data
        except (OSError, ValueError):
            pass
        finally:
            conn.close()

    def close(self) -> None:
        """Wakes the thread out of its waiting first: a descriptor that is closed under it may be given to the next server."""
        self._over.set()
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(2)
        self._socket.close()


@contextmanager
def peer(behave: Behave, context: ssl.SSLContext | None = None, read_first: bool = True) -> Iterator[Peer]:
    made = Peer(behave, context, read_first)
    try:
        yield made
    finally:
        made.close()


def says(data: bytes) -> Behave:
    """Answers anything with these bytes, and hangs up."""

    def behave(conn: socket.socket, got: bytes) -> None:
        conn.sendall(data)
        conn.shutdown(socket.SHUT_WR) if not isinstance(conn, ssl.SSLSocket) else conn.close()

    return behave


def reply(status: str, *fields: str, body: bytes = b"") -> bytes:
    lines = [f"HTTP/1.1 {status}", *fields, f"Content-Length: {len(body)}", "", ""]
    return "\r\n".join(lines).encode("latin-1") + body


def silent(conn: socket.socket, got: bytes) -> None:
    """Takes everything and never answers."""
    time.sleep(8)


def drip(data: bytes, every: float) -> Behave:
    """Sends byte by byte, so that no single wait is long."""

    def behave(conn: socket.socket, got: bytes) -> None:
        for n in range(len(data)):
            conn.sendall(data[n : n + 1])
            time.sleep(every)

    return behave


def flood(start: bytes, piece: bytes) -> Behave:
    """Sends for ever."""

    def behave(conn: socket.socket, got: bytes) -> None:
        conn.sendall(start)
        while True:
            conn.sendall(piece)

    return behave


@contextmanager
def full_port() -> Iterator[int]:
    """A port whose queue is full, so that the next connection gets no answer, as behind a firewall."""
    held: list[socket.socket] = []
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(0)
        port: int = listening.getsockname()[1]
        for _ in range(3):
            sock = socket.socket()
            sock.setblocking(False)
            sock.connect_ex(("127.0.0.1", port))
            held.append(sock)
        time.sleep(0.05)
        try:
            yield port
        finally:
            for sock in held:
                sock.close()


def closed_port() -> int:
    """A port that nobody listens at."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


# ---- certificates
class Papers:
    """An authority of the back office, and server settings with certificates of all sorts."""

    def __init__(self, folder: Path) -> None:
        self.root = trustme.CA(organization_name="Larch Yard Office", key_type=trustme.KeyType.ECDSA)
        self.other = trustme.CA(organization_name="Gatehouse Filter", key_type=trustme.KeyType.ECDSA)
        self.between = self.root.create_child_ca(key_type=trustme.KeyType.ECDSA)
        self.file = folder / "issuer.pem"
        self.root.cert_pem.write_to_path(str(self.file))

    def server(
        self, *names: str, begins: float = -10, ends: float = 90, by: str = "root", whole: bool = True,
        organization: str = "Larch Yard", common: str | None = None,
    ) -> ssl.SSLContext:
        """Settings of a server; dates in days from now."""
        now = datetime.datetime.now(datetime.UTC)
        issuer = {"root": self.root, "other": self.other, "between": self.between}[by]
        leaf = issuer.issue_cert(
            *(names or ("localhost",)), organization_name=organization, common_name=common, key_type=trustme.KeyType.ECDSA,
            not_before=now + datetime.timedelta(days=begins), not_after=now + datetime.timedelta(days=ends),
        )  # fmt: skip
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        if whole:
            leaf.configure_cert(context)
        else:
            with leaf.private_key_pem.tempfile() as key, leaf.cert_chain_pems[0].tempfile() as own:
                context.load_cert_chain(own, key)
        return context


# ---- time
@contextmanager
def time_server(answer: Callable[[bytes], Sequence[bytes]]) -> Iterator[tuple[int, list[bytes]]]:
    """A time service: `answer` gives the packets for a request. Yields its port and what came."""
    got: list[bytes] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))

        def serve() -> None:
            while True:
                try:
                    packet, back = sock.recvfrom(1024)
                except OSError:
                    return
                got.append(packet)
                for part in answer(packet):
                    with suppress(OSError):  # the test is over
                        sock.sendto(part, back)

        threading.Thread(target=serve, daemon=True).start()
        yield sock.getsockname()[1], got


def time_packet(
    asked: bytes, ahead: float = 0.0, stratum: int = 2, leap: int = 0, reference: bytes = bytes(4), mode: int = 4,
    origin: int | None = None, at: float | None = None, held: float = 0.0,
) -> bytes:  # fmt: skip
    """A reply whose clock is `ahead` s of this one (or shows `at`), built beside the program's own packing."""
    now = (time.time() if at is None else at) + ahead

    def stamp(seconds: float) -> int:
        whole = int(seconds // 1)
        return ((whole + NTP_TO_UNIX) & 0xFFFF_FFFF) << 32 | int((seconds - whole) * (1 << 32)) & 0xFFFF_FFFF

    sent = struct.unpack("!Q", asked[40:48])[0] if origin is None else origin
    return struct.pack(
        "!BBbb11I", leap << 6 | 4 << 3 | mode, stratum, 6, -20, 0, 0, int.from_bytes(reference, "big"), 0, 0,
        sent >> 32, sent & 0xFFFF_FFFF, stamp(now) >> 32, stamp(now) & 0xFFFF_FFFF, stamp(now + held) >> 32, stamp(now + held) & 0xFFFF_FFFF,
    )  # fmt: skip


# ---- what the system would say of itself
def system(
    local: str = "192.168.7.77", prefix: int = 24, gateway: str = "192.168.7.1", up: bool = True,
    heard: str = "REACHABLE", more: Sequence[dict[str, Any]] = (),
) -> Callable[[Sequence[str], float], str]:
    """Stands in for the command `ip` of a laptop with one wired interface."""
    info = [{"family": "inet", "local": local, "prefixlen": prefix}] if local else []
    addresses = [
        {
            "ifname": "lo", "flags": ["LOOPBACK", "UP"], "operstate": "UNKNOWN",
            "addr_info": [{"family": "inet", "local": "127.0.0.1", "prefixlen": 8}],
        },
        {"ifname": "eth0", "flags": ["UP"] if up else ["NO-CARRIER", "UP"], "operstate": "UP" if up else "DOWN", "addr_info": info},
        *more,
    ]
    routes = [{"dst": "default", "gateway": gateway, "dev": "eth0"}] if gateway else [{"dst": "192.168.7.0/24", "dev": "eth0"}]
    neighbours = [{"dst": gateway, "dev": "eth0", "state": [heard]}] if heard else []

    def run(words: Sequence[str], seconds: float) -> str:
        if words[0] != "ip":
            return ""
        return json.dumps({"addr": addresses, "route": routes, "neigh": neighbours}[words[2]])

    return run
