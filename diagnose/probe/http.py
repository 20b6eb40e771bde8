"""Asking for the WebSocket upgrade and hanging up at once: one GET, one close frame, nothing else is ever sent.

Sources: RFC 6455 (4.1 the client's part, 5.2 frames, 5.5.1 close), RFC 9112 (message syntax).
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import struct
import time
from contextlib import suppress
from typing import NamedTuple, Protocol

from diagnose.probe.target import Target, Until
from diagnose.source.problems import one_line

LONGEST_HEAD, MOST_FIELDS, LONGEST_AFTER = 16_384, 100, 65_536
GOODBYE_S = 2.0
GUID = b"258EAFA5-E914-47DA-95CA-C5AB0DC85B11"
"""RFC 6455, 1.3."""
_STATUS = re.compile(r"HTTP/1\.[01] ([1-5]\d\d)(?: (.*))?\Z")
_FIELD = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]{1,60}):[ \t]*(.*?)[ \t]*\Z")
WRONG = ("wrong-accept", "not-http", "too-long", "not-upgraded", "closed")
"""Ends of an upgrade in which something spoils it, though bytes or a hang-up came back."""


class Wire(Protocol):
    """What is needed of a socket, plain or with TLS."""

    def settimeout(self, value: float | None, /) -> None: ...
    def sendall(self, data: bytes, /) -> None: ...
    def recv(self, size: int, /) -> bytes: ...


class Head(NamedTuple):
    """A reply's first lines: status, reason and fields (names in small letters), and lines that are none."""

    status: int
    reason: str
    fields: tuple[tuple[str, str], ...]
    strange: tuple[str, ...]

    def get(self, name: str) -> str:
        """All values of a field, joined as RFC 9110, 5.3 has it; empty for none."""
        return ", ".join(value for key, value in self.fields if key == name)


class Upgrade(NamedTuple):
    """How the upgrade ended. `end`: accepted, answered (another status), silent, own-certificate-refused, or one of `WRONG`."""

    end: str
    says: str
    head: Head | None = None
    sent: float = 0.0
    received: float = 0.0
    protocol: str = ""
    close_code: int = 0
    messages: int = 0
    raw: bytes = b""


def request(target: Target, key: str, subprotocols: tuple[str, ...]) -> bytes:
    """The opening handshake. Source: RFC 6455, 4.1."""
    lines = [
        f"GET {target.path or '/'} HTTP/1.1", f"Host: {target.authority}", "Upgrade: websocket", "Connection: Upgrade",
        f"Sec-WebSocket-Key: {key}", "Sec-WebSocket-Version: 13",
    ]  # fmt: skip
    if subprotocols:
        lines.append(f"Sec-WebSocket-Protocol: {', '.join(subprotocols)}")
    return "\r\n".join([*lines, "", ""]).encode("ascii")


def new_key() -> str:
    """Sixteen random bytes in base64."""
    return base64.b64encode(os.urandom(16)).decode()


def accept_for(key: str) -> str:
    """What a true server answers to a key. Source: RFC 6455, 4.2.2."""
    return base64.b64encode(hashlib.sha1(key.encode() + GUID, usedforsecurity=False).digest()).decode()


def close_frame(code: int, mask: bytes) -> bytes:
    """A client's close frame. Source: RFC 6455, 5.2, 5.5.1."""
    body = struct.pack("!H", code)
    return bytes((0x88, 0x80 | len(body))) + mask + bytes(b ^ m for b, m in zip(body, mask, strict=False))


def parse_head(data: bytes) -> Head | None:
    """The head of a reply, None for what is not HTTP/1."""
    lines = data.decode("latin-1").replace("\r\n", "\n").split("\n")
    first = _STATUS.match(lines[0])
    if first is None:
        return None
    fields, strange = [], []
    for line in lines[1 : MOST_FIELDS + 1]:
        field = _FIELD.match(line)
        if field:
            fields.append((field.group(1).lower(), field.group(2)))
        elif line:
            strange.append(one_line(line, 160))
    strange += [f"{len(lines) - MOST_FIELDS - 1} fields more"] if len(lines) > MOST_FIELDS + 1 else []
    return Head(int(first.group(1)), one_line(first.group(2) or "", 80), tuple(fields), tuple(strange[:5]))


