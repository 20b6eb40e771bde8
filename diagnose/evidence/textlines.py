"""Text evidence line by line: any usual encoding and line end, bounded memory, nothing dropped in silence."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import IO, NamedTuple

from diagnose.site.model import Site
from diagnose.site.places import Place
from diagnose.source.problems import one_line

CHUNK = 65_536
LONGEST = 65_536
"""Characters of a line that are looked at; what is longer is cut, and counted."""
SAMPLES, SAMPLE_LENGTH = 5, 160

_PAINT = re.compile("\x1b\\[[0-9;?]{0,16}[ -/]?[@-~]")
_UNIT = re.compile(r"\bunit[\s_.-]{0,2}0{0,3}(\d{1,4})(?!\d)", re.IGNORECASE)
_UPLINK = re.compile(r"\buplink[\s_.-]{0,2}0{0,3}(\d{1,4})(?!\d)", re.IGNORECASE)


class Line(NamedTuple):
    """A line without its end; `cut` characters of it are missing."""

    number: int
    text: str
    cut: int


def _encoding(head: bytes) -> str:
    """By the mark at the beginning; a redirected command on some desktops writes UTF-16."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8-sig"


def head_text(head: bytes) -> str:
    """The first bytes of a file as text, painting removed."""
    return _PAINT.sub("", head.decode(_encoding(head), "replace")).replace("\r\n", "\n").replace("\r", "\n")


def lines(stream: IO[bytes], longest: int = LONGEST) -> Iterator[Line]:
    """The lines of a text, numbered from 1, painting removed; a line end is LF, CR LF or CR.

    Never holds more than a chunk and one cut line.
    """
    data = stream.read(CHUNK)
    decoder = codecs.getincrementaldecoder(_encoding(data))("replace")
    number, held, cut, after_cr = 0, "", 0, False
    while data:
        text = decoder.decode(data)
        data = stream.read(CHUNK)
        if not data:
            text += decoder.decode(b"", True)
        if after_cr and text.startswith("\n"):
            text = text[1:]
            after_cr = False
        elif text:
            after_cr = False
        if text.endswith("\r"):
            after_cr = True
        parts = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        for part in parts[:-1]:
            number += 1
            whole = held + part
            yield Line(number, _PAINT.sub("", whole[:longest]), cut + max(0, len(whole) - longest))
            held, cut = "", 0
        held += parts[-1]
        if len(held) > longest:
            cut += len(held) - longest
            held = held[:longest]
    if held:
        yield Line(number + 1, _PAINT.sub("", held), cut)


class Tally:
    """Pieces understood and not, with a few samples of the latter."""

    def __init__(self) -> None:
        self.understood = 0
        self.not_understood = 0
        self.cut = 0
        self.samples: list[str] = []

    def took(self, count: int = 1) -> None:
        """So many pieces were understood."""
        self.understood += count

    def missed(self, where: str, text: str) -> None:
        """One piece was not understood."""
        self.not_understood += 1
        if len(self.samples) < SAMPLES:
            self.samples.append(f"{where}: {one_line(text, SAMPLE_LENGTH)}")

    def notes(self) -> tuple[str, ...]:
        """What has to be said about the reading itself."""
        return (f"{self.cut} characters of very long lines were not looked at",) if self.cut else ()


def where(numbers: Iterable[int], what: str = "line") -> str:
    """`line 12`, `lines 12-40`; the empty text for nothing."""
    kept = list(numbers)
    if not kept:
        return ""
    low, high = min(kept), max(kept)
    return f"{what} {low}" if low == high else f"{what}s {low}-{high}"


class Standpoint(NamedTuple):
    """The uplink and the unit that evidence speaks of, and what has to be said about that choice."""

    uplink: str
    unit: str
    uplink_place: Place
    note: str


def standpoint(site: Site | None, name: str, identities: Sequence[str] = (), at: Place | None = None) -> Standpoint:
    """The place evidence is about: the unit or uplink that was given, else what the file's name says (`unit 5`, `uplink 2`),
    else by a recorded station identity.

    Without any of them it is the only uplink of the record, else the first one, and `note` says so.
    """
    if at is not None:
        unit, uplink = (at.number if at.kind == kind else None for kind in ("unit", "uplink"))
    else:
        unit, uplink = _number(_UNIT, name), _number(_UPLINK, name)
    if site is None:
        return _standing(uplink or 1, unit or 1, "")
    own = unit if unit in site.units else None
    named = next((g for g in site.uplinks if g.number == uplink), None)
    if named is None and own is not None:
        named = next((g for g in site.uplinks if own == g.unit or own in g.units), None)
    if named is None:
        wanted = set(identities)
        named = next(
            (g for g in site.uplinks if site.word("uplink.identity", Place("uplink", g.number)) in wanted), None
        )
    note = ""
    if named is None and site.uplinks:
        named = site.uplinks[0]
        if len(site.uplinks) > 1:
            note = f"the record has {len(site.uplinks)} uplinks; taken to be uplink {named.number}. Put 'unit N' into the file's name to say otherwise"
    number = named.number if named else 1
    return _standing(number, own or (named.unit if named else site.units[0] if site.units else 1), note)


def _number(pattern: re.Pattern[str], name: str) -> int | None:
    found = pattern.search(name.replace("_", " "))
    return int(found.group(1)) if found else None


def _standing(uplink: int, unit: int, note: str) -> Standpoint:
    return Standpoint(f"uplink {uplink}", f"unit {unit}", Place("uplink", uplink), note)
