"""Text logs of serial traffic: from lines to bytes with their time, direction and line number.

A line is looked at once with care; where all lines of a block are laid out alike, the whole block is
then read by its columns. Line breaks say when bytes were written down, never where a frame ends.
"""

from __future__ import annotations

import codecs
import re
from datetime import date
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats, Octets, Whole
from diagnose.evidence.lines import LONGEST
from diagnose.evidence.tally import Tally

UNMARKED, SENT, RECEIVED = 0, 1, 2
DAY_S = 86_400.0
SHOWN = 120  # characters of a line that holds no bytes
LAID_OUT = 24  # lines that are looked at with care to learn how a block is laid out
FEWEST = 8  # lines from which a block is worth reading by columns


class Pieces(NamedTuple):
    """Bytes as they were written down: one row for each line with bytes. Times are seconds, NaN not known."""

    data: bytes
    size: Whole
    direction: Octets
    time: Floats
    line: Whole


class HexLine(NamedTuple):
    """One line understood: its bytes and what stands with them; `clock` tells how `time` is meant."""

    data: bytes
    direction: int
    time: float
    clock: str  # none | day | date | seconds | delta
    decimals: int
    worded: bool = False  # there are words beside the bytes


# ---- one line

_STAMP = re.compile(
    r"(?P<date>\d{4}[-/.]\d\d[-/.]\d\d)[T ]+(?P<clock>\d\d?:\d\d:\d\d)(?P<part>[.,]\d{1,9})?"
    r"|(?P<day>(?<![\w:])(?:[01]?\d|2[0-3]):[0-5]\d:[0-5]\d(?![:\w]))(?P<daypart>[.,]\d{1,9})?"
    r"|(?P<plus>\+)?(?P<ms>\b\d{1,12}(?:\.\d{1,6})?) ?(?P<unit>ms|us|s)\b"
    r"|(?P<plus2>\+)(?P<delta>\d{1,12}(?:\.\d{1,9})?)\b"
    r"|^\W{0,2}(?P<seconds>\d{1,12}\.\d{1,9})\b"
)
_DIRECTION = re.compile(
    r"(?P<sent>\b(?:tx|txd|send(?:ing)?|sent|out|write|writing|wrote|request|req|to)\b|-{1,4}>|>+|→|=>)"
    r"|(?P<received>\b(?:rx|rxd|recv|receive[ds]?|receiving|in|read|response|resp|reply|from)\b|<-{1,4}|<+|←|<=)",
    re.IGNORECASE,
)
_HEX_RUN = re.compile(
    r"(?:0[xX][0-9A-Fa-f]{1,2}(?:[ ,;]{1,3}|$|(?=\W)))+"
    r"|(?:\[[0-9A-Fa-f]{2}\])+|(?:<[0-9A-Fa-f]{2}>)+"
    r"|(?<![0-9A-Za-z:.+])(?:[0-9A-Fa-f]{2}(?: ?[,;:\-] ?| {1,3}|\t))*[0-9A-Fa-f]{2}(?![0-9A-Za-z:.])"
    r"|(?<![0-9A-Za-z:.+])(?:[0-9A-Fa-f]{2}){2,}(?![0-9A-Za-z:.])"
)
_ESCAPED = re.compile(r"""(?:b?'((?:[^'\\]|\\.)*)'|b?"((?:[^"\\]|\\.)*)"|((?:\\x[0-9A-Fa-f]{2})+))""")
_OFFSETS = re.compile(r"^\s*[0-9A-Fa-f]{4,8}(?:: ?|  ?(?= ?[0-9A-Fa-f]{2} ))")
_GUTTER = re.compile(r"(?:\s\|.{0,16}\|?|(?<=[0-9A-Fa-f]) {2,}\S.{0,15})\s*$")
_OLD = re.compile(r"\bold[ _]?data\b", re.IGNORECASE)  # bytes of before, written down once more
_COLONS = re.compile(r"\s*(?:[0-9A-Fa-f]{2}:)+[0-9A-Fa-f]{2}\s*")
_WORDS = re.compile(r"(?:[0-9A-Fa-f]{4} )+(?:[0-9A-Fa-f]{2,4})")


