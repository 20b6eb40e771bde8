"""A case as it stands: the fold of its live events. Nothing here knows of probabilities."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from diagnose.casework.events import Event
from diagnose.gauges import load_all
from diagnose.gauges.base import READINGS
from diagnose.knowledge import model as m
from diagnose.quantities import Ambiguous, Quantity, Wrong, parse
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place, PlaceError
from diagnose.site.record import RecordReader, parse_fact
from diagnose.source.located import read_text
from diagnose.source.problems import InputError, Mark, Problem, one_line, shown

DANGER = "danger-signs"
MADE_SAFE = "made-safe"
BARE_RECORD = "install-record: 1\nname: no install record\nunits: {count: 1}\n"


class Reading(NamedTuple):
    """An answer as recorded. `text` is what was typed; `outcome` what it means here, None when not known."""

    event: str
    check: str
    places: tuple[Place, ...]
    outcome: str | None
    text: str
    value: float | None
    unit: str
    complaint: bool
    after: int  # how many repairs had been done before it
    at: str
    by: str


class Mended(NamedTuple):
    """A repair that was done."""

    event: str
    remedy: str
    place: Place
    at: str
    by: str


class State(NamedTuple):
    """Everything the case says at this moment."""

    title: str
    site: Site
    record: str
    role: str
    instruments: frozenset[str]
    on_site: bool
    journey: float
    complaint: str
    readings: tuple[Reading, ...]
    mended: tuple[Mended, ...]
    made_safe: int | None  # number of readings that stood when the site was reported safe
    closed: Mapping[str, Any] | None
    notes: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]


class AnswerError(ValueError):
    """An answer that cannot be taken; the message says what would be right."""


def read_site(record: str, k: m.Knowledge, name: str = "install record") -> Site:
    """The site of an install record given as text. Raises InputError with every problem."""
    reader = RecordReader(k.facts)
    site = reader.read(read_text(record, name))
    if reader.problems or site is None:
        raise InputError(reader.problems or [Problem(Mark(name, 1, 1), "cannot be read", "", "install-record")])
    return site


def take_answer(k: m.Knowledge, site: Site, check: m.Check, places: tuple[Place, ...], text: str) -> tuple[str | None, float | None, str]:
    """What an answer to a check means: outcome (None when not known), value and unit for a measurement.

    Takes the number of an outcome in the list, its name, its text, what people say for it, a quantity
    where the check has a gauge, or one of the ways to say that it is not known. Nothing is guessed from
    a part of a text: `no` is in `normal`, `starts` in `starts and stops again`. Raises AnswerError.
    """
    word = " ".join(text.strip().lower().split())
    if word in ("do-not-know", "do not know", "don't know", "dont know", "unknown", "not known"):
        return None, None, ""
    if word in ("cannot-reach", "cannot reach", "can't", "cant", "can't reach", "cannot", "not possible"):
        return None, None, ""
    if not word:
        raise AnswerError("an empty answer; type a value, a number from the list, or 'do not know'")
    if word in check.outcome_ids or word.replace(" ", "-") in check.outcome_ids:
        return (word if word in check.outcome_ids else word.replace(" ", "-")), None, ""
    if check.gauge:
        return _measured(check, site, places, text)
    if word.isdecimal() and len(word) < 4:
        if 1 <= int(word) <= len(check.outcomes):
            return check.outcomes[int(word) - 1].id, None, ""
        raise AnswerError(f"there is no answer {word}; choose 1 to {len(check.outcomes)}")
    same = [o.id for o in check.outcomes if word in (o.says.lower(), *(p.lower() for p in o.phrases))]
    if len(same) == 1:
        return same[0], None, ""
    choices = ", ".join(check.outcome_ids)
    if len(same) > 1:
        raise AnswerError(f"{shown(word)} fits several answers ({', '.join(same)}); type one of them")
    raise AnswerError(f"{shown(word)} is no answer to '{check.id}'; one of: {choices}, do-not-know")


def _measured(check: m.Check, site: Site, places: tuple[Place, ...], text: str) -> tuple[str | None, float | None, str]:
    load_all()
    gauge = READINGS[check.gauge]
    quantity = parse(text, gauge.unit)
    if isinstance(quantity, Ambiguous):
        raise AnswerError(f"{shown(text)} can be read in two ways: {quantity.question}")
    if isinstance(quantity, Wrong):
        raise AnswerError(f"{quantity.line}; or one of: {', '.join(check.outcome_ids)}, do-not-know")
    expectation = gauge.function(site, places[0] if places else SITE)
    outcome = expectation.outcome(quantity.value)
    if outcome is None:
        raise AnswerError(f"{shown(text)} is outside anything that {check.title.lower()} can read")
    return outcome, quantity.value, gauge.unit


def find_places(site: Site, kind: str, text: str) -> tuple[Place, ...]:
    """Places that a person named; AnswerError with what would be right."""
    try:
        return site.find(text, kind)
    except PlaceError as error:
        raise AnswerError(str(error)) from None


class _Fold:
    def __init__(self, k: m.Knowledge) -> None:
        self.k = k
        self.opened: Mapping[str, Any] = {}
        self.facts: list[Mapping[str, Any]] = []
        self.raw: list[tuple[Event, int]] = []
        self.mended: list[tuple[Event, int]] = []
        self.notes: list[tuple[str, str]] = []
        self.notices: list[str] = []
        self.safe: int | None = None
        self.closed: Mapping[str, Any] | None = None
        self.who: dict[str, Any] = {}


def fold(events: Iterable[Event], k: m.Knowledge, sites: dict[str, Site] | None = None) -> State:
    """The state after these live events (withdrawn ones already left out).

    What an older rule base knew and this one does not is kept in `notices`, never dropped in silence.
    `sites` is a store for parsed records, so that a long case does not read its record again.
    """
    f = _Fold(k)
    for event in events:
        if event.kind == "opened":
            f.opened = event.data
            f.who.update(event.data)
        elif event.kind == "role":
            f.who.update(event.data)
        elif event.kind == "fact":
            if event.data.get("key") == MADE_SAFE:
                if event.data.get("text") == "yes" and m.may(_role(f), "technician"):
                    f.safe = len(f.raw)
            else:
                f.facts.append(event.data)
        elif event.kind == "reading":
            f.raw.append((event, len(f.mended)))
        elif event.kind == "remedy":
            f.mended.append((event, len(f.raw)))
        elif event.kind == "note":
            f.notes.append((event.id, str(event.data.get("text", ""))))
        elif event.kind == "closed":
            f.closed = event.data
    record = str(f.opened.get("record") or BARE_RECORD)
    site = _site(record, f, {} if sites is None else sites)
    readings = tuple(r for event, after in f.raw if (r := _reading(event, after, site, f)) is not None)
    mended = tuple(done for event, _ in f.mended if (done := _mended(event, site, f)) is not None)
    role = _role(f)
    on_site = f.who.get("on-site")
    journey = site.number("site.journey") or 30.0
    return State(
        str(f.opened.get("title", "")), site, record, role,
        _instruments(f),
        on_site if isinstance(on_site, bool) else m.may(role, "technician"), journey,
        str(f.opened.get("complaint", "")), readings, mended, f.safe, f.closed, tuple(f.notes), tuple(f.notices),
    )  # fmt: skip


def _role(f: _Fold) -> str:
    """The role at this point of the case; a word that is no role has the least rights."""
    role = str(f.who.get("role", "technician"))
    return role if role in m.ROLES else "contact"


def _instruments(f: _Fold) -> frozenset[str]:
    """What is at hand; everything when the case does not say."""
    said = f.who.get("instruments")
    return frozenset(w for w in said if w in m.INSTRUMENTS) if isinstance(said, (list, tuple)) and said else frozenset(m.INSTRUMENTS)


def _site(record: str, f: _Fold, sites: dict[str, Site]) -> Site:
    key = record + "\0" + "\0".join(f"{d.get('key')}={d.get('text')}@{d.get('at')}" for d in f.facts)
    if key in sites:
        return sites[key]
    site = read_site(record, f.k)
    for data in f.facts:
        spec = f.k.facts.get(str(data.get("key")))
        if spec is None:
            f.notices.append(f"the fact {shown(data.get('key'))} is not known to this rule base; it is kept but not used")
            continue
        try:
            value = parse_fact(spec, str(data.get("text", "")))
            at = str(data.get("at") or "all")
            places = (SITE,) if spec.section == "site" else site.find(at, spec.section)
            for place in places:
                site = site.with_fact(spec.key, place, value)
        except PlaceError as error:
            f.notices.append(f"the fact {spec.key} is not used: {error}")
    if len(sites) > 8:
        sites.clear()
    sites[key] = site
    return site


def _reading(event: Event, after: int, site: Site, f: _Fold) -> Reading | None:
    data = event.data
    check = f.k.checks.get(str(data.get("check")))
    if check is None:
        f.notices.append(f"the check {shown(data.get('check'))} is not known to this rule base; its answer is kept but not used")
        return None
    text = str(data.get("answer", ""))
    try:
        places = stored_places(site, check.at, str(data["at"])) if data.get("at") else ()
        outcome, value, unit = take_answer(f.k, site, check, places, text)
    except AnswerError as error:
        f.notices.append(f"the answer to {check.id} is not used: {one_line(str(error))}")
        return None
    return Reading(
        event.id, check.id, places, outcome, text, value, unit, bool(data.get("complaint")), after, event.at, event.by
    )


def stored_places(site: Site, kind: str, at: str) -> tuple[Place, ...]:
    """Places by the texts that they are stored under: there `near end` is trunk 1's, where a person is asked which."""
    own = {str(place): place for place in site.places(kind)}
    parts = at.split(", ")
    if all(part in own for part in parts):
        return tuple(own[part] for part in parts)
    return find_places(site, kind, at)


def _mended(event: Event, site: Site, f: _Fold) -> Mended | None:
    remedy = str(event.data.get("remedy", ""))
    at = str(event.data.get("at", "site"))
    place = parse_place(site, at)
    if remedy not in f.k.remedies or place is None:
        f.notices.append(f"the repair {shown(remedy)} at {shown(at)} is not known to this rule base")
        return None
    return Mended(event.id, remedy, place, event.at, event.by)


def parse_place(site: Site, text: str) -> Place | None:
    """The place whose own text this is (`unit 5`, `segment 4-5`, `far end`); None when there is none."""
    for kind in ("site", "panel", "unit", "segment", "trunk", "trunk-end", "uplink", "control"):
        for place in site.places(kind):
            if str(place) == text:
                return place
    return None


__all__ = [
    "DANGER", "MADE_SAFE", "AnswerError", "Mended", "Quantity", "Reading", "State", "find_places", "fold",
    "parse_place", "read_site", "take_answer",
]  # fmt: skip
