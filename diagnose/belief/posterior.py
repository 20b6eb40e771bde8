"""The posterior, exact over what is enumerated: no fault, single faults, pairs of likely faults, none of the book.

Odds convention: with independent faults P(set) is proportional to the product of the prior odds of
its members. Two causes of one reading combine by noisy-MAX over the order of a check's outcomes,
in cumulative form, C_pair = C_f * C_g / C_base (links are compound: the base is in both factors);
where the trunk's network is altered by both, physics computes the pair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.belief.evidence import Evidence
from diagnose.belief.tables import Floats, Ints, Tables
from diagnose.site.places import Place

UNLISTED_PRIOR = 0.05  # odds of a cause that is not in the book, against no fault
SLIP = 0.005  # chance that a whole answer is a slip: mixed in, so that no single answer rules anything out
TOGETHER = 0.1  # weight of each further place of one answer that the same fault explains in the same way
PAIRED = 48  # singles that are also considered in pairs
REPAIR_HOLDS = 0.95  # chance that a repair that was done removed its fault


@dataclass(frozen=True)
class Belief:
    """P(hypothesis | evidence). `single` and `pair` hold the probabilities of exactly that hypothesis.

    `log_of` holds ln P(answer | hypothesis) of each answer for singles, [answer, single]; `log_none`
    the same for no fault. `kept` is the prior mass of at most two faults.
    """

    tables: Tables
    evidence: tuple[Evidence, ...]
    none: float
    unlisted: float
    single: Floats
    paired: Ints
    pair: Floats
    log_of: Floats
    log_none: Floats
    kept: float
    agreement: Floats  # ln of the best explanation of each pair of answers together, [answer, answer]

    @property
    def marginal(self) -> Floats:
        """P(fault at place is present), [single]."""
        total = self.single.copy()
        np.add.at(total, self.paired[:, 0], self.pair)
        np.add.at(total, self.paired[:, 1], self.pair)
        return total


def believe(tables: Tables, evidence: Sequence[Evidence], excluded: Floats | None = None) -> Belief:
    """Exact posterior over the enumerated hypotheses given the answers (unknown ones are left out).

    `excluded`: a factor for each single that reading rules put on it (1 where none does).
    """
    known = tuple(e for e in evidence if e.outcome is not None)
    n = tables.size
    everyone = np.arange(n, dtype=np.intp)
    log_of = np.zeros((len(known), n))
    log_none = np.zeros(len(known))
    for t, e in enumerate(known):
        log_of[t], log_none[t] = _log_singles(tables, e, everyone)
    log_prior = np.log(tables.odds)
    if excluded is not None:
        log_prior = log_prior + np.log(excluded)
    log_single = log_prior + log_of.sum(axis=0)
    chosen = _choose_for_pairs(log_single, log_prior, log_of)
    first, second = np.triu_indices(len(chosen), k=1)
    paired = np.stack([chosen[first], chosen[second]], axis=1) if len(first) else np.zeros((0, 2), dtype=np.intp)
    log_pair = log_prior[paired[:, 0]] + log_prior[paired[:, 1]]
    pair_terms = np.zeros((len(known), len(paired)))
    for t, e in enumerate(known):
        pair_terms[t] = _log_pairs(tables, e, chosen, first, second)
    log_pair = log_pair + pair_terms.sum(axis=0)
    log_all = np.concatenate(
        [[log_none.sum(), np.log(UNLISTED_PRIOR) + _log_unlisted(tables, known, log_of, log_none)], log_single, log_pair]
    )
    mass = np.exp(log_all - log_all.max())
    mass /= mass.sum()
    return Belief(
        tables, known, float(mass[0]), float(mass[1]), mass[2 : 2 + n], paired, mass[2 + n :],
        log_of, log_none, kept_mass(tables.odds),
        _agreement(log_of, log_none, pair_terms),
    )  # fmt: skip


def kept_mass(odds: Floats) -> float:
    """Prior mass of no fault, single faults and pairs: prod(1 - pi) * (1 + e1 + e2)."""
    e1 = float(odds.sum())
    e2 = (e1 * e1 - float((odds * odds).sum())) / 2
    return float(np.exp(-np.log1p(odds).sum()) * (1 + e1 + e2))


def _with_slip(tables: Tables, check: str, log_chance: Floats) -> Floats:
    outcomes = len(tables.base[check])
    return np.asarray(np.logaddexp(np.log1p(-SLIP) + log_chance, np.log(SLIP / outcomes)), dtype=np.float64)


def _log_singles(tables: Tables, e: Evidence, singles: Ints) -> tuple[Floats, float]:
    """ln P(answer | single) for each single, and for no fault."""
    check = tables.knowledge.checks[e.check]
    o = check.outcome_ids.index(e.outcome or check.normal)
    base = float(np.log(tables.base[e.check][o]))
    if not e.places:
        total = np.log(_somewhere(tables, e.check, singles)[:, o])
        none = base
    elif tables.is_predicted(e.check):
        rows = [np.log(tables.distribution(e.check, p, singles)[:, o]) for p in e.places]
        total = np.sum(rows, axis=0)
        none = float(sum(np.log(tables.network(e.check, p, ())[o]) for p in e.places))
    else:
        codes = tables.codes(singles, e.places)
        rows_of = tables.row[singles]
        chance = np.log(tables.dist[e.check][:, :, o])  # [row, code]
        related = tables.related[e.check]
        total = np.zeros(len(singles))
        for code in np.unique(codes):
            count = (codes == code).sum(axis=1)
            said = related[rows_of, code]
            # Places that a fault explains in the same way come out together; chance errors do not.
            weight = np.where(said & (count > 0), 1 + TOGETHER * (count - 1), count)
            total += weight * chance[rows_of, code]
        none = base * len(e.places)
    if e.complaint and o > 0:
        total = total - np.log(tables.complaints[tables.row[singles]])
        # With nothing wrong, a caller would have to name just this outcome at just this place.
        ways = max(len(tables.site.places(check.at)), 1)
        if 1 < len(e.places) < ways:
            ways *= ways  # a run of places has a beginning and an end
        none = float(np.log(tables.called_for_nothing / ways))
    total = _with_slip(tables, e.check, total)
    none_slipped = float(_with_slip(tables, e.check, np.array([none]))[0])
    if e.mended:
        gone = np.array([_is_mended(tables, int(s), e.mended) for s in singles], dtype=bool)
        healthy = float(_with_slip(tables, e.check, np.array([base * len(e.places)]))[0])
        mixed = np.logaddexp(np.log(REPAIR_HOLDS) + healthy, np.log1p(-REPAIR_HOLDS) + total)
        total = np.where(gone, mixed, total)
    return total, none_slipped


def _is_mended(tables: Tables, single: int, mended: frozenset[tuple[str, Place]]) -> bool:
    return (tables.knowledge.faults[tables.fault[single]].remedy, tables.where(single)) in mended


def _log_unlisted(tables: Tables, known: Sequence[Evidence], log_of: Floats, log_none: Floats) -> float:
    """A cause outside the book: like one of the book's at its place, but each answer half at random.

    The random half is normal or anything. Tying all answers to one likeness keeps the places together: a
    stranger has to be somewhere, too.
    """
    share = tables.odds / max(tables.odds.sum(), 1e-300)
    total = np.log(np.maximum(share, 1e-300))
    for t, e in enumerate(known):
        check = tables.knowledge.checks[e.check]
        anything = -np.log(len(check.outcomes)) - np.log(max(len(tables.site.places(check.at)), 1))
        random = np.logaddexp(np.log(0.25) + log_none[t], np.log(0.25) + anything)
        total = total + np.logaddexp(np.log(0.5) + log_of[t], random)
    return float(np.logaddexp.reduce(total)) if len(total) else float(log_none.sum())


def _choose_for_pairs(log_single: Floats, log_prior: Floats, log_of: Floats) -> Ints:
    """Singles worth pairing: the likeliest overall, and the best explanations of each single answer."""
    if len(log_single) == 0:
        return np.zeros(0, dtype=np.intp)
    order = np.argsort(-log_single, kind="stable")
    chosen = list(order[: PAIRED // 2])
    surprising = np.argsort(log_of.max(axis=1) - log_of[:, order[0]])[::-1] if len(log_of) else []
    for t in surprising:
        if len(set(chosen)) >= PAIRED:
            break
        chosen += list(np.argsort(-(log_prior + log_of[t]), kind="stable")[:8])
    return np.array(list(dict.fromkeys(chosen))[:PAIRED], dtype=np.intp)


def _log_pairs(tables: Tables, e: Evidence, chosen: Ints, first: Ints, second: Ints) -> Floats:
    """ln P(answer | pair) for each pair of chosen singles."""
    if len(first) == 0:
        return np.zeros(0)
    check = tables.knowledge.checks[e.check]
    o = check.outcome_ids.index(e.outcome or check.normal)
    gone = np.array([_is_mended(tables, int(s), e.mended) for s in chosen], dtype=bool)
    base = tables.base[e.check]
    total = np.zeros(len(first))
    if not e.places:
        dist = _mend(_somewhere(tables, e.check, chosen), gone, base)
        total += np.log(_both(dist, base, o, first, second))
    elif tables.is_predicted(e.check):
        for place in e.places:
            plain = tables.network(e.check, place, ())
            dist = _mend(tables.distribution(e.check, place, chosen), gone, plain)
            chance = _both(dist, plain, o, first, second)
            changes = [() if gone[i] else tables.alterations(int(s)) for i, s in enumerate(chosen)]
            for n, (i, j) in enumerate(zip(first, second, strict=True)):
                if changes[i] and changes[j]:
                    chance[n] = tables.network(e.check, place, tuple(sorted(changes[i] + changes[j])))[o]
            total += np.log(chance)
        return _with_slip(tables, e.check, total)
    codes = tables.codes(chosen, e.places) if e.places else np.zeros((len(chosen), 0), dtype=np.int8)
    columns, counts = np.unique(codes, axis=1, return_counts=True) if e.places else (codes, np.zeros(0, dtype=np.intp))
    for column, count in zip(columns.T, counts, strict=True):
        dist = _mend(tables.dist[e.check][tables.row[chosen], column], gone, base)
        said = tables.related[e.check][tables.row[chosen], column] & ~gone
        either = said[first] | said[second]
        weight = np.where(either, 1 + TOGETHER * (count - 1), count)
        total += weight * np.log(_both(dist, base, o, first, second))
    if e.complaint and o > 0:
        raised = tables.complaints[tables.row[chosen]]
        total = total - np.log(np.minimum(raised[first], raised[second]))
    return _with_slip(tables, e.check, total)


def _somewhere(tables: Tables, check: str, singles: Ints) -> Floats:
    """An answer about no place in particular: each single takes the place where it shows most, [single, outcome]."""
    dist, related = tables.dist[check], tables.related[check]
    abnormal = np.where(related, 1 - dist[:, :, 0], -1.0)
    best = abnormal.argmax(axis=1)
    return np.asarray(dist[np.arange(len(best)), best][tables.row[singles]], dtype=np.float64)


def _mend(dist: Floats, gone: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], base: Floats) -> Floats:
    if not gone.any():
        return dist
    mixed = REPAIR_HOLDS * base[None, :] + (1 - REPAIR_HOLDS) * dist
    return np.asarray(np.where(gone[:, None], mixed, dist), dtype=np.float64)


def _both(dist: Floats, base: Floats, o: int, first: Ints, second: Ints) -> Floats:
    """P(outcome o) with two causes: noisy-MAX over the order of outcomes, compound links."""
    up_to = np.cumsum(dist, axis=1)
    base_up_to = np.cumsum(base)
    high = up_to[first, o] * up_to[second, o] / base_up_to[o]
    low = up_to[first, o - 1] * up_to[second, o - 1] / base_up_to[o - 1] if o else 0.0
    return np.clip(high - low, 1e-6, 1.0)


def _agreement(log_of: Floats, log_none: Floats, pair_terms: Floats) -> Floats:
    """For each two answers, ln of the best that any one hypothesis does for both together."""
    columns = np.concatenate([log_none[:, None], log_of, pair_terms], axis=1) if len(log_none) else np.zeros((0, 1))
    if len(columns) == 0:
        return np.zeros((0, 0))
    return np.stack([(columns[t][None, :] + columns).max(axis=1) for t in range(len(columns))])
