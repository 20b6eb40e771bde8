"""What the rules conclude from a case: facts in, findings, priors, exclusions and stop-use out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from diagnose.belief.tables import Floats, Tables
from diagnose.casework import view as v
from diagnose.casework.dangers import Ruled
from diagnose.casework.state import State
from diagnose.gauges.base import AUDITS
from diagnose.inference.compile import Compiled
from diagnose.inference.expectations import Expectations, Variants, seen_from
from diagnose.inference.terms import Fact
from diagnose.inference.trace import Trace
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place, describe, sections, spoken

WIDEST_FACTS = 12  # places of one answer that become facts one by one; more become one fact about the range
EXCLUDED, SETTLED = 1e-3, 50.0  # factors that a reading rule puts on a fault it excludes or settles


class SiteWork(NamedTuple):
    """What follows from the install record alone: expectations, place variants, audit, tables."""

    expectations: Expectations
    variants: Variants
    audit: Trace
    tables: Tables


def record_facts(compiled: Compiled, variants: Variants) -> list[Fact]:
    """The install record as facts for the reading rules, at variant symbols."""
    used = {(p.key, p.value) for r in compiled.readings for p in r.when if p.kind == "fact"}
    return [
        Fact("fact", key, word, symbol)
        for symbol, words in variants.facts.items() for key, word in words if (key, word) in used
    ]  # fmt: skip


def audited_priors(k: m.Knowledge, compiled: Compiled, site: Site, variants: Variants, audit: Trace) -> dict[tuple[str, Place], str]:
    """The prior words that the audit of the record puts on faults at places, the strongest for each."""
    priors: dict[tuple[str, Place], str] = {}
    for firing in audit.firings:
        rule = compiled.reading_rules[firing.rule]
        for fact in firing.conclusions:
            if fact.kind != "prior" or fact.place not in variants.members:
                continue
            if not _at_its_own_kind(rule, variants.example[fact.place].kind, k):
                continue
            at = k.faults[fact.key].at
            for place in variants.members[fact.place]:
                for target in _places_of_fault(site, place, at):
                    old = priors.get((fact.key, target))
                    if old is None or k.prior(fact.value) > k.prior(old):
                        priors[fact.key, target] = fact.value
    return priors


def reading_facts(compiled: Compiled, state: State, variants: Variants) -> list[Fact]:
    """The answers as facts: each at its place, how sweeps lie along a trunk, and the install facts there."""
    facts: list[Fact] = []
    checks = {p.key for r in compiled.readings for p in r.when if p.kind == "reading"}
    patterns = {str(p.key).split(":")[0] for r in compiled.readings for p in r.when if p.kind == "pattern"}
    used = {(p.key, p.value) for r in compiled.readings for p in r.when if p.kind == "fact"}
    latest: dict[tuple[str, Place], str] = {}
    for r in state.readings:
        if r.outcome is None:
            continue
        for place in r.places or (SITE,):
            latest[r.check, place] = r.outcome
        if r.check in checks:
            one_by_one = 0 < len(r.places) <= WIDEST_FACTS
            where = [str(p) for p in r.places] if one_by_one else [describe(r.places) if r.places else "site"]
            facts += [Fact("reading", r.check, r.outcome, text) for text in where]
    for check, place in latest:
        if check in checks and place in variants.of:
            words = variants.facts[variants.of[place]]
            facts += [Fact("fact", key, word, str(place)) for key, word in words if (key, word) in used]
    for check in sorted(patterns):
        facts += _patterns(state.site, check, {p: o for (c, p), o in latest.items() if c == check})
    return facts


def factors(k: m.Knowledge, work: SiteWork, trace: Trace) -> Floats | None:
    """The factor that `excludes` and `settles` conclusions put on each single; None when there are none."""
    wanted = [f for f in trace.facts if f.kind in ("excludes", "settles")]
    if not wanted:
        return None
    found = np.ones(work.tables.size)
    for fact in wanted:
        at = k.faults[fact.key].at
        targets = {t for p in places_of(work, fact.place) for t in _places_of_fault(work.tables.site, p, at)}
        for n in work.tables.singles_of.get(fact.key, ()):
            if not targets or work.tables.where(int(n)) in targets:
                found[n] *= EXCLUDED if fact.kind == "excludes" else SETTLED
    return found


def findings(k: m.Knowledge, compiled: Compiled, work: SiteWork, trace: Trace) -> tuple[v.FindingView, ...]:
    """Findings and violations with their places and figures, the dangerous first."""
    found: dict[str, dict[Place, None]] = {}
    first: dict[str, tuple[Fact, m.ReadingRule]] = {}
    for firing in trace.firings:
        rule = compiled.reading_rules[firing.rule]
        for fact in firing.conclusions:
            if fact.kind != "finding" or fact.place == "anywhere":
                continue
            places = places_of(work, fact.place)
            if not _at_its_own_kind(rule, places[0].kind, k):
                continue
            first.setdefault(fact.key, (fact, rule))
            found.setdefault(fact.key, {}).update(dict.fromkeys(places))
    views = []
    for key, where in found.items():
        fact, rule = first[key]
        spots = tuple(sorted(where))
        says = rule.says.replace("{place}", spoken(spots))
        audits = work.variants.audits
        figures = [audits[c.key, spots[0]].text for c in rule.when if c.sort == "fact" and (c.key, spots[0]) in audits]
        if figures:
            says = f"{says} ({'; '.join(figures)})"
        views.append(v.FindingView(
            id=key, rule=rule.id, level=rule.level, says=says, places=spots, sources=rule.sources,
            proof=trace.proof(fact),
        ))
    order = {level: n for n, level in enumerate(("danger", "violation", "no-fault", "note"))}
    return tuple(sorted(views, key=lambda f: (order[f.level], f.id)))


def ruled(compiled: Compiled, work: SiteWork, trace: Trace) -> tuple[Ruled, ...]:
    """The dangers that rules concluded from readings. Signs are read directly, so that no rule base can lose one."""
    found: list[Ruled] = []
    for firing in trace.firings:
        rule = compiled.reading_rules[firing.rule]
        readings = tuple((w.key, w.words) for w in rule.when if w.sort == "reading")
        if any(check in m.SIGNS for check, _ in readings):
            continue
        for fact in firing.conclusions:
            if fact.kind == "stop-use":
                found.append(Ruled(fact.key, places_of(work, fact.place), rule.id, readings))
    return tuple(dict.fromkeys(found))


def places_of(work: SiteWork, symbol: str) -> tuple[Place, ...]:
    """The places behind a place symbol of the engine: a variant, a place's own text, or a range."""
    if symbol in work.variants.members:
        return work.variants.members[symbol]
    place = work.tables.index.by_text.get(symbol)
    if place is not None:
        return (place,)
    site = work.tables.site
    if symbol.startswith("units "):
        return site.find(symbol, "unit")
    if symbol.startswith("segments "):
        return site.find(symbol, "segment")
    return (SITE,)


