"""`Assessor.assess(events)`: from a rule base and a case's events to everything that follows.

A pure function of its arguments. An Assessor keeps what is dear to compute and depends on the rule
base or the install record alone; leaving those caches out would change no result.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from diagnose.belief.evidence import Evidence
from diagnose.belief.posterior import Belief, believe
from diagnose.belief.steps import Context, Step, next_steps
from diagnose.belief.tables import build_tables
from diagnose.casework import concluded, proof, suspects
from diagnose.casework import view as v
from diagnose.casework.concluded import SiteWork
from diagnose.casework.events import Event, live_events
from diagnose.casework.gate import has_instrument, may_take
from diagnose.casework.state import DANGER, Reading, State, fold
from diagnose.gauges.base import READINGS
from diagnose.inference.compile import Compiled, compile_rules
from diagnose.inference.expectations import Inferrer, expect
from diagnose.inference.terms import Rule
from diagnose.inference.trace import Trace
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place, describe

WORTH_A_CALL = 0.1  # bits that a further question has to bring once somebody has to be sent anyway

Maker = Callable[[Sequence[Rule]], Inferrer]


class Assessor:
    """A rule base made ready. `maker` builds an inferrer from rules: by itself the machine of
    `inference.choice`, or the plain matcher for sweeps.
    """

    def __init__(self, knowledge: m.Knowledge, maker: Maker | None = None) -> None:
        self.knowledge = knowledge
        self.compiled: Compiled = compile_rules(knowledge)
        self._maker = maker or _engine
        self._effects: Inferrer | None = None
        self._readings: Inferrer | None = None
        self._sites: dict[str, Site] = {}
        self._work: dict[int, tuple[Site, SiteWork]] = {}

    def state(self, events: Iterable[Event]) -> State:
        """The case as it stands, withdrawn events left out."""
        return fold(live_events(tuple(events)), self.knowledge, self._sites)

    def assess(self, events: Iterable[Event]) -> v.Assessment:
        """Everything that follows from the case."""
        return self.assess_state(self.state(events))

    def site_work(self, site: Site) -> SiteWork:
        """Expectations, audit and tables of a site."""
        kept = self._work.get(id(site))
        if kept is not None and kept[0] is site:
            return kept[1]
        k, compiled = self.knowledge, self.compiled
        if self._effects is None or self._readings is None:
            self._effects, self._readings = self._maker(compiled.effects), self._maker(compiled.readings)
        expectations = expect(k, compiled, site, self._effects)
        variants = expectations.variants
        audit = self._readings.infer(concluded.record_facts(compiled, variants))
        priors = concluded.audited_priors(k, compiled, site, variants, audit)
        work = SiteWork(expectations, variants, audit, build_tables(k, site, expectations, priors))
        if len(self._work) > 8:
            self._work.clear()
        self._work[id(site)] = (site, work)
        return work

    def belief(self, state: State) -> Belief:
        """The posterior for a state."""
        return self.conclude(state)[0]

    def conclude(self, state: State) -> tuple[Belief, Trace, SiteWork]:
        """The posterior, what the reading rules concluded, and the work on the site behind both."""
        work = self.site_work(state.site)
        trace = work.audit
        if state.readings and self._readings is not None:
            facts = concluded.record_facts(self.compiled, work.variants)
            trace = self._readings.infer(facts + concluded.reading_facts(self.compiled, state, work.variants))
        return believe(work.tables, _evidence(state), concluded.factors(self.knowledge, work, trace)), trace, work

    def assess_state(self, state: State) -> v.Assessment:
        """Everything that follows from a state."""
        k = self.knowledge
        belief, trace, work = self.conclude(state)
        stop_use = concluded.stop_use(k, self.compiled, state, work, trace)
        danger = "none" if not stop_use else "made-safe" if all(s.made_safe for s in stop_use) else "standing"
        suspected = suspects.suspects(k, belief)
        proofs = proof.proofs(k, state, belief)
        steps = self._steps(state, belief, trace, danger, proofs, suspected)
        warned = [f.key for f in trace.facts if f.kind == "caution"] + (["keep-off"] if stop_use else [])
        return v.Assessment(
            state.title, state.site.name, state.role, stop_use, concluded.findings(k, self.compiled, work, trace),
            suspected, belief.none, belief.unlisted, belief.kept, steps, suspects.contradictions(k, state, belief),
            _cautions(k, warned), proofs, proof.handover(k, state, steps, danger, suspected), state.notices,
        )  # fmt: skip

    def tell(self, r: Reading) -> str:
        """A reading in a few words."""
        return suspects.tell(self.knowledge, r)

    def _context(self, state: State) -> Context:
        last = next((r for r in reversed(state.readings) if r.places), None)
        last_state = self.knowledge.checks[last.check].state if last else "any"
        return Context(state.on_site, state.journey, last_state, last.places[0] if last else None)

    def _steps(
        self, state: State, belief: Belief, trace: Trace, danger: str, proofs: tuple[v.ProofView, ...],
        suspected: tuple[v.SuspectView, ...],
    ) -> tuple[v.StepView, ...]:  # fmt: skip
        k = self.knowledge
        if danger == "standing":
            return ()
        if state.closed is not None:
            return ()
        asked = {(r.check, p) for r in state.readings for p in (r.places or state.site.places(k.checks[r.check].at))}
        if DANGER in k.checks and not any(c == DANGER for c, _ in asked):
            places = state.site.places("unit")
            return (self._check_view(belief, k.checks[DANGER], places, Step("check", DANGER, places, 1.0, 1.0, 1.0, ()), suspected, first=True),)
        checks = [
            c for c in k.checks.values()
            if c.id != DANGER and may_take(c, state.role, danger) and has_instrument(c, state.instruments)
        ]  # fmt: skip
        by_id = {c.id: c for c in checks} | ({DANGER: k.checks[DANGER]} if DANGER in k.checks else {})
        open_proofs = [p for p in proofs if not p.done and not p.failed and p.check in by_id]
        if open_proofs and not any(p.failed for p in proofs):
            return tuple(
                self._check_view(
                    belief, by_id[p.check], p.at, Step("check", p.check, p.at, by_id[p.check].minutes, 0.0, 0.0, ()),
                    suspected, proving=p.remedy,
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
        steps = next_steps(belief, checks, remedies, spent, self._context(state), boosted)
        if suspected and suspected[0].probability >= proof.SEND and not may_take(k.remedies[suspected[0].remedy], state.role, danger):
            steps = tuple(s for s in steps if s.gain >= WORTH_A_CALL)
        return tuple(
            self._check_view(belief, k.checks[s.id], s.places, s, suspected) if s.kind == "check" else self._remedy_view(s, suspected)
            for s in steps
        )

    def _check_view(
        self, belief: Belief, check: m.Check, places: tuple[Place, ...], step: Step,
        suspected: tuple[v.SuspectView, ...], first: bool = False, proving: str = "",
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
            why = self._why(suspected)
        words = describe(places)
        return v.StepView(
            "check", check.id, check.title, places, check.ask.replace("{place}", words), check.how.replace("{place}", words),
            check.instrument, expect, assumed, outcomes, check.role, check.state, check.reach, step.minutes,
            _cautions(self.knowledge, check.cautions), why, step.gain, 0.0, (), check.sources,
        )  # fmt: skip

    def _why(self, suspected: tuple[v.SuspectView, ...]) -> str:
        named = [s for s in suspected if s.probability >= 0.05][:3]
        if not named:
            return "Nothing stands out yet; this tells most for its minutes."
        titles = "; ".join(f"{s.title} ({v.percent(s.probability)})" for s in named)
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
        return f"{self.knowledge.faults[tables.fault[single]].title} ({v.percent(float(share[best]))})"

    def expected(self, check: m.Check, site: Site, place: Place) -> tuple[str, tuple[str, ...]]:
        """What a check should read here, in one line, and what the record lacks and was assumed."""
        if not check.gauge:
            return check.outcomes[0].says, ()
        expectation = READINGS[check.gauge].function(site, place)
        return expectation.text, expectation.assumed

    def _remedy_view(self, step: Step, suspected: tuple[v.SuspectView, ...]) -> v.StepView:
        r = self.knowledge.remedies[step.id]
        words = describe(step.places)
        cause = next((s for s in suspected if s.remedy == step.id), None)
        why = f"{v.percent(step.probability)} likely to be the cause" + (f": {cause.title}." if cause else ".")
        return v.StepView(
            "remedy", r.id, r.title, step.places, r.title, r.do.replace("{place}", words), "none", "", (), (), r.role,
            r.state, r.reach, step.minutes, _cautions(self.knowledge, r.cautions), why, step.gain, step.probability,
            r.parts, r.sources,
        )  # fmt: skip


def _engine(rules: Sequence[Rule]) -> Inferrer:
    from diagnose.inference.choice import machine

    return machine(rules)


def plain(rules: Sequence[Rule]) -> Inferrer:
    """The plain matcher as a `maker`."""
    from diagnose.inference.matcher import PlainMatcher

    return PlainMatcher(rules)


def _evidence(state: State) -> tuple[Evidence, ...]:
    done = [(x.remedy, x.place) for x in state.mended]
    return tuple(
        Evidence(r.event, r.check, r.places, r.outcome, r.complaint, tuple(done[: r.after])) for r in state.readings
    )


def _cautions(k: m.Knowledge, names: Iterable[str]) -> tuple[tuple[str, str, str], ...]:
    return tuple((c.id, c.title, c.says) for name in dict.fromkeys(names) if (c := k.cautions.get(name)))
