"""A modem's replies as evidence: SIM, registration, access point name, address, signal."""

from __future__ import annotations

from typing import IO

from diagnose.evidence.lines import binary, head_text, lines
from diagnose.evidence.network.modem.find import find
from diagnose.evidence.network.modem.read import COMMAND, READ_BY_PHYSICS, REPLY, RESULT, STAMP, Transcript
from diagnose.evidence.network.modem.say import figures, signal_notes
from diagnose.evidence.network.modem.take import (
    take,
)
from diagnose.evidence.reader import Asked, reader
from diagnose.evidence.report import Report
from diagnose.evidence.standpoint import standpoint
from diagnose.source.problems import one_line

KIND, TITLE = "modem", "modem replies (3GPP TS 27.007)"


def _recognise(head: bytes, name: str) -> float:
    """By replies and commands at the beginning of lines."""
    if binary(head):
        return 0.0
    replies = commands = others = 0
    for line in head_text(head).split("\n")[:2000]:
        text = STAMP.sub("", line[:500]).strip()
        match = REPLY.match(text)
        if match and match.group(1).upper() in READ_BY_PHYSICS:
            replies += 1
        elif COMMAND.match(text) and text[2:3] in ("", "+", "I", "E"):
            commands += 1
        elif text and not RESULT.match(text):
            others += 1
    if not replies and not commands:
        return 0.0
    share = (replies + commands) / (replies + commands + others)
    if replies + commands == 1:
        return 0.5 if share > 0.2 else 0.0
    return 0.95 if share > 0.3 else 0.6 if share > 0.05 else 0.2


@reader(KIND, TITLE, _recognise, ("unit", "uplink"))
def read_modem(stream: IO[bytes], asked: Asked) -> Report:
    """Read a transcript of modem replies. Figures: see docs/evidence/modem.md. Source: 3GPP TS 27.007."""
    site = asked.site
    session = Transcript()
    for line in lines(stream):
        session.tally.cut += line.cut
        session.line(line.number, line.text)
    stand = standpoint(site, asked.name, at=asked.at)
    recorded = site.word("uplink.apn", stand.uplink_place) if site else None
    found = find(session)
    notes = (one_line(found.says), *((stand.note,) if stand.note else ()), *signal_notes(session), *session.tally.notes())
    return Report(
        KIND, TITLE, notes, tuple(take(session, stand.uplink, recorded)), figures(session, found),
        session.tally.understood, session.tally.not_understood, tuple(session.tally.samples),
    )  # fmt: skip
