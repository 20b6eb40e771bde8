"""A network capture in remarks and figures."""

from __future__ import annotations

from typing import Any

from diagnose.evidence.network.packets.modbus_flow import (
    Talk,
    exception_text,
    middle,
)
from diagnose.evidence.network.packets.read import Capture


def capture_notes(found: Capture) -> list[str]:
    """Remarks about the capture itself."""
    modbus, seen, broken = found.modbus, found.seen, found.broken
    notes = [f"{seen['others']} of {seen['frames']} frames are neither Modbus TCP nor DHCP nor ARP"] if seen["others"] else []
    if broken:
        notes.append(f"the capture is damaged {broken}")
    if modbus.gaps:
        notes.append(f"{modbus.gaps} gaps: segments are missing in the capture itself")
    if modbus.unasked:
        notes.append(f"{modbus.unasked} replies to no request in the capture")
    if modbus.not_kept:
        notes.append("more servers and units than are kept apart")
    return notes


def talk_text(talk: Talk) -> str:
    if not talk.exceptions and not talk.unanswered:
        return ""
    parts = [f"{talk.unanswered} of {talk.requests} requests without an answer"] if talk.unanswered else []
    if talk.exceptions:
        parts.append(f"exceptions {exception_text(talk.exceptions)}")
    return "; ".join(parts)


def figures(found: Capture) -> dict[str, Any]:
    """The figures, as docs/evidence/packets.md lists them."""
    modbus, exchange, seen, end = found.modbus, found.exchange, found.seen, found.end
    seconds = found.end - found.begin
    units = []
    for (server, unit), t in sorted(modbus.talks.items())[:300]:
        delay, rounds = middle(t.delays_s), middle(t.rounds_s)
        units.append({
            "server": server, "unit": unit, "requests": t.requests, "replies": t.replies, "unanswered": t.unanswered,
            "exceptions": {f"{c:02X}": n for c, n in sorted(t.exceptions.items())},
            "delay_ms": None if delay is None else round(1000 * delay, 3),
            "longest_delay_ms": round(1000 * max(t.delays_s), 3) if t.delays_s else None,
            "round_s": None if rounds is None else round(rounds, 4),
        })  # fmt: skip
    clients = []
    for mac, c in sorted(exchange.clients.items())[:100]:
        lease = c.lease
        clients.append({
            "client": mac, "name": c.name or None, "messages": dict(sorted(c.counts.items())), "servers": sorted(c.servers),
            "address": lease.address if lease else None, "mask": (lease.mask or None) if lease else None,
            "gateway": (lease.gateway or None) if lease else None, "lease_s": lease.lease_s if lease else None,
            "outcome": exchange.outcome(c, end)[0] or None,
        })  # fmt: skip
    return {
        "frames": seen["frames"], "others": seen["others"], "seconds": round(seconds, 3), "modbus": units, "dhcp": clients,
        "refused": sorted(modbus.refused), "unanswered_calls": sorted(modbus.unanswered_calls),
    }  # fmt: skip
