"""The output of network commands as evidence."""

from __future__ import annotations

import re
from typing import IO

from diagnose.evidence.lines import binary, head_text
from diagnose.evidence.network.ip.read import LIKELY, SURE, gather
from diagnose.evidence.network.ip.take import take
from diagnose.evidence.reader import Asked, reader
from diagnose.evidence.report import Report
from diagnose.evidence.standpoint import standpoint

KIND, TITLE = "ip-output", "output of network commands"


def _recognise(head: bytes, name: str) -> float:
    """By what these commands print, and nothing else does."""
    if binary(head):
        return 0.0
    text = head_text(head)
    if re.search(r'\[\s*[234]\s*,\s*\\?"', text):
        return 0.0
    start = text.lstrip()[:300]
    if start.startswith("[") and re.search(r'"(?:ifindex|ifname|dst|lladdr)"\s*:', start):
        return 0.95
    hits = 0
    for line in text.split("\n")[:1000]:
        line = line[:600].rstrip()
        if any(p.search(line) for p in SURE):
            hits += 2
        elif any(p.search(line) for p in LIKELY):
            hits += 1
    return 0.9 if hits >= 2 else 0.4 if hits else 0.0


@reader(KIND, TITLE, _recognise, ("unit", "uplink", "laptop", "station", "switch", "cable", "controller"))
def read_ip_output(stream: IO[bytes], asked: Asked) -> Report:
    """Read the output of network commands. Figures: see docs/evidence/ip-output.md."""
    site = asked.site
    found, tally = gather(stream)
    stand = standpoint(site, asked.name, at=asked.at)
    verdict = take(found, asked, stand)
    notes = (*verdict.says, *((stand.note,) if stand.note else ()), *tally.notes())
    return Report(
        KIND, TITLE, notes, verdict.taken, verdict.figures,
        tally.understood, tally.not_understood, tuple(tally.samples),
    )  # fmt: skip
