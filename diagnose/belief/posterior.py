"""The posterior, exact over what is enumerated: no fault, single faults, pairs of likely faults, none of the book.

Odds convention: with independent faults P(set) is proportional to the product of the prior odds of
its members. Two causes of one reading combine by noisy-MAX over the order of a check's outcomes,
in cumulative form, C_pair = C_f * C_g / C_base (links are compound: the base is in both factors);
where the trunk's network is altered by both, physics computes the pair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from diagnose.belief.evidence import Evidence
from diagnose.belief.tables import ALIKE, Floats, Ints, Tables
from diagnose.site.relations import CODES

UNLISTED_PRIOR = 0.1  # odds of a cause that is not in the book, against no fault
SLIP = 0.005  # chance that a whole answer is a slip: mixed in, so that no single answer rules anything out
PAIRED = 48  # singles that are also considered in pairs
REPAIR_HOLDS = 0.95  # chance that a repair that was done removed its fault


EXPLAINS = 3.0  # a fault explains an abnormal answer when it makes it this much likelier than chance does

Seen = dict[str, npt.NDArray[np.int8]]
"""For each check, [place, code]: the outcome last seen at places that lie so to the place, -1 for none."""


@dataclass(frozen=True)
class Belief:
    """P(hypothesis | evidence). `single` and `pair` hold the probabilities of exactly that hypothesis.

    Only *live* singles are carried: those that explain something abnormal, all of them as long as
    nothing abnormal is known. `log_of` holds ln P(answer | hypothesis) of each answer for all singles,
    [answer, single]; `log_none` the same for no fault. A single that has been repaired is either cured
    or not, for all answers since: `held` is the chance that the last repair holds, [single]. `kept` is the prior mass of at most two of the
    live faults.
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
    held: Floats
    kept: float
    seen: Seen
    agreement: Floats  # ln of the best explanation of each pair of answers together, [answer, answer]

    @cached_property
    def marginal(self) -> Floats:
        """P(fault at place is present), [single]."""
        total = self.single.copy()
        np.add.at(total, self.paired[:, 0], self.pair)
        np.add.at(total, self.paired[:, 1], self.pair)
        return total

    def of_group(self, group: Ints, weights: Floats | None = None) -> Floats:
        """P(at least one single of each group), for a group number of every single; `weights` scale the singles."""
        weight = np.ones(len(group)) if weights is None else weights
        total = np.bincount(group, weights=self.marginal * weight)
        first, second = group[self.paired[:, 0]], group[self.paired[:, 1]]
        same = first == second  # counted with both members; take one off
        np.subtract.at(total, first[same], self.pair[same] * weight[self.paired[same, 0]])
        return np.clip(total, 0.0, 1.0)


def believe(tables: Tables, evidence: Sequence[Evidence], excluded: Floats | None = None) -> Belief:
    """Exact posterior over the enumerated hypotheses given the answers (unknown ones are left out).

    `excluded`: a factor for each single that reading rules put on it (1 where none does).
    """
    known = tuple(e for e in evidence if e.outcome is not None)
    n = tables.size
    log_of = np.zeros((len(known), n))
    log_none = np.zeros(len(known))
    by_chance = np.zeros(len(known))
    explained = np.zeros(n, dtype=bool)
    abnormal = False
    before: list[npt.NDArray[np.int8] | None] = []
    seen: Seen = {}
    epoch = known[0].mended if known else ()
    for t, e in enumerate(known):
        if e.mended != epoch:
            epoch, seen = e.mended, {}  # after a repair things may look different everywhere
        before.append(seen.get(e.check))
        log_of[t], log_none[t], by_chance[t] = _log_singles(tables, e, before[-1])
        seen[e.check] = _remember(tables, e, before[-1])
        if e.outcome != tables.knowledge.checks[e.check].normal:
            abnormal = True
            explained |= log_of[t] > by_chance[t] + np.log(EXPLAINS)
    live = np.flatnonzero(explained) if abnormal else np.arange(n, dtype=np.intp)
    log_prior = np.log(tables.odds)
    if excluded is not None:
        log_prior = log_prior + np.log(excluded)
    log_all_answers, held = _with_repairs(tables, known, log_of, by_chance)
    log_live = log_prior[live] + log_all_answers[live]
    chosen = live[_choose_for_pairs(log_live, log_prior[live], log_of[:, live])]
    first, second = np.triu_indices(len(chosen), k=1)
    paired = np.stack([chosen[first], chosen[second]], axis=1) if len(first) else np.zeros((0, 2), dtype=np.intp)
    pair_terms = np.zeros((len(known), len(paired)))
    memory: dict[str, npt.NDArray[np.int8]] = {}
    epoch = known[0].mended if known else ()
    for t, e in enumerate(known):
        if e.mended != epoch:
            epoch, memory = e.mended, {}
        pair_terms[t] = _log_pairs(tables, e, chosen, first, second, memory)
    log_pair = log_prior[paired[:, 0]] + log_prior[paired[:, 1]]
    log_pair = log_pair + _pairs_with_repairs(tables, known, pair_terms, log_of, by_chance, paired)
    unlisted = np.log(UNLISTED_PRIOR) + _log_unlisted(tables, known, log_of, log_none)
    log_all = np.concatenate([[log_none.sum(), unlisted], log_live, log_pair])
    mass = np.exp(log_all - log_all.max())
    mass /= mass.sum()
    single = np.zeros(n)
    single[live] = mass[2 : 2 + len(live)]
    return Belief(
        tables, known, float(mass[0]), float(mass[1]), single, paired, mass[2 + len(live) :], log_of, log_none, held,
        kept_mass(tables.odds[live]), seen, _agreement(log_of[:, live], log_none, pair_terms),
    )  # fmt: skip


