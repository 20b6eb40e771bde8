"""Proof of repair: which readings have to be normal afterwards, and whom to send where a role ends."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from diagnose.belief.posterior import Belief
from diagnose.casework import view as v
from diagnose.casework.gate import Bars, may_take
from diagnose.casework.state import Mended, Reading, State
from diagnose.inference.expectations import seen_from
from diagnose.knowledge import model as m
from diagnose.site.places import Place

LIKELY_DONE = 0.5  # probability of the fault behind an earlier repair from which it still wants its own proof
SEND = 0.6  # probability of a suspect whose repair is above the role at which it is time to send somebody


def proofs(k: m.Knowledge, state: State, belief: Belief) -> tuple[v.ProofView, ...]:
    """The readings that prove the repairs done: what their faults disturb, and what was complained of.

    The last repair always has to be proved; an earlier one only while its fault is still believed in.
    """
    tables = belief.tables
    found: dict[tuple[str, str, tuple[Place, ...]], v.ProofView] = {}
    for number, mended in enumerate(state.mended, 1):
        last = number == len(state.mended)
        if any(x.remedy == mended.remedy and x.place == mended.place for x in state.mended[number:]):
            continue
        group = [n for n, key in enumerate(tables.repair_key) if key == (mended.remedy, mended.place)]
        singles = np.flatnonzero(np.isin(tables.repair_group, group))
        wanted: list[tuple[str, tuple[Place, ...]]] = []
        if len(singles) and (last or belief.marginal[singles].sum() >= LIKELY_DONE):
            cause = k.faults[tables.fault[int(singles[np.argmax(belief.marginal[singles])])]]
            wanted += [(check, ()) for check in cause.prove]
        if last:
            # What was complained of, and every danger sign that was seen, has to be gone.
            wanted += [
                (r.check, r.places) for r in state.readings
                if r.outcome not in (None, k.checks[r.check].normal) and (r.complaint or (r.check in m.SIGNS and r.after == 0))
            ]  # fmt: skip
        for check, places in wanted:
            at = places or _proof_places(state, k.checks[check], mended.place)
            found[mended.remedy, check, at] = _proof(k, state, mended, number, check, at)
    return tuple(found.values())


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
            last.update(dict.fromkeys(r.places, r))
    normal = k.checks[check].normal
    taken = [last[p] for p in at if p in last] if at else [anywhere] if anywhere else []
    failed = any(r.outcome != normal for r in taken)
    proved = bool(taken) and not failed and len(taken) >= len(at)
    return v.ProofView(
        remedy=mended.remedy, place=mended.place, check=check, at=at, done=taken[0].event if proved else "",
        failed=failed,
    )


def handover(
    k: m.Knowledge, state: State, steps: tuple[v.StepView, ...], stops: tuple[v.StopUse, ...], bars: Bars,
    suspects: tuple[v.SuspectView, ...],
) -> v.Handover | None:
    """Whom to send for what this role may not do, with which instruments and parts; None when it can do all."""
    if state.closed is not None:
        return None
    if stops:
        return _for_danger(k, state, stops, suspects)
    likely = [s for s in suspects if s.probability >= 0.05][:4]
    beyond = [s for s in likely if not may_take(k.remedies[s.remedy], state.role, bars)]
    if not beyond:
        return None
    role = max(("technician", *(k.remedies[s.remedy].role for s in beyond)), key=m.ROLES.index)
    wanted: dict[str, None] = {}
    for s in likely:
        for show in k.faults[s.fault].shows:
            check = k.checks[show.check]
            if not may_take(check, state.role) and m.may(role, check.role) and show.how_often in ("always", "usually"):
                wanted[check.id] = None
    parts = dict.fromkeys(p for s in beyond for p in k.remedies[s.remedy].parts)
    due = not steps or (likely[0] in beyond and likely[0].probability >= SEND)
    return v.Handover(role, due, _instruments(k, wanted), tuple(parts), tuple(wanted)[:6])


def _for_danger(
    k: m.Knowledge, state: State, stops: tuple[v.StopUse, ...], suspects: tuple[v.SuspectView, ...]
) -> v.Handover | None:
    """Whom a danger needs: the highest role that any of its dangers asks for, with what its proofs take."""
    role = max((s.by for s in stops), key=m.ROLES.index)
    wanted = dict.fromkeys(c for s in stops for p in s.proofs if p.state != "good" for c in p.checks[:1] if c not in m.SIGNS)
    role = max((role, *(k.checks[c].role for c in wanted)), key=m.ROLES.index)
    if m.may(state.role, role):
        return None
    kit = dict.fromkeys(item for s in stops for item in s.kit)
    parts = dict.fromkeys(p for s in suspects if s.probability >= SEND for p in k.remedies[s.remedy].parts)
    return v.Handover(
        role=role, due=True, instruments=_instruments(k, wanted), parts=tuple(parts), checks=tuple(wanted)[:6],
        kit=tuple(kit),
    )


def _instruments(k: m.Knowledge, checks: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(k.checks[c].instrument for c in checks if k.checks[c].instrument not in ("none", "phone")))
