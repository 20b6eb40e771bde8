"""A network capture (pcap, pcapng) as evidence: Modbus TCP and the exchange that gives an address."""

from __future__ import annotations

from typing import IO

from diagnose.evidence.network.packets.capture_file import (
    PCAP_MAGIC,
    PCAPNG_MAGIC,
)
from diagnose.evidence.network.packets.read import read
from diagnose.evidence.network.packets.say import capture_notes, figures
from diagnose.evidence.network.packets.take import address_readings, modbus_readings
from diagnose.evidence.reader import Asked, reader
from diagnose.evidence.report import Report
from diagnose.evidence.standpoint import standpoint
from diagnose.source.problems import one_line

KIND, TITLE = "packets", "network capture (pcap, pcapng): Modbus TCP and DHCP"


def _recognise(head: bytes, name: str) -> float:
    """By the magic number."""
    return 1.0 if head[:4] in PCAP_MAGIC or head[:4] == PCAPNG_MAGIC else 0.0


@reader(KIND, TITLE, _recognise, ("unit", "uplink"))
def read_packets(stream: IO[bytes], asked: Asked) -> Report:
    """Read a capture. Figures: see docs/evidence/packets.md. Raises EvidenceError for what is no capture."""
    site = asked.site
    found = read(stream)
    stand = standpoint(site, asked.name, at=asked.at)
    taken, notes = modbus_readings(found.modbus, site, stand)
    more, remarks = address_readings(found.exchange, site, stand, found.end)
    says = [*notes, *remarks, *((stand.note,) if stand.note and more else ()), *capture_notes(found)]
    return Report(
        KIND, TITLE, tuple(one_line(s) for s in says), (*taken, *more), figures(found), found.tally.understood, found.tally.not_understood,
        tuple(found.tally.samples),
    )  # fmt: skip