def kept_mass(odds: Floats) -> float:
    """Prior mass of no fault, single faults and pairs: prod(1 - pi) * (1 + e1 + e2)."""
    e1 = float(odds.sum())
    e2 = (e1 * e1 - float((odds * odds).sum())) / 2
    return float(np.exp(-np.log1p(odds).sum()) * (1 + e1 + e2))


def _ways(tables: Tables, e: Evidence) -> int:
    """How many answers of this shape there could have been: places a caller may name, runs of places."""
    everywhere = max(len(tables.site.places(tables.knowledge.checks[e.check].at)), 1)
    if 1 < len(e.places) < everywhere:
        return everywhere * everywhere  # a run of places has a beginning and an end
    return everywhere if e.complaint else 1


def _with_slip(tables: Tables, e: Evidence, log_chance: Floats) -> Floats:
    """A slip may give any outcome, of any shape that the answer could have had."""
    slip = np.log(SLIP / (len(tables.base[e.check]) * _ways(tables, e)))
    return np.asarray(np.logaddexp(np.log1p(-SLIP) + log_chance, slip), dtype=np.float64)


def _remember(tables: Tables, e: Evidence, before: npt.NDArray[np.int8] | None) -> npt.NDArray[np.int8]:
    """What has been seen of a check, this answer included."""
    size = len(tables.index.places)
    after = np.full((size, CODES), -1, dtype=np.int8) if before is None else before.copy()
    if e.places and e.outcome is not None:
        o = tables.knowledge.checks[e.check].outcome_ids.index(e.outcome)
        after[np.arange(size)[:, None], tables.index.relation[:, tables.numbers(e.places)]] = o
    return after


def _log_singles(
    tables: Tables, e: Evidence, before: npt.NDArray[np.int8] | None
) -> tuple[Floats, float, float]:
    """ln P(answer | single) for each single, for no fault, and by chance alone.

    Places that lie alike to a fault come out alike: the first one has the fault's own chances, each
    further one repeats it with the chance ALIKE. What no fault explains is independent from place to place.
    """
    check = tables.knowledge.checks[e.check]
    o = check.outcome_ids.index(e.outcome or check.normal)
    base = float(np.log(tables.base[e.check][o]))
    everyone = np.arange(tables.size, dtype=np.intp)
    by_chance = base * max(len(e.places), 1)
    if not e.places:
        total = np.log(_somewhere(tables, e.check, everyone)[:, o])
        none = base
    elif tables.is_predicted(e.check):
        total = np.sum([np.log(tables.distribution(e.check, p, everyone)[:, o]) for p in e.places], axis=0)
        none = float(sum(np.log(tables.network(e.check, p, ())[o]) for p in e.places))
        by_chance = none
    else:
        codes = tables.index.relation[:, tables.numbers(e.places)]  # [place of a fault, place of the check]
        chance = np.log(tables.dist[e.check][:, :, o])  # [row, code]
        related = tables.related[e.check]
        total = np.zeros(tables.size)
        for code in np.unique(codes):
            count = (codes == code).sum(axis=1)[tables.place]
            plain = chance[tables.row, code]
            again = np.log(ALIKE + (1 - ALIKE) * np.exp(plain))
            first = plain
            if before is not None:
                last = before[tables.place, code]
                first = np.where(last < 0, plain, np.where(last == o, again, np.log(1 - ALIKE) + plain))
            alike = first + again * (count - 1)
            total += np.where(count > 0, np.where(related[tables.row, code], alike, count * plain), 0.0)
        none = by_chance
    if e.complaint and o > 0:
        total = total - np.log(tables.complaints[tables.row])
        # With nothing wrong, a caller would have to name just this outcome at just this place.
        none = float(np.log(tables.called_for_nothing / _ways(tables, e)))
    total = _with_slip(tables, e, total)
    none_slipped, chance_slipped = _with_slip(tables, e, np.array([none, by_chance]))
    return total, float(none_slipped), float(chance_slipped)


