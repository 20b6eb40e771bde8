"""A log of back-office messages (OCPP-J 1.6 and 2.0.1) as evidence.

Sources: OCPP-J 1.6, OCPP 1.6 edition 2, OCPP 2.0.1 Part 2 and 4.
"""

from __future__ import annotations

import re
from typing import IO, Any

from diagnose.evidence.lines import binary, head_text, lines
from diagnose.evidence.ocpp.read import LONGEST, SHOWN_STATIONS, MessageLog
from diagnose.evidence.ocpp.take import StationFindings, take_station
from diagnose.evidence.reader import Asked, reader
from diagnose.evidence.report import Report
from diagnose.evidence.standpoint import standpoint
from diagnose.site.model import Site
from diagnose.source.problems import one_line

KIND, TITLE = "ocpp-log", "log of back-office messages (OCPP-J 1.6, 2.0.1)"

_SURE = re.compile(
    r'\[\s*2\s*,\s*\\?"[^"\\]{1,64}\\?"\s*,\s*\\?"[A-Z][A-Za-z0-9]{3,40}\\?"\s*,\s*\{'
    r'|\[\s*3\s*,\s*\\?"[^"\\]{1,64}\\?"\s*,\s*\{|\[\s*4\s*,\s*\\?"[^"\\]{1,64}\\?"\s*,\s*\\?"[A-Z]'
)


def _recognise(head: bytes, name: str) -> float:
    """By messages."""
    if binary(head):
        return 0.0
    found = len(_SURE.findall(head_text(head)))
    return 0.97 if found >= 2 else 0.85 if found else 0.0


@reader(KIND, TITLE, _recognise, ("unit", "uplink"))
def read_ocpp_log(stream: IO[bytes], asked: Asked) -> Report:
    """Read a message log. Figures: see docs/evidence/ocpp-log.md."""
    site = asked.site
    log = MessageLog()
    for line in lines(stream, LONGEST):
        log.tally.cut += line.cut
        log.line(line.number, line.text)
    stations = [
        s
        for s in log.stations.values()
        if s.messages
            or s.links
            or s.identity in log.statuses
            or s.identity in log.tls
            or s.identity in log.no_version
    ]
    judged: list[StationFindings] = []
    says: list[str] = []
    for station in stations[:SHOWN_STATIONS]:
        own = _recorded(site, station.identity) if len(stations) > 1 else True
        stand = (
            standpoint(site, station.identity, [station.identity])
            if len(stations) > 1
            else standpoint(site, f"{asked.name} {station.identity}", [station.identity], asked.at)
        )
        j = take_station(
            station, site, stand, log.statuses.get(station.identity), log.no_version.get(station.identity), log.tls.get(station.identity)
        )
        who = f"{station.identity or 'the station without a name'}: " if len(stations) > 1 else ""
        if not own:
            says.append(
                f"{who}its unit is not known from the record, so nothing is taken; record the identity, or "
                "put 'unit N' into a file of its own"
            )
            j = j._replace(taken=())
        says += [who + s for s in j.says]
        if stand.note and own and j.taken:
            says.append(stand.note)
        judged.append(j)
    if len(stations) > 1 and asked.at is not None:
        says.append(f"{asked.at} was not used: the log is of {len(stations)} stations")
    if len(stations) > SHOWN_STATIONS:
        says.append(f"{len(stations)} stations in the log; {SHOWN_STATIONS} are shown")
    figures: dict[str, Any] = {
        "stations": {one_line(s.identity, 80) or "-": j.figures for s, j in zip(stations, judged, strict=False)},
        "messages": sum(s.messages for s in stations), "twice": sum(s.twice for s in stations),
        "without_request": sum(s.orphans for s in stations), "without_answer": sum(s.waiting for s in stations),
    }  # fmt: skip
    return Report(
        KIND, TITLE, tuple(one_line(s) for s in (*says, *log.tally.notes())), tuple(t for j in judged for t in j.taken), figures,
        log.tally.understood, log.tally.not_understood, tuple(log.tally.samples),
    )  # fmt: skip


def _recorded(site: Site | None, identity: str) -> bool:
    """Whether a station of several can be placed: its identity is on the record, or names its unit."""
    if site is None:
        return True
    named = standpoint(site, identity, [identity])
    own = site.word("uplink.identity", named.uplink_place) == identity
    return own or bool(re.search(r"\bunit[\s_.-]{0,2}0{0,3}\d", identity.replace("_", " "), re.IGNORECASE))
