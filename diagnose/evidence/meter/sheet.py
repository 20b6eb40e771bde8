"""A meter's CSV as blocks of times and values: how it is written is found from its head, then it is read in blocks.

Lines written like the rest are read all at once with numpy, the others one by one; both give the same numbers.
Nothing is held but one block, and every line that is no row is counted.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO

import numpy as np

from diagnose.evidence.arrays import Bools, Floats, Octets, Whole
from diagnose.evidence.lines import (
    HEADER_LINES,
    LONGEST_ROW,
    NUMBER,
    Utf8,
    first_block,
    head_lines,
    whole_lines,
)
from diagnose.evidence.meter.columns import CELSIUS, MISSING, Column, columns, unit_of
from diagnose.evidence.meter.times import (
    DAY,
    TIME_UNITS,
    is_clock,
    is_date,
    is_dated,
    says_day_first,
    slashed,
    stamp,
    stamps,
)
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.tally import Tally

WIDEST = 15  # characters of a cell that is read at once; so many digits are exact
MOST_BLANKS = 12
_NONE = frozenset(text.encode() for text in MISSING)
LONGEST_MISSING = max(len(text) for text in _NONE)
MOST_COLUMNS = 200
MOST_USED = 24
LATEST = 1e13  # any unit; milliseconds of an epoch have 13 digits
BIGGEST = 1e7  # no meter of this trade reads more, in any unit
ROWS_SEEN = 40  # rows from which the layout is told
_TIMES = re.compile(r"\b(?:time|elapsed|seconds?|secs?|minutes?|hours?|date|stamp|timestamp|epoch|t)\b", re.IGNORECASE)
_INTERVAL = re.compile(r"\b(?:interval|sampl\w{0,8}(?:\s\w{1,8})?|rate|period)\s*[:=,;\t]\s*\"?(\d{1,6}(?:[.,]\d{1,6})?)\s*[,;\t]?\s*(ms|s|sec|seconds?|min|minutes?|h)\b", re.IGNORECASE)


@dataclass
class LogLayout:
    """How a log is written. `times` are the columns of the time (date and clock may stand apart), none where rows are only counted."""

    separator: str
    comma: bool
    quoted: bool
    columns: int
    header_lines: int
    times: tuple[int, ...]
    number: float  # factor to seconds where the time is a plain number, else 0
    day_first: bool
    dated: bool
    interval: float  # seconds between rows that carry no time, else 0
    used: tuple[Column, ...]
    unit_cells: dict[int, int]
    left: tuple[str, ...]
    header: str
    notes: list[str] = field(default_factory=list)


def split(line: str, separator: str) -> list[str]:
    """The cells of a line, quotes understood."""
    if '"' in line:
        try:
            return [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]
        except csv.Error:
            return [line]
    return [c.strip() for c in line.split(separator)]


def _value(text: str, comma: bool) -> float | None:
    """A cell's number; NaN where the meter had none; None for a text that is neither."""
    if text.lower() in MISSING:
        return float("nan")
    clean = text.replace(",", ".", 1) if comma else text
    if not NUMBER.fullmatch(clean):
        return None
    value = float(clean)
    return value if abs(value) <= BIGGEST else float("nan")


def _seconds(text: str, comma: bool) -> float | None:
    """A time that is a plain number; None for another text. Seconds and milliseconds of an epoch are large."""
    clean = text.replace(",", ".", 1) if comma else text
    value = float(clean) if NUMBER.fullmatch(clean) else float("nan")
    return value if abs(value) <= LATEST else None


def _with_unit(text: str, comma: bool) -> tuple[float, str] | None:
    """`229.4 V` as number and unit."""
    found = re.fullmatch(r"([+-]?[\d.,]{1,20})\s?([kmMuµμ]?[VAWvaw](?:ac|AC|dc|DC)?|[°º]\s?[CF])", text)
    value = _value(found.group(1), comma) if found else None
    return None if found is None or value is None else (value, found.group(2))


