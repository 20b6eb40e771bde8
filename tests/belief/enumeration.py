"""The posterior once more, by plain loops over every hypothesis of at most two faults, in exact fractions.

Written from the definitions, not from the arrays: prior odds of independent faults; compound links and
noisy-MAX in cumulative form ("A Generalization of the Noisy-Or Model", UAI 1993); the rule that places that
lie alike to a fault repeat each other; the slip; the complaint; repairs; the cause that is not in the book.
It shares with the project the constants and nothing else.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations, product
from math import fsum
from typing import NamedTuple

from diagnose.belief import posterior, tables
from tests.belief.small_bases import CheckSpec, FaultSpec, Line, SiteSpec, Spec, places_of

Spot = tuple[str, int, int]  # kind, number, other
ONE = Fraction(1)


def exact(number: float) -> Fraction:
    """The decimal number that a constant was written as."""
    return Fraction(str(number))


ALIKE, SLIP, HOLDS = exact(tables.ALIKE), exact(posterior.SLIP), exact(posterior.REPAIR_HOLDS)
UNLISTED, EXPLAINS = exact(posterior.UNLISTED_PRIOR), exact(posterior.EXPLAINS)
LEAST = Fraction(1, 10**6)  # what noisy-MAX is floored at


class Answer(NamedTuple):
    """An answer to a check at some places, and the repairs (remedy, place) done before it, in order; one may come again."""

    check: str
    places: tuple[Spot, ...]
    outcome: str
    complaint: bool = False
    mended: tuple[tuple[str, Spot], ...] = ()


# ---- relations of place, from their description in words


def relation(s: SiteSpec, fault: Spot, check: Spot) -> tuple[str, ...]:
    """The words that say how a check's place lies to a fault's place, the most telling first."""
    if _same_place(s, fault, check):
        return ("here",)
    words: list[str] = []
    a, b = _on_trunk(s, fault), _on_trunk(s, check)
    if a and b and a[0] == b[0]:
        x, y = a[1], b[1]
        outward = y != 0 if x == 0 else y > x if x > 0 else y < x
        words += ["beyond" if outward else "before", "same-trunk"]
    if fault[0] == check[0] == "unit":
        u, v = fault[1], check[1]
        if s.circuit.get(u) is not None and s.circuit.get(u) == s.circuit.get(v):
            words += ["same-circuit", "same-panel"]
        elif s.panel.get(u, 1) == s.panel.get(v, 1):
            words.append("same-panel")
    return (*words, "elsewhere")


def _on_trunk(s: SiteSpec, spot: Spot) -> tuple[int, float] | None:
    """(trunk, steps along the cable from the controller, signed) of a unit, a segment or an end."""
    for n, (chain, controller) in enumerate(s.trunks, 1):
        zero = chain.index(controller)
        if spot[0] == "unit" and spot[1] in chain:
            return n, chain.index(spot[1]) - zero
        if spot[0] == "segment" and spot[1] in chain:
            return n, chain.index(spot[1]) + 0.5 - zero
        if spot[0] == "trunk-end" and spot[1] == n:
            return n, (len(chain) - 0.5 if spot[2] else -0.5) - zero
    return None


def _own_unit(s: SiteSpec, spot: Spot) -> int | None:
    """The unit at which a trunk end or an uplink is wired; a unit itself."""
    if spot[0] == "unit":
        return spot[1]
    if spot[0] == "trunk-end":
        chain = s.trunks[spot[1] - 1][0]
        return chain[-1] if spot[2] else chain[0]
    return s.uplinks[spot[1] - 1][0] if spot[0] == "uplink" else None


def _members(s: SiteSpec, spot: Spot) -> list[int]:
    if spot[0] == "panel":
        return [u for u in range(1, s.units + 1) if s.panel.get(u, 1) == spot[1]]
    if spot[0] == "trunk":
        return s.trunks[spot[1] - 1][0]
    if spot[0] in ("uplink", "control"):
        return (s.uplinks if spot[0] == "uplink" else s.controls)[spot[1] - 1][1]
    return []


def _same_place(s: SiteSpec, fault: Spot, check: Spot) -> bool:
    if fault == check or "site" in (fault[0], check[0]):
        return True
    own = _own_unit(s, fault)
    if own is not None and own == _own_unit(s, check):
        return True
    for group, other in ((fault, check), (check, fault)):
        if group[0] == "trunk" and other[0] in ("segment", "trunk-end"):
            there = _on_trunk(s, other)
            if there and there[0] == group[1]:
                return True
        if other[0] == "unit" and other[1] in _members(s, group) and (group[0] != "uplink" or group is fault):
            return True  # a unit that an uplink serves says nothing about the uplink, unless the uplink is the fault
    return False


# ---- what one fault shows


def baseline(spec: Spec, c: CheckSpec) -> list[Fraction]:
    """P(outcome) with nothing wrong."""
    slip = exact(
        tables.SLIP_OF_A_SWEEP if c.sweep else tables.SLIP_OF_ASKING if c.kind == "question" else tables.SLIP_OF_LOOKING
    )
    abnormal = [Fraction(spec.often[c.baseline[o]]) if o in c.baseline else slip for o in c.outcomes[1:]]
    return _scaled([max(1 - sum(abnormal), Fraction(1, 20)), *abnormal])


def _scaled(numbers: list[Fraction]) -> list[Fraction]:
    total = sum(numbers)
    return [x / total for x in numbers]


def _holds(spec: Spec, x: Line) -> bool:
    return not x.given or x.given == spec.site.flag


def entries(spec: Spec, f: FaultSpec, c: CheckSpec) -> list[tuple[str, str, Fraction]]:
    """(word, outcome, chance) of everything that a fault says about a check, itself or by mechanisms."""
    found = [(w, x.outcome, Fraction(spec.often[x.often])) for x in f.lines if x.check == c.id and _holds(spec, x) for w in x.where]
    for name, often in f.causes:
        for x in spec.mechanisms[name]:
            if x.check == c.id and _holds(spec, x):
                chance = Fraction(spec.often[often]) * Fraction(spec.often[x.often])
                found += [(w, x.outcome, chance) for w in x.where]
    return found


class Reference:
    """The brute-force posterior for a base."""

    def __init__(self, spec: Spec) -> None:
        self.spec = spec
        self.checks = {c.id: c for c in spec.checks}
        self.base = {c.id: baseline(spec, c) for c in spec.checks}
        self.singles = [(f, p) for f in spec.faults for p in places_of(spec.site, f.at)]
        share = [Fraction(spec.prior[f.prior]) / len(places_of(spec.site, f.at)) for f, _ in self.singles]
        scale = exact(tables.FAULTS_PER_CALLBACK) / sum(share)
        chance = [min(x * scale, Fraction(1, 2)) for x in share]
        self.odds = [x / (1 - x) for x in chance]
        self.entries = {(f.id, c.id): entries(spec, f, c) for f in spec.faults for c in spec.checks}
        self.complaints = max(sum(len(x.outcomes) - 1 for x in spec.checks if x.complaint), 1)
        self.words: dict[tuple[Spot, Spot], tuple[str, ...]] = {}

    def lies(self, fault: Spot, check: Spot) -> tuple[str, ...]:
        key = (fault, check)
        if key not in self.words:
            self.words[key] = relation(self.spec.site, *key)
        return self.words[key]

    def shown(self, single: int, check: str, lies: tuple[str, ...]) -> list[Fraction] | None:
        """P(outcome) that a fault gives a check at a place that lies so to it; None where it says nothing."""
        f = self.singles[single][0]
        said = self.entries[f.id, check]
        word = next((w for w in lies if any(e[0] == w for e in said)), None)
        if word is None:
            return None
        base, names = self.base[check], self.checks[check].outcomes
        made = []
        for n, name in enumerate(names[1:], 1):
            miss = ONE
            for w, o, chance in said:
                if (w, o) == (word, name):
                    miss *= 1 - chance
            made.append(max(base[n], 1 - miss))
        return _scaled([max(1 - sum(made), Fraction(1, 100)), *made])

    # ---- likelihoods

    def shapes(self, a: Answer) -> int:
        """How many answers of this shape there are: places to name, or runs of places by their two ends."""
        everywhere = max(len(places_of(self.spec.site, self.checks[a.check].at)), 1)
        if 1 < len(a.places) < everywhere:
            return everywhere**2
        return everywhere if a.complaint else 1

    def slipped(self, a: Answer, chance: Fraction) -> Fraction:
        """One answer in so many is a slip: any outcome, at any places."""
        return (1 - SLIP) * chance + SLIP / len(self.checks[a.check].outcomes) / self.shapes(a)

    def likelihood(self, h: tuple[int, ...], answers: list[Answer], t: int) -> Fraction:
        """P(answer t | exactly the faults of h, the answers before it)."""
        a = answers[t]
        c = self.checks[a.check]
        o = c.outcomes.index(a.outcome)
        chance = self._plain(h, answers, t, o)
        if a.complaint and o > 0:
            if not h:
                return self.slipped(a, self.called_for_nothing(a))
            chance /= min(self.raised(s) for s in h)
        return self.slipped(a, chance)

    def called_for_nothing(self, a: Answer) -> Fraction:
        """With nothing wrong, the caller names just this complaint, outcome and place."""
        return exact(tables.CALLED_FOR_NOTHING) / self.complaints / self.shapes(a)

    def raised(self, single: int) -> Fraction:
        """How many complaints a fault raises at its own place, at least one."""
        total = Fraction(0)
        for c in self.spec.checks:
            if c.complaint and (d := self.shown(single, c.id, ("here",))) is not None:
                total += 1 - d[0]
        return max(total, ONE)

    def _plain(self, h: tuple[int, ...], answers: list[Answer], t: int, o: int) -> Fraction:
        a = answers[t]
        if not a.places:
            return self._noisy_max(h, a.check, [self._somewhere(s, a.check) for s in h], a, o)
        seen = self._memory(h, answers, t)
        total = ONE
        for place in a.places:
            lies = tuple(self.lies(self.singles[s][1], place) for s in h)
            dists = [self.shown(s, a.check, words) for s, words in zip(h, lies, strict=True)]
            chance = self._noisy_max(h, a.check, dists, a, o)
            if any(d is not None for d in dists):
                last = seen.get(lies)
                seen[lies] = o
                if last is not None:
                    chance = (ALIKE if last == o else 0) + (1 - ALIKE) * chance
            total *= chance
        return total

    def _memory(self, h: tuple[int, ...], answers: list[Answer], t: int) -> dict[tuple[tuple[str, ...], ...], int]:
        """What was last seen of the check at places that lie so to all of h, since the last repair."""
        a, seen = answers[t], {}
        for b in answers[:t]:
            if b.check == a.check and b.mended == a.mended:
                o = self.checks[b.check].outcomes.index(b.outcome)
                for place in b.places:
                    seen[tuple(self.lies(self.singles[s][1], place) for s in h)] = o
        return seen

    def _repaired(self, single: int, a: Answer) -> int:
        """How often a single was repaired before an answer."""
        return a.mended.count((self.singles[single][0].mended_by, self.singles[single][1]))

    def _noisy_max(
        self, h: tuple[int, ...], check: str, dists: list[list[Fraction] | None], a: Answer, o: int
    ) -> Fraction:
        base = self.base[check]
        rows = [base if d is None else d for d in dists]
        if not rows:
            return base[o]
        if len(rows) == 1:
            return rows[0][o]

        def up_to(k: int) -> Fraction:
            if k < 0:
                return Fraction(0)
            total = ONE
            for row in rows:
                total *= sum(row[: k + 1])
            return total / sum(base[: k + 1]) ** (len(rows) - 1)

        return min(max(up_to(o) - up_to(o - 1), LEAST), ONE)

    def _somewhere(self, single: int, check: str) -> list[Fraction] | None:
        """An answer about no place: the relation under which the fault shows most; ties do not occur."""
        best: tuple[Fraction, list[Fraction]] | None = None
        for lies in ALL_RELATIONS:
            d = self.shown(single, check, lies)
            if d is not None and (best is None or 1 - d[0] > best[0]):
                best = (1 - d[0], d)
        return best[1] if best else None

    # ---- posterior

    def live(self, answers: list[Answer]) -> list[int]:
        """The singles that explain something abnormal, all when nothing is."""
        everyone = list(range(len(self.singles)))
        abnormal = [t for t, a in enumerate(answers) if a.outcome != self.checks[a.check].outcomes[0]]
        if not abnormal:
            return everyone
        return [s for s in everyone if any(self.likelihood((s,), answers, t) > EXPLAINS * self.by_chance(answers[t]) for t in abnormal)]

    def by_chance(self, a: Answer) -> Fraction:
        o = self.checks[a.check].outcomes.index(a.outcome)
        return self.slipped(a, self.base[a.check][o] ** max(len(a.places), 1))

    def unlisted(self, answers: list[Answer]) -> Fraction:
        """A cause outside the book: at the place of one of the book's, each answer half at random."""
        total = Fraction(0)
        whole = sum(self.odds)
        nothing = [self.likelihood((), answers, t) for t in range(len(answers))]
        for s, odds in enumerate(self.odds):
            product = odds / whole
            for t, a in enumerate(answers):
                outcomes = self.complaints if a.complaint else len(self.checks[a.check].outcomes)
                anything = Fraction(1, outcomes * self.shapes(a))
                product *= self.likelihood((s,), answers, t) / 2 + (nothing[t] + anything) / 4
            total += product
        return UNLISTED * total

    def mass(self, h: tuple[int, ...], answers: list[Answer]) -> Fraction:
        """Prior odds times the chance of all answers."""
        total = ONE
        for s in h:
            total *= self.odds[s]
        return total * self._through_repairs(h, answers)

    def _through_repairs(self, h: tuple[int, ...], answers: list[Answer]) -> Fraction:
        """P(all answers | h): each repair of one of h holds for every answer until the next one like it, or for none.

        For two faults together a repair that was done again counts as one with the first.
        """
        tries = sorted({(s, self._tried(h, s, a)) for s in h for a in answers if self._repaired(s, a)})
        total = Fraction(0)
        for holds in product((True, False), repeat=len(tries)):
            cures = {one for one, hold in zip(tries, holds, strict=True) if hold}
            chance = HOLDS ** len(cures) * (1 - HOLDS) ** (len(tries) - len(cures))
            for t, a in enumerate(answers):
                left = tuple(s for s in h if (s, self._tried(h, s, a)) not in cures)
                chance *= self.by_chance(a) if h and not left else self.likelihood(left, answers, t)
            total += chance
        return total

    def _tried(self, h: tuple[int, ...], single: int, a: Answer) -> int:
        """Which of a single's repairs an answer comes after; 0 for none."""
        times = self._repaired(single, a)
        return times if len(h) == 1 else min(times, 1)

    def held(self, single: int, answers: list[Answer]) -> Fraction:
        """P(the last repair of a single holds | the answers, this single)."""
        last = max((self._repaired(single, a) for a in answers), default=0)
        if not last:
            return Fraction(0)
        holds, fails = HOLDS, 1 - HOLDS
        for t, a in enumerate(answers):
            if self._repaired(single, a) == last:
                holds *= self.by_chance(a)
                fails *= self.likelihood((single,), answers, t)
        return holds / (holds + fails)

    def posterior(self, answers: list[Answer]) -> dict[tuple[int, ...] | str, float]:
        """P(hypothesis | answers) for () and every live single and pair, and for 'unlisted'."""
        live = self.live(answers)
        mass: dict[tuple[int, ...] | str, float] = {"unlisted": float(self.unlisted(answers))}
        for h in [(), *((s,) for s in live), *combinations(live, 2)]:
            mass[h] = float(self.mass(h, answers))
        total = fsum(mass.values())
        return {h: x / total for h, x in mass.items()}


def _all_relations() -> list[tuple[str, ...]]:
    trunk = [(), ("before", "same-trunk"), ("beyond", "same-trunk")]
    supply = [(), ("same-panel",), ("same-circuit", "same-panel")]
    return [("here",), *((*x, *y, "elsewhere") for x in trunk for y in supply)]


ALL_RELATIONS = _all_relations()