def frames(data: bytes) -> tuple[int, int]:
    """In what a server sent: the code of its close frame (0 for none, 1005 without a code), and its messages before."""
    at, messages = 0, 0
    while at + 2 <= len(data):
        opcode, size = data[at] & 15, data[at + 1] & 127
        masked = bool(data[at + 1] & 128)
        at += 2
        extra = {126: 2, 127: 8}.get(size, 0)
        if at + extra > len(data):
            break
        if extra:
            size = int.from_bytes(data[at : at + extra], "big")
        at += extra + (4 if masked else 0)
        if opcode == 8:
            body = data[at : at + size]
            return (int.from_bytes(body[:2], "big") if len(body) >= 2 else 1005), messages
        messages += opcode in (1, 2)
        at += size
    return 0, messages


def upgrade(
    sock: Wire, target: Target, subprotocols: tuple[str, ...], until: Until, now: tuple[float, float], listen_s: float = 0.0
) -> Upgrade:
    """Ask for the upgrade and hang up. `now`: own clock and own stop watch at one moment, s. Never raises for what the peer does.

    `listen_s`: how long to listen first. With TLS 1.3 a server that wants a certificate says so only after the handshake,
    and a request sent meanwhile would drown its words.
    """
    key = new_key()
    wall, watch = now
    head, rest, sent = b"", b"", 0.0
    try:
        if listen_s > 0:
            with suppress(TimeoutError):
                sock.settimeout(min(listen_s, until.left()))
                head = sock.recv(4096)
                if not head:
                    return Upgrade("closed", "the connection is closed before anything was asked")
        until.arm(sock)
        sent = wall + time.monotonic() - watch
        sock.sendall(request(target, key, subprotocols))
        while b"\r\n\r\n" not in head and b"\n\n" not in head:
            if len(head) > LONGEST_HEAD:
                return Upgrade("too-long", f"the reply's head is longer than {LONGEST_HEAD} bytes", raw=head)
            until.arm(sock)
            data = sock.recv(4096)
            if not data:
                says = "the connection is closed in the middle of the reply" if head else "the connection is closed without a reply"
                return Upgrade("closed", says, raw=head)
            head += data
    except TimeoutError:
        return Upgrade("silent", f"{'an unfinished reply' if head else 'no reply'} until time-out", raw=head)
    except OSError as error:
        if _wants_certificate(error):
            return Upgrade("own-certificate-refused", "the server wants a certificate from the caller; the probe has none to give")
        return Upgrade("closed", one_line(f"the connection is cut: {error.strerror or error}", 200), raw=head)
    received = wall + time.monotonic() - watch
    cut = re.search(rb"\r?\n\r?\n", head)
    assert cut is not None
    head, rest = head[: cut.start()], head[cut.end() :]
    parsed = parse_head(head)
    if parsed is None:
        return Upgrade("not-http", "what answers does not speak HTTP", raw=head)
    if parsed.status != 101:
        return Upgrade("answered", f"answered {parsed.status}", parsed, sent, received, raw=head)
    code, messages = _goodbye(sock, rest)
    return _judged(parsed, key, sent, received, code, messages, head)


def _judged(head: Head, key: str, sent: float, received: float, code: int, messages: int, raw: bytes) -> Upgrade:
    protocol = one_line(head.get("sec-websocket-protocol"), 60)
    if head.get("sec-websocket-accept") != accept_for(key):
        end, says = "wrong-accept", "answered 101 with a wrong accept key: what answers is no WebSocket server"
    elif head.get("upgrade").lower() != "websocket" or "upgrade" not in re.split(r"[ ,]+", head.get("connection").lower()):
        end, says = "not-upgraded", "answered 101 without the upgrade: something on the way has changed the reply"
    else:
        end, says = "accepted", f"answered 101{f' with {protocol}' if protocol else ' without a version'}"
    return Upgrade(
        end=end, says=says, head=head, sent=sent, received=received, protocol=protocol, close_code=code,
        messages=messages, raw=raw,
    )  # fmt: skip


def _goodbye(sock: Wire, rest: bytes) -> tuple[int, int]:
    """Send the close frame, and wait a moment for the server's own."""
    until = Until(GOODBYE_S)
    try:
        until.arm(sock)
        sock.sendall(close_frame(1000, os.urandom(4)))
        while len(rest) < LONGEST_AFTER and not frames(rest)[0]:
            until.arm(sock)
            data = sock.recv(4096)
            if not data:
                break
            rest += data
    except OSError:
        pass  # the server was quicker, or does not say goodbye; the upgrade has been judged already
    return frames(rest)


def _wants_certificate(error: OSError) -> bool:
    reason = str(getattr(error, "reason", "") or "")
    return "CERTIFICATE_REQUIRED" in reason or "BAD_CERTIFICATE" in reason
