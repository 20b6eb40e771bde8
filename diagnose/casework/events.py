"""The events that a case consists of, their one true byte form, and the hash chain over them.

A case is an append-only list of events; whatever else is known about it is a function of that list. Undo is
an event too (`withdrawn`, naming an earlier one), so nothing is ever erased. Everything here is pure.
"""

import hashlib
import json
import math
import os
import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import NamedTuple, TypeAlias

JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"

GENESIS = "0" * 64  # the hash before the first event

# kind -> the entry of `data` that it cannot do without (a text), or nothing
KINDS: dict[str, str] = {
    "opened": "title",
    "fact": "key",
    "reading": "check",
    "withdrawn": "event",
    "remedy": "remedy",
    "proved": "",
    "closed": "",
    "note": "text",
    "attached": "name",
    "role": "",
    "danger": "what",
    "record": "record",
}

LONGEST_BODY = 1_000_000  # bytes of one event; captures are stored beside a case, not in it
_DEEPEST = 16
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}", re.ASCII)
_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z", re.ASCII)
_HASH = re.compile(r"[0-9a-f]{64}")


class Event(NamedTuple):
    """One entry of a case.

    `seq` counts from 1 within `case`; `at` is ISO 8601 in UTC (`2031-04-05T06:07:08.123Z`); `data` is a JSON
    object whose shape belongs to `kind`; `by` is who said or did it.
    """

    id: str
    case: str
    seq: int
    at: str
    kind: str
    data: dict[str, JSON]
    by: str


def new_event_id() -> str:
    """A fresh event id (96 random bits). Make it before writing: a repeated write of the same id changes
    nothing.
    """
    return os.urandom(12).hex()


