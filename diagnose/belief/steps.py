"""Which step next: the most information about what has to be repaired, for its minutes.

Faults with one remedy at one place count as one. A cheap repair counts as a check whose outcome is
whether the complaint is gone. Asking stops when one repair is likely enough.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from diagnose.belief.posterior import Belief
from diagnose.belief.tables import ALIKE, KIND_NUMBERS, Floats, Ints, Tables
from diagnose.knowledge import model as m
from diagnose.site.places import Place

ENOUGH = 0.9  # marginal of one repair at which asking stops; flat between 0.8 and 0.95
CAUSE_KNOWN = 0.97  # share of one fault among those with the same repair at which nothing more is read before it
AS_FOUND_MINUTES, AS_FOUND_GAIN = 10.0, 0.1  # most minutes and least bits of a reading taken before the repair
LEAST_GAIN = 0.01  # bits below which a check is not worth naming
CHEAP_REPAIR = 6.0  # minutes up to which a repair may serve as a check
PROBE_REPAIR = 0.1  # least chance at which it is worth a try
MOST_SINGLES, FEWEST_SINGLES = 800, 40  # hypotheses looked at when weighing steps
COVERED = 0.995  # share of the faults' mass that they have to cover
LEAST_RELEVANT = 0.01  # mass of the faults that say something about a check, below which it is not weighed
PLACES_TRIED = 8  # places of one check that are weighed


class Context(NamedTuple):
    """What a step costs besides its own minutes: where the person is, and what is already open."""

    on_site: bool = True
    journey: float = 30.0  # minutes, one way
    last_state: str = "any"
    last_place: Place | None = None


class Step(NamedTuple):
    """A suggested step. `gain` in bits, `minutes` with setting up, `chances` of each outcome to expect."""

    kind: str  # check | remedy
    id: str
    places: tuple[Place, ...]
    minutes: float
    gain: float
    worth: float
    chances: tuple[tuple[str, float], ...]
    probability: float = 0.0


SET_UP = {"any": 0.0, "covers-closed": 0.5, "dead-verified": 8.0, "live": 3.0}
RISK = {"any": 0.0, "covers-closed": 0.0, "dead-verified": 1.0, "live": 6.0}  # minutes that the risk is worth
WALK = 1.0
EVERY_STEP = 2.0  # minutes to read, ask, walk up, note down: what any step costs besides its own work


def cost(minutes: float, state: str, reach: str, place: Place | None, context: Context) -> float:
    """Minutes of a step at a place: hands-on, journey, opening and locking out, and the risk priced in minutes."""
    total = EVERY_STEP + minutes + RISK[state]
    if reach == "on-site" and not context.on_site:
        total += context.journey
    same_place = place is not None and place == context.last_place
    if not (same_place and state == context.last_state):
        total += SET_UP[state]
    if place is not None and context.last_place is not None and not same_place and reach == "on-site":
        total += WALK
    return total


class Weighed(NamedTuple):
    """The hypotheses that matter for choosing, sorted by what they need repaired.

    First singles that are still there, then singles whose repair holds, then no fault and unlisted.
    """

    chance: Floats  # [hypothesis]
    cured: int  # how many of the singles, the last ones, are taken as cured
    starts: Ints  # first hypothesis of each repair group
    singles: Ints
    keys: tuple[tuple[str, Place], ...]  # (remedy, place) of each group of singles
    before: float  # entropy over the groups, bits


def weigh(belief: Belief) -> Weighed:
    """Singles that carry the mass (pairs folded into their members), no fault, and unlisted."""
    tables = belief.tables
    marginal = belief.marginal
    order = np.argsort(-marginal.round(12), kind="stable")[:MOST_SINGLES]
    covered = np.cumsum(marginal[order])
    enough = int(np.searchsorted(covered, COVERED * covered[-1])) + 1 if len(order) else 0
    order = order[: max(enough, min(len(order), FEWEST_SINGLES))]
    order = order[np.lexsort((order, tables.repair_group[order]))]
    group = tables.repair_group[order]
    cured = order[belief.held[order] > 0]
    there = marginal[order] * (1 - belief.held[order])
    chance = np.concatenate([there, marginal[cured] * belief.held[cured], [belief.none, belief.unlisted]])
    chance = chance / chance.sum()
    n = len(order)
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    keys = tuple(tables.repair_key[int(group[i])] for i in starts)
    rest = [n] if len(cured) else []
    starts = np.concatenate([starts, rest, [n + len(cured), n + len(cured) + 1]]).astype(np.intp)
    singles = np.concatenate([order, cured])
    return Weighed(chance, len(cured), starts, singles, keys, float(entropy(np.add.reduceat(chance, starts))))


def _plogp(p: Floats, axis: int | tuple[int, ...]) -> Floats:
    return np.asarray((p * np.log2(np.maximum(p, 1e-300))).sum(axis=axis), dtype=np.float64)


def entropy(p: Floats, axis: int = -1) -> Floats:
    """Shannon entropy in bits."""
    safe = np.where(p > 0, p, 1.0)
    return np.asarray(-(p * np.log2(safe)).sum(axis=axis), dtype=np.float64)


def next_steps(
    belief: Belief,
    checks: Iterable[m.Check],
    remedies: Iterable[m.Remedy],
    spent: frozenset[tuple[str, Place]],
    context: Context,
    boosted: frozenset[str] = frozenset(),
    most: int = 5,
) -> tuple[Step, ...]:
    """The best steps among the checks and remedies that may be taken, best first.

    `spent` are checks already answered at a place (an unknown answer counts),
    `boosted` checks that a reading rule asks for. Ties fall to the cheaper step, then by name.
    """
    w = weigh(belief)
    checks = tuple(checks)
    by_id = {r.id: r for r in remedies}
    repairs = _repairs(belief, w, by_id, context)
    enough = [s for s in repairs if s.probability >= ENOUGH]
    if enough:
        return (*_as_found(belief, enough[0], by_id[enough[0].id], checks, spent, context), enough[0])
    found = [s for s in repairs if s.minutes <= CHEAP_REPAIR and s.probability >= PROBE_REPAIR]
    places: dict[str, list[Place]] = {}
    bar, best = 0.0, [s.worth for s in found]
    for bound, check in _by_promise(belief, w, checks, context, boosted):
        if bound < bar * (1 - 1e-9):
            break  # in falling order of what they could be worth at best: no later one can come into the list
        if check.at not in places:
            places[check.at] = _candidate_places(belief.tables, w, check.at)
        steps = _check_steps(belief, w, check, places[check.at], spent, context, boosted)
        found.extend(steps)
        best = heapq.nlargest(most, [*best, *(s.worth for s in steps)])
        bar = best[-1] if len(best) == most else 0.0
    found = sorted((s for s in found if s.gain >= LEAST_GAIN), key=_rank)
    if not found:
        found = [s for s in repairs if s.probability >= 0.02]
    return tuple(found[:most])


def _as_found(
    belief: Belief, repair: Step, remedy: m.Remedy, checks: tuple[m.Check, ...], spent: frozenset[tuple[str, Place]],
    context: Context,
) -> tuple[Step, ...]:  # fmt: skip
    """One reading to take before the repair covers the traces, when it tells which of the faults behind it was there.

    Only what costs little once the repair's own state is set up; the record needs the cause, the repair does not.
    """
    tables, place = belief.tables, repair.places[0]
    group = tables.repair_key.index((repair.id, place))
    singles = np.flatnonzero((tables.repair_group == group) & (belief.marginal > 0))
    chance = belief.marginal[singles] / max(belief.marginal[singles].sum(), 1e-300)
    if len(singles) < 2 or chance.max() >= CAUSE_KNOWN:
        return ()
    before = float(entropy(chance))
    best: Step | None = None
    for check in checks:
        if check.at != place.kind or (check.id, place) in spent or check.minutes > AS_FOUND_MINUTES:
            continue
        if check.state not in ("any", "covers-closed", remedy.state):
            continue
        joint = chance[:, None] * tables.distribution(check.id, place, singles)
        outcome = joint.sum(axis=0)
        gain = before + float(_plogp(joint, axis=(0, 1)) - _plogp(outcome, axis=0))
        if gain < AS_FOUND_GAIN or (best is not None and gain / check.minutes <= best.worth):
            continue
        named = tuple(zip(check.outcome_ids, (float(x) for x in outcome), strict=True))
        minutes = cost(check.minutes, check.state, check.reach, place, context)
        best = Step("check", check.id, (place,), minutes, gain, gain / check.minutes, named, repair.probability)
    return (best,) if best else ()


def _rank(s: Step) -> tuple[float, float, str, str, tuple[Place, ...]]:
    return (-round(s.worth, 6), s.minutes, s.kind, s.id, s.places)


def _by_promise(
    belief: Belief, w: Weighed, checks: Iterable[m.Check], context: Context, boosted: frozenset[str]
) -> list[tuple[float, m.Check]]:
    """Checks that some live fault says something about, the most they could be worth first.

    A check that says something about mass r cannot tell more than whether the fault is among that mass,
    and which of those it is: h(r) + r * log2(outcomes) bits.
    """
    rows = belief.tables.row[w.singles]
    mass = np.bincount(rows, weights=w.chance[: len(rows)], minlength=len(belief.tables.rows))
    speaks = mass @ belief.tables.speaks
    ranked = []
    for check in checks:
        r = min(float(speaks[belief.tables.check_number[check.id]]) + w.chance[-1], 1.0)
        if r < LEAST_RELEVANT:
            continue
        outcomes = len(check.outcomes) if not check.sweep else 1 << 10
        bits = min(_binary(r) + r * float(np.log2(outcomes)), w.before)
        minutes = cost(check.minutes, check.state, check.reach, context.last_place, context)
        ranked.append((bits / minutes * (2.0 if check.id in boosted else 1.0), check))
    ranked.sort(key=lambda pair: (-pair[0], pair[1].id))
    return ranked


def _repairs(
    belief: Belief, w: Weighed, allowed: dict[str, m.Remedy], context: Context
) -> list[Step]:
    total = np.add.reduceat(w.chance, w.starts)[: len(w.keys)]
    tables = belief.tables
    present = belief.of_group(tables.repair_group, 1 - belief.held)
    steps = []
    for (name, place), chance, start in zip(w.keys, total, w.starts, strict=False):
        if name not in allowed or chance < 0.01:
            continue
        likely = float(present[tables.repair_group[w.singles[start]]])
        remedy = allowed[name]
        minutes = cost(remedy.minutes, remedy.state, remedy.reach, place, context)
        # When it works the entropy is gone; when it does not, the rest is as it was without this repair.
        p = min(float(chance), 1.0)
        rest = (w.before - _binary(p)) / max(1 - p, 1e-9) if p < 1 else 0.0
        gain = w.before - (1 - p) * max(rest, 0.0)
        steps.append(Step("remedy", name, (place,), minutes, gain, gain / minutes, (), likely))
    steps.sort(key=lambda s: (-round(s.probability, 9), s.minutes, s.id, s.places))
    return steps


def _binary(p: float) -> float:
    return float(entropy(np.array([p, 1 - p])))


def _candidate_places(tables: Tables, w: Weighed, at: str) -> list[Place]:
    """Where a check of one kind of place may be worth making: at the suspects, and at the cuts that halve what is left."""
    here = tables.site.places(at)
    if len(here) <= PLACES_TRIED:
        return list(here)
    kinds, numbers = tables.place_kind[w.singles], tables.place_number[w.singles]
    chance = w.chance[: len(w.singles)]
    mass = np.bincount(tables.place[w.singles], weights=chance, minlength=len(tables.index.places))
    own = tables.index.by_kind[at]
    best = [int(own[i]) for i in np.argsort(-mass[own].round(12), kind="stable")[: PLACES_TRIED // 2] if mass[own[i]] > 0]
    found = [tables.index.places[i] for i in best]
    along = (kinds == KIND_NUMBERS["unit"]) | (kinds == KIND_NUMBERS["segment"])
    if along.any():
        order = np.argsort(numbers[along], kind="stable")
        summed = np.cumsum(chance[along][order])
        by_number = {p.number: p for p in here}
        for share in (0.5, 0.25, 0.75, 0.4, 0.6):
            number = int(numbers[along][order][min(np.searchsorted(summed, share * summed[-1]), len(order) - 1)])
            cut = by_number.get(number + 1) or by_number.get(number)
            if cut:
                found.append(cut)
    return list(dict.fromkeys(found or here[:2]))[: PLACES_TRIED + 2]


def _check_steps(
    belief: Belief, w: Weighed, check: m.Check, places: list[Place], spent: frozenset[tuple[str, Place]],
    context: Context, boosted: frozenset[str],
) -> list[Step]:  # fmt: skip
    tables = belief.tables
    factor = 2.0 if check.id in boosted else 1.0
    steps: list[Step] = []
    if check.sweep and len(tables.site.places(check.at)) > 1:
        step = _sweep_step(belief, w, check, spent, context, factor)
        if step:
            steps.append(step)
    places = [p for p in places if (check.id, p) not in spent]
    if not places:
        return steps
    dist = np.stack([_distribution(belief, w, check, place) for place in places])
    weighted = w.chance[None, :, None] * dist
    joint = np.add.reduceat(weighted, w.starts, axis=1)  # [place, group, outcome]
    outcome = joint.sum(axis=1)
    gains = w.before + _plogp(joint, axis=(1, 2)) - _plogp(outcome, axis=1)
    for place, gain, chances in zip(places, gains, outcome, strict=True):
        minutes = cost(check.minutes, check.state, check.reach, place, context)
        named = tuple(zip(check.outcome_ids, (float(x) for x in chances), strict=True))
        steps.append(Step("check", check.id, (place,), minutes, float(gain), factor * float(gain) / minutes, named))
    return steps


def _distribution(belief: Belief, w: Weighed, check: m.Check, place: Place) -> Floats:
    """P(outcome | hypothesis) for the weighed hypotheses, [hypothesis, outcome]."""
    tables = belief.tables
    rows = tables.distribution(check.id, place, w.singles)
    seen = belief.seen.get(check.id)
    if seen is not None and not tables.is_predicted(check.id):
        codes = tables.codes(w.singles, (place,))[:, 0]
        last = seen[tables.place[w.singles], codes]
        alike = (last >= 0) & tables.related[check.id][tables.row[w.singles], codes]
        repeats = np.eye(rows.shape[1])[np.maximum(last, 0)]
        rows = np.where(alike[:, None], ALIKE * repeats + (1 - ALIKE) * rows, rows)
    base = tables.network(check.id, place, ()) if tables.is_predicted(check.id) else tables.base[check.id]
    if w.cured:
        rows = np.concatenate([rows[: -w.cured], np.tile(base, (w.cured, 1))])
    chance = w.chance[: len(rows)]
    carried = float(chance.sum())
    average = chance @ rows / carried if carried > 0 else base  # nothing listed explains what was seen: like no fault
    # Of a check that no suspect says anything about, a stranger says nothing either.
    said = tables.is_predicted(check.id) or bool(tables.related[check.id][tables.row[w.singles], tables.codes(w.singles, (place,))[:, 0]].any())
    unlisted = 0.5 * average + 0.25 * base + 0.25 / len(base) if said else base
    return np.concatenate([rows, base[None, :], unlisted[None, :]])


def _sweep_step(
    belief: Belief, w: Weighed, check: m.Check, spent: frozenset[tuple[str, Place]], context: Context, factor: float
) -> Step | None:
    """One question over all places of a kind: told apart is what gives another pattern of answers."""
    tables = belief.tables
    places = tuple(p for p in tables.site.places(check.at) if (check.id, p) not in spent)
    if len(places) < 2:
        return None
    codes = tables.codes(w.singles, places)
    rows = tables.row[w.singles][:, None]
    pattern = tables.dist[check.id].argmax(axis=2).astype(np.int8)[rows, codes]
    if w.cured:
        pattern[-w.cured :] = 0
    pattern = np.concatenate([pattern, np.zeros((2, len(places)), dtype=np.int8)])
    sure = tables.dist[check.id].max(axis=2)[rows, codes]
    trust = np.append(sure.min(axis=1, initial=1.0), [1.0, 0.3])
    seen = {row: n for n, row in enumerate(dict.fromkeys(r.tobytes() for r in pattern))}
    which = np.array([seen[r.tobytes()] for r in pattern], dtype=np.intp)
    one_hot = np.zeros((len(pattern), len(seen)))
    one_hot[np.arange(len(pattern)), which] = w.chance
    joint = np.add.reduceat(one_hot, w.starts, axis=0)
    gain = float(w.before + _plogp(joint, axis=(0, 1)) - _plogp(joint.sum(axis=0), axis=0)) * float(w.chance @ trust)
    minutes = cost(check.minutes + 0.05 * len(places), check.state, check.reach, places[0], context)
    return Step("check", check.id, places, minutes, gain, factor * gain / minutes, ())
