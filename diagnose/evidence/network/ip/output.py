"""What network commands printed, as values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple


class Address(NamedTuple):
    """An interface with one of its addresses; `local` is empty for none."""

    interface: str
    up: bool
    local: str
    prefix: int
    line: int


class Ping(NamedTuple):
    """One series of pings; `received` is below zero until it is known."""

    target: str
    address: str
    sent: int
    received: int
    average_ms: float | None
    line: int
    last: int

    @property
    def loss(self) -> float:
        """Lost share, percent."""
        return 100.0 * (self.sent - self.received) / self.sent if self.sent > 0 else 0.0


class Lookup(NamedTuple):
    """A name and an address found for it, empty for none."""

    name: str
    address: str
    line: int


@dataclass
class Http:
    """A request as far as it was shown, and its reply."""

    line: int
    last: int
    asked: bool = False
    status: int = 0
    host: str = ""
    offered: str = ""
    credentials: bool = False
    upgrade: bool = False
    protocol: str = ""
    location: str = ""
    page: bool = False


@dataclass
class CommandOutput:
    """Everything that the commands printed."""

    addresses: list[Address] = field(default_factory=list)
    has_addresses: bool = False
    gateways: list[tuple[str, int]] = field(default_factory=list)
    has_routes: bool = False
    direct: tuple[str, int] | None = None  # a default route into an interface, without a gateway
    neighbours: dict[str, tuple[bool, int]] = field(default_factory=dict)
    pings: list[Ping] = field(default_factory=list)
    lookups: list[Lookup] = field(default_factory=list)
    https: list[Http] = field(default_factory=list)
    connected: int = 0
    port_failure: tuple[str, int] | None = None
    tls: tuple[str, int] | None = None
    unreachable: int = 0
    prompt: str = ""
