"""Captures of a serial trunk: hex text of a logger, sniffer or debug log, or the bare bytes.

Sources: MODBUS over Serial Line V1.02; MODBUS Application Protocol V1.1b3.
"""

from __future__ import annotations

import re
from typing import IO, Any

import numpy as np

from diagnose.evidence.lines import LONGEST, filled, whole_lines
from diagnose.evidence.reader import Asked, EvidenceError, reader
from diagnose.evidence.report import Report
from diagnose.evidence.serial.frames import Framer
from diagnose.evidence.serial.polls import Polls
from diagnose.evidence.serial.readings import Finder, figures
from diagnose.evidence.serial.streams import Assembler
from diagnose.evidence.serial.text import Pieces, TextReader, all_hex
from diagnose.evidence.serial.values import exchanged_words
from diagnose.physics import serial
from diagnose.site.model import Site
from diagnose.site.places import Place, ranges
from diagnose.source.problems import one_line

KIND = "serial-capture"
TITLE = "Capture of a serial trunk"
BLOCK = 1 << 20  # bytes read at once; the result does not depend on how the stream gives them
FEWEST_FRAMES = 3
HIGH = bytes(range(0x80, 0x100))
TEXT = re.compile(rb"[\t\n\r\x20-\x7e\x80-\xff]*")


def is_text(head: bytes) -> bool:
    """Whether a beginning reads as text: no control characters, and mostly plain letters."""
    if not head or not TEXT.fullmatch(head):
        return False
    return len(head.translate(None, HIGH)) >= 0.9 * len(head)


def recognise(head: bytes, name: str) -> float:
    """How sure it is a capture: by the share of bytes in frames whose checksum fits."""
    if not head:
        return 0.0
    data, share = head, 1.0
    marked: Any = False
    if is_text(head):
        reader = TextReader()
        pieces = reader.feed(b"\n".join(head.split(b"\n")[:400]))
        if not len(pieces.size):
            return 0.0
        share = reader.tally.understood / max(1, reader.tally.understood + reader.tally.not_understood)
        marked = (pieces.direction > 0).mean() > 0.9
        data = pieces.data
    frames, _ = Framer().feed(data[:65_536], True)
    count, covered = len(frames.start), int(frames.length.sum()) / max(1, len(data[:65_536]))
    if count >= FEWEST_FRAMES and covered >= 0.5:
        return 0.95 if share > 0.5 else 0.7
    if count >= FEWEST_FRAMES and covered >= 0.1:
        return 0.6
    if count and covered >= 0.5:
        return 0.5
    return 0.35 if marked and share > 0.9 and len(data) >= 40 else 0.0


def _whole_bytes(hexes: bytes) -> int:
    """How much of an unfinished line of hex can be taken without parting a byte."""
    space = hexes.rfind(b" ")
    return space + 1 if space >= 0 else len(hexes) & ~1


class _CaptureReader:
    """One capture being read."""

    def __init__(self, site: Site | None) -> None:
        self.text = TextReader()
        self.rows = Assembler()
        rate, timeout = self._trunk(site)
        silence = serial.t35_s(rate) if rate else serial.FIXED_T35_S
        self.polls = Polls(self.rows.gaps, silence, timeout)

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
            return line[: (keep := _whole_bytes(line))], line[keep:]
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


@reader(KIND, TITLE, recognise)
def read(stream: IO[bytes], asked: Asked) -> Report:
    """Read a capture of any length; memory does not grow with it. Raises EvidenceError when it holds no bytes."""
    site, head = asked.site, filled(stream, BLOCK)
    text = is_text(head)
    reader = _CaptureReader(site)
    if text:
        reader.lines(stream, head)
    else:
        reader.binary(stream, head)
    reader.close()
    total = reader.rows.total
    if not total:
        raise EvidenceError("no bytes of serial traffic in this file; a capture has lines of hex bytes, or the bytes themselves")
    tally = reader.polls.tally
    finder = Finder(tally, site, "lines" if text else "bytes from")
    finder.find()
    says = [_headline(finder, reader, total), *finder.says]
    if hinted := reader.exchanged():
        says.append(
            f"Hint only: 32-bit values of address {ranges(hinted)} make sense with their two registers exchanged; compare one with the unit's screen."
        )
    numbers = figures(tally)
    numbers |= {
        "bytes": total, "text": text, "times": reader.text.timed, "directions": tally.marked,
        "bytes_in_frames": tally.frame_bytes, "bytes_outside_frames": total - tally.frame_bytes,
        "lines_cut": reader.text.tally.cut, "lines_repeated": reader.text.repeated,
    }  # fmt: skip
    understood, strange = tally.frames, tally.gaps
    if text:
        strange += reader.text.tally.not_understood
    return Report(
        KIND, TITLE, tuple(one_line(x) for x in says),
        tuple(t._replace(because=one_line(t.because), lines=one_line(t.lines)) for t in finder.taken),
        numbers, understood, strange, tuple(reader.text.tally.samples),
    )  # fmt: skip


def _headline(finder: Finder, reader: _CaptureReader, total: int) -> str:
    t = finder.tally
    share = 100 * t.frame_bytes / total
    units = sum(bool(u.asked) for u in t.units.values())
    said = f"{t.frames} good frames in {total} bytes ({share:.4g} % of the bytes belong to one), {t.requests} requests to {units} addresses"
    cut = reader.text.tally.cut
    return said + (f"; {cut} overlong lines were cut" if cut else "") + "."
