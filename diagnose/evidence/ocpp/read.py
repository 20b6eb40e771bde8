"""From the lines of a log to stations: their messages, and what is said of the connection.

Sources: OCPP-J 1.6, OCPP 2.0.1 Part 4, RFC 6455 (close codes).
"""

from __future__ import annotations

import re

from diagnose.evidence.network.ip.read import TLS_SIGNS
from diagnose.evidence.ocpp.messages import LineContext, context, find
from diagnose.evidence.ocpp.station import (
    Station,
)
from diagnose.evidence.tally import Tally

LONGEST = 262_144
"""Characters of a line that are looked at; a message with a certificate chain or a long report needs many."""
MOST_STATIONS, SHOWN_STATIONS = 1000, 50
_STATUS = re.compile(
    (
        r"HTTP/1\.[01]\"? ([1-5]\d\d)\b|\bHTTP ([1-5]\d\d)\b"
        r"|(?:handshake|upgrade|websocket|connect)\w*.{0,60}?\bstatus(?: code)?\W{1,3}([1-5]\d\d)\b"
    ),
    re.IGNORECASE,
)
_UP = re.compile(
    r"connection (?:is )?(?:now )?(?:open|opened|established|accepted|up)\b|websocket (?:is )?(?:open|opened|connected)|"
    r"\bconnected to\b|client connected|new connection|handshake (?:ok|complete)|\breconnected\b",
    re.IGNORECASE,
)
_DOWN = re.compile(
    r"connection (?:was |is )?(?:lost|reset|closed|dropped|terminated|aborted)|disconnect(?:ed)?\b|websocket (?:is |was )?closed|"
    r"\bclos(?:e|ed|ing)\b.{0,40}?\b(?:1\d{3}|[34]\d{3})\b|no close frame|broken pipe|ping timeout|"
    r"\b(?:received|sent) 1\d{3} \(",
    re.IGNORECASE,
)
_LOST = re.compile(
    (
        r"no close frame received|ping timeout|keep-?alive|connection (?:was )?(?:lost|reset|dropped|aborted)"
        r"|broken pipe|timed out"
    ),
    re.IGNORECASE,
)
_CODE = re.compile(r"(?<![\d.:-])(1\d{3}|[34]\d{3})(?![\d.:-])")
_REPLACED = re.compile(r"replac|duplicate|another (?:connection|session)|same identity|already connected|connected again", re.IGNORECASE)
_NO_VERSION = re.compile(
    (
        r"no (?:common |matching )?subprotocol|subprotocols? (?:not|none|mismatch|unsupported)"
        r"|unsupported subprotocol|no (?:common|matching) version"
    ),
    re.IGNORECASE,
)
_VERSION = re.compile(r"\bocpp(1\.6|2\.0\.1)\b", re.IGNORECASE)


class MessageLog:
    def __init__(self) -> None:
        self.tally = Tally()
        self.stations: dict[str, Station] = {}
        self.current = ""
        self.statuses: dict[str, tuple[int, int]] = {}
        self.no_version: dict[str, int] = {}
        self.tls: dict[str, tuple[str, int]] = {}

    def line(self, number: int, text: str) -> None:
        """Take one line: its messages, or what it says of the connection."""
        if not text.strip():
            return
        messages, bad, around = find(text)
        c = context(around)
        station = self._station(c.identity)
        if station is None:
            self.tally.missed(f"line {number}", f"more than {MOST_STATIONS} stations: {text[:200]}")
            return
        for message in messages:
            wrong = station.take(message, c, number)
            if wrong:
                self.tally.missed(f"line {number}", wrong)
            else:
                self.tally.took()
        for piece in bad:
            self.tally.missed(f"line {number}", piece)
        if not messages and not bad:
            if self._event(station, text[:2000], c, number):
                self.tally.took()
            else:
                self.tally.missed(f"line {number}", text)

    def _station(self, identity: str) -> Station | None:
        """The station of a line; a line without identity belongs to the only one, or the nameless one."""
        if not identity:
            identity = self.current if len(self.stations) <= 1 else ""
        elif not self.stations.get(identity) and list(self.stations) == [""]:
            self.stations[identity] = self.stations.pop("")
            self.stations[identity].identity = identity
        if identity not in self.stations:
            if len(self.stations) >= MOST_STATIONS:
                return None
            self.stations[identity] = Station(identity)
        self.current = identity
        return self.stations[identity]

    def _event(self, station: Station, text: str, c: LineContext, number: int) -> bool:
        version = _VERSION.search(text)
        if version and not station.version:
            station.version = version.group(1)
        if _NO_VERSION.search(text):
            self.no_version[station.identity] = number
            return True
        for word, pattern in TLS_SIGNS:
            if word != "verified" and pattern.search(text):
                self.tls[station.identity] = (word, number)
                return True
        status = _STATUS.search(text)
        if status:
            code = int(next(g for g in status.groups() if g))
            self.statuses[station.identity] = (code, number)
            if code == 101:
                station.link(True, None, c, number, False)
            return True
        if _DOWN.search(text):
            bare = re.sub(r"\d{4}-\d\d-\d\d[T ]\S{0,30}", " ", text)
            codes = [int(x) for x in _CODE.findall(bare)]
            wire = [x for x in codes if 1000 <= x <= 1015 or 3000 <= x <= 4999]
            ended = 1006 if _LOST.search(text) else wire[0] if wire else None
            station.link(False, ended, c, number, bool(_REPLACED.search(text)))
            return True
        if _UP.search(text):
            station.link(True, None, c, number, False)
            return True
        return bool(version) or bool(c.identity and "ws" in text[:2000] and "://" in text)
