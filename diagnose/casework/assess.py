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
from diagnose.casework import concluded, dangers, looked, proof, suspects
from diagnose.casework import view as v
from diagnose.casework.concluded import SiteWork
from diagnose.casework.events import Event
from diagnose.casework.gate import Bars, barred, barred_anywhere, has_instrument, may_take
from diagnose.casework.state import Reading, State, fold
from diagnose.gauges.base import READINGS
from diagnose.inference.choice import machine
from diagnose.inference.compile import Compiled, compile_rules
from diagnose.inference.expectations import Inferrer, expect
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Rule
from diagnose.inference.trace import Trace
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place, spoken

EMERGENCY = "the local emergency number (112, 911, 999, 000 ...)"
WORTH_A_CALL = 0.1  # bits that a further question has to bring once somebody has to be sent anyway

Maker = Callable[[Sequence[Rule]], Inferrer]
TELLS_MOST = "Tells most for its minutes between:"


class Assessor:
    """A rule base made ready. `maker` builds an inferrer from rules: by itself the machine of
    `inference.choice`, or the plain matcher for sweeps.
    """

    def __init__(self, knowledge: m.Knowledge, maker: Maker | None = None, emergency: str = "") -> None:
        self.knowledge = knowledge
        self.emergency = emergency  # number to call where the record of a site has none
        self.compiled: Compiled = compile_rules(knowledge)
        self._maker = maker or machine
        self._effects: Inferrer | None = None
        self._readings: Inferrer | None = None
        self._sites: dict[str, Site] = {}
        self._work: dict[int, tuple[Site, SiteWork]] = {}

    def state(self, events: Iterable[Event]) -> State:
        """The case as it stands, withdrawn events left out."""
        return fold(events, self.knowledge, self._sites)

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
        lives = dangers.lives(k, state, concluded.ruled(self.compiled, work, trace))
        stops = tuple(self._spoken(state, s) for s in dangers.stop_use(k, lives))
        held = dangers.holds(k, state)
        suspected = suspects.suspects(k, belief)
        out = suspects.kept_out(k, belief)
        bars = _bars(state, stops, held, out)
        proofs = proof.proofs(k, state, belief)
        steps = self._steps(state, belief, trace, bars, proofs, suspected, stops)
        warned = [f.key for f in trace.facts if f.kind == "caution"]
        found = concluded.findings(k, self.compiled, work, trace)
        if not stops:  # every danger that was told of has ended by its proofs: what once was said of it is over, too
            found = tuple(f for f in found if f.id != v.SAID_ALREADY)
        a = v.Assessment(
            title=state.title, site=state.site.name, role=state.role, stop_use=stops, findings=found,
            suspects=suspected, no_fault=belief.none, unlisted=belief.unlisted, kept=belief.kept, steps=steps,
            contradictions=suspects.contradictions(k, state, belief), cautions=self._cautions(state, warned),
            proofs=proofs, handover=proof.handover(k, state, steps, stops, bars, suspected), notices=state.notices,
            asked=dangers.open_questions(state), kept_out=out, holds=held,
        )  # fmt: skip
        return a if a.may_acquit else self._unacquitted(a)

    def _unacquitted(self, a: v.Assessment) -> v.Assessment:
        """An assessment beside a danger: no finding, reason or answer of it names a cause with which nothing would be broken."""
        harmless = {f.title for f in self.knowledge.faults.values() if f.nature != "fault"}
        steps = tuple(
            s._replace(
                why=self._why(a.told_suspects) if s.why.startswith(TELLS_MOST) else s.why,
                outcomes=tuple(o._replace(points_to="") if o.points_to.rpartition(" (")[0] in harmless else o for o in s.outcomes),
            )
            for s in a.steps
        )
        return a._replace(findings=tuple(f for f in a.findings if f.level != "no-fault"), steps=steps)

    def bars(self, state: State, a: v.Assessment) -> Bars:
        """What bars steps in a state that was assessed."""
        return _bars(state, a.stop_use, a.holds, a.kept_out)

    def _cautions(self, state: State, names: Iterable[str]) -> tuple[tuple[str, str, str], ...]:
        return self._step_cautions(state.site, state.role, names)

    def _step_cautions(self, site: Site, role: str, names: Iterable[str]) -> tuple[tuple[str, str, str], ...]:
        """Cautions as `role` reads them: orders meant for the qualified are for nobody below technician."""
        qualified = m.may(role, "technician")
        found = (self.knowledge.cautions.get(name) for name in dict.fromkeys(names))
        return tuple(
            (c.id, c.title, self._filled(site, c.says)) for c in found if c and (qualified or c.audience == "everybody")
        )

    def _spoken(self, state: State, s: v.StopUse) -> v.StopUse:
        """A danger as this role reads it."""
        first = tuple((i, title, self._filled(state.site, says)) for i, title, says in s.first)
        return s._replace(
            says=self._filled(state.site, s.says), first=first,
            make_safe=s.make_safe if m.may(state.role, "technician") else (),
        )  # fmt: skip

    def _filled(self, site: Site, text: str) -> str:
        """A text with the number to call: the site's own, the setting's, or what most countries have."""
        return text.replace("{emergency}", site.word("site.emergency") or self.emergency or EMERGENCY)

    def tell(self, r: Reading) -> str:
        """A reading in a few words."""
        return suspects.tell(self.knowledge, r)

    def _context(self, state: State) -> Context:
        last = next((r for r in reversed(state.readings) if r.places), None)
        last_state = self.knowledge.checks[last.check].state if last else "any"
        return Context(state.on_site, state.journey, last_state, last.places[0] if last else None)

    def _steps(
        self, state: State, belief: Belief, trace: Trace, bars: Bars, proofs: tuple[v.ProofView, ...],
        suspected: tuple[v.SuspectView, ...], stops: tuple[v.StopUse, ...],
    ) -> tuple[v.StepView, ...]:  # fmt: skip
        k, site = self.knowledge, state.site
        if bars.danger == "standing" or state.closed is not None:
            return ()
        if m.DANGER in k.checks and (places := looked.unseen(state)):
            return (self._signs(state, belief, places, suspected),)
        if stops and (proving := self._danger_proofs(state, belief, bars, stops, suspected)):
            return proving
        asked = m.SIGNS
        checks = [
            c for c in k.checks.values()
            if c.id not in asked and may_take(c, state.role, bars) and has_instrument(c, state.instruments)
        ]  # fmt: skip
        by_id = {c.id: c for c in checks} | {c: k.checks[c] for c in asked if c in k.checks}
        open_proofs = [
            p for p in proofs
            if not p.done
                and not p.failed
                and p.check in by_id
                and not (stops and p.check in m.SIGNS)
                and not barred_anywhere(by_id[p.check], p.at, state.role, bars, site)
        ]  # fmt: skip
        if open_proofs and not any(p.failed for p in proofs):
            return tuple(
                self._check_view(
                    belief, by_id[p.check], p.at, Step(
                        kind="check", id=p.check, places=p.at, minutes=by_id[p.check].minutes, gain=0.0, worth=0.0,
                        chances=(),
                    ),
                    suspected, proving=p.remedy,
                )
                for p in open_proofs[:3]
            )  # fmt: skip
        unrepaired = any(s.status == "made-safe" for s in stops)
        if state.mended and proofs and not unrepaired and not any(p.failed for p in proofs):
            return ()  # proved, or what is left to prove is above this role
        since = len(state.mended)
        spent = {(r.check, p) for r in state.readings if r.after == since for p in (r.places or site.places(k.checks[r.check].at))}
        if bars.stopped or bars.kept_out or bars.held:
            spent |= {(c.id, p) for c in checks for p in site.places(c.at) if barred(c, p, state.role, bars, site)}
        remedies = [r for r in k.remedies.values() if may_take(r, state.role, bars)]
        boosted = frozenset(f.key for f in trace.facts if f.kind == "ask")
        steps = next_steps(belief, checks, remedies, frozenset(spent), self._context(state), boosted)
        steps = tuple(
            s for s in steps if s.kind == "check" or not barred_anywhere(k.remedies[s.id], s.places, state.role, bars, site)
        )
        if suspected and suspected[0].probability >= proof.SEND and not may_take(k.remedies[suspected[0].remedy], state.role, bars):
            steps = tuple(s for s in steps if s.gain >= WORTH_A_CALL)
        views = tuple(
            self._check_view(belief, k.checks[s.id], s.places, s, suspected) if s.kind == "check" else self._remedy_view(s, suspected, state)
            for s in steps
        )
        return (*views, self._signs(state, belief, looked.unanswered(state), suspected)) if bars.unseen else views

    def _signs(
        self, state: State, belief: Belief, places: tuple[Place, ...], suspected: tuple[v.SuspectView, ...]
    ) -> v.StepView:
        """The danger question."""
        step = Step(kind="check", id=m.DANGER, places=places, minutes=1.0, gain=1.0, worth=1.0, chances=())
        return self._check_view(belief, self.knowledge.checks[m.DANGER], places, step, suspected, first=True)

    def _danger_proofs(
        self, state: State, belief: Belief, bars: Bars, stops: tuple[v.StopUse, ...], suspected: tuple[v.SuspectView, ...]
    ) -> tuple[v.StepView, ...]:
        """What still has to be read before dangers that were made safe and repaired are lifted; the signs last."""
        k = self.knowledge
        found: dict[tuple[str, tuple[Place, ...]], m.Check] = {}
        for s in stops:
            if s.status not in ("repaired", "proving") or not m.may(state.role, s.by):
                continue
            wanted = [p for p in s.proofs if p.state == "open"]
            measured = [p for p in wanted if p.checks[0] not in m.SIGNS]
            failed = any(p.state == "failed" for p in s.proofs)  # then it takes another repair before anybody is asked for signs
            for p in measured or ([] if failed else wanted):
                check = next((c for name in p.checks if may_take(c := k.checks[name], state.role, bars)), None)
                if check is not None and not barred_anywhere(check, p.places, state.role, bars, state.site):
                    found[check.id, p.places] = check
        return tuple(
            self._check_view(belief, c, places, Step(
                kind="check", id=c.id, places=places, minutes=c.minutes, gain=0.0, worth=0.0, chances=(),
            ), suspected, lifting=True)
            for (_, places), c in list(found.items())[:3]
        )

    def _check_view(
        self, belief: Belief, check: m.Check, places: tuple[Place, ...], step: Step,
        suspected: tuple[v.SuspectView, ...], first: bool = False, proving: str = "", lifting: bool = False,
    ) -> v.StepView:  # fmt: skip
        chances = dict(step.chances)
        expect, assumed = self.expected(check, belief.tables.site, places[0] if places else SITE)
        outcomes = tuple(
            v.OutcomeView(o.id, o.says, chances.get(o.id, 0.0), self._points_to(belief, check, places, n) if len(places) == 1 else "")
            for n, o in enumerate(check.outcomes)
        )
        if first:
            why = "Danger signs come before everything else."
        elif lifting:
            why = "STOP USE ends only when this reads good here, after the repair."
        elif step.kind == "check" and step.probability:
            why = "As found: take this reading before the repair covers the traces, so that the record names the cause."
        elif proving:
            why = f"Proves the repair: {self.knowledge.remedies[proving].title}."
        else:
            why = self._why(suspected)
        words = spoken(places)
        return v.StepView(
            kind="check", id=check.id, title=check.title, places=places, ask=check.ask.replace("{place}", words),
            how=check.how.replace("{place}", words), instrument=check.instrument, expect=expect, assumed=assumed,
            outcomes=outcomes, role=check.role, state=check.state, reach=check.reach, minutes=step.minutes,
            cautions=self._step_cautions(belief.tables.site, check.role, check.cautions), why=why, gain=step.gain,
            probability=0.0, parts=(), sources=check.sources,
        )  # fmt: skip

    def _why(self, suspected: tuple[v.SuspectView, ...]) -> str:
        named = [s for s in suspected if s.probability >= 0.05][:3]
        if not named:
            return "Nothing stands out yet; this tells most for its minutes."
        titles = "; ".join(f"{s.title} ({v.percent(s.probability)})" for s in named)
        return f"{TELLS_MOST} {titles}."

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

    def _remedy_view(self, step: Step, suspected: tuple[v.SuspectView, ...], state: State) -> v.StepView:
        r = self.knowledge.remedies[step.id]
        words = spoken(step.places)
        cause = next((s for s in suspected if s.remedy == step.id), None)
        why = f"{v.percent(step.probability)} likely to be the cause" + (f": {cause.title}." if cause else ".")
        return v.StepView(
            kind="remedy", id=r.id, title=r.title, places=step.places, ask=r.title, how=r.do.replace("{place}", words),
            instrument="none", expect="", assumed=(), outcomes=(), role=r.role, state=r.state, reach=r.reach,
            minutes=step.minutes, cautions=self._step_cautions(state.site, r.role, r.cautions), why=why,
            gain=step.gain, probability=step.probability, parts=r.parts, sources=r.sources,
        )  # fmt: skip


def plain(rules: Sequence[Rule]) -> Inferrer:
    """The plain matcher as a `maker`."""
    return PlainMatcher(rules)


def _evidence(state: State) -> tuple[Evidence, ...]:
    done = [(x.remedy, x.place) for x in state.mended]
    return tuple(
        Evidence(
            id=r.event, check=r.check, places=r.places, outcome=r.outcome, complaint=r.complaint,
            mended=tuple(done[: r.after]),
        ) for r in state.readings
    )


def _bars(state: State, stops: tuple[v.StopUse, ...], held: tuple[v.Hold, ...], out: tuple[v.KeepOut, ...]) -> Bars:
    danger = "none" if not stops else "made-safe" if all(s.made_safe for s in stops) else "standing"
    return Bars(
        danger=danger,
        stopped=frozenset(p for s in stops for p in s.places),
        kept_out=frozenset(x.place for x in out),
        held=frozenset(p for h in held for p in h.places),
        proving=frozenset(
            (c, place) for s in stops if s.status == "proving" and m.may(state.role, s.by)
            for p in s.proofs for c in p.checks for place in p.places
        ),
        unseen=bool(looked.unanswered(state)),
    )  # fmt: skip
