"""A case as one text file, to send, keep and compare.

JSON Lines in UTF-8, each line in canonical form and ended by one LF. The first line is a header with format,
version, case, title, count and head hash; then one line for each event with its hash. Every byte is covered
by the chain, by the header or by the canonical form, so a changed byte is found and its line named.
"""

import json
import os
import secrets
from pathlib import Path
from typing import NamedTuple

from diagnose.casework.events import (
    GENESIS,
    JSON,
    Event,
    canonical,
    chain,
    check_next,
    event_from,
    is_hash,
    parse_json,
)
from diagnose.casework.store import Store, Stored, StoreError, sync_folder
from diagnose.source.problems import PlainError

FORMAT = "diagnose-case"
VERSION = 1
_LARGEST = 256 * 1024 * 1024
_HEADER = ("case", "count", "format", "head", "title", "version")


class TransferError(PlainError):
    """A file cannot be written or taken over: `file:line: what is wrong, what would be right`."""


class CaseFile(NamedTuple):
    """A file that was read and checked. `statement` says what is missing when the last line is torn, else
    empty.
    """

    case: str
    title: str
    log: tuple[Stored, ...]
    statement: str

    @property
    def head(self) -> str:
        return self.log[-1].hash


class Imported(NamedTuple):
    """What an import did: `outcome` is new, same, extended or older (the store already holds more);
    `statement` must be shown when it is not empty.
    """

    case: str
    outcome: str
    added: int
    events: int
    head: str
    statement: str


def _line(value: dict[str, JSON]) -> bytes:
    return json.dumps(
        value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    ).encode()


def export_text(log: list[Stored]) -> bytes:
    """The file of a case. Pure; the log must be whole and not empty."""
    first, last = log[0].event, log[-1]
    header: dict[str, JSON] = {
        "format": FORMAT,
        "version": VERSION,
        "case": first.case,
        "title": first.data["title"],
        "count": len(log),
        "head": last.hash,
    }
    lines = [_line(header)]
    lines += [b'{"event":' + entry.body + b',"hash":"' + entry.hash.encode() + b'"}' for entry in log]
    return b"\n".join(lines) + b"\n"


def export_case(store: Store, case: str, path: str | os.PathLike[str], *, overwrite: bool = False) -> int:
    """Write a case to `path` and return the number of its events. A case that does not verify is not
    exported.
    """
    problems = store.verify(case)
    if problems:
        raise TransferError(f"{problems[0]}; restore the case before exporting it")
    log = store.stored(case)
    target = Path(path)
    if target.exists() and not overwrite:
        raise TransferError(f"{target} exists already, name a new file")
    write_atomically(target, export_text(log))
    return len(log)