def _times(tables: Tables, known: Sequence[Evidence]) -> dict[int, npt.NDArray[np.intp]]:
    """For each repair group that was repaired: how often, before each answer."""
    numbers = {key: n for n, key in enumerate(tables.repair_key)}
    done = {key for e in known for key in e.mended if key in numbers}
    return {
        numbers[key]: np.array([list(e.mended).count(key) for e in known], dtype=np.intp)
        for key in sorted(done, key=str)
    }


def _with_repairs(
    tables: Tables, known: Sequence[Evidence], log_of: Floats, by_chance: Floats
) -> tuple[Floats, Floats]:
    """ln P(all answers | single), and P(its last repair holds | answers, single).

    A repair holds or does not, for all answers until the next one like it; where it holds they come by chance.
    """
    total = log_of.sum(axis=0)
    held = np.zeros(tables.size)
    for group, times in _times(tables, known).items():
        singles = np.flatnonzero(tables.repair_group == group)
        own = log_of[:, singles]
        total[singles] = own[times == 0].sum(axis=0)
        for time in range(1, int(times.max()) + 1):
            holds = np.log(REPAIR_HOLDS) + by_chance[times == time].sum()
            fails = np.log1p(-REPAIR_HOLDS) + own[times == time].sum(axis=0)
            either = np.logaddexp(holds, fails)
            total[singles] += either
            held[singles] = np.exp(holds - either)
    return total, held


def _pairs_with_repairs(
    tables: Tables, known: Sequence[Evidence], pair_terms: Floats, log_of: Floats, by_chance: Floats, paired: Ints
) -> Floats:
    """ln P(all answers | pair). Of a repaired member, its repair holds for all answers since, or for none."""
    times = _times(tables, known)
    if not times or not len(paired):
        return np.asarray(pair_terms.sum(axis=0), dtype=np.float64)
    since = np.zeros(log_of.shape, dtype=bool)
    for group, counts in times.items():
        since[np.ix_(counts > 0, np.flatnonzero(tables.repair_group == group))] = True
    f, g = paired[:, 0], paired[:, 1]
    f_since, g_since = since[:, f], since[:, g]
    f_done, g_done = f_since.any(axis=0), g_since.any(axis=0)
    ways = []
    for f_holds, g_holds in ((False, False), (True, False), (False, True), (True, True)):
        f_gone, g_gone = f_since & f_holds, g_since & g_holds
        terms = np.where(
            f_gone & g_gone, by_chance[:, None],
            np.where(f_gone, log_of[:, g], np.where(g_gone, log_of[:, f], pair_terms)),
        ).sum(axis=0)  # fmt: skip
        for holds, done in ((f_holds, f_done), (g_holds, g_done)):
            chance = REPAIR_HOLDS if holds else 1 - REPAIR_HOLDS
            terms = terms + np.where(done, np.log(chance), 0.0 if not holds else -np.inf)
        ways.append(terms)
    return np.asarray(np.logaddexp.reduce(ways), dtype=np.float64)


def _log_unlisted(tables: Tables, known: Sequence[Evidence], log_of: Floats, log_none: Floats) -> float:
    """A cause outside the book: like one of the book's at its place, but each answer half at random.

    The random half is normal or anything. Tying all answers to one likeness keeps the places together: a
    stranger has to be somewhere, too.
    """
    share = tables.odds / max(tables.odds.sum(), 1e-300)
    total = np.log(np.maximum(share, 1e-300))
    for t, e in enumerate(known):
        check = tables.knowledge.checks[e.check]
        # What the caller complains of is any of all complaints; an answer is any outcome of what was asked.
        outcomes = tables.complaint_outcomes if e.complaint else len(check.outcomes)
        anything = -np.log(outcomes) - np.log(_ways(tables, e))
        random = np.logaddexp(np.log(0.25) + log_none[t], np.log(0.25) + anything)
        total = total + np.logaddexp(np.log(0.5) + log_of[t], random)
    return float(np.logaddexp.reduce(total)) if len(total) else float(log_none.sum())


