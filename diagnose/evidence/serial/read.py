"""From the bytes of a capture to the polls in it: hex text or bare bytes, in bounded memory."""

from __future__ import annotations

from typing import IO

import numpy as np

from diagnose.evidence.lines import LONGEST, filled, whole_lines
from diagnose.evidence.serial.counting import PollCounter
from diagnose.evidence.serial.streams import Assembler
from diagnose.evidence.serial.text import Pieces, TextReader, all_hex
from diagnose.evidence.serial.values import exchanged_words
from diagnose.physics import serial
from diagnose.site.model import Site
from diagnose.site.places import Place

BLOCK = 1 << 20
"""Bytes read at once; the result does not depend on how the stream gives them."""


def whole_bytes(hexes: bytes) -> int:
    """How much of an unfinished line of hex can be taken without parting a byte."""
    space = hexes.rfind(b" ")
    return space + 1 if space >= 0 else len(hexes) & ~1


class CaptureReader:
    """One capture being read."""

    def __init__(self, site: Site | None) -> None:
        self.text = TextReader()
        self.rows = Assembler()
        rate, timeout = self._trunk(site)
        silence = serial.t35_s(rate) if rate else serial.FIXED_T35_S
        self.polls = PollCounter(self.rows.gaps, silence, timeout)

    @staticmethod
    def _trunk(site: Site | None) -> tuple[float | None, float | None]:
        if site is None or len(site.trunks) != 1:
            return None, None
        place = Place("trunk", site.trunks[0].number)
        timeout = site.number("trunk.timeout", place)
        return site.number("trunk.bit-rate", place), timeout / 1000 if timeout else None

    def binary(self, stream: IO[bytes], head: bytes) -> None:
        """Bare bytes."""
        at = 0
        while head:
            none = np.zeros(1, np.int64)
            self._put(Pieces(head, none + len(head), np.zeros(1, np.uint8), np.full(1, np.nan), none))
            at += len(head)
            head = filled(stream, BLOCK)

    def lines(self, stream: IO[bytes], head: bytes) -> None:
        """Text, in blocks of whole lines; a line longer than is read is cut, with a count."""
        for block in whole_lines(stream, head, self._endless, LONGEST, BLOCK):
            pieces = self.text.feed(block)
            self.polls.resolution_s = 10.0**-self.text.decimals if self.text.timed else 1.0
            self._put(pieces)

    def _endless(self, line: bytes) -> tuple[bytes, bytes | None]:
        """Bytes without a line end are taken in parts; of anything else the beginning."""
        if all_hex(line):
            return line[: (keep := whole_bytes(line))], line[keep:]
        self.text.tally.cut += 1
        return line[:LONGEST], None

    def _put(self, pieces: Pieces, last: bool = False) -> None:
        self.polls.feed(self.rows.feed(pieces, last), last)

    def close(self) -> None:
        """What was held back."""
        whole = np.zeros(0, np.int64)
        self._put(Pieces(b"", whole, np.zeros(0, np.uint8), np.zeros(0), whole), True)

    def exchanged(self) -> list[int]:
        """Addresses whose values hint at exchanged words."""
        return sorted({a for s in self.rows.streams for a in exchanged_words(s.framer.samples)})