def now() -> str:
    """The present moment as events write it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def canonical(event: Event) -> bytes:
    """The bytes that are stored, sent and hashed: JSON in UTF-8, keys sorted, no spaces, finite numbers."""
    return _dump(event._asdict()).encode()


def _dump(value: object) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def chain(previous: str, body: bytes) -> str:
    """SHA-256 (hex) over the previous hash (64 hex digits) and the bytes of an event."""
    return hashlib.sha256(previous.encode() + body).hexdigest()


def is_hash(text: object) -> bool:
    return isinstance(text, str) and _HASH.fullmatch(text) is not None


def read_event(body: bytes) -> Event:
    """The event whose canonical bytes are `body`; ValueError with one line when they are not."""
    return event_from(parse_json(body), body)


def parse_json(body: bytes) -> JSON:
    """Strict JSON from UTF-8 bytes; ValueError with one line otherwise."""

    def refuse(word: str) -> JSON:
        raise ValueError(f"`{word}` is no JSON number, write an infinite reading as the text OL")

    try:
        value: JSON = json.loads(body.decode("utf-8"), parse_constant=refuse)
    except UnicodeDecodeError as error:
        raise ValueError(f"byte {error.start + 1} is not UTF-8, the text was changed or re-encoded") from None
    except json.JSONDecodeError as error:
        raise ValueError(
            f"not JSON at character {error.pos + 1} ({error.msg}), one JSON object was expected"
        ) from None
    except RecursionError:
        raise ValueError(f"nested too deeply, at most {_DEEPEST} levels are allowed") from None
    return value


def event_from(value: JSON, body: bytes | None = None) -> Event:
    """The event in a parsed JSON object; with `body`, also check that these are its canonical bytes."""
    if not isinstance(value, dict) or set(value) != set(Event._fields):
        raise ValueError(f"not an event, expected an object with exactly {', '.join(Event._fields)}")
    event = Event(**value)  # type: ignore[arg-type]  # checked by the next line
    problems = check_event(event)
    if problems:
        raise ValueError(problems[0])
    if body is not None and canonical(event) != body:
        raise ValueError(
            "not in canonical form (sorted keys, no spaces, each key once), the text was changed"
        )
    return event


def check_event(event: Event) -> list[str]:
    """What is wrong with an event on its own, one line for each problem; empty when nothing is."""
    problems = []
    for name in ("id", "case"):
        value = getattr(event, name)
        if not isinstance(value, str) or not _ID.fullmatch(value):
            problems.append(
                f"{name} {_short(value)} is no id, expected 1 to 64 letters, digits, `-`, `_`, `.` or `:`"
            )
    if not isinstance(event.seq, int) or isinstance(event.seq, bool) or not 1 <= event.seq < 2**31:
        problems.append(f"seq {_short(event.seq)} is no position in a case, expected a whole number from 1")
    if not _is_moment(event.at):
        problems.append(f"at {_short(event.at)} is no moment in UTC, expected such as 2031-04-05T06:07:08Z")
    if not isinstance(event.by, str) or not event.by.strip() or not _encodes(event.by):
        problems.append(f"by {_short(event.by)} names nobody, expected who recorded the event")
    if not isinstance(event.kind, str) or event.kind not in KINDS:
        problems.append(f"kind {_short(event.kind)} is unknown, expected one of {', '.join(KINDS)}")
    if not isinstance(event.data, dict):
        return [*problems, f"data {_short(event.data)} is no JSON object, expected names with values"]
    flaw = _json_flaw(event.data, "data", 0)
    if flaw:
        return [*problems, flaw]
    if isinstance(event.kind, str) and KINDS.get(event.kind):
        problems += _needed(event.kind, event.data)
    if not problems and len(canonical(event)) > LONGEST_BODY:
        problems.append(f"the event is larger than {LONGEST_BODY} bytes, attach the file beside the case")
    return problems


def _needed(kind: str, data: dict[str, JSON]) -> list[str]:
    name = KINDS[kind]
    value = data.get(name)
    if not isinstance(value, str) or not value.strip():
        return [f"data of a `{kind}` event lacks `{name}`, expected a text"]
    if name == "title" and (not value.isprintable() or len(value) > 200):
        return [f"title {_short(value)} does not fit a list, expected one line of at most 200 characters"]
    return []


def _short(value: object) -> str:
    text = ascii(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _encodes(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _is_moment(value: object) -> bool:
    if not isinstance(value, str) or not _AT.fullmatch(value):
        return False
    try:
        datetime.fromisoformat(value)
    except ValueError:
        return False
    return True


def _json_flaw(value: object, where: str, depth: int) -> str:
    """The first thing in `value` that JSON cannot hold, or nothing."""
    if depth > _DEEPEST:
        return f"{where} is nested too deeply, at most {_DEEPEST} levels are allowed"
    if value is None or isinstance(value, bool):
        return ""
    if isinstance(value, int):
        return "" if abs(value) < 2**63 else f"{where} is too large, expected a number below 2**63"
    if isinstance(value, float):
        return "" if math.isfinite(value) else f"{where} is {value}, write an infinite reading as the text OL"
    if isinstance(value, str):
        return "" if _encodes(value) else f"{where} holds half a character, expected text that UTF-8 can hold"
    if isinstance(value, list):
        parts: Iterable[tuple[str, object]] = ((f"{where}[{i}]", v) for i, v in enumerate(value))
    elif isinstance(value, dict):
        bad = next((k for k in value if not isinstance(k, str) or not _encodes(k)), None)
        if bad is not None:
            return f"{where} has the name {_short(bad)}, expected text"
        parts = ((f"{where}.{k}", v) for k, v in value.items())
    else:
        return f"{where} is a {type(value).__name__}, expected what JSON can hold"
    return next((flaw for w, v in parts if (flaw := _json_flaw(v, w, depth + 1))), "")


def check_next(event: Event, earlier: dict[str, str]) -> str:
    """What is wrong with `event` after the events of its case in `earlier` (id -> kind), or nothing."""
    if not earlier:
        return "" if event.kind == "opened" else f"a case begins with `opened`, not with `{event.kind}`"
    if event.kind == "opened":
        return "the case is open already, `opened` comes once"
    if event.kind == "withdrawn":
        target = event.data.get("event")
        if target not in earlier:
            return f"withdraws {_short(target)}, which is no earlier event of this case"
        if earlier[str(target)] == "opened":
            return "withdraws the opening, close the case instead"
    return ""


def live_events(events: Sequence[Event]) -> list[Event]:
    """The events that stand, in order: not withdrawn, or withdrawn by a withdrawal that was itself withdrawn.

    Withdrawals themselves are not in the result. A withdrawal can only name an earlier event, so one pass
    from the end settles all of them.
    """
    gone: set[str] = set()
    standing: list[Event] = []
    for event in reversed(events):
        if event.id in gone:
            continue
        if event.kind == "withdrawn":
            gone.add(str(event.data.get("event")))
        else:
            standing.append(event)
    standing.reverse()
    return standing


SIGN_CHECKS = ("danger-signs", "panel-danger-signs")
_NO_SIGN = ("none", "do-not-know", "cannot-reach")


def tells_of_danger(event: Event) -> bool:
    """Whether an event raises a danger in any rule base: a sign that was seen, or words not yet denied."""
    if event.kind == "danger":
        return event.data.get("what") in ("asked", "raised")
    return (
        event.kind == "reading"
        and event.data.get("check") in SIGN_CHECKS
        and event.data.get("answer") not in _NO_SIGN
    )


def dangers_open(events: Sequence[Event]) -> bool:
    """Whether the log says that use is stopped: what was raised, asked or seen, and not denied or lifted since.

    What follows from readings by the rule base is in the log as `raised` and `lifted` entries. A withdrawal
    is not looked at: whether it counts depends on roles (see `entries`), and too much of a warning is the
    lesser mistake.
    """
    raised: set[str] = set()
    for event in events:
        what = event.data.get("what") if event.kind == "danger" else ""
        if tells_of_danger(event):
            raised.add(str(event.data.get("danger") or event.id))
        elif what == "denied":
            raised.discard(str(event.data.get("asked")))
        elif what == "lifted":
            raised.clear()
    return bool(raised)


def state_of(events: Sequence[Event]) -> str:
    """`closed` when a closing event stands, else `open`; ` stop-use` is added while a danger stands."""
    closed = any(event.kind == "closed" for event in live_events(events))
    return ("closed" if closed else "open") + (" stop-use" if dangers_open(events) else "")
