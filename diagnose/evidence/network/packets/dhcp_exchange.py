"""The address service in a capture: who asked, who offered, what was given, renewed, refused or disputed.

Sources: RFC 2131 (exchange, T1 and T2), RFC 2132 (options), RFC 3927 (self-assigned), RFC 826 and 5227 (conflicts).
"""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass, field
from types import ModuleType
from typing import NamedTuple

from diagnose.evidence.network.packets.capture_file import Packet, mac_text
from diagnose.evidence.tally import Tally
from diagnose.physics import ip
from diagnose.source.problems import one_line

NAMES = {1: "discover", 2: "offer", 3: "request", 4: "decline", 5: "ack", 6: "nak", 7: "release", 8: "inform"}
"""Message types (RFC 2132, 9.6)."""
MOST_CLIENTS, MOST_OWNERS = 1024, 4096


class Lease(NamedTuple):
    """What a server gave."""

    address: str
    mask: str
    gateway: str
    server: str
    lease_s: int | None
    time: float
    frame: int


@dataclass
class Client:
    """The exchange of one hardware address."""

    counts: Counter[str] = field(default_factory=Counter)
    servers: dict[str, tuple[int, str, str]] = field(default_factory=dict)
    """Servers that offered or gave an address: frame, address, gateway."""
    lease: Lease | None = None
    name: str = ""
    first: int = 0
    last: int = 0
    last_time: float = 0.0
    refused: str = ""
    unanswered: int = 0  # discovers and requests since the last word of a server
    renewals_lost: int = 0  # requests for renewal that stayed without answer, since the last lease
    lost_before_discover: bool = False
    lease_kept: int = 0


class Exchange:
    """All address exchanges and address questions of a capture."""

    def __init__(self, tally: Tally, dpkt: ModuleType) -> None:
        self.tally, self._dpkt = tally, dpkt
        self.clients: dict[str, Client] = {}
        self.owners: dict[str, dict[str, int]] = {}
        self.self_assigned: dict[str, tuple[str, int]] = {}
        self.not_kept = 0

    def take(self, p: Packet, frame: int, time: float) -> bool:
        """Take a UDP packet of ports 67 and 68; False when it is of others."""
        if not {p.source_port, p.target_port} <= {67, 68}:
            return False
        try:
            message = self._dpkt.dhcp.DHCP(p.payload)
            options = {int(t): bytes(v) for t, v in message.opts}
            kind = NAMES.get(options.get(53, b"\0")[0])
            client = mac_text(bytes(message.chaddr)) or "unknown"
            addresses = [".".join(str(b) for b in struct.pack(">I", x)) for x in (message.ciaddr, message.yiaddr, message.siaddr)]
        except Exception:  # the library raises nearly anything over hostile bytes; the frame is counted
            self.tally.missed(f"frame {frame}", f"no address message: {p.payload[:16].hex(' ')}")
            return True
        if kind is None or message.magic != 0x63825363:
            self.tally.missed(f"frame {frame}", "an address message without a type")
            return True
        self.tally.took()
        if client not in self.clients and len(self.clients) >= MOST_CLIENTS:
            self.not_kept += 1
            return True
        self._message(self.clients.setdefault(client, Client()), kind, addresses, options, p, frame, time)
        return True

    def _message(
        self, c: Client, kind: str, addresses: list[str], options: dict[int, bytes], p: Packet, frame: int, time: float
    ) -> None:
        current, given, _ = addresses
        c.counts[kind] += 1
        c.first, c.last, c.last_time = c.first or frame, frame, time
        if 12 in options:
            c.name = one_line(options[12].decode("utf-8", "replace"), 60)
        if kind == "discover":
            c.unanswered += 1
            c.lost_before_discover = c.lost_before_discover or (c.lease is not None and c.renewals_lost > 0)
        elif kind == "request":
            c.unanswered += 1
            if c.lease is not None and current != "0.0.0.0":
                c.renewals_lost += 1
        elif kind == "decline":
            disputed = _address(options.get(50)) or "0.0.0.0"
            self.own(disputed, "another device, by the client's own test", frame)
            self.own(disputed, "the client", frame)
        elif kind in ("offer", "ack", "nak"):
            self._server_says(c, kind, given, options, p, frame, time)

    def _server_says(
        self, c: Client, kind: str, given: str, options: dict[int, bytes], p: Packet, frame: int, time: float
    ) -> None:
        c.unanswered = 0
        server = _address(options.get(54)) or p.source
        gateway, mask = _address(options.get(3)) or "", _address(options.get(1)) or ""
        if kind == "nak":
            c.refused = one_line(options.get(56, b"").decode("utf-8", "replace"), 80) or "no reason given"
            c.lease = None
            return
        if len(c.servers) < 16:
            c.servers.setdefault(server, (frame, given, gateway))
        if kind == "ack" and given != "0.0.0.0":
            if c.lease is not None and c.lease.address == given:
                c.lease_kept += 1
            raw = options.get(51, b"")
            lease = int.from_bytes(raw, "big") if len(raw) == 4 else None
            c.lease = Lease(given, mask, gateway, server, lease, time, frame)
            c.refused, c.renewals_lost, c.lost_before_discover = "", 0, False

    def arp(self, p: Packet, frame: int) -> None:
        """Take an address question or answer: who says that an address is his."""
        if p.source in ("0.0.0.0", "") or p.source_mac in ("", "00:00:00:00:00:00"):
            return
        self.tally.took()
        self.own(p.source, p.source_mac, frame)
        try:
            if ip.kind_of(p.source) == "self-assigned" and len(self.self_assigned) < MOST_CLIENTS:
                self.self_assigned.setdefault(p.source_mac, (p.source, frame))
        except ValueError:
            pass

    def own(self, address: str, owner: str, frame: int) -> None:
        """Note that `owner` uses `address`."""
        if address in self.owners or len(self.owners) < MOST_OWNERS:
            held = self.owners.setdefault(address, {})
            if len(held) < 8:
                held.setdefault(owner, frame)

    def outcome(self, c: Client, end: float) -> tuple[str, str]:
        """The outcome of the check `dhcp-record` for a client, and why; empty when the capture does not tell."""
        if len(c.servers) > 1:
            return "second-server", f"servers {', '.join(sorted(c.servers))} answer"
        if c.lease is not None:
            lasts = c.lease.lease_s
            if c.renewals_lost and (c.lost_before_discover or (lasts is not None and end - c.lease.time >= lasts)):
                return "lease-ran-out", f"{c.renewals_lost} renewals of {c.lease.address} stayed without answer"
            if lasts is not None and end - c.lease.time > lasts and not c.counts["release"]:
                return "lease-ran-out", f"the lease of {lasts} s for {c.lease.address} passed without a renewal"
            if c.renewals_lost >= 2:
                return "", f"{c.renewals_lost} renewals of {c.lease.address} have no answer yet"
            return "lease-given", f"{c.lease.address} from {c.lease.server}" + (f" for {lasts} s" if lasts else "")
        if c.refused:
            return "server-off-or-full", f"the server refuses: {c.refused}"
        if c.counts["discover"] + c.counts["request"] >= 2 and not c.servers:
            return "server-off-or-full", f"{c.counts['discover'] + c.counts['request']} questions, no answer"
        if c.counts["request"] >= 2 and c.unanswered >= 2:
            return "server-off-or-full", "an offer, but the request is not granted"
        return "", "too little of the exchange is in the capture"


def _address(raw: bytes | None) -> str | None:
    return ".".join(str(b) for b in raw[:4]) if raw and len(raw) >= 4 else None
