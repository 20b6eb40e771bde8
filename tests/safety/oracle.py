"""What a log says about dangers, worked out anew from the rules of docs/safety.md and from the data of the rule base.

It shares no code with the gate or with the fold of dangers. It takes the raw log of the store, and of the rule
base only facts: roles, states, needs, danger blocks. Where the rules leave a choice it takes the milder one, so
that what it calls a danger is one; `tests/safety/walk.py` holds the program against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from diagnose.casework.events import Event
from diagnose.casework.state import AnswerError, take_answer
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place
from diagnose.site.record import RecordReader
from diagnose.source.located import read_text
from tests.safety.where import isolates, mends, place_of, places_at, related, targets

SIGNS = ("danger-signs", "panel-danger-signs")
NOTHING = ("none", "do-not-know", "cannot-reach")
LADDER = ("caller", "help-desk", "technician", "electrician")


def at_least(role: str | None, wanted: str) -> bool:
    """Whether a role stands on the ladder at or above another one; nobody stands nowhere."""
    return role is not None and LADDER.index(role) >= LADDER.index(wanted)


class Entry(NamedTuple):
    """An event that counts. `role` is the one in force when it was written; `whose` is None while it is hearsay."""

    n: int
    event: Event
    role: str
    whose: str | None


class Danger(NamedTuple):
    """A danger block at a place. `status`: standing, made-safe, repaired, proving or lifted."""

    block: str
    place: Place
    by: str
    status: str
    checks: frozenset[str]  # of which a reading raised it
    told: int  # position of the last telling that wants a made-safe after it

    @property
    def open(self) -> bool:
        return self.status != "lifted"


class Picture(NamedTuple):
    """A log as the rules see it."""

    site: Site
    role: str
    asked: tuple[str, ...]  # words that wait for an answer
    dangers: tuple[Danger, ...]
    entries: tuple[Entry, ...]
    raising: frozenset[str]  # every event that told of a danger, withdrawn or not

    @property
    def unsafe(self) -> bool:
        """Whether nothing may be offered."""
        return bool(self.asked) or any(d.status == "standing" for d in self.dangers)

    @property
    def stopped(self) -> bool:
        return bool(self.asked) or any(d.open for d in self.dangers)


class _Case(NamedTuple):
    k: m.Knowledge
    site: Site
    entries: tuple[Entry, ...]


_SITES: dict[str, Site] = {}


def site_of(k: m.Knowledge, record: str) -> Site:
    """The site of an install record."""
    if record not in _SITES:
        site = RecordReader(k.facts).read(read_text(record, "record"))
        assert site is not None
        _SITES[record] = site
    return _SITES[record]


def picture(k: m.Knowledge, events: Sequence[Event]) -> Picture:
    """What the rules say of a log."""
    site, live, raising = _in_force(k, events)
    vouched: dict[str, str] = {}
    for _, event, role in live:
        if event.kind == "danger" and event.data.get("what") == "vouched" and at_least(role, "technician"):
            names = event.data.get("events")
            for name in names if isinstance(names, list) else ():
                if not at_least(vouched.get(str(name)), role):
                    vouched[str(name)] = role
    entries = tuple(Entry(n, e, role, _whose(e, role, vouched)) for n, e, role in live)
    case = _Case(k, site, entries)
    role = live[-1][2] if live and live[-1][1] is events[-1] else _role_after(events, live)
    return Picture(site, role, _asked(entries), tuple(_dangers(case)) if entries else (), entries, raising)


def _whose(event: Event, role: str, vouched: dict[str, str]) -> str | None:
    hearsay = "reported-by" in event.data or (event.kind == "danger" and event.data.get("what") == "reported-safe")
    return vouched.get(event.id) if hearsay else role


# ---- what counts


Live = list[tuple[int, Event, str]]


def _in_force(k: m.Knowledge, events: Sequence[Event]) -> tuple[Site, Live, frozenset[str]]:
    """The site, the events that count with the role each was written in, and those that told of a danger."""
    by_id = {e.id: e for e in events}
    made: list[Event] = []  # withdrawals that are allowed
    roles: list[str] = []
    role = str(events[0].data.get("role") or "caller")
    raising: set[str] = set()
    site: Site | None = None
    for n, event in enumerate(events):
        if event.kind == "role":
            role = _role(role, event)
        roles.append(role)
        if event.data.get("record"):
            site = site_of(k, str(event.data["record"]))
        if raises(k, site, event):
            raising.add(event.id)
        if event.kind == "withdrawn" and _may_withdraw(event, by_id, role, roles, events, raising):
            made.append(event)
            role = _role_at(events[: n + 1], made)
            roles[-1] = role if _root(event, by_id)[0].kind == "role" else roles[-1]
    gone = _gone(made)
    live = [(n, e, roles[n]) for n, e in enumerate(events) if e.kind != "withdrawn" and e.id not in gone]
    records = [str(e.data["record"]) for _, e, _ in live if e.data.get("record")]
    return site_of(k, records[-1]), live, frozenset(raising)


def _role(role: str, event: Event) -> str:
    said = event.data.get("role")
    return str(said) if said in LADDER else role


def _role_at(events: Sequence[Event], made: Sequence[Event]) -> str:
    gone = _gone(made)
    role = str(events[0].data.get("role") or "caller")
    for event in events:
        if event.kind == "role" and event.id not in gone:
            role = _role(role, event)
    return role


def _role_after(events: Sequence[Event], live: Live) -> str:
    role = str(events[0].data.get("role") or "caller")
    for _, event, _ in live:
        if event.kind == "role":
            role = _role(role, event)
    return role


def _gone(made: Sequence[Event]) -> set[str]:
    """What allowed withdrawals take away; one that is itself withdrawn takes nothing away."""
    gone: set[str] = set()
    for event in reversed(made):
        if event.id not in gone:
            gone.add(str(event.data["event"]))
    return gone


def _root(event: Event, by_id: dict[str, Event]) -> tuple[Event, bool]:
    """What a withdrawal is about in the end, and whether it takes that away (or gives it back)."""
    depth = 0
    while event.kind == "withdrawn":
        event = by_id[str(event.data["event"])]
        depth += 1
    return event, depth % 2 == 1


def _may_withdraw(
    event: Event, by_id: dict[str, Event], role: str, roles: Sequence[str], events: Sequence[Event], raising: set[str]
) -> bool:
    """Nothing by a role below the one that entered it; what told of a danger by a technician or above, with a reason."""
    about, away = _root(event, by_id)
    reason = str(event.data.get("reason") or "").strip()
    if about.kind != "role" and not at_least(role, roles[events.index(about)]):
        return False
    return about.id not in raising or not away or (at_least(role, "technician") and bool(reason))


def outcome(k: m.Knowledge, site: Site | None, event: Event) -> str | None:
    """The outcome of a reading, None when nobody knows."""
    check = k.checks.get(str(event.data["check"]))
    answer = str(event.data.get("answer"))
    if check is None or answer in NOTHING[1:]:
        return None
    if answer in check.outcome_ids or site is None:
        return answer if answer in check.outcome_ids else None
    try:
        return take_answer(k, site, check, places_at(site, check.at, event), answer)[0]
    except AnswerError:
        return None


def raises(k: m.Knowledge, site: Site | None, event: Event) -> bool:
    """Whether an event tells of a danger, whatever became of it."""
    if event.kind == "danger":
        return event.data.get("what") == "asked"
    return event.kind == "reading" and bool(blocks(k, str(event.data["check"]), outcome(k, site, event)))


def blocks(k: m.Knowledge, check: str, said: str | None) -> list[m.Danger]:
    """The danger blocks that an outcome raises; a sign without one is taken for the unclear one."""
    if said is None:
        return []
    found = [
        d
        for d in k.dangers.values()
        if d.level == "stop" and any(r.check == check and said in r.outcomes for r in d.raised_by)
    ]
    if not found and check in SIGNS and said not in NOTHING:
        return [k.dangers[said]] if said in k.dangers else [k.dangers["panel-not-clear"]]
    return found


def _asked(entries: Iterable[Entry]) -> tuple[str, ...]:
    waiting: dict[str, None] = {}
    for entry in entries:
        if entry.event.kind == "danger":
            what = entry.event.data.get("what")
            if what == "asked":
                waiting[entry.event.id] = None
            elif what in ("denied", "confirmed"):
                waiting.pop(str(entry.event.data.get("asked")), None)
    return tuple(waiting)


# ---- dangers


class _Told(NamedTuple):
    """Tellings of one danger since it was last over: the last one that wants a new made-safe, and a new repair."""

    safe_after: int
    repair_after: int
    checks: frozenset[str]


_Rows = dict[tuple[str, Place], list[tuple[int, str]]]  # (block, place) -> its tellings: position, check


def _dangers(case: _Case) -> list[Danger]:
    told = _tellings(case)
    return [_danger(case, case.k.dangers[name], place, told) for name, place in told]


def _tellings(case: _Case) -> _Rows:
    told: _Rows = {}
    placed = {
        str(e.event.data.get("reading")): place_of(case.site, str(e.event.data.get("at") or ""))
        for e in case.entries
        if e.event.kind == "danger" and e.event.data.get("what") == "placed"
    }
    for e in case.entries:
        if e.event.kind != "reading":
            continue
        check = str(e.event.data["check"])
        said = outcome(case.k, case.site, e.event)
        for place in places_at(case.site, case.k.checks[check].at, e.event) or placed.get(e.event.id) or (SITE,):
            own = SIGNS[1] if check in SIGNS and place.kind == "panel" else check  # a sign that turns out to be the panel's
            for block in blocks(case.k, own, said):
                told.setdefault((block.id, place), []).append((e.n, check))
    return told


def _danger(case: _Case, block: m.Danger, place: Place, told: _Rows) -> Danger:
    now: _Told | None = None
    for n, check in told[block.id, place]:
        dead = case.k.checks[check].state == "dead-verified"
        if now is None or _over(case, block, place, now, n):
            safe = _locked_out(case, block, place, n, told) if dead else None
            now = _Told(n if safe is None else safe - 1, n, frozenset({check}))
            continue
        safe = _made_safe(case, block, place, now, n)
        now = _Told(now.safe_after if dead and safe is not None else n, n, now.checks | {check})
    assert now is not None
    return Danger(block.id, place, block.by, _status(case, block, place, now), now.checks, now.safe_after)


def _locked_out(case: _Case, block: m.Danger, place: Place, n: int, told: _Rows) -> int | None:
    """When a place had been made safe that is off at `n` for another danger: what is read dead there is no news of power."""
    before = case._replace(entries=tuple(e for e in case.entries if e.n < n))
    rows = {key: [row for row in rows if row[0] < n] for key, rows in told.items()}
    rows = {key: found for key, found in rows.items() if found}
    others = [_danger(before, case.k.dangers[name], where, rows) for name, where in rows]
    for safe in _safe_entries(before, block, place):
        if any(d.status in ("made-safe", "repaired") and d.told < safe.n for d in others) and not energized(before, block, place, safe.n):
            return safe.n
    return None


def _status(case: _Case, block: m.Danger, place: Place, told: _Told) -> str:
    end = case.entries[-1].n + 1
    if _over(case, block, place, told, end):
        return "lifted"
    safe = _made_safe(case, block, place, told, end)
    if safe is None:
        return "standing"
    mended = _repaired(case, block, place, told, safe, end)
    if mended is None:
        return "made-safe"
    return "proving" if energized(case, block, place, mended) else "repaired"


def _over(case: _Case, block: m.Danger, place: Place, told: _Told, end: int) -> bool:
    """Whether the danger was lifted at any moment after its last telling and before `end`."""
    safe = _made_safe(case, block, place, told, end)
    if safe is None:
        return False
    mended = _repaired(case, block, place, told, safe, end)
    if mended is None:
        return False
    return any(
        _proved(case, block, place, told, mended, e.n) for e in case.entries if mended < e.n < end and e.event.kind != "note"
    )


def _made_safe(case: _Case, block: m.Danger, place: Place, told: _Told, end: int) -> int | None:
    """When all of the place had been made safe after the telling, at the earliest."""
    latest = -1
    for target in targets(case.site, place) if place == SITE else (place,):
        first = next((e.n for e in _safe_entries(case, block, target) if told.safe_after < e.n < end), None)
        if first is None:
            return None
        latest = max(latest, first)
    return latest


def _safe_entries(case: _Case, block: m.Danger, place: Place) -> Iterable[Entry]:
    for e in case.entries:
        if e.event.kind == "danger" and e.event.data.get("what") in ("made-safe", "reported-safe") and at_least(e.whose, block.by):
            at = place_of(case.site, str(e.event.data.get("at") or ""))
            if any(isolates(case.site, p, place) for p in at):
                yield e


def _repaired(case: _Case, block: m.Danger, place: Place, told: _Told, safe: int, end: int) -> int | None:
    """When the first repair at the place followed, by somebody who may."""
    for e in case.entries:
        if max(safe, told.repair_after) < e.n < end and e.event.kind == "remedy" and at_least(e.whose, block.by):
            at = place_of(case.site, str(e.event.data.get("at") or ""))
            if any(mends(case.site, p, place) for p in at):
                return e.n
    return None


def energized(case: _Case, block: m.Danger, place: Place, after: int) -> bool:
    """Whether power was reported for the proofs after the repair."""
    for e in case.entries:
        if e.n > after and e.event.kind == "danger" and e.event.data.get("what") == "energized" and at_least(e.whose, block.by):
            at = place_of(case.site, str(e.event.data.get("at") or ""))
            if any(isolates(case.site, p, place) for p in at):
                return True
    return False


def _proved(case: _Case, block: m.Danger, place: Place, told: _Told, mended: int, end: int) -> bool:
    """Whether at `end` the proofs (for a sign those of its block, for a reading that reading) and the look for signs are good.

    What somebody remembers, or a record holds, does not read normal again; there the proofs of the block stand for it.
    """
    lasting = {c for c in told.checks if block.proofs and case.k.checks[c].kind in ("question", "record")}
    of_block = block.proofs if lasting or told.checks & set(SIGNS) else ()
    wanted = [*of_block, *((c,) for c in sorted(told.checks - lasting) if c not in SIGNS)]
    for checks in wanted:
        known = [c for c in checks if c in case.k.checks]
        if known and not any(
            all(_reads_good(case, block, c, p, mended, end) for p in related(case.site, place, case.k.checks[c].at)) for c in known
        ):
            return False
    for target in targets(case.site, place):
        check = {"unit": SIGNS[0], "panel": SIGNS[1]}.get(target.kind)
        if check and not _reads_good(case, block, check, target, mended, end):
            return False
    return True


def _reads_good(case: _Case, block: m.Danger, check: str, place: Place, after: int, end: int) -> bool:
    """A normal reading there after the repair by somebody who may, and none that is not normal since."""
    good = False
    for e in case.entries:
        if e.event.kind == "reading" and after < e.n <= end and e.event.data["check"] == check:
            at = places_at(case.site, case.k.checks[check].at, e.event)
            said = outcome(case.k, case.site, e.event)
            if said is None or (at and place not in at):
                continue
            if said != case.k.checks[check].normal:
                good = False
            elif at and at_least(e.whose, block.by):
                good = True
    return good
