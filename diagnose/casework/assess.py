"""`Assessor.assess(events)`: from a rule base and a case's events to everything that follows.

A pure function of its arguments. An Assessor keeps what is dear to compute and depends on the rule
base or the install record alone; leaving those caches out would change no result.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np

from diagnose.belief.evidence import Evidence
from diagnose.belief.posterior import Belief, believe
from diagnose.belief.steps import Context, Step, next_steps
from diagnose.belief.tables import Floats, Tables, build_tables
from diagnose.casework import view as v
from diagnose.casework.events import Event, live_events
from diagnose.casework.gate import has_instrument, may_take
from diagnose.casework.state import DANGER, Mended, Reading, State, fold
from diagnose.gauges.base import READINGS
from diagnose.inference.compile import Compiled, compile_rules
from diagnose.inference.expectations import (
    Expectations,
    Inferrer,
    Variants,
    expect,
    fact_sections,
    find_variants,
    seen_from,
)
from diagnose.inference.terms import Fact, Rule
from diagnose.inference.trace import Trace
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import KINDS, SITE, Place, describe

WIDEST_FACTS = 12  # places of one answer that become facts one by one; more become one fact about the range
EXCLUDED, SETTLED = 1e-3, 50.0  # factors that a reading rule puts on a fault it excludes or settles
CLASH = math.log(0.08)  # two answers clash when no cause explains both this well, against each alone
WORTH_A_CALL = 0.1  # bits that a further question has to bring once somebody has to be sent anyway
SEND = 0.6  # probability of a suspect whose repair is above the role at which it is time to send somebody
SHOWN_SUSPECTS = 8
LEAST_SHOWN = 0.005

Maker = Callable[[Sequence[Rule]], Inferrer]


class _SiteWork(NamedTuple):
    expectations: Expectations
    variants: Variants
    audit: Trace
    tables: Tables


class Assessor:
    """A rule base made ready. `maker` builds an inferrer from rules: the engine, or the plain matcher for sweeps."""

    def __init__(self, knowledge: m.Knowledge, maker: Maker | None = None) -> None:
        self.knowledge = knowledge
        self.compiled: Compiled = compile_rules(knowledge)
        self._maker = maker or _engine
        self._effects: Inferrer | None = None
        self._readings: Inferrer | None = None
        self._sites: dict[str, Site] = {}
        self._work: dict[int, tuple[Site, _SiteWork]] = {}

    def state(self, events: Iterable[Event]) -> State:
        """The case as it stands, withdrawn events left out."""
        return fold(live_events(tuple(events)), self.knowledge, self._sites)

    def assess(self, events: Iterable[Event]) -> v.Assessment:
        """Everything that follows from the case."""
        return self.assess_state(self.state(events))

    def site_work(self, site: Site) -> _SiteWork:
        """Expectations, audit and tables of a site."""
        kept = self._work.get(id(site))
        if kept is not None and kept[0] is site:
            return kept[1]
        if self._effects is None:
            self._effects = self._maker(self.compiled.effects)
        expectations = expect(self.knowledge, self.compiled, site, self._effects)
        variants = find_variants(site, fact_sections(self.knowledge, self.compiled), KINDS)
        audit = self._reading_inferrer().infer(self._record_facts(variants))
        priors = self._priors(site, variants, audit)
        work = _SiteWork(expectations, variants, audit, build_tables(self.knowledge, site, expectations, priors))
        if len(self._work) > 8:
            self._work.clear()
        self._work[id(site)] = (site, work)
        return work

    def _reading_inferrer(self) -> Inferrer:
        if self._readings is None:
            self._readings = self._maker(self.compiled.readings)
        return self._readings

    def _record_facts(self, variants: Variants) -> list[Fact]:
        used = {(p.key, p.value) for r in self.compiled.readings for p in r.when if p.kind == "fact"}
        return [
            Fact("fact", key, word, symbol)
            for symbol, words in variants.facts.items() for key, word in words if (key, word) in used
        ]  # fmt: skip

    def _priors(self, site: Site, variants: Variants, audit: Trace) -> dict[tuple[str, Place], str]:
        priors: dict[tuple[str, Place], str] = {}
        for firing in audit.firings:
            rule = self.compiled.reading_rules[firing.rule]
            for fact in firing.conclusions:
                if fact.kind != "prior" or fact.place not in variants.members:
                    continue
                if not _at_its_own_kind(rule, variants.example[fact.place].kind, self.knowledge):
                    continue
                at = self.knowledge.faults[fact.key].at
                for place in variants.members[fact.place]:
                    for target in _places_of_fault(site, place, at):
                        old = priors.get((fact.key, target))
                        if old is None or self.knowledge.prior(fact.value) > self.knowledge.prior(old):
                            priors[fact.key, target] = fact.value
        return priors

    def belief(self, state: State) -> Belief:
        """The posterior for a state."""
        return self._assess_parts(state)[0]

    def _assess_parts(self, state: State) -> tuple[Belief, Trace, _SiteWork]:
        work = self.site_work(state.site)
        facts = self._record_facts(work.variants) + self._reading_facts(state, work.variants)
        trace = self._reading_inferrer().infer(facts) if state.readings else work.audit
        factors = self._factors(work, trace)
        return believe(work.tables, _evidence(state), factors), trace, work

    def _reading_facts(self, state: State, variants: Variants) -> list[Fact]:
        facts: list[Fact] = []
        checks = {p.key for r in self.compiled.readings for p in r.when if p.kind == "reading"}
        patterns = {p.key.split(":")[0] for r in self.compiled.readings for p in r.when if p.kind == "pattern" and isinstance(p.key, str)}
        used = {(p.key, p.value) for r in self.compiled.readings for p in r.when if p.kind == "fact"}
        latest: dict[tuple[str, Place], str] = {}
        for r in state.readings:
            if r.outcome is None:
                continue
            for place in r.places or (SITE,):
                latest[r.check, place] = r.outcome
            if r.check in checks:
                spread = [str(p) for p in r.places] if 0 < len(r.places) <= WIDEST_FACTS else [describe(r.places) if r.places else "site"]
                facts += [Fact("reading", r.check, r.outcome, text) for text in spread]
        for (check, place), _outcome in latest.items():
            if check in checks and place in variants.of:
                facts += [Fact("fact", k, w, str(place)) for k, w in variants.facts[variants.of[place]] if (k, w) in used]
        for check in sorted(patterns):
            facts += _patterns(state.site, check, {p: o for (c, p), o in latest.items() if c == check})
        return facts

    def _factors(self, work: _SiteWork, trace: Trace) -> Floats | None:
        wanted = [f for f in trace.facts if f.kind in ("excludes", "settles")]
        if not wanted:
            return None
        factors = np.ones(work.tables.size)
        for fact in wanted:
            places = _parse_symbol(work, fact.place)
            targets = {t for p in places for t in _places_of_fault(work.tables.site, p, self.knowledge.faults[fact.key].at)}
            for n, name in enumerate(work.tables.fault):
                if name == fact.key and (not targets or work.tables.where(n) in targets):
                    factors[n] *= EXCLUDED if fact.kind == "excludes" else SETTLED
        return factors

    def assess_state(self, state: State) -> v.Assessment:
        """Everything that follows from a state."""
        k = self.knowledge
        belief, trace, work = self._assess_parts(state)
        findings = self._findings(work, trace)
        stop_use = self._stop_use(state, work, trace)
        danger = "none" if not stop_use else "made-safe" if all(s.made_safe for s in stop_use) else "standing"
        suspects = self._suspects(belief)
        proofs = self._proofs(state, belief)
        steps = self._steps(state, belief, work, trace, danger, proofs, suspects)
        cautions = _cautions(k, [f.key for f in trace.facts if f.kind == "caution"] + (["keep-off"] if stop_use else []))
        return v.Assessment(
            state.title, state.site.name, state.role, stop_use, findings, suspects, belief.none, belief.unlisted,
            belief.kept, steps, self._contradictions(state, belief), cautions, proofs,
            self._handover(state, belief, steps, danger, suspects), state.notices,
        )  # fmt: skip

    # ---- what rules concluded

    def _findings(self, work: _SiteWork, trace: Trace) -> tuple[v.FindingView, ...]:
        found: dict[str, dict[Place, None]] = {}
        first: dict[str, tuple[Fact, m.ReadingRule]] = {}
        for firing in trace.firings:
            rule = self.compiled.reading_rules[firing.rule]
            for fact in firing.conclusions:
                if fact.kind != "finding" or fact.place == "anywhere":
                    continue
                places = _parse_symbol(work, fact.place)
                if not _at_its_own_kind(rule, places[0].kind, self.knowledge):
                    continue
                first.setdefault(fact.key, (fact, rule))
                found.setdefault(fact.key, {}).update(dict.fromkeys(places))
        views = []
        for key, where in found.items():
            fact, rule = first[key]
            spots = tuple(sorted(where))
            says = rule.says.replace("{place}", describe(spots))
            figures = [
                work.variants.audits[c.key, spot].text
                for c in rule.when if c.sort == "fact" for spot in spots[:1] if (c.key, spot) in work.variants.audits
            ]  # fmt: skip
            if figures:
                says = f"{says} ({'; '.join(figures)})"
            views.append(v.FindingView(key, rule.id, rule.level, says, spots, rule.sources, trace.proof(fact)))
        order = {level: n for n, level in enumerate(("danger", "violation", "no-fault", "note"))}
        return tuple(sorted(views, key=lambda f: (order[f.level], f.id)))

    def _stop_use(self, state: State, work: _SiteWork, trace: Trace) -> tuple[v.StopUse, ...]:
        made_safe = state.made_safe is not None
        cleared: dict[Place, int] = {}
        last_danger: dict[Place, int] = {}
        said: dict[Place, str] = {}
        check = self.knowledge.checks.get(DANGER)
        for n, r in enumerate(state.readings):
            if r.check == DANGER and check and r.outcome is not None:
                for place in r.places or (SITE,):
                    if r.outcome == check.normal:
                        if r.after > 0:  # only after a repair does "no danger signs" take a danger back
                            cleared[place] = n
                    else:
                        last_danger[place] = n
                        outcome = check.outcome(r.outcome)
                        said[place] = outcome.says if outcome else r.outcome
        stops: list[v.StopUse] = []
        for reason in sorted(set(said.values())):
            places = tuple(p for p in last_danger if said[p] == reason and cleared.get(p, -1) < last_danger[p])
            if places:
                safe = made_safe and state.made_safe is not None and all(state.made_safe > last_danger[p] for p in places)
                stops.append(v.StopUse(reason, places, DANGER, safe))
        all_cleared = bool(last_danger) and not stops
        for firing in trace.firings:
            rule = self.compiled.reading_rules[firing.rule]
            if any(w.key == DANGER for w in rule.when):
                continue  # read directly above, so that no rule base can lose it
            for fact in firing.conclusions:
                if fact.kind == "stop-use" and not all_cleared:
                    places = _parse_symbol(work, fact.place)
                    if not any(s.reason == fact.key for s in stops):
                        safe = made_safe and (state.made_safe or 0) >= len(state.readings)
                        stops.append(v.StopUse(fact.key.replace("-", " "), places, rule.id, safe or made_safe))
        return tuple(stops)

    # ---- belief, shown

    def _suspects(self, belief: Belief) -> tuple[v.SuspectView, ...]:
        tables = belief.tables
        marginal = belief.marginal
        by_fault = tables.singles_of
        totals = {name: min(float(marginal[rows].sum()), 1.0) for name, rows in by_fault.items()}
        order = sorted(totals, key=lambda name: (-round(totals[name], 9), name))
        return tuple(
            self._suspect(belief, name, [int(n) for n in by_fault[name]], totals[name], marginal)
            for name in order[:SHOWN_SUSPECTS] if totals[name] >= LEAST_SHOWN
        )  # fmt: skip

    def _suspect(self, belief: Belief, name: str, rows: list[int], total: float, marginal: Floats) -> v.SuspectView:
        k, tables = self.knowledge, belief.tables
        fault = k.faults[name]
        rows = sorted(rows, key=lambda n: (-round(float(marginal[n]), 9), n))
        places = tuple((tables.where(n), float(marginal[n])) for n in rows if marginal[n] >= 0.1 * marginal[rows[0]])
        best = rows[0]
        weights = []
        for t, e in enumerate(belief.evidence):
            with_it, without = float(belief.log_of[t, best]), float(belief.log_none[t])
            weights.append(
                v.Weight(e.id, e.check, e.places, e.outcome or "", math.exp(with_it), math.exp(without), with_it - without)
            )
        weights.sort(key=lambda w: -abs(w.weight))
        remedy = k.remedies[fault.remedy]
        return v.SuspectView(
            name, fault.title, fault.says, fault.nature, fault.severity, total, places, remedy.id, remedy.title,
            remedy.role, tuple(weights),
        )  # fmt: skip

    def _contradictions(self, state: State, belief: Belief) -> tuple[v.Contradiction, ...]:
        by_id = {r.event: r for r in state.readings}
        found: list[v.Contradiction] = []
        agree = belief.agreement
        best = int(np.argmax(belief.single)) if belief.tables.size else 0
        for i in range(len(belief.evidence)):
            for j in range(i + 1, len(belief.evidence)):
                a, b = belief.evidence[i], belief.evidence[j]
                if a.mended != b.mended:
                    continue
                # The diagonal of `agreement` holds twice the best explanation of one answer alone.
                if agree[i, j] - (agree[i, i] + agree[j, j]) / 2 > CLASH:
                    continue
                first, second = by_id[a.id], by_id[b.id]
                worse = first if belief.log_of[i, best] < belief.log_of[j, best] else second
                says = f"{self.tell(first)} and {self.tell(second)} cannot both be right: re-take one"
                found.append(v.Contradiction(a.id, b.id, says, worse.event))
        return tuple(found[:3])

    def tell(self, r: Reading) -> str:
        """A reading in a few words."""
        check = self.knowledge.checks[r.check]
        where = f" at {describe(r.places)}" if r.places else ""
        if r.outcome is None:
            return f"{check.title}{where}: not known"
        outcome = check.outcome(r.outcome)
        what = r.text if r.value is not None else (outcome.says if outcome else r.outcome)
        return f"{check.title}{where}: {what}"

    # ---- steps

    def _context(self, state: State) -> Context:
        last = next((r for r in reversed(state.readings) if r.places), None)
        last_state = self.knowledge.checks[last.check].state if last else "any"
        return Context(state.on_site, state.journey, last_state, last.places[0] if last else None)

    def _steps(
        self, state: State, belief: Belief, work: _SiteWork, trace: Trace, danger: str,
        proofs: tuple[v.ProofView, ...], suspects: tuple[v.SuspectView, ...],
    ) -> tuple[v.StepView, ...]:  # fmt: skip
        k = self.knowledge
        if danger == "standing":
            return ()
        if state.closed is not None:
            return ()
        asked = {(r.check, p) for r in state.readings for p in (r.places or state.site.places(k.checks[r.check].at))}
        if DANGER in k.checks and not any(c == DANGER for c, _ in asked):
            places = state.site.places("unit")
            return (self._check_view(belief, k.checks[DANGER], places, Step("check", DANGER, places, 1.0, 1.0, 1.0, ()), suspects, first=True),)
        checks = [
            c for c in k.checks.values()
            if c.id != DANGER and may_take(c, state.role, danger) and has_instrument(c, state.instruments)
        ]  # fmt: skip
        by_id = {c.id: c for c in checks}
        open_proofs = [p for p in proofs if not p.done and not p.failed and p.check in by_id]
        if open_proofs and not any(p.failed for p in proofs):
            return tuple(
                self._check_view(
                    belief, by_id[p.check], p.at, Step("check", p.check, p.at, by_id[p.check].minutes, 0.0, 0.0, ()),
                    suspects, proving=p.remedy,
                )
                for p in open_proofs[:3]
            )  # fmt: skip
        if state.mended and proofs and not any(p.failed for p in proofs):
            return ()  # proved, or what is left to prove is above this role
        since = len(state.mended)
        spent = frozenset(
            (r.check, p) for r in state.readings if r.after == since for p in (r.places or state.site.places(k.checks[r.check].at))
        )
        remedies = [r for r in k.remedies.values() if may_take(r, state.role, danger)]
        boosted = frozenset(f.key for f in trace.facts if f.kind == "ask")
        tried = frozenset((r.remedy, r.place) for r in state.mended)
        steps = next_steps(belief, checks, remedies, spent, self._context(state), boosted, tried)
        if suspects and suspects[0].probability >= SEND and not may_take(k.remedies[suspects[0].remedy], state.role, danger):
            steps = tuple(s for s in steps if s.gain >= WORTH_A_CALL)
        return tuple(
            self._check_view(belief, k.checks[s.id], s.places, s, suspects) if s.kind == "check" else self._remedy_view(s, suspects)
            for s in steps
        )

    def _check_view(
        self, belief: Belief, check: m.Check, places: tuple[Place, ...], step: Step,
        suspects: tuple[v.SuspectView, ...], first: bool = False, proving: str = "",
    ) -> v.StepView:  # fmt: skip
        chances = dict(step.chances)
        expect, assumed = self.expected(check, belief.tables.site, places[0] if places else SITE)
        outcomes = tuple(
            v.OutcomeView(o.id, o.says, chances.get(o.id, 0.0), self._points_to(belief, check, places, n) if len(places) == 1 else "")
            for n, o in enumerate(check.outcomes)
        )
        if first:
            why = "Danger signs come before everything else."
        elif step.kind == "check" and step.probability:
            why = "As found: take this reading before the repair covers the traces, so that the record names the cause."
        elif proving:
            why = f"Proves the repair: {self.knowledge.remedies[proving].title}."
        else:
            why = self._why(suspects)
        words = describe(places)
        return v.StepView(
            "check", check.id, check.title, places, check.ask.replace("{place}", words), check.how.replace("{place}", words),
            check.instrument, expect, assumed, outcomes, check.role, check.state, check.reach, step.minutes,
            _cautions(self.knowledge, check.cautions), why, step.gain, 0.0, (), check.sources,
        )  # fmt: skip

    def _why(self, suspects: tuple[v.SuspectView, ...]) -> str:
        named = [s for s in suspects if s.probability >= 0.05][:3]
        if not named:
            return "Nothing stands out yet; this tells most for its minutes."
        titles = "; ".join(f"{s.title} ({s.probability:.0%})" for s in named)
        return f"Tells most for its minutes between: {titles}."

    def _points_to(self, belief: Belief, check: m.Check, places: tuple[Place, ...], outcome: int) -> str:
        tables = belief.tables
        top = np.argsort(-belief.single, kind="stable")[:200]
        chance = belief.single[top] * tables.distribution(check.id, places[0], top)[:, outcome]
        if not len(chance) or chance.sum() <= 0:
            return ""
        rest = (belief.none + belief.unlisted) * float(tables.base[check.id][outcome])
        share = chance / (chance.sum() + rest)
        best = int(np.argmax(share))
        if share[best] < 0.25:
            return ""
        single = int(top[best])
        return f"{self.knowledge.faults[tables.fault[single]].title} ({share[best]:.0%})"

    def expected(self, check: m.Check, site: Site, place: Place) -> tuple[str, tuple[str, ...]]:
        """What a check should read here, in one line, and what the record lacks and was assumed."""
        if not check.gauge:
            return check.outcomes[0].says, ()
        expectation = READINGS[check.gauge].function(site, place)
        return expectation.text, expectation.assumed

    def _remedy_view(self, step: Step, suspects: tuple[v.SuspectView, ...]) -> v.StepView:
        r = self.knowledge.remedies[step.id]
        words = describe(step.places)
        cause = next((s for s in suspects if s.remedy == step.id), None)
        why = f"{step.probability:.0%} likely to be the cause" + (f": {cause.title}." if cause else ".")
        return v.StepView(
            "remedy", r.id, r.title, step.places, r.title, r.do.replace("{place}", words), "none", "", (), (), r.role,
            r.state, r.reach, step.minutes, _cautions(self.knowledge, r.cautions), why, step.gain, step.probability,
            r.parts, r.sources,
        )  # fmt: skip

    # ---- proof, handover

    def _proofs(self, state: State, belief: Belief) -> tuple[v.ProofView, ...]:
        if not state.mended:
            return ()
        k, tables = self.knowledge, belief.tables
        marginal = belief.marginal
        views: list[v.ProofView] = []
        for n, mended in enumerate(state.mended, 1):
            if any(later.remedy == mended.remedy and later.place == mended.place for later in state.mended[n:]):
                continue
            wanted: dict[str, None] = {}
            rows = [
                i for i, name in enumerate(tables.fault)
                if k.faults[name].remedy == mended.remedy and tables.where(i) == mended.place
            ]  # fmt: skip
            rows.sort(key=lambda i: -marginal[i])
            if rows:
                wanted |= dict.fromkeys(k.faults[tables.fault[rows[0]]].prove)
            complaints = [r for r in state.readings if r.complaint and r.outcome is not None]
            for check in wanted:
                views.append(_proof(k, state, mended, n, check, _proof_places(state, k.checks[check], mended.place)))
            for r in complaints:
                if n == len(state.mended):
                    views.append(_proof(k, state, mended, n, r.check, r.places or _proof_places(state, k.checks[r.check], mended.place)))
        unique = {(p.remedy, p.check, p.at): p for p in views}
        return tuple(unique.values())

    def _handover(
        self, state: State, belief: Belief, steps: tuple[v.StepView, ...], danger: str,
        suspects: tuple[v.SuspectView, ...],
    ) -> v.Handover | None:  # fmt: skip
        k = self.knowledge
        if state.closed is not None:
            return None
        if danger == "standing":
            if m.may(state.role, "technician"):
                return None
            return v.Handover("technician", True, ("multimeter",), (), ())
        likely = [s for s in suspects if s.probability >= 0.05][:4]
        out_of_reach = [s for s in likely if not may_take(k.remedies[s.remedy], state.role, danger)]
        if not out_of_reach:
            return None
        role = max((k.remedies[s.remedy].role for s in out_of_reach), key=m.ROLES.index)
        role = max(role, "technician", key=m.ROLES.index)
        wanted: dict[str, None] = {}
        for s in likely:
            fault = k.faults[s.fault]
            for show in fault.shows:
                check = k.checks[show.check]
                if not may_take(check, state.role) and m.may(role, check.role) and show.how_often in ("always", "usually"):
                    wanted[check.id] = None
        instruments = dict.fromkeys(k.checks[c].instrument for c in wanted if k.checks[c].instrument != "none")
        parts = dict.fromkeys(p for s in out_of_reach for p in k.remedies[s.remedy].parts)
        due = not steps or (likely[0] in out_of_reach and likely[0].probability >= SEND)
        return v.Handover(role, due, tuple(instruments), tuple(parts), tuple(wanted)[:6])


def _engine(rules: Sequence[Rule]) -> Inferrer:
    from diagnose.inference.engine import Engine

    return Engine(rules)


def plain(rules: Sequence[Rule]) -> Inferrer:
    """The plain matcher as a `maker`."""
    from diagnose.inference.matcher import PlainMatcher

    return PlainMatcher(rules)


def _evidence(state: State) -> tuple[Evidence, ...]:
    done = [(x.remedy, x.place) for x in state.mended]
    return tuple(
        Evidence(r.event, r.check, r.places, r.outcome, r.complaint, frozenset(done[: r.after])) for r in state.readings
    )


def _rule_kind(rule: m.ReadingRule, k: m.Knowledge) -> str:
    """The most telling kind of place among the facts of a rule; empty when it has readings."""
    from diagnose.gauges.base import AUDITS

    if any(w.sort == "reading" for w in rule.when):
        return ""
    kinds = {AUDITS[w.key].at if w.key in AUDITS else k.facts[w.key].section for w in rule.when if w.sort == "fact"}
    return next((kind for kind in ("unit", "control", "uplink", "trunk", "panel", "site") if kind in kinds), "")


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
    coarser = seen_from(site, place, at) if at in ("site", "panel", "trunk", "uplink", "control", "unit") else None
    return (coarser,) if coarser else ()


def _parse_symbol(work: _SiteWork, symbol: str) -> tuple[Place, ...]:
    """The places behind a place symbol of the engine: a variant, a place's own text, or a range."""
    if symbol in work.variants.members:
        return work.variants.members[symbol]
    site = work.tables.site
    for place in work.tables.index.places:
        if str(place) == symbol:
            return (place,)
    if symbol.startswith("units "):
        return site.find(symbol, "unit")
    if symbol.startswith("segments "):
        return site.find(symbol, "segment")
    return (SITE,)


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


