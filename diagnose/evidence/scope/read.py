"""Oscilloscope CSV as blocks of numbers: separators, decimal sign, header and unit rows found from the beginning.

Nothing is held but one block. Lines that are no row of numbers are counted and sampled, never dropped in silence.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import IO

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.lines import (
    HEADER_LINES,
    LONGEST_ROW,
    NUMBER,
    Utf8,
    fields,
    first_block,
    head_lines,
    whole_lines,
)
from diagnose.evidence.reader import EvidenceError
from diagnose.evidence.tally import Tally
from diagnose.source.problems import one_line

MOST_COLUMNS = 3
SLOWEST_STEP = 1e-3  # s; a bit of the slowest trunk is shorter, so no waveform has such steps

TIME_UNITS = {
    "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6,
    "ns": 1e-9, "ps": 1e-12,
}  # fmt: skip
VOLT_UNITS = {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "kv": 1e3, "uv": 1e-6, "µv": 1e-6}
_PLUS = re.compile(r"(?:\+|\bplus\b|\bd1\b|\bpos\b|positive)", re.IGNORECASE)
_MINUS = re.compile(r"(?:[-–−]\s*$|[-–−]\s*[)(\[]|\bminus\b|\bd0\b|\bneg\b|negative)", re.IGNORECASE)
_WORD = re.compile(r"[A-Za-zµμ]+")
_LEADS = re.compile(r"\bleads\s*(?:are|:|=)?\s*checked\b", re.IGNORECASE)
_PROBE = re.compile(r"\b(?:probe|measured\s+at|place)\s*(?:is|at|:|=|,|;|\t)\s*(?:at\s+)?([A-Za-z][A-Za-z0-9 .-]{0,40})", re.IGNORECASE)


@dataclass
class WaveLayout:
    """How the file is written. `plus` and `minus` are column numbers; `minus` is None for one differential channel.

    `leads_sure`: titles or a comment line say which lead sat on the wire marked +.
    """

    separator: str
    comma: bool
    columns: int
    time_unit: float
    volt_units: tuple[float, ...]
    plus: int
    minus: int | None
    probe: str
    header_lines: int
    leads_sure: bool = False


def _fields(line: str, separator: str) -> list[str]:
    parts = fields(line, separator)
    while parts and not parts[-1]:
        parts.pop()
    return parts


def _is_row(parts: list[str], comma: bool) -> bool:
    return len(parts) >= 2 and all(NUMBER.fullmatch(p.replace(",", ".", 1) if comma else p) for p in parts)


def _written(lines: list[str]) -> tuple[int, str, bool, int] | None:
    """First row, separator, decimal comma, columns: the way of reading under which three lines in a row are numbers."""
    for start in range(min(len(lines), HEADER_LINES)):
        if not any(c.isdigit() for c in lines[start][:200]):
            continue
        for separator in (";", "\t", ",", " "):
            first = _fields(lines[start], separator)
            # A decimal comma is believed only where the comma separates nothing.
            for comma in (False,) if separator == "," else (False, True):
                rows = [_fields(line, separator) for line in lines[start : start + 3] if line.strip()]
                if rows and all(_is_row(r, comma) and len(r) == len(first) for r in rows) and len(rows) == min(3, len(lines) - start):
                    return start, separator, comma, len(first)
    return None


def _unit(text: str, units: dict[str, float]) -> float | None:
    """The unit that a header cell names: `(ms)`, `Time [us]`, `ms`, `CH1 in mV`."""
    words = _WORD.findall(text)
    bracketed = re.findall(r"[\[(/]\s*([A-Za-zµμ]+)\s*[\])]?", text)
    for word in [*bracketed, *(words if len(words) == 1 else words[-1:])]:
        if word.lower() in units:
            return units[word.lower()]
    return None


def layout(head: bytes) -> WaveLayout:
    """How an export is written, from its first bytes.

    Errors: EvidenceError when no rows of two or three numbers are found.
    """
    lines = head_lines(head)
    if len(lines) > 1 and len(head) >= 1024:
        lines.pop()  # the last may be torn
    while lines and not lines[-1].strip():
        lines.pop()
    found = _written(lines)
    if found is None:
        raise EvidenceError("no rows of numbers at the beginning; export the waveform as CSV with time and one or two channels")
    start, separator, comma, columns = found
    if columns > MOST_COLUMNS:
        raise EvidenceError(f"the rows have {columns} columns; export time and one differential or two single-ended channels")
    header = [_fields(line, separator) for line in lines[:start]]
    time_unit, volts, names = 1.0, [1.0] * (columns - 1), [""] * columns
    for cells in header:
        if len(cells) != columns:
            continue
        unit = _unit(cells[0], TIME_UNITS)
        time_unit = unit if unit is not None else time_unit
        for n, cell in enumerate(cells[1:]):
            unit = _unit(cell, VOLT_UNITS)
            volts[n] = unit if unit is not None else volts[n]
        if not all(_unit(c, TIME_UNITS | VOLT_UNITS) is not None and len(_WORD.findall(c)) == 1 for c in cells):
            names = cells
    plus, minus = 1, 2 if columns == 3 else None
    if columns == 3 and (_PLUS.search(names[2]) or _MINUS.search(names[1])) and not _PLUS.search(names[1]):
        plus, minus = 2, 1
    named = columns == 3 and bool(_PLUS.search(names[plus])) and bool(_MINUS.search(names[3 - plus]))
    sure = named or any(_LEADS.search(line) for line in lines[:start])
    probe = next((m.group(1).strip(" .-") for line in lines[:start] if (m := _PROBE.search(line))), "")
    return WaveLayout(
        separator=separator, comma=comma, columns=columns, time_unit=time_unit, volt_units=tuple(volts),
        plus=plus, minus=minus, probe=one_line(probe, 40), header_lines=start, leads_sure=sure,
    )  # fmt: skip


def recognise(head: bytes, name: str) -> float:
    """How sure it is that these bytes begin an oscilloscope's CSV."""
    try:
        found = layout(head)
    except EvidenceError:
        return 0.0
    lines = head_lines(head)[found.header_lines :]
    first: list[float] = []
    for line in lines[: min(60, max(len(lines) - 1, 2))]:
        parts = _fields(line, found.separator)
        if not _is_row(parts, found.comma) or len(parts) != found.columns:
            return 0.0
        first.append(float(parts[0].replace(",", ".", 1) if found.comma else parts[0]))
    steps = [b - a for a, b in pairwise(first)]
    if len(steps) < 8 or min(steps) < 0 or max(steps) <= 0:
        return 0.0
    if sorted(steps)[len(steps) // 2] * found.time_unit >= SLOWEST_STEP:
        return 0.0  # a meter's log, not a scope's
    even = max(steps) < 3 * (first[-1] - first[0]) / len(steps)
    titles = " ".join(head_lines(head)[: found.header_lines]).lower()
    named = any(w in titles for w in ("time", "second", "volt", "ch1", "channel", "trace", "waveform", "probe", "(s)", "(ms)", "(v)"))
    score = 0.35 + (0.3 if even else -0.2) + (0.2 if named else 0.0)
    return score + (0.1 if name.lower().endswith((".csv", ".txt", ".tsv")) else 0.0)


class WaveRows:
    """Iterate over blocks `(time s, plus V, minus V or None)` of a stream; `tally` and `layout` tell the rest."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = Utf8(stream)
        head = first_block(self._stream)
        if not head.strip():
            raise EvidenceError("the file is empty; export the waveform as CSV with time and one or two channels")
        self.layout = layout(head)
        self.tally = Tally()
        self._head = head

    def __iter__(self) -> Iterator[tuple[Floats, Floats, Floats | None]]:
        skip = self.layout.header_lines
        for chunk in whole_lines(self._stream, self._head, self.tally.endless):
            if skip:
                lines = chunk.split(b"\n", skip)
                gone = min(skip, len(lines))
                skip -= gone
                chunk = lines[gone] if len(lines) > gone else b""
            if not chunk.strip():
                continue
            table = self._fast(chunk)
            if table is None:
                table = self._slow(chunk)
            if len(table):
                yield self._scaled(table)

    def _scaled(self, table: Floats) -> tuple[Floats, Floats, Floats | None]:
        good = np.isfinite(table).all(axis=1)
        if not good.all():
            self.tally.refused(b"not a finite number", "over the range", int((~good).sum()))
            table = table[good]
        self.tally.took(len(table))
        wanted = self.layout
        plus = table[:, wanted.plus] * wanted.volt_units[wanted.plus - 1]
        minus = table[:, wanted.minus] * wanted.volt_units[wanted.minus - 1] if wanted.minus else None
        return table[:, 0] * wanted.time_unit, plus, minus

    def _fast(self, chunk: bytes) -> Floats | None:
        """The chunk as a table, or None when any line of it is not a plain row."""
        wanted = self.layout
        lines = chunk.count(b"\n") + (0 if chunk.endswith(b"\n") else 1)
        per_line = wanted.columns - 1
        if wanted.separator == " " or b'"' in chunk or (wanted.comma and b"." in chunk):
            return None
        separator = wanted.separator.encode()
        if chunk.count(separator) != per_line * lines:
            return None
        clean = chunk.replace(b",", b".") if wanted.comma else chunk
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                flat = np.fromstring(clean.replace(separator, b" "), dtype=np.float64, sep=" ")
            except (DeprecationWarning, ValueError):
                return None
        if flat.size != lines * wanted.columns:
            return None
        table = flat.reshape(lines, wanted.columns)
        # A value that slipped into the next line would break the order of the times.
        return table if lines < 2 or bool((np.diff(table[:, 0]) >= 0).all()) else None

    def _slow(self, chunk: bytes) -> Floats:
        wanted, rows = self.layout, []
        for line in chunk.split(b"\n"):
            if not line.strip():
                continue
            if len(line) > LONGEST_ROW:
                self.tally.cut += 1
                self.tally.refused(line, "a line too long")
                continue
            text = line.decode("utf-8", "replace")
            parts = _fields(text, wanted.separator)
            if len(parts) != wanted.columns or not _is_row(parts, wanted.comma):
                self.tally.refused(line, "not a row of numbers")
                continue
            rows.append([float(p.replace(",", ".", 1)) if wanted.comma else float(p) for p in parts])
        return np.array(rows, dtype=np.float64).reshape(len(rows), wanted.columns)


def describe(wanted: WaveLayout) -> str:
    """The layout in words, for a person who wonders what was read."""
    name = {";": "semicolons", "\t": "tabs", ",": "commas", " ": "blanks"}[wanted.separator]
    channels = "one differential channel" if wanted.minus is None else f"two channels, + in column {wanted.plus + 1}"
    return f"columns separated by {name}, decimal {'comma' if wanted.comma else 'point'}, {channels}"


__all__ = ["WaveLayout", "WaveRows", "describe", "layout", "recognise"]