def _is_value(text: str, comma: bool) -> bool:
    return _value(text, comma) is not None or _with_unit(text, comma) is not None


def _rows(lines: list[str], start: int, separator: str) -> list[list[str]]:
    return [split(line, separator) for line in lines[start : start + ROWS_SEEN] if line.strip()]


def _written(lines: list[str]) -> tuple[int, str, bool, list[list[str]]] | None:
    """First row, separator, decimal comma, rows: the way of reading under which three lines in a row hold values."""
    for start, line in enumerate(lines[:HEADER_LINES]):
        if not any(c.isdigit() for c in line[:200]):
            continue
        for separator in (";", "\t", ","):
            if separator not in line:
                continue
            rows = _rows(lines, start, separator)
            width = len(rows[0])
            if not 2 <= width <= MOST_COLUMNS or len(rows) < 2 or any(len(r) != width for r in rows[:3]):
                continue
            rows = [r for r in rows if len(r) == width]
            for comma in (False, True):
                if comma and separator == "," and '"' not in line:
                    continue
                values = [n for n in range(width) if all(_is_value(r[n], comma) for r in rows[:3])]
                timed = [n for n in range(width) if all(stamp(r[n]) is not None for r in rows[:3])]
                real = [n for n in values if any(_value(r[n], comma) == _value(r[n], comma) for r in rows)]
                if real and (timed or len(real) >= 1):
                    # A decimal comma must not be what a point would have read as well.
                    if not comma and any(re.fullmatch(r"[+-]?\d+,\d+", c) for r in rows[:3] for c in r):
                        continue
                    return start, separator, comma, rows
    return None


def layout(head: bytes) -> LogLayout:
    """How a log is written, from its first bytes. Errors: EvidenceError when it is no log of a meter."""
    lines = head_lines(head)
    if len(lines) > 1 and len(head) >= 1024:
        lines.pop()  # the last may be torn
    found = _written(lines)
    if found is None:
        raise EvidenceError("no rows of time and values at the beginning; export the log as CSV with one row for each sample")
    start, separator, comma, rows = found
    width = len(rows[0])
    titles, units, above = _headings(lines, start, separator, width)
    times, number, interval = _times(rows, titles, units, comma, lines[:start])
    dated = [r[times[0]] for r in rows] if times and not number else []
    first = says_day_first(dated)
    notes = []
    if dated and slashed(dated[0]) and first is None:
        notes.append("the dates do not say whether month or day comes first; read as month/day")
    unit_cells = _unit_cells(rows, times)
    for n, cell in unit_cells.items():
        units[n] = rows[0][cell]
    for n in range(width):
        one = _with_unit(rows[0][n], comma)
        if not units[n] and one is not None and n not in times:
            units[n] = one[1]
    used, left = columns(titles, units, (*times, *unit_cells.values()))
    left += [c.title for c in used if not any(_is_value(r[c.at], comma) for r in rows)]
    used = [c for c in used if any(_is_value(r[c.at], comma) for r in rows)]
    if not used:
        raise EvidenceError("no column of volts, amperes, watts or temperature; give the columns titles with units, such as 'L1-L2 (V)'")
    if len(used) > MOST_USED:
        notes.append(f"{len(used)} columns of values; the first {MOST_USED} are used")
        left += [c.title for c in used[MOST_USED:]]
    header = "\n".join(line for n, line in enumerate(lines[:start]) if n not in above)[:4000]
    return LogLayout(
        separator, comma, comma and separator == ",", width, start, times, number, bool(first), bool(dated and is_dated(dated[0])), interval,
        tuple(used[:MOST_USED]), unit_cells, tuple(left), header, notes,
    )  # fmt: skip


