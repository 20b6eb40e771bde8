"""Belief as people are shown it: suspects with their evidence, and answers that contradict each other."""

from __future__ import annotations

import math

import numpy as np

from diagnose.belief.posterior import Belief
from diagnose.casework import view as v
from diagnose.casework.state import Reading, State
from diagnose.knowledge import model as m
from diagnose.site.places import describe

SHOWN_SUSPECTS = 8
LEAST_SHOWN = 0.005
KEEP_OUT = 0.2  # probability of a dangerous fault at one place from which that place is out of use until it is measured
CLASH = math.log(0.08)  # two answers clash when no cause explains both this well, against each alone


def tell(k: m.Knowledge, r: Reading) -> str:
    """A reading in a few words."""
    check = k.checks[r.check]
    where = f" at {describe(r.places)}" if r.places else ""
    if r.outcome is None:
        return f"{check.title}{where}: not known"
    outcome = check.outcome(r.outcome)
    what = r.text if r.value is not None else (outcome.says if outcome else r.outcome)
    return f"{check.title}{where}: {what}"


def suspects(k: m.Knowledge, belief: Belief) -> tuple[v.SuspectView, ...]:
    """The likeliest faults, each with where it may be and how every answer speaks for or against it."""
    tables = belief.tables
    present = belief.of_group(tables.fault_number) if tables.size else ()
    totals = {name: float(p) for name, p in zip(tables.fault_names, present, strict=True)}
    order = sorted(totals, key=lambda name: (-round(totals[name], 9), name))[:SHOWN_SUSPECTS]
    return tuple(_suspect(k, belief, name, totals[name]) for name in order if totals[name] >= LEAST_SHOWN)


def _suspect(k: m.Knowledge, belief: Belief, name: str, total: float) -> v.SuspectView:
    fault, tables, marginal = k.faults[name], belief.tables, belief.marginal
    rows = sorted((int(n) for n in tables.singles_of[name]), key=lambda n: (-round(float(marginal[n]), 9), n))
    places = tuple((tables.where(n), float(marginal[n])) for n in rows if marginal[n] >= 0.1 * marginal[rows[0]])
    weights = []
    for t, e in enumerate(belief.evidence):
        with_it, without = float(belief.log_of[t, rows[0]]), float(belief.log_none[t])
        weights.append(
            v.Weight(
                event=e.id, check=e.check, places=e.places, outcome=e.outcome or "", with_it=math.exp(with_it),
                without=math.exp(without), weight=with_it - without,
            )
        )
    weights.sort(key=lambda w: -abs(w.weight))
    remedy = k.remedies[fault.remedy]
    return v.SuspectView(
        fault=name, title=fault.title, says=fault.says, nature=fault.nature, severity=fault.severity,
        probability=total, places=places, remedy=remedy.id, remedy_title=remedy.title, remedy_role=remedy.role,
        weights=tuple(weights),
    )  # fmt: skip


def kept_out(k: m.Knowledge, belief: Belief) -> tuple[v.KeepOut, ...]:
    """Places out of use until they are measured: a fault that can hurt somebody is likely enough to be there still."""
    tables = belief.tables
    left = belief.marginal * (1 - belief.held) if tables.size else belief.marginal
    found: list[v.KeepOut] = []
    for n in np.flatnonzero(left >= KEEP_OUT):
        fault = k.faults[tables.fault[int(n)]]
        if fault.severity == "danger":
            found.append(v.KeepOut(fault.id, fault.title, tables.where(int(n)), float(left[n]), _measure(k, fault.id)))
    return tuple(sorted(found, key=lambda x: (-round(x.probability, 9), x.fault, x.place)))


def _measure(k: m.Knowledge, fault: str) -> str:
    """The title of the reading that tells whether a fault is there: with an instrument, dead before live, short before long."""
    f = k.faults[fault]
    shown = [x for x in f.shows if x.how_often in ("always", "usually")]
    shown += [x for c in f.causes if c.mechanism in k.mechanisms for x in k.mechanisms[c.mechanism].shows if x.how_often in ("always", "usually")]
    proofs = [k.checks[i] for i in f.prove if i in k.checks]
    checks = [*proofs, *(k.checks[x.check] for x in shown if x.check in k.checks)]
    measured = [c for c in checks if c.kind == "measurement"] or checks
    best = min(measured, key=lambda c: (c not in proofs, c.state == "live", c.minutes, c.id), default=None)
    return best.title if best else "it"


def contradictions(k: m.Knowledge, state: State, belief: Belief) -> tuple[v.Contradiction, ...]:
    """Pairs of answers, taken between the same repairs, that no hypothesis explains together."""
    by_id = {r.event: r for r in state.readings}
    found: list[v.Contradiction] = []
    agree = belief.agreement
    best = int(np.argmax(belief.single)) if belief.tables.size else 0
    for i, a in enumerate(belief.evidence):
        for j, b in enumerate(belief.evidence[i + 1 :], i + 1):
            # The diagonal of `agreement` holds twice the best explanation of one answer alone.
            if a.mended != b.mended or agree[i, j] - (agree[i, i] + agree[j, j]) / 2 > CLASH:
                continue
            first, second = by_id[a.id], by_id[b.id]
            worse = first if belief.log_of[i, best] < belief.log_of[j, best] else second
            says = f"{tell(k, first)} and {tell(k, second)} cannot both be right: re-take one"
            found.append(v.Contradiction(a.id, b.id, says, worse.event))
    return tuple(found[:3])
