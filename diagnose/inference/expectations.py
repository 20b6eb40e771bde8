"""What each fault would show at this site: the effect rules run forwards over the install record.

Places whose facts are alike form one *variant*, so the engine sees a handful of symbols however
large the site is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple, Protocol

from diagnose.gauges import load_all
from diagnose.gauges.base import AUDITS, STRENGTHS, Audit
from diagnose.inference.compile import Compiled
from diagnose.inference.terms import Fact
from diagnose.inference.trace import Proof, Trace
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import KINDS, SITE, Place


class Inferrer(Protocol):
    """The engine or the plain matcher."""

    def infer(self, facts: Iterable[Fact]) -> Trace: ...


class Entry(NamedTuple):
    """At places that lie as one of `where` says, the fault makes `check` come out as `outcome` with `chance`."""

    check: str
    outcome: str
    where: tuple[str, ...]
    chance: float
    fact: Fact


class Variants(NamedTuple):
    """Places with the same symbolic facts. `facts` are those of the install record, `audits` the figures behind."""

    of: dict[Place, str]
    example: dict[str, Place]
    members: dict[str, tuple[Place, ...]]
    facts: dict[str, tuple[tuple[str, str], ...]]
    audits: dict[tuple[str, Place], Audit]


class Expectations(NamedTuple):
    """For each (fault, variant) that is possible here: its entries."""

    variants: Variants
    entries: dict[tuple[str, str], tuple[Entry, ...]]
    trace: Trace

    def proof(self, entry: Entry) -> Proof:
        """The rules that lead from the suspect and the install facts to this entry."""
        return self.trace.proof(entry.fact)


def seen_from(site: Site, place: Place, section: str) -> Place | None:
    """The place of kind `section` whose facts hold at `place`."""
    if section == "site":
        return SITE
    if place.kind == section:
        return place
    if section == "trunk":
        trunk = site.trunk_of(place)
        if trunk is None and (unit := site.host(place)) is not None:
            trunk = site.trunk_of(Place("unit", unit))
        return Place("trunk", trunk.number) if trunk else None
    unit = site.host(place)
    if unit is None:
        return None
    if section == "unit":
        return Place("unit", unit)
    if section == "panel":
        return Place("panel", site.panel_of(unit))
    return next((Place(section, g.number) for g in site.groups(section) if unit in g.units or unit == g.unit), None)


def audit_site(site: Site, names: Iterable[str]) -> dict[tuple[str, Place], Audit]:
    """Every named audit gauge at every place of its kind; nothing where the record lacks the facts."""
    load_all()
    found: dict[tuple[str, Place], Audit] = {}
    for name in sorted(names):
        gauge = AUDITS[name]
        for place in site.places(gauge.at):
            audit = gauge.function(site, place)
            if audit is not None:
                found[name, place] = audit
    return found


def find_variants(site: Site, specs: dict[str, str], kinds: Iterable[str]) -> Variants:
    """Group the places of `kinds` by the words that `specs` (name -> section, facts and gauges) have there."""
    audits = audit_site(site, [n for n in specs if n in AUDITS])
    by_section: dict[str, list[str]] = {}
    for name, section in specs.items():
        by_section.setdefault(section, []).append(name)
    words: dict[tuple[str, Place], tuple[tuple[str, str], ...]] = {}

    def words_of(section: str, place: Place) -> tuple[tuple[str, str], ...]:
        key = (section, place)
        if key not in words:
            found: list[tuple[str, str]] = []
            for name in by_section[section]:
                audit = audits.get((name, place))
                word = audit.outcome if audit else None if name in AUDITS else site.word(name, place)
                if word is not None:
                    found.append((name, word))
            words[key] = tuple(found)
        return words[key]

    of: dict[Place, str] = {}
    example: dict[str, Place] = {}
    members: dict[str, list[Place]] = {}
    facts: dict[str, tuple[tuple[str, str], ...]] = {}
    symbols: dict[tuple[str, tuple[tuple[str, str], ...], tuple[int, ...]], str] = {}
    for kind in sorted(set(kinds)):
        for place in site.places(kind):
            there: list[tuple[str, str]] = []
            for section in by_section:
                if (seen := seen_from(site, place, section)) is not None:
                    there.extend(words_of(section, seen))
            known = tuple(sorted(there))
            # Ends and groups are few and differ in what gauges compute, so each is a variant of its own.
            apart = () if KINDS[kind].alike else (place.number, place.other)
            symbol = symbols.setdefault((kind, known, apart), f"{kind}/{len(symbols)}")
            of[place] = symbol
            example.setdefault(symbol, place)
            members.setdefault(symbol, []).append(place)
            facts[symbol] = known
    return Variants(of, example, {s: tuple(p) for s, p in members.items()}, facts, audits)


def fact_sections(k: m.Knowledge, compiled: Compiled) -> dict[str, str]:
    """Each install fact and audit gauge that rules mention, with the section it belongs to."""
    load_all()
    return {
        key: AUDITS[key].at if key in AUDITS else k.facts[key].section for key in sorted(compiled.fact_keys)
    }


def expect(k: m.Knowledge, compiled: Compiled, site: Site, inferrer: Inferrer) -> Expectations:
    """Run the effect rules for every fault at every variant of its kind of place."""
    variants = find_variants(site, fact_sections(k, compiled), KINDS)
    given: list[Fact] = []
    mentioned = {(p.key, p.value) for r in compiled.effects for p in r.when if p.kind == "fact"}
    for symbol, words in variants.facts.items():
        given += [Fact("fact", key, word, symbol) for key, word in words if (key, word) in mentioned]
        kind = variants.example[symbol].kind
        given += [Fact("suspect", f.id, "yes", symbol) for f in k.faults.values() if f.at == kind]
    trace = inferrer.infer(given)
    chance_of = _chances(k, site, variants)
    starts: dict[tuple[str, str, str], float] = {}
    for firing in trace.firings:
        cause = compiled.causes.get(firing.rule)
        if cause is not None:
            for fact in firing.conclusions:
                key = (fact.key, fact.value, fact.place)
                chance = chance_of(cause.how_often, fact.place)
                starts[key] = 1 - (1 - starts.get(key, 0.0)) * (1 - chance)
    entries: dict[tuple[str, str], list[Entry]] = {
        (f.key, f.place): [] for f in trace.facts if f.kind == "possible"
    }
    for fact in trace.facts:
        if fact.kind != "shows":
            continue
        effect = compiled.shows[fact.key]
        chance = chance_of(effect.show.how_often, fact.place)
        if effect.owner in k.mechanisms:
            chance *= starts[effect.owner, fact.value, fact.place]
        entries[fact.value, fact.place].append(
            Entry(effect.show.check, effect.show.outcome, effect.show.where, chance, fact)
        )
    return Expectations(variants, {key: tuple(rows) for key, rows in entries.items()}, trace)


def _chances(k: m.Knowledge, site: Site, variants: Variants) -> Callable[[str, str], float]:
    known: dict[tuple[str, str], float] = {}

    def chance(how_often: str, symbol: str) -> float:
        if not how_often.startswith(m.GAUGE):
            return k.often(how_often)
        key = (how_often, symbol)
        if key not in known:
            gauge = STRENGTHS[how_often[len(m.GAUGE) :]]
            place = seen_from(site, variants.example[symbol], gauge.at)
            strength = gauge.function(site, place) if place is not None else k.often("never")
            known[key] = min(max(strength, k.often("never")), k.often("always"))
        return known[key]

    return chance
