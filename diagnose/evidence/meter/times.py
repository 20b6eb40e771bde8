"""Times of a meter's log as seconds: dates in the usual orders, clock times, elapsed times, plain numbers.

Only differences count, so a number of seconds stands for each time; the day of a clock time is 0.
"""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache

import numpy as np

from diagnose.evidence.arrays import Floats, Octets, Whole

DAY = 86400.0
_DATE = r"(?:(?P<y>\d{4})[-/.](?P<m>\d\d?)[-/.](?P<d>\d\d?)|(?P<p>\d\d?)(?P<s>[-/.])(?P<q>\d\d?)[-/.](?P<z>\d{4}|\d\d))"
_CLOCK = r"(?P<H>\d{1,4}):(?P<M>\d\d)(?::(?P<S>\d\d)(?:[.,](?P<f>\d{1,9}))?)?(?:\s?(?P<ap>[AaPp])\.?[Mm]\.?)?"
_STAMP = re.compile(rf"(?:{_DATE})?(?:(?:^|(?<=\d)[T ]{{1,3}}){_CLOCK})?\s?(?:Z|UTC|(?P<o>[+-]\d\d):?(?P<o2>\d\d))?", re.ASCII)
TIME_UNITS = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3, "min": 60.0,
    "mins": 60.0, "minutes": 60.0, "minute": 60.0,
    "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0, "us": 1e-6, "µs": 1e-6, "ns": 1e-9,
}  # fmt: skip
MOST_FORMS = 12  # ways of writing one time (9:59:59, 10:00:00) that one block may hold before it is read line by line


EPOCH = date(1970, 1, 1).toordinal()


@lru_cache(maxsize=4096)
def _day(written: tuple[str, ...], day_first: bool) -> int | None:
    """Days since 1970-01-01; None for a day that no calendar has."""
    year, month, day, first, mark, second, last = written
    if year:
        y, m, d = int(year), int(month), int(day)
    else:
        y = int(last) + (2000 if len(last) == 2 else 0)
        m, d = (int(second), int(first)) if mark == "." or day_first else (int(first), int(second))
    try:
        return date(y, m, d).toordinal() - EPOCH
    except ValueError:
        return None


def stamp(text: str, day_first: bool = False) -> float | None:
    """Seconds of a date, a date with a clock time, or a clock or elapsed time; None for another text."""
    found = _STAMP.fullmatch(text.strip()) if 3 < len(text) < 48 else None
    if found is None:
        return None
    g = found.groupdict("")
    seconds = 0.0
    if g["z"] or g["y"]:
        day = _day((g["y"], g["m"], g["d"], g["p"], g["s"], g["q"], g["z"]), day_first)
        if day is None:
            return None
        seconds = day * DAY
    elif not g["H"]:
        return None
    if g["H"]:
        hour = int(g["H"])
        if g["ap"]:
            if not 1 <= hour <= 12:
                return None
            hour = hour % 12 + (12 if g["ap"] in "pP" else 0)
        if int(g["M"]) > 59 or int(g["S"] or 0) > 60 or ((g["z"] or g["y"]) and hour > 24):
            return None
        seconds += hour * 3600 + int(g["M"]) * 60 + int(g["S"] or 0) + (float("0." + g["f"]) if g["f"] else 0.0)
    if g["o"]:
        seconds -= int(g["o"]) * 3600 + (-1 if g["o"][0] == "-" else 1) * int(g["o2"]) * 60
    return seconds


def is_date(text: str) -> bool:
    """Whether a cell holds a date and no clock time."""
    found = _STAMP.fullmatch(text.strip()) if 3 < len(text) < 48 else None
    return bool(found and not found.group("H") and (found.group("z") or found.group("y")))


def is_clock(text: str) -> bool:
    """Whether a cell holds a clock or elapsed time, with or without a date."""
    found = _STAMP.fullmatch(text.strip()) if 3 < len(text) < 48 else None
    return bool(found and found.group("H"))