def _choose_for_pairs(log_single: Floats, log_prior: Floats, log_of: Floats) -> Ints:
    """Singles worth pairing: the likeliest overall, and the best explanations of each single answer.

    Rounded, so that equal ones fall in the order of their names and places, whatever order rules were read in.
    """
    if len(log_single) == 0:
        return np.zeros(0, dtype=np.intp)
    order = np.argsort(-log_single.round(9), kind="stable")
    chosen = list(order[: PAIRED // 2])
    surprise = log_of.max(axis=1, initial=-1e9) - log_of[:, order[0]]
    for t in np.argsort(-surprise.round(9), kind="stable"):
        if len(set(chosen)) >= PAIRED:
            break
        chosen += list(np.argsort(-(log_prior + log_of[t]).round(9), kind="stable")[:8])
    return np.array(list(dict.fromkeys(chosen))[:PAIRED], dtype=np.intp)


def _log_pairs(
    tables: Tables, e: Evidence, chosen: Ints, first: Ints, second: Ints, memory: dict[str, npt.NDArray[np.int8]]
) -> Floats:
    """ln P(answer | pair) for each pair of chosen singles.

    Places that lie alike to both members come out together. `memory` keeps, for each check, what was last
    seen at places that lie so to the pair, [pair, code of the first * CODES + code of the second].
    """
    if len(first) == 0:
        return np.zeros(0)
    check = tables.knowledge.checks[e.check]
    o = check.outcome_ids.index(e.outcome or check.normal)
    base = tables.base[e.check]
    total = np.zeros(len(first))
    if not e.places:
        total += np.log(_both(_somewhere(tables, e.check, chosen), base, o, first, second))
    elif tables.is_predicted(e.check):
        for place in e.places:
            plain = tables.network(e.check, place, ())
            chance = _both(tables.distribution(e.check, place, chosen), plain, o, first, second)
            changes = [tables.alterations(int(s)) for s in chosen]
            for n, (i, j) in enumerate(zip(first, second, strict=True)):
                if changes[i] and changes[j]:
                    chance[n] = tables.network(e.check, place, tuple(sorted(changes[i] + changes[j])))[o]
            total += np.log(chance)
        return _with_slip(tables, e, total)
    if e.places and not tables.is_predicted(e.check):
        codes = tables.codes(chosen, e.places).astype(np.int16)
        both = codes[first] * CODES + codes[second]  # [pair, place]
        before = memory.setdefault(e.check, np.full((len(first), CODES * CODES), -1, dtype=np.int8))
        dist, related, rows = tables.dist[e.check], tables.related[e.check], tables.row[chosen]
        for code in np.unique(both):
            of_first, of_second = divmod(int(code), CODES)
            count = (both == code).sum(axis=1)
            pairs = np.flatnonzero(count)
            f, g, n = rows[first[pairs]], rows[second[pairs]], count[pairs]
            chance = _combine(dist[f, of_first], dist[g, of_second], base, o)
            again = ALIKE + (1 - ALIKE) * chance
            last = before[pairs, code]
            lead = np.where(last < 0, chance, np.where(last == o, again, (1 - ALIKE) * chance))
            either = related[f, of_first] | related[g, of_second]
            total[pairs] += np.where(either, np.log(lead) + (n - 1) * np.log(again), n * np.log(chance))
            before[pairs, code] = o
    if e.complaint and o > 0:
        raised = tables.complaints[tables.row[chosen]]
        total = total - np.log(np.minimum(raised[first], raised[second]))
    return _with_slip(tables, e, total)


def _somewhere(tables: Tables, check: str, singles: Ints) -> Floats:
    """An answer about no place in particular: each single takes the place where it shows most, [single, outcome]."""
    dist, related = tables.dist[check], tables.related[check]
    abnormal = np.where(related, 1 - dist[:, :, 0], -1.0)
    best = abnormal.argmax(axis=1)
    return np.asarray(dist[np.arange(len(best)), best][tables.row[singles]], dtype=np.float64)


def _both(dist: Floats, base: Floats, o: int, first: Ints, second: Ints) -> Floats:
    """P(outcome o) for pairs of the rows of `dist`."""
    return _combine(dist[first], dist[second], base, o)


def _combine(one: Floats, other: Floats, base: Floats, o: int) -> Floats:
    """P(outcome o) with two causes: noisy-MAX over the order of outcomes, compound links; rows are [pair, outcome]."""
    up_to = one[:, : o + 1].sum(axis=1) * other[:, : o + 1].sum(axis=1) / base[: o + 1].sum()
    below = one[:, :o].sum(axis=1) * other[:, :o].sum(axis=1) / base[:o].sum() if o else 0.0
    return np.asarray(np.clip(up_to - below, 1e-6, 1.0), dtype=np.float64)


def _agreement(log_of: Floats, log_none: Floats, pair_terms: Floats) -> Floats:
    """For each two answers, ln of the best that any one hypothesis does for both together."""
    columns = np.concatenate([log_none[:, None], log_of, pair_terms], axis=1) if len(log_none) else np.zeros((0, 1))
    if len(columns) == 0:
        return np.zeros((0, 0))
    return np.stack([(columns[t][None, :] + columns).max(axis=1) for t in range(len(columns))])
