"""What is asked of a reader of evidence, and the one table of readers.

A reader reads a file of one kind in bounded memory, never trusts it, and says what it took from which lines, what it
could not understand, and which checks of the rule base it answers at which places. A kind is registered once, by
`@reader` in a module `reader.py` of its folder; nothing else names it.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Iterable
from typing import IO, NamedTuple

from diagnose import evidence
from diagnose.evidence.report import Report
from diagnose.site.model import Site
from diagnose.site.places import Place

HEAD = 65_536
"""Bytes that `recognise` sees."""
LEAST_SURE = 0.3
POINTS = ("breaker", "laptop", "station", "switch", "cable", "controller")
"""What may be given beside a place: where on it a meter was clamped, a program was run, a probe sat."""


class EvidenceError(ValueError):
    """Evidence that cannot be used; one line: what is wrong, what would be right."""


class Asked(NamedTuple):
    """What is asked of a reader: evidence by its name, for a site.

    name   the file's own, `evening unit 5.csv`; a reader may look for a place in it where nobody gave one
    site   the install record, None without one
    at     the place that somebody gave; what a name or a header says does not beat it
    point  what was given beside the place, one of POINTS, or empty
    """

    name: str
    site: Site | None = None
    at: Place | None = None
    point: str = ""


Read = Callable[[IO[bytes], Asked], Report]


class Reader(NamedTuple):
    """`recognise` gives 0 to 1 from the first bytes and the name; `read` streams the whole.

    `places` are the kinds of places and the points that `read` makes something of when they are given.
    """

    kind: str
    title: str
    recognise: Callable[[bytes, str], float]
    read: Read
    places: frozenset[str] = frozenset()


READERS: dict[str, Reader] = {}


def reader(
    kind: str, title: str, recognise: Callable[[bytes, str], float], places: Iterable[str] = ()
) -> Callable[[Read], Read]:
    """Register a reading function as that of `kind`, with the kinds of places and points it can be told."""

    def register(read: Read) -> Read:
        if kind in READERS:
            raise ValueError(f"two readers are called {kind}")
        READERS[kind] = Reader(kind, title, recognise, read, frozenset(places))
        return read

    return register


def load_all() -> None:
    """Import the `reader` module of every folder once, so that the table is full."""
    for found in pkgutil.walk_packages(evidence.__path__, f"{evidence.__name__}."):
        if found.name.endswith(".reader") and found.name != __name__:
            importlib.import_module(found.name)


def recognise(head: bytes, name: str) -> list[tuple[float, Reader]]:
    """Readers that think they know this, surest first."""
    load_all()
    scored = [(min(max(r.recognise(head, name), 0.0), 1.0), r) for r in READERS.values()]
    return sorted(((s, r) for s, r in scored if s >= LEAST_SURE), key=lambda pair: (-pair[0], pair[1].kind))
