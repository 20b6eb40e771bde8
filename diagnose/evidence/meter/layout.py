"""How a meter's CSV is written: separator, decimal sign, titles, units and times, found from its head."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from diagnose.evidence.lines import (
    HEADER_LINES,
    head_lines,
)
from diagnose.evidence.meter.cells import cells_of, is_value, seconds_of, value_of, with_unit
from diagnose.evidence.meter.columns import Column, columns, unit_of
from diagnose.evidence.meter.times import (
    TIME_UNITS,
    is_clock,
    is_date,
    is_dated,
    says_day_first,
    slashed,
    stamp,
)
from diagnose.evidence.reader import EvidenceError

MOST_COLUMNS = 200
MOST_USED = 24
ROWS_SEEN = 40  # rows from which the layout is told
_TIMES = re.compile(r"\b(?:time|elapsed|seconds?|secs?|minutes?|hours?|date|stamp|timestamp|epoch|t)\b", re.IGNORECASE)
_INTERVAL = re.compile(
    (
        r"\b(?:interval|sampl\w{0,8}(?:\s\w{1,8})?|rate|period)\s*[:=,;\t]\s*"
        r"\"?(\d{1,6}(?:[.,]\d{1,6})?)\s*[,;\t]?\s*(ms|s|sec|seconds?|min|minutes?|h)\b"
    ),
    re.IGNORECASE,
)


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


def _rows(lines: list[str], start: int, separator: str) -> list[list[str]]:
    return [cells_of(line, separator) for line in lines[start : start + ROWS_SEEN] if line.strip()]


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
                values = [n for n in range(width) if all(is_value(r[n], comma) for r in rows[:3])]
                timed = [n for n in range(width) if all(stamp(r[n]) is not None for r in rows[:3])]
                real = [n for n in values if any(value_of(r[n], comma) == value_of(r[n], comma) for r in rows)]
                if real and (timed or len(real) >= 1):
                    # A decimal comma must not be what a point would have read as well.
                    if not comma and any(re.fullmatch(r"[+-]?\d+,\d+", c) for r in rows[:3] for c in r):
                        continue
                    return start, separator, comma, rows
    return None


def layout_of(head: bytes) -> LogLayout:
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
        one = with_unit(rows[0][n], comma)
        if not units[n] and one is not None and n not in times:
            units[n] = one[1]
    used, left = columns(titles, units, (*times, *unit_cells.values()))
    left += [c.title for c in used if not any(is_value(r[c.at], comma) for r in rows)]
    used = [c for c in used if any(is_value(r[c.at], comma) for r in rows)]
    if not used:
        raise EvidenceError("no column of volts, amperes, watts or temperature; give the columns titles with units, such as 'L1-L2 (V)'")
    if len(used) > MOST_USED:
        notes.append(f"{len(used)} columns of values; the first {MOST_USED} are used")
        left += [c.title for c in used[MOST_USED:]]
    header = "\n".join(line for n, line in enumerate(lines[:start]) if n not in above)[:4000]
    return LogLayout(
        separator=separator, comma=comma, quoted=comma and separator == ",", columns=width,
        header_lines=start, times=times, number=number, day_first=bool(first),
        dated=bool(dated and is_dated(dated[0])), interval=interval, used=tuple(used[:MOST_USED]),
        unit_cells=unit_cells, left=tuple(left), header=header, notes=notes,
    )  # fmt: skip


def _headings(lines: list[str], start: int, separator: str, width: int) -> tuple[list[str], list[str], set[int]]:
    """Titles, and the units of a row of units, from the lines just above the first row; and which lines those were."""
    titles, units = [""] * width, [""] * width
    above = [(n, cells_of(lines[n], separator)) for n in range(max(0, start - 4), start) if lines[n].strip()]
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
        values = [seconds_of(r[n], comma) for r in rows]
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


def describe(wanted: LogLayout) -> str:
    """The layout in words, for a person who wonders what was read."""
    name = {";": "semicolons", "\t": "tabs", ",": "commas"}[wanted.separator]
    return (
        f"columns separated by {name}, decimal {'comma' if wanted.comma else 'point'}, {len(wanted.used)} "
        f"column{'s' if len(wanted.used) > 1 else ''} of values used"
    )
