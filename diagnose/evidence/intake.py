"""Taking a file in: recognise it, read it through once, and keep what proves which file it was."""

from __future__ import annotations

import hashlib
import io
import re
from pathlib import Path
from typing import IO, NamedTuple, cast

from diagnose.evidence.lines import UTF_16, head_text
from diagnose.evidence.reader import (
    HEAD,
    POINTS,
    READERS,
    Asked,
    EvidenceError,
    Reader,
    load_all,
    recognise,
)
from diagnose.evidence.report import Report
from diagnose.site.model import Site
from diagnose.site.places import FAR, KINDS, NEAR, Place, PlaceError
from diagnose.source.problems import nearest, shown

EXCERPT = 65_536
"""Bytes of the original that are kept with a case."""
PACKED = (b"\x1f\x8b", b"PK\x03\x04", b"BZh", b"\xfd7zXZ\x00", b"\x28\xb5\x2f\xfd", b"7z\xbc\xaf")


class Original(NamedTuple):
    """The file that evidence came from: name, size in bytes, SHA-256 in hex, and its beginning as text."""

    name: str
    size: int
    sha256: str
    excerpt: str


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
        if path.is_dir():
            raise EvidenceError(f"{shown(str(path))} is a folder; name one file in it")
        if path.exists() and not path.is_file():
            raise EvidenceError(f"{shown(str(path))} is a pipe or a device, not a file; send it to standard input: diagnose evidence -")
        if not path.is_file():
            raise EvidenceError(f"there is no file {shown(str(path))}; check the path")
        with path.open("rb") as stream:
            return read_stream(cast("IO[bytes]", stream), path.name, site, kind, at)
    except OSError as error:
        raise EvidenceError(f"{shown(str(path))} cannot be read: {error.strerror or error}") from None


def read_stream(stream: IO[bytes], name: str, site: Site | None, kind: str = "", at: str = "") -> tuple[Report, Original]:
    """As `take_in`, from an open stream."""
    load_all()
    place, point = _one_place(at, site)
    hashed = Hashing(stream)
    head = hashed.read(HEAD)
    if not head:
        raise EvidenceError(f"{shown(name)} is empty; save the capture or log again")
    chosen = _named(kind) if kind else _recognised(head, name)
    whole = cast("IO[bytes]", io.BufferedReader(_Ahead(head, cast("IO[bytes]", hashed))))
    wanted = place is None or place.kind in chosen.places
    report = chosen.read(whole, Asked(name, site, place if wanted else None, point if point in chosen.places else ""))
    if not wanted or (point and point not in chosen.places):
        said = " ".join(str(x) for x in (place, point) if x)
        report = report._replace(says=(*report.says, f"the place {shown(said)} was not used: {_why_not(chosen)}"))
    while hashed.read(1 << 20):  # what a reader left unread belongs to the file all the same
        pass
    text = "".join(c if c.isprintable() or c == "\n" else "." for c in head_text(hashed.excerpt[:EXCERPT]))
    return report, Original(name, hashed.size, hashed.sha256, text)


def _why_not(chosen: Reader) -> str:
    if not chosen.places:
        return "this kind of evidence names its places itself"
    known = [k for k in (*KINDS, *POINTS) if k in chosen.places]
    return f"this kind of evidence can be of {', '.join(known[:-1])} or {known[-1]}"


def _one_place(text: str, site: Site | None) -> tuple[Place | None, str]:
    """The place where it was taken and the point beside it (see POINTS): `5` is unit 5, `unit 5 breaker` both.

    Raises EvidenceError for what is no place, or several.
    """
    words = [w for w in text.lower().replace(",", " , ").split() if w not in ("the", "of", "at")]
    place = " ".join(w for w in words if w not in POINTS)
    point = " ".join(dict.fromkeys(w for w in words if w in POINTS))
    if point and point not in POINTS:
        raise EvidenceError(f"{shown(text)} names several points; name one of {', '.join(POINTS)}")
    if not place:
        return None, point
    if re.fullmatch(r"\d{1,4}", place):
        place = f"unit {place}"
    if site is None:
        return _without_record(place, text), point
    found, why = _find(place, site)
    if len(found) > 1:
        raise EvidenceError(f"{shown(text)} are {len(found)} places; evidence is of one, write for instance '{found[0]}'")
    if not found:
        raise EvidenceError(why or f"{shown(text)} is no place of the record; write for instance 'unit 5'")
    return found[0], point


_WRITTEN = re.compile(
    rf"(?P<kind>{'|'.join(KINDS)})(?: (?P<number>\d{{1,4}})(?:-(?P<other>\d{{1,4}}))?)?|(?:trunk (?P<trunk>\d{{1,4}}) )?(?P<end>near|far) end"
)


def _without_record(place: str, text: str) -> Place:
    """The place that a text names as places write themselves. Raises EvidenceError."""
    found = _WRITTEN.fullmatch(place)
    if found is None or (found.group("other") and found.group("kind") != "segment"):
        raise EvidenceError(f"{shown(text)} is no place; write for instance 'unit 5'")
    if found.group("end"):
        return Place("trunk-end", int(found.group("trunk") or 1), FAR if found.group("end") == "far" else NEAR)
    return Place(found.group("kind"), int(found.group("number") or 0), int(found.group("other") or 0))


def _find(text: str, site: Site) -> tuple[tuple[Place, ...], str]:
    """The places of the record that a text means, or why the kind that it names has no such place."""
    why = ""
    for kind in ("unit", *KINDS):
        try:
            return site.find(text, kind), ""
        except PlaceError as error:
            why = str(error) if text.startswith(kind) else why
    return (), why


def _named(kind: str) -> Reader:
    if kind not in READERS:
        raise EvidenceError(f"there is no kind {shown(kind)}; {nearest(kind, READERS) or 'known: ' + ', '.join(sorted(READERS))}")
    return READERS[kind]


def _recognised(head: bytes, name: str) -> Reader:
    found = recognise(head, name)
    if not found and head.startswith(PACKED):
        raise EvidenceError(f"{shown(name)} is packed (compressed); unpack it first")
    if not found and head.startswith(UTF_16):
        raise EvidenceError(f"{shown(name)} is text in UTF-16; save it again as UTF-8")
    if not found:
        raise EvidenceError(
            f"{shown(name)} is of no kind that is known here; say which with --kind: {', '.join(sorted(READERS))}"
        )
    return found[0][1]
