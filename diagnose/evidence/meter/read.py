"""A meter's CSV as blocks of times and values.

Lines written like the rest are read all at once with numpy, the others one by one; both give the same numbers.
Nothing is held but one block, and every line that is no row is counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO

import numpy as np

from diagnose.evidence.arrays import Bools, Floats, Octets, Whole
from diagnose.evidence.lines import (
    LONGEST_ROW,
    Utf8,
    first_block,
    whole_lines,
)
from diagnose.evidence.meter.cells import BIGGEST, LATEST, cells_of, numbers, seconds_of, value_of, with_unit
from diagnose.evidence.meter.columns import CELSIUS, Column, unit_of
from diagnose.evidence.meter.layout import layout_of
from diagnose.evidence.meter.times import (
    stamp,
    stamps,
)
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.tally import Tally


class LogRows:
    """Iterate over blocks `(times s, values, line numbers)`; a column for each of `layout.used`, NaN where there is no value."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = Utf8(stream)
        head = first_block(self._stream)
        if not head.strip():
            raise EvidenceError("the file is empty; export the log as CSV with one row for each sample")
        self.layout = layout_of(head)
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
        cells = cells_of(line.decode("utf-8", "replace").replace("\0", " "), wanted.separator)
        while len(cells) > wanted.columns and not cells[-1]:
            cells.pop()
        if len(cells) != wanted.columns:
            self.tally.refused(line, f"{len(cells)} cells instead of {wanted.columns}")
            return None
        seconds = 0.0
        for n in wanted.times:
            if wanted.number:
                value = seconds_of(cells[n], wanted.comma)
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
        value = value_of(cells[c.at], wanted.comma)
        unit = cells[wanted.unit_cells[c.at]] if c.at in wanted.unit_cells else ""
        if value is None:
            both = with_unit(cells[c.at], wanted.comma)
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
