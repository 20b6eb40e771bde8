"""What every importer gives back, and the table of importers.

An importer reads a file of one kind in bounded memory, never trusts it, and says what it took from
which lines, what it could not understand, and which checks of the rule base it answers at which places.
"""

from __future__ import annotations

import hashlib
import importlib
from collections.abc import Callable, Iterable, Mapping
from typing import IO, Any, NamedTuple

from diagnose.evidence.drawing import Drawing
from diagnose.site.model import Site
from diagnose.site.places import Place

EXCERPT = 65_536  # bytes of the original that are kept with a case


class Taken(NamedTuple):
    """A reading taken from evidence: an answer to a check, as a person would have typed it.

    `at` is a place text such as `unit 5` or `units 5-9`, `answer` an outcome or a quantity with its unit,
    `because` one line saying what in the evidence shows it, `lines` where (`lines 12-40`, `frames 3-9`).
    """

    check: str
    at: str
    answer: str
    because: str
    lines: str


class Report(NamedTuple):
    """What an importer made of a file. `figures` are JSON values, documented in the importer's page."""

    kind: str
    title: str
    says: tuple[str, ...]
    taken: tuple[Taken, ...]
    figures: Mapping[str, Any]
    understood: int
    not_understood: int
    samples: tuple[str, ...]  # a few of the pieces that were not understood, made safe to print
    drawings: tuple[Drawing, ...] = ()


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


class Importer(NamedTuple):
    """`recognise` gives 0 to 1 from the first bytes and the name; `read` streams the whole.

    `places` are the kinds of places and the points that `read` makes something of when they are given.
    """

    kind: str
    title: str
    recognise: Callable[[bytes, str], float]
    read: Read
    places: frozenset[str] = frozenset()


POINTS = ("breaker", "laptop", "station", "switch", "cable", "controller")
"""What may be given beside a place: where on it a meter was clamped, a program was run, a probe sat."""


IMPORTERS: dict[str, Importer] = {}
WITH_IMPORTERS = (
    "meter.log", "network.ip_output", "network.modem", "network.packets", "ocpp.log", "scope.waveform", "serial.capture",
)  # fmt: skip
"""The modules that register one; named here so that a file is not kept waiting for the live probes' imports."""
HEAD = 65_536  # bytes that `recognise` sees
LEAST_SURE = 0.3


class EvidenceError(ValueError):
    """Evidence that cannot be used; one line: what is wrong, what would be right."""


def importer(
    kind: str, title: str, recognise: Callable[[bytes, str], float], places: Iterable[str] = ()
) -> Callable[[Read], Read]:
    """Register a reading function as the importer of `kind`, with the kinds of places and points it can be told."""

    def register(read: Read) -> Read:
        if kind in IMPORTERS:
            raise ValueError(f"two importers are called {kind}")
        IMPORTERS[kind] = Importer(kind, title, recognise, read, frozenset(places))
        return read

    return register


def load_all() -> None:
    """Import every importer once, so that the table is full."""
    for module in WITH_IMPORTERS:
        importlib.import_module(f"diagnose.evidence.{module}")


def recognise(head: bytes, name: str) -> list[tuple[float, Importer]]:
    """Importers that think they know this, surest first."""
    load_all()
    scored = [(min(max(i.recognise(head, name), 0.0), 1.0), i) for i in IMPORTERS.values()]
    return sorted(((s, i) for s, i in scored if s >= LEAST_SURE), key=lambda pair: (-pair[0], pair[1].kind))


class Hashing:
    """A binary stream read through, counted and hashed on the way, with its beginning kept."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._digest = hashlib.sha256()
        self.size = 0
        self.excerpt = b""

    def read(self, size: int = -1) -> bytes:
        """Up to `size` bytes."""
        data = self._stream.read(size)
        self._digest.update(data)
        self.size += len(data)
        if len(self.excerpt) < EXCERPT:
            self.excerpt += data[: EXCERPT - len(self.excerpt)]
        return data

    @property
    def sha256(self) -> str:
        """The hash of all that has been read."""
        return self._digest.hexdigest()
