"""Dangers of a case: raised, made safe, repaired, proved, lifted. A pure fold over what the log says.

A danger is raised by a sign, by words that nobody has denied yet, by a reading that its block names, or by a
rule. It has a place, and ends there only when, in this order and by a role that may,

1. it was reported as made safe (isolated, locked out, proved dead) after it was last told of,
2. a repair was done at its place,
3. its proofs there read normal after the repair: those of its block for a sign, for a reading that same reading,
4. nobody sees a danger sign there any more, said by that role too.

What a desk passes on for somebody else counts only when that role has vouched for it by an entry of its own.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from diagnose.casework import view as v
from diagnose.casework.state import MADE_SAFE, Mended, Reading, Said, State, named_places, placements
from diagnose.inference.expectations import seen_from
from diagnose.knowledge import model as m
from diagnose.site.model import WRITTEN_OUT, Site
from diagnose.site.places import KINDS, SITE, Place, describe, spoken

UNCLEAR = "not-clear"


class Raised(NamedTuple):
    """One telling of a danger. `checks` are the readings that told it, empty for a sign or words."""

    danger: str
    place: Place
    n: int
    source: str
    checks: tuple[str, ...]
    words: str
    dead: bool  # told by a reading on locked-out equipment


class Ruled(NamedTuple):
    """A danger that a rule concluded, with the readings it rests on."""

    danger: str
    places: tuple[Place, ...]
    rule: str
    readings: tuple[tuple[str, tuple[str, ...]], ...]


class Life(NamedTuple):
    """Where one danger at one place stands."""

    danger: m.Danger
    place: Place
    status: str  # asked | standing | made-safe | repaired | proving | lifted
    proofs: tuple[v.DangerProof, ...]
    source: str
    words: str
    reported: str
    over: int = 0  # position of the entry that ended it; 0 while it stands


class Span(NamedTuple):
    """From when to when a danger stood at a place, and who had to make it safe.

    over   position of the entry that ended it; 0 while it stands
    told   positions at which it was told of other than by a reading of dead equipment
    """

    place: Place
    by: str
    since: int
    over: int
    told: tuple[int, ...]


def block_of(k: m.Knowledge, danger: str) -> m.Danger:
    """The block of a danger; one without a block is the worst of its kind, so that no rule base loses one."""
    known = k.dangers.get(danger)
    if known is not None:
        return known
    title = danger.replace("-", " ")
    return m.Danger(
        id=danger, title=title, level="stop", emergency=False, says="Stop using {place}.", first=(), make_safe="",
        by="electrician", proofs=(), kit=(), raised_by=(), sources=(), spot=m.Spot("", 1),
    )


def open_questions(state: State) -> tuple[v.Asked, ...]:
    """Words that may tell of a danger and were neither confirmed nor denied."""
    settled = {str(s.data.get("asked")) for s in state.said if s.what in ("denied", "confirmed")}
    return tuple(
        v.Asked(s.event, str(s.data.get("words", "")), str(s.data.get("sign", "")), str(s.data.get("at", "")))
        for s in state.said
        if s.what == "asked" and s.event not in settled
    )


def lives(k: m.Knowledge, state: State, ruled: Iterable[Ruled]) -> tuple[Life, ...]:
    """Every danger that was told of, with where it stands; lifted ones too."""
    told: dict[tuple[str, Place], list[Raised]] = {}
    for raised in _all_raised(k, state, ruled):
        told.setdefault((raised.danger, raised.place), []).append(raised)
    asked = {a.event for a in open_questions(state)}
    log = _Log(k, state)
    strict = {key: _life(log, block_of(k, key[0]), key[1], [r._replace(dead=False) for r in rows], asked) for key, rows in told.items()}
    log.spans = tuple(
        Span(x.place, x.danger.by, min(r.n for r in told[key]), x.over, tuple(r.n for r in told[key] if not r.dead))
        for key, x in strict.items() if x.danger.level == "stop"
    )
    return tuple(_life(log, block_of(k, danger), place, rows, asked) for (danger, place), rows in told.items())


def stop_use(k: m.Knowledge, found: Iterable[Life]) -> tuple[v.StopUse, ...]:
    """What stands, places of one danger in one state together, the most urgent first."""
    together: dict[tuple[str, str, str, str, str], list[Life]] = {}
    for life in found:
        if life.danger.level == "stop" and life.status != "lifted":
            together.setdefault((life.danger.id, life.status, life.source, life.words, life.reported), []).append(life)
    stops = []
    for (_, status, source, words, reported), rows in together.items():
        d = rows[0].danger
        places = tuple(sorted({life.place for life in rows}))
        proofs = tuple(dict.fromkeys(p for life in rows for p in life.proofs))
        stops.append(
            v.StopUse(
                danger=d.id, reason=d.title,
                says=d.says.replace("{place}", "the whole site" if places[:1] == (SITE,) else describe(places)),
                places=places, source=source, status=status, emergency=d.emergency, first=_cautions(k, d.first),
                make_safe=_cautions(k, (d.make_safe,)), by=d.by, proofs=proofs, kit=d.kit, reported=reported,
                words=words,
            )
        )  # fmt: skip
    order = ("asked", "standing", "made-safe", "repaired", "proving")
    return tuple(sorted(stops, key=lambda s: (order.index(s.status) > 1, not s.emergency, s.danger, s.status, s.places)))


def holds(k: m.Knowledge, state: State) -> tuple[v.Hold, ...]:
    """Protective devices that have acted and that nobody qualified has looked into since."""
    found: dict[str, list[Place]] = {}
    for d in k.dangers.values():
        if d.level != "hold":
            continue
        for raised in _readings_raised(k, state, d):
            checks = set(raised.checks)
            ended = any(
                r.n > raised.n and r.check in checks and r.outcome == k.checks[r.check].normal and _covers(r.places, raised.place)
                and m.may(r.role, "technician") and r.own
                for r in state.readings
            ) or any(x.n > raised.n and belongs(state.site, x.place, raised.place) and m.may(x.role, "technician") for x in state.mended)
            if not ended:
                found.setdefault(d.id, []).append(raised.place)
    return tuple(
        v.Hold(i, block_of(k, i).title, block_of(k, i).says.replace("{place}", spoken(sorted(set(p)))), tuple(sorted(set(p))))
        for i, p in found.items()
    )


def belongs(site: Site, place: Place, danger: Place) -> bool:
    """Whether work at `place` is work at the danger: there, in what feeds it, or in what it consists of."""
    if place == danger:
        return True
    if danger == SITE:
        return place.kind in WRITTEN_OUT  # no group: no uplink, no control input, and no kind that nobody has thought about here
    if danger.kind == "unit":
        return place.kind == "panel" and danger.number in site.units_of(place)
    if danger.kind in ("segment", "trunk-end"):
        return place.kind == "trunk" and site.trunk_of(danger) == site.trunk_of(place)
    if danger.kind == "trunk":
        return place.kind in ("segment", "trunk-end", "unit") and site.trunk_of(place) == site.trunk_of(danger)
    return danger.kind == "control" and place.kind == "unit" and site.host(danger) == place.number


# ---- telling


def _all_raised(k: m.Knowledge, state: State, ruled: Iterable[Ruled]) -> Iterable[Raised]:
    placed = placements(state.site, state.said)
    signs = {(r.check, o): d.id for d in k.dangers.values() for r in d.raised_by if r.check in m.SIGNS for o in r.outcomes}
    words_of = {s.event: str(s.data.get("words", "")) for s in state.said if s.what == "asked"}
    confirmed = {str(s.data.get("with")): words_of.get(str(s.data.get("asked")), "") for s in state.said if s.what == "confirmed"}
    for r in state.readings:
        if r.check in m.SIGNS and r.outcome not in (None, k.checks[r.check].normal):
            for place in placed.get(r.event) or r.places or (SITE,):
                danger = signs.get((m.PANEL_DANGER if place.kind == "panel" else r.check, str(r.outcome)), str(r.outcome))
                yield Raised(
                    danger=danger, place=place, n=r.n, source=r.check, checks=(), words=confirmed.get(r.event, ""),
                    dead=False,
                )
    for a in (s for s in state.said if s.what == "asked"):
        if a.event in {q.event for q in open_questions(state)}:
            for place in named_places(state.site, str(a.data.get("at", ""))):
                danger = signs.get((m.PANEL_DANGER if place.kind == "panel" else m.DANGER, str(a.data.get("sign"))), UNCLEAR)
                yield Raised(
                    danger=danger, place=place, n=a.n, source=a.event, checks=(), words=str(a.data.get("words", "")),
                    dead=False,
                )
    for d in k.dangers.values():
        if d.level == "stop":
            yield from _readings_raised(k, state, d)
    for rule in ruled:
        hits = [r for r in state.readings if any(r.check == c and r.outcome in o for c, o in rule.readings)]
        last = max((r.n for r in hits), default=0)
        dead = all(k.checks[r.check].state == "dead-verified" for r in hits if r.n == last)
        for place in rule.places:
            yield Raised(
                danger=rule.danger, place=place, n=last, source=rule.rule, checks=tuple(c for c, _ in rule.readings),
                words="", dead=dead and bool(hits),
            )


def _readings_raised(k: m.Knowledge, state: State, d: m.Danger) -> Iterable[Raised]:
    wanted = {(x.check, o) for x in d.raised_by if x.check not in m.SIGNS for o in x.outcomes}
    for r in state.readings:
        if r.outcome is not None and (r.check, r.outcome) in wanted:
            dead = k.checks[r.check].state == "dead-verified"
            for place in r.places or (SITE,):
                yield Raised(danger=d.id, place=place, n=r.n, source=r.check, checks=(r.check,), words="", dead=dead)


# ---- the way out


class _Log:
    """What was done, by whom, with the entries that somebody has vouched for."""

    def __init__(self, k: m.Knowledge, state: State) -> None:
        self.k, self.state, self.site = k, state, state.site
        self.spans: tuple[Span, ...] = ()
        self.vouched: dict[str, str] = {}  # entry -> highest role that vouched for it
        for s in state.said:
            names = s.data.get("events")
            if s.what == "vouched" and isinstance(names, list):
                for name in map(str, names):
                    if m.may(s.role, self.vouched.get(name, m.ROLES[0])):
                        self.vouched[name] = s.role

    def by(self, entry: Reading | Mended | Said) -> str:
        """The role that answers for an entry."""
        own = entry.what != "reported-safe" if isinstance(entry, Said) else entry.own
        role = entry.role if own else m.ROLES[0]
        vouched = self.vouched.get(entry.event, m.ROLES[0])
        return role if m.may(role, vouched) else vouched

    def safe(self, place: Place, by: str) -> tuple[int, str]:
        """Position of the last report that `place` was made safe by a role that may, and what was only passed on."""
        last, reported = 0, ""
        for s in self.state.said:
            if s.what not in (MADE_SAFE, "reported-safe") or not self._isolates(s, place):
                continue
            if m.may(self.by(s), by):
                last, reported = s.n, ""
            elif s.what == "reported-safe" and m.may(str(s.data.get("role")), by):
                reported = f"{s.data.get('role')} {s.data.get('name', '')}".strip()
        return last, reported

    def locked(self, place: Place, n: int) -> bool:
        """Whether `place` was off and locked out for some danger when entry `n` was made."""
        return any(
            x.since < n and (not x.over or x.over > n) and (x.place == place or self._feeds(x.place, place))
            and any(
                x.since < s.n < n and s.what == MADE_SAFE and m.may(self.by(s), x.by) and self._isolates(s, place)
                and not any(s.n < told < n for told in x.told)  # told of anew, the report is no longer believed
                and not any(
                    e.n > s.n
                    and e.n < n
                    and e.what == "energized"
                    and place in named_places(self.site, str(e.data.get("at", "")))
                    for e in self.state.said
                )
                for s in self.state.said
            )
            for x in self.spans
        )  # fmt: skip

    def _feeds(self, panel: Place, place: Place) -> bool:
        return panel.kind == "panel" and place.kind == "unit" and self.site.panel_of(place.number) == panel.number

    def _isolates(self, s: Said, place: Place) -> bool:
        at = str(s.data.get("at", "site"))
        if at == "site":
            return "isolated" not in s.data or place == SITE  # a report of the first version covered the whole site
        if place.kind == "unit" and at.startswith("panel") and s.data.get("covers"):
            return place in named_places(self.site, str(s.data["covers"]))  # as it was fed when it was reported, whatever is said later
        return any(
            p == place
            or (p.kind == "panel" and place.kind == "unit" and self.site.panel_of(place.number) == p.number)
            for p in named_places(self.site, at)
        )

    def energized(self, place: Place) -> int:
        """Position of the last report that `place` has power again."""
        return max((s.n for s in self.state.said if s.what == "energized" and place in named_places(self.site, str(s.data.get("at", "")))), default=0)

    def repaired(self, place: Place, by: str, after: int) -> int:
        """Position of the first repair at `place` after an entry, by a role that may; 0 when there is none."""
        return min((x.n for x in self.state.mended if x.n > after and m.may(self.by(x), by) and belongs(self.site, x.place, place)), default=0)

    def completed(self, check: str, places: tuple[Place, ...], by: str, after: int) -> int:
        """Position of the reading with which a proof was first good at all its places; 0 while it is not."""
        rows = ((r, m.may(self.by(r), by)) for r in self.state.readings if r.check == check and r.n > after and r.outcome is not None)
        return _first_complete(rows, self.k.checks[check].normal, places)

    def proof(self, check: str, places: tuple[Place, ...], by: str, after: int, until: int = sys.maxsize) -> str:
        """open, good or failed: the last reading after an entry (and up to another) at each place, by a role that may."""
        normal = self.k.checks[check].normal
        last: dict[Place, Reading] = {}
        good: set[Place] = set()
        for r in self.state.readings:
            if r.check != check or not after < r.n <= until or r.outcome is None:
                continue
            for place in r.places or (SITE,):
                last[place] = r
                if r.outcome != normal:
                    good.discard(place)
                elif m.may(self.by(r), by):
                    good.add(place)
        if any(p in last and last[p].outcome != normal for p in places):
            return "failed"
        return "good" if all(p in good for p in places) else "open"


def _first_complete(readings: Iterable[tuple[Reading, bool]], normal: str, places: tuple[Place, ...]) -> int:
    good: set[Place] = set()
    for r, counts in readings:
        for place in r.places or (SITE,):
            if r.outcome != normal:
                good.discard(place)
            elif counts:
                good.add(place)
        if all(p in good for p in places):
            return r.n
    return 0


def _life(log: _Log, d: m.Danger, place: Place, rows: list[Raised], asked: set[str]) -> Life:
    words = next((r.words for r in reversed(rows) if r.words), "")
    source = rows[0].source
    proofs = _wanted(log, d, place, rows)
    if any(r.source in asked for r in rows):
        return Life(
            danger=d, place=place, status="asked", proofs=_stated(log, d, proofs, 0), source=rows[-1].source,
            words=words, reported="",
        )
    last = max(r.n for r in rows)
    safe, reported = log.safe(place, d.by)
    energized = log.energized(place)
    # A reading of locked-out equipment tells of a danger, but switches nothing on.
    alive = [r.n for r in rows if not (r.dead and log.locked(place, r.n))]
    if not safe or safe < max(alive, default=0):
        return Life(
            danger=d, place=place, status="standing", proofs=_stated(log, d, proofs, 0), source=source, words=words,
            reported=reported,
        )
    mended = log.repaired(place, d.by, max(last, safe))
    if not mended:
        # Power came back without a repair: the report that it was made safe is void.
        status = "standing" if energized > safe else "made-safe"
        return Life(
            danger=d, place=place, status=status, proofs=_stated(log, d, proofs, 0), source=source, words=words,
            reported="",
        )
    if safe < energized < mended:
        return Life(
            danger=d, place=place, status="standing", proofs=_stated(log, d, proofs, 0), source=source, words=words,
            reported="",
        )
    if over := _over(log, d, proofs, mended):
        return Life(
            danger=d, place=place, status="lifted", proofs=_stated(log, d, proofs, mended, over), source=source,
            words=words, reported="", over=over,
        )
    stated = _stated(log, d, proofs, mended)
    return Life(
        danger=d, place=place, status="proving" if energized > mended else "repaired", proofs=stated, source=source,
        words=words, reported="",
    )


def _wanted(log: _Log, d: m.Danger, place: Place, rows: list[Raised]) -> tuple[tuple[tuple[str, ...], tuple[Place, ...]], ...]:
    """The proofs of a danger: (any of these checks, at all these places)."""
    k, site = log.k, log.site
    wanted: dict[tuple[tuple[str, ...], tuple[Place, ...]], None] = {}
    told = [c for r in rows for c in r.checks if c in k.checks]
    # What somebody remembers, or a record holds, does not read normal again: there the proofs of the block stand for it.
    lasting = [c for c in told if k.checks[c].kind in ("question", "record") and d.proofs]
    if lasting or any(not r.checks for r in rows):
        for names in d.proofs:
            known = tuple(c for c in names if c in k.checks)
            if known:
                wanted[known, places_for(site, k.checks[known[0]].at, place)] = None
    for check in told:
        if check not in lasting:
            wanted[(check,), places_for(site, k.checks[check].at, place)] = None
    wanted[(m.DANGER,), places_for(site, "unit", place)] = None
    if m.PANEL_DANGER in k.checks and place.kind in ("panel", "site"):
        wanted[(m.PANEL_DANGER,), places_for(site, "panel", place)] = None
    return tuple(wanted)


def places_for(site: Site, kind: str, place: Place) -> tuple[Place, ...]:
    """Where a check of `kind` is taken for a danger at `place`: there, at all that it consists of, or at what it belongs to."""
    if place.kind == kind:
        return (place,)
    units = set(site.units_of(place))
    finer = tuple(p for p in site.places(kind) if units and set(site.units_of(p)) <= units) if KINDS[place.kind].consists else ()
    if place == SITE:
        return site.places(kind)
    if kind == "unit":
        return tuple(Place("unit", n) for n in site.units_of(place))
    if finer:
        return finer
    there = seen_from(site, place, kind)
    return (there,) if there else site.places(kind)


def _over(log: _Log, d: m.Danger, wanted: tuple[tuple[tuple[str, ...], tuple[Place, ...]], ...], after: int) -> int:
    """Position of the entry with which every proof was good at once; 0 when there was none. What reads bad later is a new danger."""
    ends = []
    for checks, places in wanted:
        done = [n for c in checks if (n := log.completed(c, places, d.by, after))]
        if not done:
            return 0
        ends.append(min(done))
    for r in log.state.readings:
        if r.n >= max(ends) and all(p.state == "good" for p in _stated(log, d, wanted, after, r.n)):
            return r.n
    return 0


def _stated(
    log: _Log, d: m.Danger, wanted: tuple[tuple[tuple[str, ...], tuple[Place, ...]], ...], after: int, until: int = sys.maxsize
) -> tuple[v.DangerProof, ...]:
    found = []
    for checks, places in wanted:
        states = [log.proof(c, places, d.by, after, until) if after else "open" for c in checks]
        state = "failed" if "failed" in states else "good" if "good" in states else "open"
        found.append(v.DangerProof(checks, places, state))
    return tuple(found)


def _covers(places: tuple[Place, ...], place: Place) -> bool:
    return not places or place in places or place == SITE


def _cautions(k: m.Knowledge, names: Iterable[str]) -> tuple[tuple[str, str, str], ...]:
    table: Mapping[str, m.Caution] = k.cautions
    return tuple((c.id, c.title, c.says) for name in dict.fromkeys(names) if (c := table.get(name)))