def write_atomically(path: Path, content: bytes) -> None:
    """Whole or not at all: a temporary file beside it, fsync, replace, fsync of the folder."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        try:
            with part.open("xb") as handle:
                handle.write(content)
                handle.flush()
                os.fsync(handle.fileno())
            os.replace(part, path)
            sync_folder(path.parent)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise TransferError(f"{path} cannot be written ({error.strerror}), choose another place") from None


def read_case(content: bytes, name: str) -> CaseFile:
    """Check the text of an export; `name` stands in the messages. Pure.

    TransferError for anything that is not exactly what an export writes, but for one thing: when the file
    ends inside its last line, the events before it are good and `statement` says what is missing.
    """
    lines = content.split(b"\n")
    torn = lines.pop()  # after the last LF: nothing, or a line that did not end
    if not lines:
        raise TransferError(
            f"{name}:1: the first line is not complete, expected the header of an exported case"
        )
    header = _header(lines[0], name)
    count, case = int(str(header["count"])), str(header["case"])
    log: list[Stored] = []
    kinds: dict[str, str] = {}
    for number, line in enumerate(lines[1:], start=2):
        if len(log) == count:
            raise TransferError(f"{name}:{number}: a line too many, the header announces {count} events")
        log.append(_entry(line, f"{name}:{number}", log, case, kinds))
    statement = ""
    if torn:
        statement = _torn(torn, log, count, case, kinds, name)
    elif len(log) != count:
        raise TransferError(
            f"{name}:{len(lines) + 1}: the file ends after {len(log)} of {count} events, "
            "expected the whole file"
        )
    if not log:
        raise TransferError(f"{name}:2: no complete event, expected at least the opening of the case")
    if log[0].event.data["title"] != header["title"]:
        raise TransferError(f"{name}:1: the title is not that of the opening event, one of them was changed")
    if len(log) == count and log[-1].hash != header["head"]:
        raise TransferError(f"{name}:1: the head hash is not that of the last event, the header was changed")
    return CaseFile(case, str(header["title"]), tuple(log), statement)


def _torn(torn: bytes, log: list[Stored], count: int, case: str, kinds: dict[str, str], name: str) -> str:
    """What to say about a last line without its end; a complete one is added to `log`."""
    number = len(log) + 2
    if len(log) != count - 1:
        raise TransferError(
            f"{name}:{number}: the file ends inside this line, after {len(log)} of {count} events, "
            "expected the whole file"
        )
    try:
        log.append(_entry(torn, f"{name}:{number}", log, case, kinds))
    except TransferError:
        return (
            f"{name}:{number}: the last line is torn; {len(log)} of {count} events were read, "
            "the last one is missing, get the whole file"
        )
    return f"{name}:{number}: the last line has no line end; all {count} events were read"


def _header(line: bytes, name: str) -> dict[str, JSON]:
    here = f"{name}:1"
    if line.endswith(b"\r"):
        raise TransferError(
            f"{here}: the line ends were changed to CR LF, expected the file as it was exported"
        )
    try:
        header = parse_json(line)
    except ValueError as error:
        raise TransferError(f"{here}: {error}") from None
    if not isinstance(header, dict) or header.get("format") != FORMAT:
        raise TransferError(f"{here}: not an exported case, expected a header with format {FORMAT}")
    version = header.get("version")
    if type(version) is not int or version != VERSION:
        raise TransferError(
            f"{here}: version {ascii(version)[:20]} is unknown, expected {VERSION}; update the program"
        )
    if tuple(sorted(header)) != _HEADER or _line(header) != line:
        raise TransferError(f"{here}: the header was changed, expected exactly {', '.join(_HEADER)}")
    count, head = header["count"], header["head"]
    if type(count) is not int or count < 1 or not is_hash(head) or not isinstance(header["case"], str):
        raise TransferError(f"{here}: count, case or head is no such thing, the header was changed")
    return header


def _entry(line: bytes, here: str, log: list[Stored], case: str, kinds: dict[str, str]) -> Stored:
    """One event line after `log`; `kinds` (event id -> kind) is brought up to date."""
    previous = log[-1].hash if log else GENESIS
    try:
        value = parse_json(line)
        if not isinstance(value, dict) or set(value) != {"event", "hash"}:
            raise ValueError("not an event line, expected an object with event and hash")
        event: Event = event_from(value["event"])
        body, digest = canonical(event), value["hash"]
        if not is_hash(digest) or _line({"event": value["event"], "hash": digest}) != line:
            raise ValueError("not in canonical form, the line was changed")
    except ValueError as error:
        raise TransferError(f"{here}: {error}") from None
    if event.case != case:
        raise TransferError(f"{here}: belongs to case {event.case}, the header says {ascii(case)[:40]}")
    if event.seq != len(log) + 1:
        raise TransferError(
            f"{here}: is event {event.seq}, expected event {len(log) + 1}; lines are missing or moved"
        )
    if chain(previous, body) != digest:
        raise TransferError(f"{here}: the hash does not fit, this line or one before it was changed")
    if event.id in kinds:
        raise TransferError(f"{here}: repeats the event id {event.id}, expected each id once")
    flaw = check_next(event, kinds)
    if flaw:
        raise TransferError(f"{here}: {flaw}")
    kinds[event.id] = event.kind
    return Stored(event, body, str(digest))


def read_case_file(path: str | os.PathLike[str]) -> CaseFile:
    """Read and check an exported file."""
    file = Path(path)
    try:
        if file.stat().st_size > _LARGEST:
            raise TransferError(f"{file}:1: larger than {_LARGEST >> 20} MiB, expected an exported case")
        content = file.read_bytes()
    except OSError as error:
        raise TransferError(
            f"{file}:1: cannot be read ({error.strerror}), expected an exported case"
        ) from None
    return read_case(content, str(file))


def import_case(store: Store, path: str | os.PathLike[str]) -> Imported:
    """Take a case over from a file, in one transaction, after checking all of it.

    A case that is here already is left alone when it is the same or goes further, extended when the file goes
    further, and refused when the two part.
    """
    file = read_case_file(path)
    try:
        outcome, added = store.absorb(file.log)
    except StoreError as error:
        raise TransferError(f"{path}:1: {error}") from error
    summary = store.case(file.case)
    return Imported(
        case=file.case, outcome=outcome, added=added, events=summary.events, head=summary.head,
        statement=file.statement,
    )
