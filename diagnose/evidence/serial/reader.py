"""Captures of a serial trunk: hex text of a logger, sniffer or debug log, or the bare bytes.

Sources: MODBUS over Serial Line V1.02; MODBUS Application Protocol V1.1b3.
"""

from __future__ import annotations

import re
from typing import IO, Any

from diagnose.evidence.lines import filled
from diagnose.evidence.reader import Asked, EvidenceError, reader
from diagnose.evidence.report import Report
from diagnose.evidence.serial import say
from diagnose.evidence.serial.find import find
from diagnose.evidence.serial.frames import Framer
from diagnose.evidence.serial.read import BLOCK, CaptureReader
from diagnose.evidence.serial.take import take
from diagnose.evidence.serial.text import TextReader
from diagnose.source.problems import one_line

KIND = "serial-capture"
TITLE = "Capture of a serial trunk"
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


@reader(KIND, TITLE, recognise)
def read(stream: IO[bytes], asked: Asked) -> Report:
    """Read a capture of any length; memory does not grow with it. Raises EvidenceError when it holds no bytes."""
    site, head = asked.site, filled(stream, BLOCK)
    text = is_text(head)
    capture = CaptureReader(site)
    if text:
        capture.lines(stream, head)
    else:
        capture.binary(stream, head)
    capture.close()
    total = capture.rows.total
    if not total:
        raise EvidenceError("no bytes of serial traffic in this file; a capture has lines of hex bytes, or the bytes themselves")
    spots_are = "lines" if text else "bytes from"
    found = find(capture.polls.tally, site)
    says = [say.headline(found, total, capture.text.tally.cut), *say.says(found, spots_are)]
    if hinted := capture.exchanged():
        says.append(say.exchanged_text(hinted))
    tally = found.tally
    numbers = say.figures(tally)
    numbers |= {
        "bytes": total, "text": text, "times": capture.text.timed, "directions": tally.marked,
        "bytes_in_frames": tally.frame_bytes, "bytes_outside_frames": total - tally.frame_bytes,
        "lines_cut": capture.text.tally.cut, "lines_repeated": capture.text.repeated,
    }  # fmt: skip
    understood, strange = tally.frames, tally.gaps
    if text:
        strange += capture.text.tally.not_understood
    return Report(
        KIND, TITLE, tuple(one_line(x) for x in says),
        tuple(t._replace(because=one_line(t.because), lines=one_line(t.lines)) for t in take(found, spots_are)),
        numbers, understood, strange, tuple(capture.text.tally.samples),
    )  # fmt: skip
