"""Decimal numbers as people type them: point or comma, groups of three, exponents. Exact, no floats.

A comma before exactly three digits is read both ways (`2,500` is 2500 or 2.5), so the result is a list of
readings.
"""

from typing import NamedTuple

DIGITS = frozenset("0123456789")
_LONGEST = 24  # digits in one number; no instrument shows more


class Decimal(NamedTuple):
    """The number `digits * 10**-places`, not negative; `text` writes it with a decimal point."""

    digits: int
    places: int

    @property
    def text(self) -> str:
        if self.places <= 0:
            return str(self.digits * 10**-self.places)
        padded = str(self.digits).rjust(self.places + 1, "0")
        whole, part = padded[: -self.places], padded[-self.places :]
        part = part.rstrip("0")
        return f"{whole}.{part}" if part else whole


class Run:
    """A number at the start of a text: its `readings` (two when a comma or point may be either), what
    follows, or a `problem` when the digits make no number. `dotted` is the reading of `19.200` with the
    point as a group mark.
    """

    def __init__(
        self, readings: tuple[Decimal, ...], rest: str, problem: str = "", dotted: Decimal | None = None
    ) -> None:
        self.readings, self.rest, self.problem, self.dotted = readings, rest, problem, dotted


def _plain(whole: str, part: str) -> Decimal:
    return Decimal(int((whole + part) or "0"), len(part))


def _groups(parts: list[str]) -> bool:
    first, others = parts[0], parts[1:]
    return 1 <= len(first) <= 3 and first[0] != "0" and all(len(p) == 3 for p in others)


def _readings(run: str) -> tuple[tuple[Decimal, ...], Decimal | None, str]:
    commas, dots = run.count(","), run.count(".")
    if not commas and not dots:
        return (_plain(run, ""),), None, ""
    if not commas and dots == 1:
        whole, part = run.split(".")
        dotted = _plain(whole + part, "") if len(part) == 3 and whole and _groups([whole, part]) else None
        return (_plain(whole, part),), dotted, ""
    if not dots and commas == 1:
        whole, part = run.split(",")
        if not part:
            return (), None, f"`{run}` ends in a comma"
        if whole and len(part) == 3 and _groups([whole, part]):
            return (_plain(whole + part, ""), _plain(whole, part)), None, ""
        return (_plain(whole, part),), None, ""
    if not dots:
        parts = run.split(",")
        if _groups(parts):
            return (_plain("".join(parts), ""),), None, ""
        return (), None, f"`{run}` has {commas} commas"
    if not commas:
        return (), None, f"`{run}` has {dots} decimal points"
    mark = "," if run.rfind(",") > run.rfind(".") else "."
    group = "." if mark == "," else ","
    if run.count(mark) == 1:
        whole, part = run.split(mark)
        if part and group not in part and _groups(whole.split(group)):
            return (_plain(whole.replace(group, ""), part),), None, ""
    return (), None, f"`{run}` mixes commas and points"


def scan(text: str) -> Run | None:
    """The number that `text` starts with, or None when it starts with none.

    The run takes digits, points and commas, then `e` with a whole exponent of at most two digits. Two points
    in a row end the run (they mean a range).
    """
    end = 0
    while end < len(text) and (text[end] in DIGITS or text[end] in ".,"):
        if text[end] == "." and text[end + 1 : end + 2] == ".":
            break
        end += 1
    run, rest = text[:end], text[end:]
    if not any(c in DIGITS for c in run):
        return None
    if sum(c in DIGITS for c in run) > _LONGEST:
        return Run((), rest, f"`{run[:12]}...` has more digits than any instrument shows")
    readings, dotted, problem = _readings(run)
    if problem:
        return Run((), rest, problem)
    if rest[:1] in ("e", "E"):
        at = 2 if rest[1:2] in ("+", "-") else 1
        stop = at
        while stop < len(rest) and rest[stop] in DIGITS:
            stop += 1
        if stop > at:
            power = rest[1:stop]
            if stop - at > 2:
                return Run((), rest[stop:], f"`{run}e{power}` is no size an instrument shows")
            shift = int(power)
            readings = tuple(Decimal(r.digits, r.places - shift) for r in readings)
            return Run(readings, rest[stop:])
    return Run(readings, rest, dotted=dotted)