def _headings(lines: list[str], start: int, separator: str, width: int) -> tuple[list[str], list[str], set[int]]:
    """Titles, and the units of a row of units, from the lines just above the first row; and which lines those were."""
    titles, units = [""] * width, [""] * width
    above = [(n, split(lines[n], separator)) for n in range(max(0, start - 4), start) if lines[n].strip()]
    taken: set[int] = set()
    for n, cells in reversed(above):
        while len(cells) > width and not cells[-1]:
            cells.pop()
        cells = [*cells, ""] if len(cells) == width - 1 else cells
        if len(cells) != width or any(titles):
            break
        known = [unit_of(c.strip("[]() ")) is not None or c.strip("[]() ").lower() in TIME_UNITS for c in cells if c]
        if not any(units) and known and sum(known) > len(known) / 2 and len(above) > len(taken) + 1:
            units = [c.strip("[]() ") for c in cells]
        else:
            titles = cells
        taken.add(n)
    return (titles, units, taken) if any(titles) else (units, [""] * width, taken)


def _times(rows: list[list[str]], titles: list[str], units: list[str], comma: bool, header: list[str]) -> tuple[tuple[int, ...], float, float]:
    width = len(titles)
    dates = [n for n in range(width) if all(is_date(r[n]) for r in rows[:3])]
    clocks = [n for n in range(width) if all(is_clock(r[n]) for r in rows[:3])]
    if dates and clocks:
        return (dates[0], clocks[0]), 0.0, 0.0
    if clocks:
        return (clocks[0],), 0.0, 0.0
    named = [n for n in range(width) if _TIMES.search(titles[n].replace("_", " ")) or units[n].lower() in TIME_UNITS]
    for n in [*named, *([0] if not any(titles) else [])]:
        values = [_seconds(r[n], comma) for r in rows]
        known = [v for v in values if v is not None]
        if len(known) == len(values) and (len(known) < 2 or known[-1] > known[0]):
            unit = next((u for u in (units[n].lower(), *(w.lower() for w in re.findall(r"[A-Za-zµ]+", titles[n])[::-1])) if u in TIME_UNITS), "s")
            return (n,), TIME_UNITS[unit], 0.0
    found = _INTERVAL.search("\n".join(header)[:20_000])
    if found:
        return (), 0.0, float(found.group(1).replace(",", ".")) * TIME_UNITS[found.group(2).lower()]
    raise EvidenceError("no column of times; export date and time, a clock time, or elapsed seconds with each row")


def _unit_cells(rows: list[list[str]], times: tuple[int, ...]) -> dict[int, int]:
    """Columns of values with the column behind them that holds nothing but units (a meter that changes its range)."""
    width, found = len(rows[0]), {}
    for n in range(1, width):
        if n not in times and n - 1 not in times and all(unit_of(r[n]) is not None for r in rows):
            found[n - 1] = n
    return found


def numbers(data: Octets, starts: Whole, ends: Whole, point: int) -> tuple[Floats, Bools]:
    """Numbers of many cells of a buffer at once, NaN for an empty cell; and which cells were plain numbers or empty.

    Digits, a sign, one decimal point (its character code given) and blanks around them; all else has to be read on its own.
    """
    lo, hi = starts.copy(), ends.copy()
    for _ in range(MOST_BLANKS):
        lead, trail = (data[lo] == 32) & (lo < hi), (data[hi - 1] == 32) & (lo < hi)
        if not (lead.any() or trail.any()):
            break
        lo, hi = lo + lead, np.maximum(hi - trail, lo)
    empty = hi <= lo
    first = data[lo]
    signed = (first == 45) | (first == 43)
    begin = lo + signed
    width = int(min((hi - lo).max(initial=0), WIDEST))
    bad = (hi - lo > WIDEST) | ((hi - begin < 1) & ~empty)
    total = np.zeros(len(lo), dtype=np.int64)
    places = np.zeros(len(lo), dtype=np.int64)
    digits = np.zeros(len(lo), dtype=np.int64)
    dotted = np.zeros(len(lo), dtype=bool)
    for back in range(width, 0, -1):
        at = hi - back
        inside = at >= begin
        code = data[np.maximum(at, 0)]
        digit = code - 48  # wraps round: what is no digit becomes large
        is_digit = inside & (digit <= 9)
        is_dot = inside & (code == point)
        bad |= (inside & ~is_digit & ~is_dot) | (is_dot & dotted)
        total = np.where(is_digit, total * 10 + digit, total)
        places += is_digit & dotted
        digits += is_digit
        dotted |= is_dot
    bad |= (digits == 0) & ~empty
    values: Floats = np.asarray(total / np.power(10.0, places), dtype=np.float64)
    values[first == 45] *= -1.0
    values[empty | bad] = np.nan
    for n in np.flatnonzero(bad).tolist():
        if hi[n] - lo[n] <= LONGEST_MISSING and bytes(data[lo[n] : hi[n]]).lower() in _NONE:
            bad[n] = False
    return values, ~bad


