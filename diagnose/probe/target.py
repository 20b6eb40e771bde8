"""What a probe of the network is aimed at, and how long it may take: read from text, nothing is sent here."""

from __future__ import annotations

import ipaddress
import re
import time
from typing import NamedTuple, Protocol
from urllib.parse import quote, unquote, urlsplit

from diagnose.evidence.reader import EvidenceError
from diagnose.source.problems import one_line, shown

LONGEST_URL = 2048
PLAIN, SECURE = ("ws", "http"), ("wss", "https")
_HOST = re.compile(r"(?=.{1,253}\Z)[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?)*\.?")
_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]{1,60}")
MOST_SUBPROTOCOLS = 5


class Target(NamedTuple):
    """Host and port, whether TLS is wanted, and the path of the upgrade; no path: it ends with port or TLS."""

    host: str
    port: int
    tls: bool
    path: str

    @property
    def literal(self) -> bool:
        """Whether the host is an address, so that no name has to be found."""
        return _is_address(self.host)

    @property
    def authority(self) -> str:
        """Host and port as a Host field carries them (RFC 9110, 7.2)."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == (443 if self.tls else 80) else f"{host}:{self.port}"

    @property
    def identity(self) -> str:
        """The last piece of the path, which names the station (OCPP-J 1.6, 3.1.1)."""
        return unquote(self.path.partition("?")[0].rstrip("/").rpartition("/")[2])

    def __str__(self) -> str:
        if not self.path:
            return f"{self.authority} with TLS" if self.tls else self.authority
        path, _, query = self.path.partition("?")
        return one_line(f"{'wss' if self.tls else 'ws'}://{self.authority}{path}{'?...' if query else ''}", 300)


class Armed(Protocol):
    """A socket, as far as a time limit is concerned."""

    def settimeout(self, value: float | None, /) -> None: ...


class Until:
    """A moment after which a step is given up, however slowly bytes drip in."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    def left(self) -> float:
        """Seconds that are left, never below zero."""
        return max(0.0, self._end - time.monotonic())

    def arm(self, sock: Armed) -> None:
        """Let the next call on the socket take no longer than what is left. Raises TimeoutError at the end."""
        left = self.left()
        if left <= 0:
            raise TimeoutError("no time is left")
        sock.settimeout(left)


def read_target(text: str) -> Target:
    """`wss://host/path`, `ws://host:port/path`, `host` (port 443, TLS) or `host:port` (port only).

    Raises EvidenceError in one line.
    """
    text = text.strip()
    if not text or len(text) > LONGEST_URL or not text.isprintable() or " " in text:
        raise EvidenceError(f"{shown(text)} is no address; write it like wss://office.example/ocpp/UNIT-1 or office.example")
    if "://" not in text:
        host, number = _host_and_port(text)
        return Target(host, number or 443, not number, "")
    try:
        parts = urlsplit(text)
        name, port = parts.hostname or "", parts.port
    except ValueError as error:
        raise EvidenceError(f"{shown(text)} is no address: {one_line(str(error), 100)}") from None
    if parts.scheme not in (*PLAIN, *SECURE):
        raise EvidenceError(f"{shown(parts.scheme)} is nothing that a station connects with; begin with wss:// or ws://")
    if parts.username is not None or parts.password is not None:
        raise EvidenceError("leave user and password out of the address; the probe never sends them")
    if parts.fragment or text.endswith("#"):
        raise EvidenceError("an address with '#' in it cannot be connected to; leave out what follows it (RFC 6455, 3)")
    if port == 0:
        raise EvidenceError("port 0 cannot be connected to; use 1 to 65535")
    tls = parts.scheme in SECURE
    path = quote(parts.path or "/", safe="/%:@!$&'()*+,;=-._~")
    query = quote(parts.query, safe="/?%:@!$&'()*+,;=-._~")
    return Target(_host(name), port or (443 if tls else 80), tls, path + (f"?{query}" if query else ""))


def read_time_server(text: str) -> tuple[str, int]:
    """Host and port of a time service, port 123 by default. Raises EvidenceError."""
    host, port = _host_and_port(text.strip())
    return host, port or 123


def read_subprotocols(given: list[str] | None, default: tuple[str, ...]) -> tuple[str, ...]:
    """Names to offer, as given (also with commas between). Raises EvidenceError for what is no token (RFC 6455, 4.1)."""
    names = [n.strip() for text in given or () for n in text.split(",") if n.strip()]
    bad = next((n for n in names if not _TOKEN.fullmatch(n)), None)
    if bad is not None:
        raise EvidenceError(f"{shown(bad)} is no subprotocol; write it like ocpp1.6")
    if len(set(names)) != len(names) or len(names) > MOST_SUBPROTOCOLS:
        raise EvidenceError(f"subprotocols have to differ, and be {MOST_SUBPROTOCOLS} at most")
    return tuple(names) or default


def read_timeout(text: str | float | None) -> float:
    """Seconds for each step, 0.2 to 60; 5 by default. Raises EvidenceError."""
    if text is None:
        return 5.0
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0.2 <= seconds <= 60:
        raise EvidenceError(f"{shown(text)} is no time-out; give seconds from 0.2 to 60")
    return seconds


def _host_and_port(text: str) -> tuple[str, int]:
    """Host and port, 0 for none given."""
    if _is_address(text):
        return _host(text), 0
    host, colon, number = text.rpartition(":")
    if not colon:
        return _host(text), 0
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    if not number.isascii() or not number.isdecimal() or not 1 <= int(number[:6]) <= 65_535:
        raise EvidenceError(f"{shown(number)} is no port; use 1 to 65535")
    return _host(host), int(number)


def _host(name: str) -> str:
    name = name.removeprefix("[").removesuffix("]")
    if _is_address(name):
        return name
    try:
        plain = name.lower() if name.isascii() else name.encode("idna").decode()
    except UnicodeError:
        plain = ""
    if not _HOST.fullmatch(plain) or re.fullmatch(r"[0-9.]+", plain):
        raise EvidenceError(f"{shown(name)} is no host; write a name like office.example or an address like 192.168.7.20")
    return plain.rstrip(".")


def _is_address(text: str) -> bool:
    try:
        return "%" not in text and bool(ipaddress.ip_address(text))
    except ValueError:
        return False