def is_dated(text: str) -> bool:
    """Whether a cell holds a date, with or without a clock time."""
    found = _STAMP.fullmatch(text.strip()) if 3 < len(text) < 48 else None
    return bool(found and (found.group("z") or found.group("y")))


def says_day_first(texts: list[str]) -> bool | None:
    """Whether dates such as 03/14/2031 or 14/03/2031 have the day first; None when they do not say."""
    for text in texts:
        found = _STAMP.match(text.strip())
        if found and found.group("p") and found.group("s") != ".":
            if int(found.group("p")) > 12:
                return True
            if int(found.group("q")) > 12:
                return False
    return None


def slashed(text: str) -> bool:
    """Whether a date could have month or day first."""
    found = _STAMP.match(text.strip())
    return bool(found and found.group("p") and found.group("s") != ".")


def stamps(data: Octets, starts: Whole, ends: Whole, day_first: bool) -> Floats:
    """Seconds of many cells of a buffer at once; NaN where a cell has to be read on its own.

    A cell serves as the form of all that have its width, its marks and its digits in the same places.
    """
    out = np.full(len(starts), np.nan)
    width = ends - starts
    todo = np.ones(len(starts), dtype=bool)
    for _ in range(MOST_FORMS):
        left = np.flatnonzero(todo)
        if not len(left):
            break
        one = int(left[0])
        text = bytes(data[starts[one] : ends[one]]).decode("latin-1")
        todo[one] = False
        if stamp(text, day_first) is None or text != text.strip():
            continue
        same = left[width[left] == width[one]]
        cells = data[starts[same][:, None] + np.arange(len(text))]
        sample = data[starts[one] : ends[one]]
        digit = (sample >= 48) & (sample <= 57)
        fits = ((cells[:, digit] - 48) <= 9).all(axis=1) & (cells[:, ~digit] == sample[~digit]).all(axis=1)
        rows = same[fits]
        todo[rows] = False
        out[rows] = _seconds(cells[fits].astype(np.int64) - 48, text, day_first)
    return out


def _seconds(digits: Whole, sample: str, day_first: bool) -> Floats:
    found = _STAMP.fullmatch(sample)
    assert found is not None

    def number(name: str) -> Whole | None:
        begin, end = found.span(name)
        if begin < 0:
            return None
        total = np.zeros(len(digits), dtype=np.int64)
        for n in range(begin, end):
            total = total * 10 + digits[:, n]
        return total

    seconds = np.zeros(len(digits))
    bad = np.zeros(len(digits), dtype=bool)
    if found.group("z") or found.group("y"):
        if found.group("y"):
            year, month, day = number("y"), number("m"), number("d")
        else:
            year, one, two = number("z"), number("p"), number("q")
            assert year is not None
            if len(found.group("z")) == 2:
                year = year + 2000
            month, day = (two, one) if found.group("s") == "." or day_first else (one, two)
        assert year is not None
        assert month is not None
        assert day is not None
        bad |= (year < 1) | (month < 1) | (month > 12)
        months = (year - 1970) * 12 + np.where(bad, 1, month) - 1
        begins, ends = (n.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) for n in (months, months + 1))
        bad |= (day < 1) | (day > ends - begins)
        seconds += (begins + day - 1) * DAY
    hour = number("H")
    if hour is not None:
        minute, second, part = number("M"), number("S"), number("f")
        if found.group("ap"):
            bad |= (hour < 1) | (hour > 12)
            hour = hour % 12 + (12 if found.group("ap") in "pP" else 0)
        assert minute is not None
        bad |= minute > 59
        seconds += hour * 3600 + minute * 60
        if second is not None:
            bad |= second > 60
            seconds += second
        if part is not None:
            seconds += part / 10.0 ** len(found.group("f"))
    if found.group("o"):
        begin = found.span("o")[0]
        sign = -1 if sample[begin] == "-" else 1
        minutes = number("o2")
        assert minutes is not None
        seconds -= sign * ((digits[:, begin + 1] * 10 + digits[:, begin + 2]) * 3600 + minutes * 60)
    seconds[bad] = np.nan
    return seconds
