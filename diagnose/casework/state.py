"""A case as it stands: the fold of its live events. Nothing here knows of probabilities."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from diagnose.casework.answers import plain, said
from diagnose.casework.entries import Entry, Log
from diagnose.casework.events import Event, tells_of_danger
from diagnose.casework.renamed import today
from diagnose.gauges import load_all
from diagnose.gauges.base import READINGS
from diagnose.knowledge import model as m
from diagnose.quantities import Ambiguous, Quantity, Wrong, parse
from diagnose.site.model import Site
from diagnose.site.places import KINDS, SITE, Place, PlaceError
from diagnose.site.record import RecordReader, parse_fact
from diagnose.source.located import read_text
from diagnose.source.problems import InputError, Mark, PlainError, Problem, one_line, shown

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
    n: int = 0  # position in the log
    role: str = "caller"  # in which it was entered
    own: bool = True  # seen or measured by whoever entered it; False when it was passed on for somebody else


class Mended(NamedTuple):
    """A repair that was done."""

    event: str
    remedy: str
    place: Place
    at: str
    by: str
    n: int = 0
    role: str = "caller"
    own: bool = True


class Said(NamedTuple):
    """An entry about a danger other than a reading: asked, denied, placed, made-safe, energized, reported-safe, vouched."""

    event: str
    what: str
    data: Mapping[str, Any]
    n: int
    role: str


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
    said: tuple[Said, ...]  # of dangers
    closed: Mapping[str, Any] | None
    notes: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]
    role_since: int = 0  # position in the log at which the role was last taken


class AnswerError(PlainError, ValueError):
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
    word, same = plain(text), said(check, text)
    if len(same) == 1:
        return (None if same[0] in m.NO_ANSWER else same[0]), None, ""
    if not word:
        raise AnswerError("an empty answer; type a value, a number from the list, or 'do not know'")
    if check.gauge:
        here = places or site.places(check.at)[:1]
        if not here:
            raise AnswerError(f"this site's record has no {check.at}")
        return _measured(check, site, here, text)
    if word.isdecimal():
        raise AnswerError(f"there is no answer {shown(word)}; choose 1 to {len(check.outcomes)}")
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
        self.record = ""
        self.facts: list[Mapping[str, Any]] = []
        self.raw: list[tuple[Entry, int]] = []
        self.mended: list[Entry] = []
        self.said: list[Said] = []
        self.notes: list[tuple[str, str]] = []
        self.notices: list[str] = []
        self.closed: Mapping[str, Any] | None = None
        self.who: dict[str, Any] = {}
        self.role_since = 0


def raising(k: m.Knowledge) -> frozenset[tuple[str, str]]:
    """The (check, outcome) pairs that raise a danger or a hold, by a block or with others by a rule."""
    found = {(r.check, o) for d in k.dangers.values() for r in d.raised_by for o in r.outcomes}
    for rule in k.rules.values():
        if any(t.sort == "stop-use" for t in rule.then):
            found |= {(w.key, o) for w in rule.when if w.sort == "reading" for o in w.words}
    return frozenset(found)


def dangerous_in(k: m.Knowledge, site: Site, data: Mapping[str, Any]) -> tuple[str, ...]:
    """The dangers that a reading could raise, alone or with others, by the ids of their blocks or rules."""
    check = k.checks.get(str(data.get("check")))
    if check is None:
        return ()
    try:
        places = stored_places(site, check.at, str(data["at"])) if data.get("at") else ()
        outcome, _, _ = take_answer(k, site, check, places, str(data.get("answer", "")))
    except AnswerError:
        return ()
    blocks = [d.id for d in k.dangers.values() if d.level == "stop" and any(r.check == check.id and outcome in r.outcomes for r in d.raised_by)]
    rules = [
        t.key for rule in k.rules.values() for t in rule.then
        if t.sort == "stop-use" and any(w.sort == "reading" and w.key == check.id and outcome in w.words for w in rule.when)
    ]  # fmt: skip
    return tuple(dict.fromkeys((*blocks, *rules)))


def read_entries(events: Iterable[Event], k: m.Knowledge) -> Log:
    """The log of a case, with what this rule base takes for a danger."""
    dangerous = raising(k)
    checks = {check for check, _ in dangerous}

    def raises(event: Event) -> bool:
        if tells_of_danger(event) or (event.kind == "danger" and event.data.get("what") in ("placed", "energized")):
            return True
        if event.kind != "reading" or event.data.get("check") not in checks:
            return False
        check, answer = k.checks[str(event.data["check"])], str(event.data.get("answer", ""))
        # What a value means depends on the record, so a value counts whatever it is.
        return (check.id, answer) in dangerous or bool(check.gauge and answer != check.normal and answer not in m.NO_ANSWER)

    log = Log(raises)
    for event in events:
        log.add(today(event, k))
    return log


def fold(events: Iterable[Event], k: m.Knowledge, sites: dict[str, Site] | None = None) -> State:
    """The state after these events, what was taken back left out.

    What an older rule base knew and this one does not is kept in `notices`, never dropped in silence.
    `sites` is a store for parsed records, so that a long case does not read its record again.
    """
    f = _Fold(k)
    for entry in read_entries(events, k).standing():
        _take(f, entry)
    record = f.record or str(f.opened.get("record") or BARE_RECORD)
    site = _site(record, f, {} if sites is None else sites)
    placed = placements(site, f.said)
    readings = tuple(_placed(r, placed) for entry, after in f.raw if (r := _reading(entry, after, site, f)) is not None)
    mended = tuple(done for entry in f.mended if (done := _mended(entry, site, f)) is not None)
    role = _role(f)
    on_site = f.who.get("on-site")
    journey = site.number("site.journey") or 30.0
    return State(
        title=str(f.opened.get("title", "")), site=site, record=record, role=role, instruments=_instruments(f),
        on_site=on_site if isinstance(on_site, bool) else m.may(role, "technician"), journey=journey,
        complaint=str(f.opened.get("complaint", "")), readings=readings, mended=mended, said=tuple(f.said),
        closed=f.closed, notes=tuple(f.notes), notices=tuple(f.notices), role_since=f.role_since,
    )  # fmt: skip


def _take(f: _Fold, entry: Entry) -> None:
    event = entry.event
    if event.kind == "opened":
        f.opened = event.data
        f.who.update(event.data)
    elif event.kind == "role":
        f.who.update(event.data)
        f.role_since = entry.n if "role" in event.data else f.role_since
    elif event.kind == "record":
        f.record = str(event.data["record"])
        if event.data.get("complaint"):
            f.opened = {**f.opened, "complaint": event.data["complaint"]}
    elif event.kind == "fact":
        if event.data.get("key") != MADE_SAFE:
            f.facts.append(event.data)
        elif event.data.get("text") == "yes":
            f.said.append(Said(event.id, MADE_SAFE, {"at": event.data.get("at", "site")}, entry.n, entry.role))
    elif event.kind == "danger":
        f.said.append(Said(event.id, str(event.data["what"]), event.data, entry.n, entry.role))
    elif event.kind == "reading":
        f.raw.append((entry, len(f.mended)))
    elif event.kind == "remedy":
        f.mended.append(entry)
    elif event.kind == "note":
        f.notes.append((event.id, str(event.data.get("text", ""))))
    elif event.kind == "closed":
        f.closed = event.data


def _role(f: _Fold) -> str:
    """The role at this point of the case; a word that is no role has the least rights."""
    role = str(f.who.get("role") or "technician")
    return role if role in m.ROLES else "caller"


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


def _reading(entry: Entry, after: int, site: Site, f: _Fold) -> Reading | None:
    event, data = entry.event, entry.event.data
    check = f.k.checks.get(str(data.get("check")))
    if check is None:
        f.notices.append(f"the check {shown(data.get('check'))} is not known to this rule base; its answer is kept but not used")
        return None
    text = str(data.get("answer", ""))
    try:
        places = stored_places(site, check.at, str(data["at"])) if data.get("at") else ()
        outcome, value, unit = take_answer(f.k, site, check, places, text)
    except AnswerError as error:
        if tells_of_danger(event):  # whatever else is wrong with it, it was a danger, and counts for the whole site
            known = text if text in check.outcome_ids else check.outcome_ids[-1]
            return Reading(
                event=event.id, check=check.id, places=(), outcome=known, text=text, value=None, unit="",
                complaint=bool(data.get("complaint")), after=after, at=event.at, by=event.by, n=entry.n,
                role=entry.role, own=not data.get("reported-by"),
            )  # fmt: skip
        f.notices.append(f"the answer to {check.id} is not used: {one_line(str(error))}")
        return None
    return Reading(
        event=event.id, check=check.id, places=places, outcome=outcome, text=text, value=value, unit=unit,
        complaint=bool(data.get("complaint")), after=after, at=event.at, by=event.by, n=entry.n, role=entry.role,
        own=not data.get("reported-by"),
    )  # fmt: skip


def placements(site: Site, said: Iterable[Said]) -> dict[str, tuple[Place, ...]]:
    """Where signs were that came without a place. A place once named is corrected only by a technician or above."""
    found: dict[str, tuple[Place, ...]] = {}
    for s in said:
        name = str(s.data.get("reading"))
        if s.what == "placed" and (name not in found or m.may(s.role, "technician")):
            found[name] = named_places(site, str(s.data.get("at", "")))
    return found


def named_places(site: Site, at: str) -> tuple[Place, ...]:
    """Places as an entry names them; the whole site when it names none that is there."""
    kinds = (kind for kind in KINDS if kind != "trunk-end")  # a danger is never narrowed down to an end of a trunk
    own = {str(p): p for kind in kinds for p in site.places(kind)}
    found = tuple(own[part] for part in at.split(", ") if part in own)
    if found:
        return found
    if at.startswith("units "):
        try:
            return site.find(at, "unit")
        except ValueError:
            return (SITE,)
    return (SITE,)


def _placed(r: Reading, placed: Mapping[str, tuple[Place, ...]]) -> Reading:
    """A sign at the units that were named for it afterwards: it tells nothing of the other units."""
    places = placed.get(r.event, ())
    return r._replace(places=places) if places and not r.places and all(p.kind == "unit" for p in places) else r


def stored_places(site: Site, kind: str, at: str) -> tuple[Place, ...]:
    """Places by the texts that they are stored under: there `near end` is trunk 1's, where a person is asked which."""
    own = {str(place): place for place in site.places(kind)}
    parts = at.split(", ")
    if all(part in own for part in parts):
        return tuple(own[part] for part in parts)
    return find_places(site, kind, at)


def _mended(entry: Entry, site: Site, f: _Fold) -> Mended | None:
    event = entry.event
    remedy = str(event.data.get("remedy", ""))
    at = str(event.data.get("at", "site"))
    place = parse_place(site, at)
    if remedy not in f.k.remedies or place is None:
        f.notices.append(f"the repair {shown(remedy)} at {shown(at)} is not known to this rule base")
        return None
    return Mended(
        event=event.id, remedy=remedy, place=place, at=event.at, by=event.by, n=entry.n, role=entry.role,
        own=not event.data.get("reported-by"),
    )


def parse_place(site: Site, text: str) -> Place | None:
    """The place whose own text this is (`unit 5`, `segment 4-5`, `far end`); None when there is none."""
    for kind in KINDS:
        for place in site.places(kind):
            if str(place) == text:
                return place
    return None


__all__ = [
    "MADE_SAFE",
    "AnswerError",
    "Mended",
    "Quantity",
    "Reading",
    "Said",
    "State",
    "dangerous_in",
    "find_places",
    "fold",
    "parse_place",
    "raising",
    "read_entries",
    "read_site",
    "take_answer",
]  # fmt: skip