def read_line(text: str) -> HexLine | None:
    """A line's bytes with their time and direction; None where it holds no bytes of a line."""
    if old := _OLD.search(text):
        text = text[: old.start()]
    stamp = _stamp(text)
    time, clock, decimals = _time(stamp) if stamp else (float("nan"), "none", 0)
    escaped = _ESCAPED.search(text) if "\\x" in text else None
    if escaped:
        data = _unescape(escaped.group(1) or escaped.group(2) or escaped.group(3) or "")
        around = text[: escaped.start()] + " " + text[escaped.end() :]
    else:
        if stamp and clock != "none":
            text = text[: stamp.start()] + "~" + text[stamp.end() :]
        else:
            offsets = _OFFSETS.match(text)
            if offsets:
                text = text[offsets.end() :]
                gutter = _GUTTER.search(text)
                text = text[: gutter.start()] if gutter else text
                if _WORDS.fullmatch(text.strip()):
                    text = re.sub(r"([0-9A-Fa-f]{2})(?=[0-9A-Fa-f])", r"\1 ", text)
        best = max(_HEX_RUN.finditer(text), key=lambda m: m.end() - m.start(), default=None)
        if best is None:
            return None
        run = best.group()
        data = _bytes(run)
        around = text[: best.start()] + " " + text[best.end() :]
        if run[0] in "[<" and (len(data) > 1 or not around.strip()):  # the two kinds of brackets stand for the two directions
            return HexLine(data, SENT if run[0] == "[" else RECEIVED, time, clock, decimals)
    if not data:
        return None
    worded = any(len(word) > 2 for word in re.findall("[A-Za-z]+", around))
    return HexLine(data, _direction(around), time, clock, decimals, worded)


def _stamp(text: str) -> re.Match[str] | None:
    """The time of a line: a clock near its beginning, or a number of seconds at it."""
    stamp = _STAMP.search(text[:120])
    plain = stamp is not None and not stamp.group("date") and not stamp.group("day")
    return None if stamp is None or (plain and stamp.start() > 16) else stamp


def all_hex(text: bytes) -> bool:
    """Whether a line is bytes from end to end, so that it may be taken in parts."""
    return not text.translate(None, b"0123456789abcdefABCDEF \t\r")


def _bytes(run: str) -> bytes:
    if "0x" in run or "0X" in run:
        return bytes(int(part[2:], 16) for part in re.findall(r"0[xX][0-9A-Fa-f]{1,2}", run))
    digits = re.sub(r"[^0-9A-Fa-f]", "", run)
    return bytes.fromhex(digits) if len(digits) % 2 == 0 else b""


def _unescape(text: str) -> bytes:
    try:
        made, _ = codecs.escape_decode(text.encode("latin-1", "replace"))
    except ValueError:
        return b""
    return bytes(made)


def _direction(around: str) -> int:
    found = _DIRECTION.search(around[:400])
    if found is None:
        return UNMARKED
    return SENT if found.group("sent") else RECEIVED


def _time(stamp: re.Match[str]) -> tuple[float, str, int]:
    g = stamp.groupdict()
    if g["date"]:
        part = g["part"] or ""
        try:
            days = date(*(int(x) for x in re.split(r"[-/.]", g["date"]))).toordinal()
        except ValueError:
            return float("nan"), "none", 0
        return days * DAY_S + _day(g["clock"]) + _fraction(part), "date", max(len(part) - 1, 0)
    if g["day"]:
        part = g["daypart"] or ""
        return _day(g["day"]) + _fraction(part), "day", max(len(part) - 1, 0)
    if g["ms"]:
        scale = {"ms": 1e-3, "us": 1e-6, "s": 1.0}[g["unit"]]
        decimals = len(g["ms"].partition(".")[2]) + {"ms": 3, "us": 6, "s": 0}[g["unit"]]
        return float(g["ms"]) * scale, "delta" if g["plus"] else "seconds", decimals
    if g["delta"]:
        return float(g["delta"]), "delta", len(g["delta"].partition(".")[2])
    return float(g["seconds"]), "seconds", len(g["seconds"].partition(".")[2])


def _day(text: str) -> float:
    hours, minutes, seconds = text.split(":")
    return int(hours) * 3600.0 + int(minutes) * 60.0 + int(seconds)


def _fraction(part: str) -> float:
    return float("0." + part[1:]) if len(part) > 1 else 0.0


# ---- a block of lines laid out alike


class _ColumnLayout(NamedTuple):
    width: int  # characters before the bytes
    words: tuple[tuple[bytes, int], ...]  # what stands there apart from digits, and the direction it says
    clock: str
    digits: tuple[tuple[int, float], ...]  # column and weight in seconds
    date: tuple[int, int] | None
    decimals: int
    spaced: bool


def _layout(lines: list[str]) -> _ColumnLayout | None:
    """How these lines are laid out, where all have the same width before the bytes."""
    width = -1
    words: dict[bytes, int] = {}
    shape: _ColumnLayout | None = None
    for text in lines:
        line = read_line(text)
        if line is None or line.clock == "delta":
            return None
        body = text.rstrip()
        spaced, plain = line.data.hex(" "), line.data.hex()
        tail = next((t for t in (spaced, plain) if body.lower().endswith(t)), None)
        if tail is None:
            return None
        here = len(body) - len(tail)
        head = body[:here]
        if (width >= 0 and here != width) or not head.isascii():
            return None
        width = here
        stamp = _stamp(head) if line.clock != "none" else None
        digits, days = _digits(stamp) if stamp else ((), None)
        made = _ColumnLayout(width, (), line.clock, digits, days, line.decimals, tail == spaced)
        if shape is not None and made._replace(spaced=shape.spaced) != shape and len(line.data) > 1:
            return None
        if shape is None or len(line.data) > 1:
            shape = made
        words[_blanked(head.encode(), digits, days)] = line.direction
    if shape is None:
        return None
    return shape._replace(words=tuple(words.items()))


