"""What came back behind one request: the reply, another's reply, a foreign request, or damage. Pure.

Frames are found by the same framing as in captures; only the reply to 2B/0E, whose length no count tells, is found here.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from diagnose.evidence.serial.crc import LONGEST
from diagnose.evidence.serial.frames import REPLY, REQUEST, Framer
from diagnose.physics import serial
from diagnose.probe.plan import READ_IDENTITY, REPORT_ID

ANSWER, EXCEPTION, OTHER, DAMAGED, NOTHING = "answer", "exception", "other", "damaged", "nothing"
FEWEST_DAMAGED = 2  # bytes; one alone is a glitch of the idle line


class Look(NamedTuple):
    """`kind` and exception `code`; the `reply` and where in the bytes it begins; further replies of this unit;
    good replies of others; requests of somebody else; bytes in no frame, those that `head` like this reply, and
    whether the request itself came back first.
    """

    kind: str
    code: int = 0
    reply: bytes = b""
    at: int = 0
    more: tuple[bytes, ...] = ()
    others: tuple[bytes, ...] = ()
    foreign: tuple[bytes, ...] = ()
    loose: bytes = b""
    headed: bool = False
    echo: bool = False

    @property
    def answered(self) -> bool:
        """Whether the unit's own good reply is there."""
        return self.kind in (ANSWER, EXCEPTION)


def identity_size(data: bytes) -> int:
    """Bytes of a reply to 2B/0E that begins here, 0 when it is not whole or does not fit its checksum.

    Source: MODBUS Application Protocol V1.1b3, 6.21.
    """
    if len(data) < 10 or data[1] != READ_IDENTITY or data[2] != 0x0E:
        return 0
    size = 8
    for _ in range(data[7]):
        if len(data) < size + 2:
            return 0
        size += 2 + data[size + 1]
    size += 2
    return size if size <= min(len(data), LONGEST) and serial.crc_good(data[:size]) else 0


def look(unit: int, function: int, request: bytes, data: bytes) -> Look:
    """What the bytes behind a request hold. `request` is the frame sent, empty where no echo can come."""
    echo = bool(request) and data.startswith(request)
    skipped = len(request) if echo else 0
    found = _Search(unit, function, request)
    begin = skipped
    if function == READ_IDENTITY:
        at = data.find(bytes((unit, READ_IDENTITY, 0x0E)), skipped)
        while at >= 0:
            if size := identity_size(data[at:]):
                found.frames(data[begin:at], begin)
                found.mine(data[at : at + size], at)
                begin = at + size
            at = data.find(bytes((unit, READ_IDENTITY, 0x0E)), max(begin, at + 1))
    found.frames(data[begin:], begin)
    return found.look(echo)


class _Search:
    """Gathers what is found, in the order of the bytes."""

    def __init__(self, unit: int, function: int, request: bytes) -> None:
        self.unit, self.function, self.request = unit, function, request
        self.replies: list[tuple[int, bytes]] = []
        self.others: list[bytes] = []
        self.foreign: list[bytes] = []
        self.loose = b""
        self.headed = False

    def mine(self, frame: bytes, at: int) -> None:
        self.replies.append((at, frame))

    def frames(self, data: bytes, begin: int) -> None:
        """Frames and what lies between them."""
        if not data:
            return
        frames, gaps = Framer().feed(data, True)
        for start, length, form in zip(frames.start.tolist(), frames.length.tolist(), frames.form.tolist(), strict=True):
            frame = data[start : start + length]
            if frame[0] == self.unit and frame[1] & 0x7F == self.function and form & REPLY:
                self.mine(frame, begin + start)
            elif form == REQUEST or frame == self.request:
                if frame != self.request:
                    self.foreign.append(frame)
            else:
                self.others.append(frame)
        for gap in gaps:
            self.loose += data[gap.start : gap.start + gap.length]
            self.headed |= data[gap.start :].startswith(bytes((self.unit, self.function)))

    def look(self, echo: bool) -> Look:
        """The sum of it."""
        rest = (tuple(f for _, f in self.replies[1:]), tuple(self.others), tuple(self.foreign), self.loose, self.headed, echo)
        if self.replies:
            at, reply = self.replies[0]
            refused = bool(reply[1] & 0x80)
            return Look(EXCEPTION if refused else ANSWER, reply[2] if refused else 0, reply, at, *rest)
        kind = DAMAGED if len(self.loose) >= FEWEST_DAMAGED else OTHER if self.others else NOTHING
        return Look(kind, 0, b"", 0, *rest)


def identity(reply: bytes) -> str:
    """Who a unit says it is, from its reply to 2B/0E or 11: safe text; empty where it says nothing that can be read."""
    if reply[1] == READ_IDENTITY:
        parts, at = [], 8
        for _ in range(reply[7]):
            size = reply[at + 1]
            parts.append(_readable(reply[at + 2 : at + 2 + size]))
            at += 2 + size
        return " / ".join(p for p in parts if p)
    if reply[1] == REPORT_ID:  # what is left without the state of running, which changes
        return _readable(bytes(b for b in reply[3:-2] if b not in (0, 0xFF)))
    return ""


def _readable(data: bytes) -> str:
    """Text where there is some, the other bytes in hex."""
    text = data.decode("utf-8", "replace")
    if all(c.isprintable() and c != "�" for c in text):
        return text.strip()[:60]
    parts = re.findall(rb"[ -~]{3,}|(?:(?![ -~]{3,}).)+", data, re.DOTALL)
    return " ".join(p.decode().strip() if len(p) > 2 and p.isascii() and p.decode().isprintable() else p.hex(" ") for p in parts)[:60]
