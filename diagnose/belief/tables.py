"""Likelihood tables: the expectations of a site as arrays.

A *single* is one fault at one place. For every check there is a distribution over its outcomes for
each (fault, variant) and relation code, or, where the trunk's network can be computed, for each
single and check place. Frequencies are compound (what is observed when only this fault is there).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from diagnose.gauges.base import PREDICTORS, READINGS
from diagnose.inference.expectations import Entry, Expectations
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import KINDS, Place
from diagnose.site.relations import CODES, PlaceIndex, index_places, lookup_words

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

KIND_NUMBERS = {kind: n for n, kind in enumerate(KINDS)}
CALLED_FOR_NOTHING = 0.03  # chance of being called, before any place or outcome is named, with nothing wrong
ALIKE = 0.9  # chance that a place repeats what a place that lies alike to the same fault has shown
# Chance of one abnormal outcome with nothing wrong; of a sweep, which goes over many places at once, for each place.
SLIP_OF_ASKING, SLIP_OF_LOOKING, SLIP_OF_A_SWEEP = 0.01, 0.002, 0.0005
RARELY_WRONG = 0.01  # share of outcomes that physics does not explain: slips of hand and meter
FAULTS_PER_CALLBACK = 0.7  # expected number of faults before anything is known; shares are scaled to it
MOST_PREDICTED = 16  # places of one fault for which the network is solved; others take the nearest


@dataclass(frozen=True)
class Tables:
    """Everything that belief needs of one site; depends on the install record alone, not on readings."""

    knowledge: m.Knowledge
    site: Site
    index: PlaceIndex
    expectations: Expectations
    fault: tuple[str, ...]  # of each single
    row: Ints  # (fault, variant) row of each single
    place: Ints  # place number of each single
    odds: Floats  # prior odds of each single
    rows: tuple[tuple[str, str], ...]
    dist: Mapping[str, Floats]  # check -> [row, code, outcome]
    related: Mapping[str, npt.NDArray[np.bool_]]  # check -> [row, code], whether the fault says anything there
    base: Mapping[str, Floats]  # check -> [outcome]
    repair_group: Ints  # of each single: faults with one remedy at one place are one
    repair_key: tuple[tuple[str, Place], ...]
    place_kind: Ints  # of each single, numbered as in KIND_NUMBERS
    place_number: Ints
    check_number: Mapping[str, int]
    speaks: Floats  # [row, check]: 1 where the fault says anything about the check
    complaints: Floats  # [row]: how many complaints a fault raises at its own place, at least one
    complaint_outcomes: int  # how many different complaints there are, places apart
    called_for_nothing: float  # chance of one particular complaint, at no particular place, with nothing wrong
    _predicted: dict[tuple[str, Place], Floats] = field(default_factory=dict)
    _network: dict[tuple[str, Place, tuple[tuple[str, Place], ...]], Floats] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """How many singles there are."""
        return len(self.fault)

    def where(self, single: int) -> Place:
        """The place of a single."""
        return self.index.places[int(self.place[single])]

    def numbers(self, places: tuple[Place, ...]) -> Ints:
        """Places as numbers."""
        return np.array([self.index.number[p] for p in places], dtype=np.intp)

    @cached_property
    def fault_names(self) -> tuple[str, ...]:
        """The faults that are possible here, by name."""
        return tuple(dict.fromkeys(self.fault))

    @cached_property
    def fault_number(self) -> Ints:
        """The number in `fault_names` of each single's fault."""
        numbers = {name: n for n, name in enumerate(self.fault_names)}
        return np.array([numbers[name] for name in self.fault], dtype=np.intp)

    @cached_property
    def singles_of(self) -> dict[str, Ints]:
        """The singles of each fault."""
        found: dict[str, list[int]] = {}
        for n, name in enumerate(self.fault):
            found.setdefault(name, []).append(n)
        return {name: np.array(rows, dtype=np.intp) for name, rows in found.items()}

    def codes(self, singles: Ints, places: tuple[Place, ...]) -> npt.NDArray[np.int8]:
        """Relation codes [single, place]."""
        return self.index.relation[self.place[singles][:, None], self.numbers(places)[None, :]]

    def is_predicted(self, check: str) -> bool:
        """Whether the trunk network computes this check."""
        return self.knowledge.checks[check].gauge in PREDICTORS

    def distribution(self, check: str, place: Place, singles: Ints) -> Floats:
        """P(outcome | single) of a check at one place, [single, outcome]."""
        if self.is_predicted(check):
            return self._predict(check, place)[singles]
        codes = self.codes(singles, (place,))[:, 0]
        found: Floats = self.dist[check][self.row[singles], codes]
        return found

    def alterations(self, single: int) -> tuple[tuple[str, Place], ...]:
        """What a single changes in the trunk's network."""
        return tuple((name, self.where(single)) for name in self.knowledge.faults[self.fault[single]].alters)

    def network(self, check: str, place: Place, changes: tuple[tuple[str, Place], ...]) -> Floats:
        """P(outcome) of a computed check at `place` with these alterations made, [outcome]."""
        key = (check, place, changes)
        if key not in self._network:
            gauge = self.knowledge.checks[check].gauge
            value, spread = PREDICTORS[gauge](self.site, place, changes)
            self._network[key] = _band_chances(self, check, place, value, spread)
        return self._network[key]

    def _predict(self, check: str, place: Place) -> Floats:
        if (check, place) not in self._predicted:
            plain = self.network(check, place, ())
            table = np.tile(plain, (self.size, 1))
            by_fault: dict[str, list[int]] = {}
            for single, fault in enumerate(self.fault):
                if self.knowledge.faults[fault].alters:
                    by_fault.setdefault(fault, []).append(single)
                else:
                    said = self.dist[check][self.row[single], self.index.relation[self.place[single], self.index.number[place]]]
                    code = self.index.relation[self.place[single], self.index.number[place]]
                    if self.related[check][self.row[single], code]:
                        table[single] = said
            trunk = self.site.trunk_of(place)
            for singles in by_fault.values():
                on_trunk = [s for s in singles if trunk is None or self.site.trunk_of(self.where(s)) == trunk]
                step = max(1, math.ceil(len(on_trunk) / MOST_PREDICTED))
                for start in range(0, len(on_trunk), step):
                    group = on_trunk[start : start + step]
                    middle = group[len(group) // 2]
                    table[group] = self.network(check, place, self.alterations(middle))
            self._predicted[check, place] = table
        return self._predicted[check, place]


def _band_chances(tables: Tables, check: str, place: Place, value: float, spread: float) -> Floats:
    """Chance of each outcome when a careful reading scatters about `value` by the relative `spread`."""
    gauge = READINGS[tables.knowledge.checks[check].gauge]
    expectation = gauge.function(tables.site, place)
    ids = tables.knowledge.checks[check].outcome_ids
    chances = np.zeros(len(ids))
    if math.isinf(value):
        name = expectation.outcome(value)
        chances[ids.index(name) if name in ids else 0] = 1.0
    else:
        sigma = max(abs(value) * spread, 1e-9)
        for band in expectation.bands:
            low = 0.5 * (1 + math.erf((band.low - value) / (sigma * math.sqrt(2))))
            high = 0.5 * (1 + math.erf((band.high - value) / (sigma * math.sqrt(2))))
            chances[ids.index(band.outcome)] += max(high - low, 0.0)
    total = chances.sum()
    chances = chances / total if total > 0 else np.full(len(ids), 1 / len(ids))
    return np.asarray((1 - RARELY_WRONG) * chances + RARELY_WRONG / len(ids), dtype=np.float64)


def baseline(k: m.Knowledge, check: m.Check) -> Floats:
    """P(outcome) of a check where nothing is wrong, [outcome]."""
    said = dict(check.baseline)
    slip = SLIP_OF_A_SWEEP if check.sweep else SLIP_OF_ASKING if check.kind == "question" else SLIP_OF_LOOKING
    abnormal = np.array([k.often(said[name]) if name in said else slip for name in check.outcome_ids[1:]])
    normal = max(1 - abnormal.sum(), 0.05)
    dist = np.concatenate([[normal], abnormal])
    return np.asarray(dist / dist.sum(), dtype=np.float64)


def _effect(base: Floats, ids: tuple[str, ...], entries: list[Entry]) -> Floats:
    """The distribution that a fault's entries give, on top of what is seen anyway."""
    abnormal = base[1:].copy()
    for n, name in enumerate(ids[1:]):
        miss = 1.0
        for entry in entries:
            if entry.outcome == name:
                miss *= 1 - entry.chance
        if miss < 1.0:
            abnormal[n] = max(abnormal[n], 1 - miss)
    dist = np.concatenate([[max(1 - abnormal.sum(), 0.01)], abnormal])
    return np.asarray(dist / dist.sum(), dtype=np.float64)


def build_tables(
    k: m.Knowledge, site: Site, expectations: Expectations, priors: Mapping[tuple[str, Place], str]
) -> Tables:
    """Arrays for a site. `priors` are the words that the audit of the record has put on faults at places."""
    index = index_places(site)
    rows = tuple(sorted(expectations.entries))  # by name: the order of the rule files must not show anywhere
    row_of = {key: n for n, key in enumerate(rows)}
    broken = Counter(name for name, _ in priors)
    fault: list[str] = []
    row: list[int] = []
    place: list[int] = []
    chances: list[float] = []
    for f in sorted(k.faults.values(), key=lambda fault: fault.id):
        there = [p for p in site.places(f.at) if f.end == "both" or p.other == (f.end == "far")]
        there = [p for p in there if (f.id, expectations.variants.of[p]) in row_of]
        for p in there:
            word = priors.get((f.id, p))
            chance = k.prior(f.prior) / len(there)
            if word is not None:
                # A violation at this very place is no longer spread over the site. Where the record breaks the
                # same rule at many places, each is less telling: the habit has not tripped all of them.
                chance = max(chance, k.prior(word) / math.sqrt(broken[f.id]))
            fault.append(f.id)
            row.append(row_of[f.id, expectations.variants.of[p]])
            place.append(index.number[p])
            chances.append(chance)
    dist: dict[str, Floats] = {}
    related: dict[str, npt.NDArray[np.bool_]] = {}
    base: dict[str, Floats] = {}
    for check in k.checks.values():
        base[check.id] = baseline(k, check)
        dist[check.id] = np.tile(base[check.id], (len(rows), CODES, 1))
        related[check.id] = np.zeros((len(rows), CODES), dtype=bool)
    named = max(sum(len(c.outcomes) - 1 for c in k.checks.values() if c.complaint), 1)
    altering = np.array([bool(k.faults[name].alters) for name, _ in rows], dtype=bool)
    words = [lookup_words(code) for code in range(CODES)]
    for n, key in enumerate(rows):
        by_check: dict[str, dict[str, list[Entry]]] = {}
        for entry in expectations.entries[key]:
            for word in entry.where:
                by_check.setdefault(entry.check, {}).setdefault(word, []).append(entry)
        for check_id, by_word in by_check.items():
            ids = k.checks[check_id].outcome_ids
            made = {word: _effect(base[check_id], ids, entries) for word, entries in by_word.items()}
            for code in range(CODES):
                said = next((w for w in words[code] if w in made), None)
                if said is not None:
                    dist[check_id][n, code] = made[said]
                    related[check_id][n, code] = True
    speaks = np.stack(
        [related[c.id].any(axis=1) | (altering if c.gauge in PREDICTORS else False) for c in k.checks.values()], axis=1
    ).astype(np.float64)
    pi = np.array(chances, dtype=np.float64)
    # Prior words are shares of callbacks, so only their proportions count: a book with more faults in it does not
    # make a site more faulty.
    pi = np.minimum(pi * (FAULTS_PER_CALLBACK / max(pi.sum(), 1e-12)), 0.5)
    return Tables(
        k, site, index, expectations, tuple(fault), np.array(row, dtype=np.intp), np.array(place, dtype=np.intp),
        pi / (1 - pi), rows, dist, related, base, *_grouping(k, index, fault, place),
        {c: n for n, c in enumerate(k.checks)}, speaks, _complaints(k, dist, related, len(rows)),
        named, CALLED_FOR_NOTHING / named,
    )  # fmt: skip


def _grouping(
    k: m.Knowledge, index: PlaceIndex, fault: list[str], place: list[int]
) -> tuple[Ints, tuple[tuple[str, Place], ...], Ints, Ints]:
    keys: dict[tuple[str, Place], int] = {}
    where = [index.places[p] for p in place]
    group = [keys.setdefault((k.faults[f].remedy, p), len(keys)) for f, p in zip(fault, where, strict=True)]
    return (
        np.array(group, dtype=np.intp), tuple(keys),
        np.array([KIND_NUMBERS[p.kind] for p in where], dtype=np.intp), np.array([p.number for p in where], dtype=np.intp),
    )  # fmt: skip


def _complaints(
    k: m.Knowledge, dist: Mapping[str, Floats], related: Mapping[str, npt.NDArray[np.bool_]], rows: int
) -> Floats:
    """How many complaints each row would raise at its own place; the caller names one of them."""
    total = np.zeros(rows)
    for check in k.checks.values():
        if check.complaint:
            total += np.where(related[check.id][:, 0], 1 - dist[check.id][:, 0, 0], 0.0)
    return np.maximum(total, 1.0)
