"""Places on a site, and how people write them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from diagnose.source.problems import PlainError


class Kind(NamedTuple):
    """A kind of place: one row says what every room has to know of it.

    A kind with `rows` is a group: the install record has a list of that name, each row with the `unit` it is wired to or the
    `units` it serves. What else a kind can be is written out in `Site`: units, panels, trunks, their segments and ends.
    """

    name: str
    says: str  # in a sentence: a fault at ...
    ask: str = ""  # in a question: at which ...? its name, if empty
    rows: str = ""  # the section of the install record with a row for each
    keys: tuple[str, ...] = ()  # of such a row, that are no install facts
    has_facts: bool = True  # install facts may be named after it
    sees: tuple[str, ...] = ()  # kinds whose facts hold at such a place: the site's and its own, if empty
    seen_from: tuple[str, ...] = ()  # other kinds of place at which its own facts hold, beside those that say so
    consists: bool = False  # it consists of units: what is read at one of them is read at it
    back: bool = True  # and what is read at it is read at each of them
    at_unit: bool = False  # it stands at one unit, and what stands at the same unit is the same place
    alike: bool = False  # there may be many; those with the same facts are reasoned about together
    around: tuple[str, ...] = ()  # kinds that can be gone to for the proofs of a danger: itself, unit and site, if empty


_GROUP = ("name", "unit", "units")
_ROWS = (
    Kind(
        "site", "the site", sees=("site",), consists=True,
        around=("site", "panel", "unit", "trunk", "uplink", "control"),
    ),
    Kind(
        "panel", "a panel", rows="panels", keys=("name",), sees=("site", "panel"), consists=True,
        around=("panel", "unit", "site"),
    ),
    Kind(
        "unit", "a unit with its branch circuit", sees=("site", "panel", "unit", "trunk", "uplink", "control"),
        at_unit=True, alike=True, around=("unit", "panel", "site"),
    ),
    Kind(
        "segment", "a piece of trunk between two units", has_facts=False, sees=("site", "trunk", "unit"), alike=True,
        around=("segment", "trunk", "trunk-end", "unit"),
    ),
    Kind(
        "trunk", "a trunk", rows="trunks", keys=("name", "units", "controller", "segment-length", "except-segments"),
        sees=("site", "trunk", "unit"), consists=True, around=("trunk", "trunk-end", "segment", "unit"),
    ),
    Kind(
        "trunk-end", "an end of a trunk", "end of the trunk", has_facts=False, sees=("site", "trunk", "trunk-end", "unit"),
        at_unit=True, around=("trunk-end", "trunk", "segment", "unit"),
    ),
    Kind(
        "uplink", "an uplink", rows="uplinks", keys=_GROUP, sees=("site", "uplink", "unit", "trunk", "panel"), consists=True,
        back=False, at_unit=True, around=("uplink", "unit", "site"),
    ),
    Kind(
        "control", "a remote-enable input", rows="controls", keys=_GROUP, sees=("site", "control", "unit", "panel"),
        consists=True, around=("control", "unit", "panel"),
    ),
)  # fmt: skip
KINDS: dict[str, Kind] = {kind.name: kind for kind in _ROWS}
"""Every kind of place, in the order in which rooms number them."""


def sections() -> tuple[str, ...]:
    """Kinds of place that have install facts."""
    return tuple(kind.name for kind in KINDS.values() if kind.has_facts)


def visible(name: str) -> tuple[str, ...]:
    """Kinds of place whose install facts hold at a place of this kind."""
    own = KINDS[name].sees or ("site", name)
    return (*own, *(k.name for k in KINDS.values() if name in k.seen_from and k.name not in own))


def around(name: str) -> tuple[str, ...]:
    """Kinds of place that can be gone to for the proofs of a danger at a place of this kind."""
    return KINDS[name].around or (name, "unit", "site")


NEAR, FAR = 0, 1


class Place(NamedTuple):
    """A place: its kind, its number, and for two kinds a second number.

    A segment holds the two unit numbers it joins, a trunk end the trunk's number and NEAR or FAR.
    """

    kind: str
    number: int = 0
    other: int = 0

    def __str__(self) -> str:
        if self.kind == "site":
            return "site"
        if self.kind == "segment":
            return f"segment {self.number}-{self.other}"
        if self.kind == "trunk-end":
            end = "far end" if self.other == FAR else "near end"
            return end if self.number == 1 else f"trunk {self.number} {end}"
        return f"{self.kind} {self.number}"


SITE = Place("site")


class PlaceError(PlainError, ValueError):
    """A text that names no place here; the message says what would be right."""


def describe(places: Sequence[Place]) -> str:
    """Several places in a few words: `units 5-9, 12`, `segments 4-5, 5-6`, `near end`."""
    unique = list(dict.fromkeys(places))
    if not unique:
        return "nowhere"
    if len(unique) == 1:
        return str(unique[0])
    kind = unique[0].kind
    if any(place.kind != kind for place in unique):
        return ", ".join(str(place) for place in unique)
    if kind in ("segment", "trunk-end"):
        if kind == "segment":
            return "segments " + ", ".join(_segment_runs(sorted(unique)))
        return ", ".join(str(place) for place in unique)
    return f"{kind}s {ranges(place.number for place in unique)}"


def spoken(places: Sequence[Place]) -> str:
    """Several places inside a sentence: as `describe`, and `the site` for the whole of it."""
    words = describe(places)
    return f"the {words}" if words == str(SITE) else words


def _segment_runs(segments: list[Place]) -> list[str]:
    """`1-2, 4-5 to 9-10`: three and more that follow each other become a run."""
    runs: list[list[Place]] = []
    for place in segments:
        if runs and runs[-1][-1].other == place.number:
            runs[-1].append(place)
        else:
            runs.append([place])
    parts: list[str] = []
    for run in runs:
        names = [f"{p.number}-{p.other}" for p in run]
        parts += [f"{names[0]} to {names[-1]}"] if len(names) > 2 else names
    return parts


def ranges(numbers: Iterable[int]) -> str:
    """`1-4, 7` for 1, 2, 3, 4, 7."""
    ordered = sorted(set(numbers))
    parts: list[str] = []
    start = previous = None
    for number in [*ordered, None]:
        if start is None or previous is None:
            start = previous = number
        elif number is not None and number == previous + 1:
            previous = number
        else:
            parts.append(str(start) if start == previous else f"{start}-{previous}")
            start = previous = number
    return ", ".join(parts)


LONGEST_LIST = 4000  # characters; 247 numbers one by one need some 1200
_NUMBERS = re.compile(r"\d+(?:\s*(?:-|–|to|through)\s*\d+)?(?:\s*(?:,|and|\s)\s*\d+(?:\s*(?:-|–|to|through)\s*\d+)?)*")
_RANGE = re.compile(r"(\d+)(?:\s*(?:-|–|to|through)\s*(\d+))?")


def parse_numbers(text: str, most: int = 100_000) -> tuple[int, ...]:
    """`1-4, 7` to (1, 2, 3, 4, 7), in the order written. Raises PlaceError."""
    stripped = " ".join(text.split())  # the pattern takes long over long runs of spaces
    if len(stripped) > LONGEST_LIST or not _NUMBERS.fullmatch(stripped):
        raise PlaceError("numbers are written like 5, 5-9 or 1-4, 7")
    found: list[int] = []
    for match in _RANGE.finditer(stripped):
        if len(match.group(1)) > 6 or len(match.group(2) or "") > 6:
            raise PlaceError("that number is too large")
        low = int(match.group(1))
        high = int(match.group(2)) if match.group(2) else low
        if high < low:
            raise PlaceError(f"the range {low}-{high} runs backwards; write {high}-{low}")
        if len(found) + high - low + 1 > most:
            raise PlaceError(f"more than {most} numbers")
        found.extend(range(low, high + 1))
    return tuple(dict.fromkeys(found))
