"""From the frames of a capture to what was said over Modbus TCP and by the address service."""

from __future__ import annotations

from collections import Counter
from typing import IO, NamedTuple

from diagnose.evidence.network.packets.capture_file import Damaged, frames, library, packet
from diagnose.evidence.network.packets.dhcp_exchange import Exchange
from diagnose.evidence.network.packets.modbus_flow import Modbus
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.tally import Tally


class Capture(NamedTuple):
    """What a capture holds; `begin` and `end` in s, `seen` counts frames and others, `broken` says where it is damaged."""

    modbus: Modbus
    exchange: Exchange
    seen: Counter[str]
    begin: float
    end: float
    broken: str
    tally: Tally


def read(stream: IO[bytes]) -> Capture:
    """Read a capture through. Raises EvidenceError for what is none."""
    dpkt, tally = library(), Tally()
    modbus, exchange = Modbus(tally), Exchange(tally, dpkt)
    seen: Counter[str] = Counter()
    begin = end = 0.0
    broken = ""
    try:
        for frame in frames(stream):
            seen["frames"] += 1
            time = frame.time if frame.time is not None else end
            begin, end = begin or time, max(end, time)
            p = packet(frame, dpkt)
            if p is None:
                tally.missed(f"frame {frame.number}", f"link type {frame.link}: {frame.data[:16].hex(' ')}")
            elif p.kind == "arp":
                exchange.arp(p, frame.number)
            elif not (p.kind == "tcp" and modbus.take(p, frame.number, time)) and not (
                p.kind == "udp" and exchange.take(p, frame.number, time)
            ):
                seen["others"] += 1
    except Damaged as error:
        if not seen["frames"]:
            raise EvidenceError(f"the capture cannot be read: {error}; take it again") from None
        broken = f"after frame {seen['frames']}: {error}"
        tally.missed(f"frame {seen['frames'] + 1}", str(error))
    modbus.finish()
    return Capture(modbus, exchange, seen, begin, end, broken, tally)