def _blanked(head: bytes, digits: tuple[tuple[int, float], ...], days: tuple[int, int] | None) -> bytes:
    """A line's head with the figures of its time wiped out."""
    wiped = bytearray(head)
    for column in [*(c for c, _ in digits), *(range(*days) if days else ())]:
        wiped[column] = 0x30
    return bytes(wiped)


def _digits(stamp: re.Match[str]) -> tuple[tuple[tuple[int, float], ...], tuple[int, int] | None]:
    """Columns of a time's figures with their weights, and where its date stands."""
    weights: list[tuple[int, float]] = []
    name = "clock" if stamp.group("date") else "day" if stamp.group("day") else ""
    if name:
        units = iter((36_000.0, 3600.0, 600.0, 60.0, 10.0, 1.0))
        text = stamp.group(name)
        if len(text) < 8:
            next(units)
        weights += [(stamp.start(name) + n, next(units)) for n, c in enumerate(text) if c.isdecimal()]
        part = "part" if name == "clock" else "daypart"
        if stamp.group(part):
            weights += [(stamp.start(part) + n, 10.0**-n) for n in range(1, len(stamp.group(part)))]
        return tuple(weights), (stamp.span("date") if name == "clock" else None)
    name = "ms" if stamp.group("ms") else "seconds"
    scale = {"ms": 1e-3, "us": 1e-6, "s": 1.0, None: 1.0}[stamp.group("unit")]
    whole, _, part = stamp.group(name).partition(".")
    begin = stamp.start(name)
    weights += [(begin + n, scale * 10.0 ** (len(whole) - 1 - n)) for n in range(len(whole))]
    weights += [(begin + len(whole) + 1 + n, scale * 10.0 ** -(n + 1)) for n in range(len(part))]
    return tuple(weights), None


def _by_columns(block: bytes, layout: _ColumnLayout, first: int) -> Pieces | None:
    """A whole block by its columns; None where any of its lines is laid out otherwise."""
    text = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(text == 0x0A).astype(np.int64)
    if not block.endswith(b"\n"):
        ends = np.append(ends, len(block))
    starts = np.concatenate(([0], ends[:-1] + 1))
    for _ in range(2):  # a carriage return, a space
        last = text[np.maximum(ends - 1, 0)]
        ends = ends - ((ends > starts) & ((last == 0x20) | (last == 0x0D)))
    signs = ends - starts - layout.width
    size = (signs + 1) // 3 if layout.spaced else signs // 2
    if (signs < 2).any() or ((signs % 3 != 2) if layout.spaced else (signs % 2 != 0)).any():
        return None
    plain = text.copy()
    _heads(plain, layout.width)[starts] = 0x20
    try:
        data = bytes.fromhex(plain.tobytes().decode("ascii"))
    except ValueError:
        return None
    if len(data) != int(size.sum()):
        return None
    count = len(starts)
    line = np.arange(first, first + count, dtype=np.int64)
    if not layout.width:
        return Pieces(data, size, np.zeros(count, np.uint8), np.full(count, np.nan), line)
    heads = _heads(text, layout.width)[starts]
    time = _column_times(heads, layout)
    direction = _column_directions(heads, layout)
    return None if time is None or direction is None else Pieces(data, size, direction, time, line)


def _heads(text: Octets, width: int) -> Octets:
    """The `width` bytes from every place of the text on, as rows over the same memory."""
    rows: Octets = np.lib.stride_tricks.as_strided(text, (len(text) - width + 1, width), (1, 1))
    return rows


def _column_directions(heads: Octets, layout: _ColumnLayout) -> Octets | None:
    """Direction of the lines from their heads with the times wiped; None where a head is a new one."""
    direction = np.full(len(heads), 255, np.uint8)
    for word, way in layout.words:
        left = np.flatnonzero(direction == 255)
        direction[left[(heads[left] == np.frombuffer(word, np.uint8)).all(axis=1)]] = way
    return None if (direction == 255).any() else direction