class LogRows:
    """Iterate over blocks `(times s, values, line numbers)`; a column for each of `layout.used`, NaN where there is no value."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = Utf8(stream)
        head = first_block(self._stream)
        if not head.strip():
            raise EvidenceError("the file is empty; export the log as CSV with one row for each sample")
        self.layout = layout(head)
        self.tally = Tally()
        self.missing = 0
        self._head = head

    def __iter__(self) -> Iterator[tuple[Floats, Floats, Whole]]:
        wanted, skip, line = self.layout, self.layout.header_lines, 0
        for chunk in whole_lines(self._stream, self._head, self.tally.endless):
            count = chunk.count(b"\n") + 1
            begin, number = 0, line
            while skip and begin <= len(chunk):
                end = chunk.find(b"\n", begin)
                begin = end + 1 if end >= 0 else len(chunk) + 1
                number, skip = number + 1, skip - 1
            line += count
            if begin > len(chunk) or not chunk[begin:].strip():
                continue
            times, table, lines = self._block(chunk[begin:] if begin else chunk)
            if not len(times):
                continue
            if not wanted.times:
                times = (lines + number).astype(np.float64) * wanted.interval
            self.tally.took(len(times))
            self.missing += int(np.isnan(table).sum())
            yield times, table, lines + number + 1

    def _block(self, chunk: bytes) -> tuple[Floats, Floats, Whole]:
        wanted = self.layout
        data = np.frombuffer(chunk + b"\n", dtype=np.uint8)
        ends = np.flatnonzero(data == 10)
        starts = np.concatenate([[0], ends[:-1] + 1])
        times, table = np.full(len(ends), np.nan), np.full((len(ends), len(wanted.used)), np.nan)
        good = np.zeros(len(ends), dtype=bool)
        if not wanted.unit_cells:
            if b'"' in chunk:
                # Quotes go, except in lines where they hold a separator: those are read on their own.
                inside = (np.cumsum(data == 34, dtype=np.int64) & 1).astype(bool)
                held = np.flatnonzero(inside & ((data == ord(wanted.separator)) | (data == 10)))
                bare = np.frombuffer(chunk.replace(b'"', b"") + b"\n", dtype=np.uint8)
                bare_ends = np.flatnonzero(bare == 10)
                plain = np.ones(len(ends), dtype=bool)
                plain[np.searchsorted(ends, held)] = False
                good = self._fast(bare, np.concatenate([[0], bare_ends[:-1] + 1]), bare_ends, times, table, plain)
            else:
                good = self._fast(data, starts, ends, times, table, np.ones(len(ends), dtype=bool))
        rest = np.flatnonzero(~good & (ends > starts))
        for n in rest.tolist():
            text = chunk[starts[n] : ends[n]]
            row = self._slow(text)
            if row is not None:
                times[n], table[n] = row
                good[n] = True
        kept = np.flatnonzero(good)
        values = table[kept]
        values[np.abs(values) > BIGGEST] = np.nan
        scale = np.array([c.scale for c in wanted.used])
        offset = np.array([c.offset for c in wanted.used])
        if not wanted.unit_cells:
            values = values * scale + offset
        return times[kept], values, kept

    def _fast(self, data: Octets, starts: Whole, ends: Whole, times: Floats, table: Floats, plain: Bools) -> Bools:
        """Fill in those of the `plain` lines that are written like the rest; which ones they were."""
        wanted = self.layout
        marks = np.flatnonzero(data == ord(wanted.separator))
        first = np.searchsorted(marks, starts)
        good: Bools = plain & (np.searchsorted(marks, ends) - first == wanted.columns - 1) & (ends - starts <= LONGEST_ROW)
        rows = np.flatnonzero(good)
        if not len(rows):
            return good
        inner = marks[first[rows][:, None] + np.arange(wanted.columns - 1)]
        begin = np.concatenate([starts[rows][:, None], inner + 1], axis=1)
        end = np.concatenate([inner, ends[rows][:, None]], axis=1)
        seconds = np.zeros(len(rows))
        numeric = [c.at for c in wanted.used]
        if wanted.number:
            numeric = [*numeric, wanted.times[0]]
        elif wanted.times:
            for n in wanted.times:
                seconds = seconds + stamps(data, begin[:, n], end[:, n], wanted.day_first)
        fine = ~np.isnan(seconds)
        for at, n in enumerate(numeric):
            values, simple = numbers(data, begin[:, n], end[:, n], 44 if wanted.comma else 46)
            fine &= simple
            if at < len(wanted.used):
                table[rows, at] = values
            else:
                fine &= np.abs(values) <= LATEST
                seconds = values * wanted.number
        times[rows] = seconds
        good[rows] = fine
        return good

    def _slow(self, line: bytes) -> tuple[float, list[float]] | None:
        """One line on its own; None, and counted, when it is no row."""
        wanted = self.layout
        if len(line) > LONGEST_ROW:
            self.tally.cut += 1
            self.tally.refused(line, "a line too long")
            return None
        if not line.strip():
            return None
        cells = split(line.decode("utf-8", "replace").replace("\0", " "), wanted.separator)
        while len(cells) > wanted.columns and not cells[-1]:
            cells.pop()
        if len(cells) != wanted.columns:
            self.tally.refused(line, f"{len(cells)} cells instead of {wanted.columns}")
            return None
        seconds = 0.0
        for n in wanted.times:
            if wanted.number:
                value = _seconds(cells[n], wanted.comma)
                one = None if value is None else value * wanted.number
            else:
                one = stamp(cells[n], wanted.day_first)
            if one is None:
                self.tally.refused(line, "no time")
                return None
            seconds += one
        row = []
        for c in wanted.used:
            value = self._cell(cells, c)
            if value is None:
                self.tally.refused(line, "not a number")
                return None
            row.append(value)
        return seconds, row

    def _cell(self, cells: list[str], c: Column) -> float | None:
        wanted = self.layout
        value = _value(cells[c.at], wanted.comma)
        unit = cells[wanted.unit_cells[c.at]] if c.at in wanted.unit_cells else ""
        if value is None:
            both = _with_unit(cells[c.at], wanted.comma)
            if both is None:
                return None
            value, unit = both
        if not unit:
            # Numbers of a plain table are scaled all at once.
            return value if not wanted.unit_cells else value * c.scale + c.offset
        known = unit_of(unit)
        if value != value:
            return value
        if known is None or (known[0] != c.quantity and not (c.quantity != CELSIUS and c.quantity.endswith(known[0]))):
            return None
        real = value * known[1] + known[2]
        return real if wanted.unit_cells else (real - c.offset) / c.scale


def describe(wanted: LogLayout) -> str:
    """The layout in words, for a person who wonders what was read."""
    name = {";": "semicolons", "\t": "tabs", ",": "commas"}[wanted.separator]
    return f"columns separated by {name}, decimal {'comma' if wanted.comma else 'point'}, {len(wanted.used)} column{'s' if len(wanted.used) > 1 else ''} of values used"


__all__ = ["DAY", "LogLayout", "LogRows", "describe", "layout", "split"]