def _rule_kind(rule: m.ReadingRule, k: m.Knowledge) -> str:
    """The most telling kind of place among the facts of a rule; empty when it has readings."""
    if any(w.sort == "reading" for w in rule.when):
        return ""
    kinds = {AUDITS[w.key].at if w.key in AUDITS else k.facts[w.key].section for w in rule.when if w.sort == "fact"}
    return next((kind for kind in ("unit", *reversed(sections())) if kind in kinds), "")


def _at_its_own_kind(rule: m.ReadingRule, kind: str, k: m.Knowledge) -> bool:
    wanted = _rule_kind(rule, k)
    return not wanted or wanted == kind


def _places_of_fault(site: Site, place: Place, at: str) -> tuple[Place, ...]:
    """Places of kind `at` that belong to `place`, or that `place` belongs to."""
    if place.kind == at:
        return (place,)
    finer = tuple(p for p in site.places(at) if seen_from(site, p, place.kind) == place)
    if finer:
        return finer
    coarser = seen_from(site, place, at) if at in sections() else None
    return (coarser,) if coarser else ()


def _patterns(site: Site, check: str, answers: dict[Place, str]) -> list[Fact]:
    """How answers lie along each trunk (or over the site): one, some, tail, head, all."""
    facts: list[Fact] = []
    chains = [(str(Place("trunk", t.number)), t.units, t.units[0] == t.controller) for t in site.trunks] or [
        ("site", site.units, True)
    ]
    for name, units, from_near in chains:
        ordered = units if from_near else units[::-1]
        for outcome in sorted(set(answers.values())):
            hit = [n for n, u in enumerate(ordered) if answers.get(Place("unit", u)) == outcome]
            if not hit:
                continue
            last = len(ordered) - 1
            run = hit[-1] - hit[0] + 1 == len(hit)
            words = ["all"] if len(hit) == len(ordered) else ["some"]
            if len(hit) == 1:
                words.append("one")
            if len(hit) < len(ordered) and run and hit[-1] == last:
                words.append("tail")
            if len(hit) < len(ordered) and run and hit[0] == 0:
                words.append("head")
            facts += [Fact("pattern", f"{check}:{word}", outcome, name) for word in words]
    return facts