def _column_times(heads: Octets, layout: _ColumnLayout) -> Floats | None:
    """Times of the lines, s; the columns they stand in are wiped. None where a figure is none."""
    time = np.zeros(len(heads)) if layout.digits else np.full(len(heads), np.nan)
    for column, weight in layout.digits:
        figures = heads[:, column] - 48
        if (figures > 9).any():
            return None
        time += figures * weight
        heads[:, column] = 48
    if layout.date:
        a, b = layout.date
        texts = heads[:, a:b]
        changes = np.flatnonzero((texts[1:] != texts[:-1]).any(axis=1)) + 1  # a date rarely changes
        begins = [0, *changes.tolist()]
        try:
            days = [date(*(int(x) for x in re.split(rb"[-/.]", texts[n].tobytes()))).toordinal() for n in begins]
        except (ValueError, TypeError):
            return None
        time += np.repeat(np.array(days, np.float64), np.diff([*begins, len(heads)])) * DAY_S
        heads[:, a:b] = 48
    return time


# ---- the whole text


class TextReader:
    """Feed whole lines block by block; get pieces. Counts what it could not read."""

    def __init__(self) -> None:
        self.lines = 0
        self.tally = Tally()
        self.decimals = 0
        self.timed = False
        self.repeated = 0
        self._marked = False
        self._colons = False
        self._shift = 0.0  # days that a clock without dates has gone through, s
        self._last = float("nan")
        self._sum = 0.0
        self._layout: _ColumnLayout | None = None

    def feed(self, block: bytes) -> Pieces:
        """The pieces of a block of whole lines."""
        first = self.lines + 1
        layout = self._layout
        pieces = _by_columns(block, layout, first) if layout else None
        if pieces is None:
            layout = self._layout = self._learn(block)
            pieces = _by_columns(block, layout, first) if layout else None
        if pieces is None or layout is None:
            return self._one_by_one(block)
        self.lines += len(pieces.size)
        self.tally.took(len(pieces.size))
        if layout.clock == "none":
            return pieces
        self.timed = True
        self.decimals = max(self.decimals, layout.decimals)
        return pieces._replace(time=self._unwrapped(pieces.time, layout.clock))

    def _learn(self, block: bytes) -> _ColumnLayout | None:
        lines = block[: LAID_OUT * 2000].decode("ascii", "replace").split("\n")[: LAID_OUT + 1]
        lines = [x for x in lines[:LAID_OUT] if x.strip()]
        return _layout(lines) if len(lines) >= FEWEST else None

    def _unwrapped(self, time: Floats, clock: str) -> Floats:
        """A clock without dates goes back at midnight."""
        if clock == "day" and len(time):
            before = np.concatenate(([time[0] if np.isnan(self._last) else self._last], time[:-1]))
            self._last = float(time[-1])
            steps = np.where(time - before < -DAY_S / 2, DAY_S, 0.0)
            time = time + self._shift + np.cumsum(steps)
            self._shift += float(steps.sum())
        return time

    def _one_by_one(self, block: bytes) -> Pieces:
        rows: list[tuple[bytes, int, float, int]] = []
        for raw in block.removesuffix(b"\n").split(b"\n"):
            self.lines += 1
            text = raw.decode("utf-8", "replace").rstrip("\r")
            line = self._line(text)
            if len(text) > LONGEST and not all_hex(raw):
                self.tally.cut += 1
            if line is None:
                if text.strip():
                    self.tally.missed(f"line {self.lines}", text[:SHOWN])
                continue
            self.tally.took()
            self._marked |= line.direction != UNMARKED
            if self._marked and line.worded and line.direction == UNMARKED:
                self.repeated += 1  # a debug log tells the bytes again on its way through the program
                continue
            rows.append((line.data, line.direction, self._clock(line), self.lines))
        return Pieces(
            b"".join(r[0] for r in rows),
            np.array([len(r[0]) for r in rows], np.int64),
            np.array([r[1] for r in rows], np.uint8),
            np.array([r[2] for r in rows], np.float64),
            np.array([r[3] for r in rows], np.int64),
        )

    def _line(self, text: str) -> HexLine | None:
        """A line; three bytes with colons look like a clock, so they are bytes only where other lines are written so."""
        if len(text) > LONGEST and all_hex(text.encode()):
            return HexLine(_bytes(text), UNMARKED, float("nan"), "none", 0)
        if _COLONS.fullmatch(text[:LONGEST]):
            self._colons |= text.count(":") > 2
            if self._colons:
                return HexLine(bytes.fromhex(text[:LONGEST].replace(":", "")), UNMARKED, float("nan"), "none", 0)
        return read_line(text[:LONGEST])

    def _clock(self, line: HexLine) -> float:
        if line.clock == "none":
            return float("nan")
        self.timed = True
        self.decimals = max(self.decimals, line.decimals)
        if line.clock == "delta":
            self._sum += line.time
            return self._sum
        if line.clock == "day":
            if line.time - self._last < -DAY_S / 2:
                self._shift += DAY_S
            self._last = line.time
            return line.time + self._shift
        return line.time