def _cautions(k: m.Knowledge, names: Iterable[str]) -> tuple[tuple[str, str, str], ...]:
    return tuple((c.id, c.title, c.says) for name in dict.fromkeys(names) if (c := k.cautions.get(name)))


def _proof_places(state: State, check: m.Check, place: Place) -> tuple[Place, ...]:
    """Where a proof reading is taken: at the repair, or at what stands for it."""
    if check.at == place.kind:
        return (place,)
    if check.sweep:
        earlier = [r.places for r in state.readings if r.check == check.id and r.outcome not in (None, check.normal)]
        if earlier and earlier[-1]:
            return earlier[-1]
    if place.kind == "segment" and check.at == "unit":
        return (Place("unit", place.other),)
    if check.at == "trunk-end" and (trunk := state.site.trunk_of(place)):
        return (Place("trunk-end", trunk.number, 0),)
    there = seen_from(state.site, place, check.at)
    return (there,) if there else state.site.places(check.at)[:1]


def _proof(k: m.Knowledge, state: State, mended: Mended, number: int, check: str, at: tuple[Place, ...]) -> v.ProofView:
    """Whether every place of `at` has read normal, last, after this repair."""
    last: dict[Place, Reading] = {}
    anywhere: Reading | None = None
    for r in state.readings:
        if r.check == check and r.after >= number and r.outcome is not None:
            anywhere = r
            for place in r.places:
                last[place] = r
    normal = k.checks[check].normal
    done = [last[p].event for p in at if p in last and last[p].outcome == normal]
    failed = any(p in last and last[p].outcome != normal for p in at)
    if not at:
        done = [anywhere.event] if anywhere and anywhere.outcome == normal else []
        failed = anywhere is not None and not done
    proved = bool(done) and len(done) >= len(at)
    return v.ProofView(mended.remedy, mended.place, check, at, done[0] if proved else "", failed)
