"""Taking a file in: recognise it, read it through once, and keep what proves which file it was."""

from __future__ import annotations

import io
from pathlib import Path
from typing import IO, NamedTuple, cast

from diagnose.evidence.base import (
    EXCERPT,
    HEAD,
    IMPORTERS,
    EvidenceError,
    Hashing,
    Importer,
    Report,
    load_all,
    recognise,
)
from diagnose.site.model import Site
from diagnose.source.problems import nearest, shown


class Original(NamedTuple):
    """The file that evidence came from: name, size in bytes, SHA-256 in hex, and its beginning as text."""

    name: str
    size: int
    sha256: str
    excerpt: str


class _Ahead(io.RawIOBase):
    """A stream whose first bytes have been looked at already."""

    def __init__(self, head: bytes, rest: IO[bytes]) -> None:
        self._head, self._rest = head, rest

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        data, self._head = self._head[: len(view)], self._head[len(view) :]
        data = data or self._rest.read(len(view))
        view[: len(data)] = data
        return len(data)


def take_in(path: Path, site: Site | None, kind: str = "", at: str = "") -> tuple[Report, Original]:
    """What a file says, and which file it was. `at` is where it was taken, as people write places.

    Raises EvidenceError in one line.
    """
    try:
        if not path.is_file():
            raise EvidenceError(f"there is no file {shown(str(path))}; check the path")
        with path.open("rb") as stream:
            return read_stream(cast("IO[bytes]", stream), path.name, site, kind, at)
    except OSError as error:
        raise EvidenceError(f"{shown(str(path))} cannot be read: {error.strerror or error}") from None


def read_stream(stream: IO[bytes], name: str, site: Site | None, kind: str = "", at: str = "") -> tuple[Report, Original]:
    """As `take_in`, from an open stream."""
    load_all()
    hashed = Hashing(stream)
    head = hashed.read(HEAD)
    if not head:
        raise EvidenceError(f"{shown(name)} is empty; save the capture or log again")
    chosen = _named(kind) if kind else _recognised(head, name)
    whole = cast("IO[bytes]", io.BufferedReader(_Ahead(head, cast("IO[bytes]", hashed))))
    report = chosen.read(whole, f"{at} {name}" if at else name, site)  # importers look for a place in the name
    while hashed.read(1 << 20):  # what an importer left unread belongs to the file all the same
        pass
    text = "".join(c if c.isprintable() or c == "\n" else "." for c in hashed.excerpt[:EXCERPT].decode("utf-8", "replace"))
    return report, Original(name, hashed.size, hashed.sha256, text)


def _named(kind: str) -> Importer:
    if kind not in IMPORTERS:
        raise EvidenceError(f"there is no kind {shown(kind)}; {nearest(kind, IMPORTERS) or 'known: ' + ', '.join(sorted(IMPORTERS))}")
    return IMPORTERS[kind]


def _recognised(head: bytes, name: str) -> Importer:
    found = recognise(head, name)
    if not found:
        raise EvidenceError(
            f"{shown(name)} is of no kind that is known here; say which with --kind: {', '.join(sorted(IMPORTERS))}"
        )
    return found[0][1]
