"""What a step costs and what it is worth, once more by plain loops and by tables written by hand."""

from __future__ import annotations

import math
import random
from collections import defaultdict
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from diagnose.belief import steps as chooser
from diagnose.belief.posterior import Belief, believe
from diagnose.belief.steps import Context, Step, cost, next_steps, weigh
from diagnose.belief.tables import ALIKE, build_tables
from diagnose.knowledge import model as m
from diagnose.site.places import Place
from tests.belief.enumeration import Reference
from tests.belief.small_bases import CheckSpec, FaultSpec, Line, Ready, SiteSpec, Spec, random_spec
from tests.belief.test_posterior import evidence, one_answer, repaired

U1, U2 = Place("unit", 1), Place("unit", 2)
HERE = Context(True, 30.0, "any", None)

# minutes of the step itself, its state, reach, place, where the person is, and minutes altogether (2 for any step)
COSTS = [
    (1, "any", "phone", U1, HERE, 3.0),
    (1, "any", "on-site", U1, HERE, 3.0),
    (1, "any", "on-site", None, HERE, 3.0),
    (1, "any", "on-site", U1, HERE._replace(on_site=False), 33.0),
    (1, "any", "phone", U1, HERE._replace(on_site=False), 3.0),
    (1, "any", "remote", U1, HERE._replace(on_site=False), 3.0),
    (1, "covers-closed", "on-site", U1, HERE, 3.5),
    (1, "dead-verified", "on-site", U1, HERE, 12.0),  # 8 to lock out and prove dead, 1 for the risk
    (1, "live", "on-site", U1, HERE, 12.0),  # 3 to set up, 6 for the risk
    (1, "live", "on-site", U1, HERE._replace(last_place=U1), 12.0),
    (1, "live", "on-site", U1, HERE._replace(last_place=U1, last_state="live"), 9.0),  # set up already
    (1, "live", "on-site", U1, HERE._replace(last_place=U2, last_state="live"), 13.0),  # and one to walk there
    (1, "live", "on-site", U1, HERE._replace(last_state="live"), 12.0),
    (1, "live", "on-site", None, HERE._replace(last_state="live"), 12.0),
    (1, "any", "on-site", U1, HERE._replace(last_place=U2), 4.0),
    (1, "any", "on-site", U1, HERE._replace(last_place=U1), 3.0),
    (1, "any", "on-site", None, HERE._replace(last_place=U1), 3.0),
    (1, "any", "phone", U1, HERE._replace(last_place=U2), 3.0),  # nobody walks for a phone call
    (1, "any", "remote", U1, HERE._replace(last_place=U2), 3.0),
]  # fmt: skip


@pytest.mark.parametrize(("minutes", "state", "reach", "place", "context", "wanted"), COSTS)
def test_minutes_of_a_step(minutes: float, state: str, reach: str, place: Place | None, context: Context, wanted: float) -> None:
    assert cost(minutes, state, reach, place, context) == wanted


# ---- information, by plain loops over hypotheses


def bits(chances: list[float]) -> float:
    return -sum(p * math.log2(p) for p in chances if p > 0)


Group = tuple[str, Any]
Hypothesis = tuple[float, Group, int | None, bool]  # chance, what has to be repaired, the single, whether its repair holds


def hypotheses(belief: Belief) -> list[Hypothesis]:
    """Each single that is there, each whose repair holds (then nothing is left to repair), no fault, and none of the book."""
    t = belief.tables
    rows: list[Hypothesis] = []
    for n in range(t.size):
        p, held = float(belief.marginal[n]), float(belief.held[n])
        rows.append((p * (1 - held), ("repair", t.repair_key[int(t.repair_group[n])]), n, False))
        if held > 0:
            rows.append((p * held, ("cured", ""), n, True))
    rows += [(belief.none, ("none", ""), None, False), (belief.unlisted, ("unlisted", ""), None, False)]
    total = sum(p for p, *_ in rows)
    return [(p / total, *rest) for p, *rest in rows]  # type: ignore[misc]


def outcomes_of(belief: Belief, check: m.Check, place: Place, row: Hypothesis, average: list[float] | None = None) -> list[float]:
    """P(outcome) under one hypothesis, what was seen at places that lie alike included."""
    t = belief.tables
    base = [float(x) for x in t.base[check.id]]
    _, group, n, cured = row
    if group[0] == "unlisted":
        return [0.5 * a + 0.25 * b + 0.25 / len(base) for a, b in zip(average, base, strict=True)] if average else base
    if n is None or cured:
        return base
    plain = [float(x) for x in t.distribution(check.id, place, np.array([n]))[0]]
    code = int(t.index.relation[t.place[n], t.index.number[place]])
    last = int(belief.seen[check.id][t.place[n], code]) if check.id in belief.seen else -1
    if last >= 0 and t.related[check.id][t.row[n], code]:
        return [ALIKE * (o == last) + (1 - ALIKE) * x for o, x in enumerate(plain)]
    return plain


def gain_of(belief: Belief, rows: list[Hypothesis], shown: list[list[float]]) -> float:
    """Bits about what has to be repaired that an outcome tells on average."""
    joint: dict[Group, list[float]] = defaultdict(lambda: [0.0] * len(shown[0]))
    for (p, group, *_), dist in zip(rows, shown, strict=True):
        for o, x in enumerate(dist):
            joint[group][o] += p * x
    before = bits([sum(x) for x in joint.values()])
    after = 0.0
    for o in range(len(shown[0])):
        column = [x[o] for x in joint.values()]
        if sum(column) > 0:
            after += sum(column) * bits([x / sum(column) for x in column])
    return before - after


def reference(belief: Belief, check: m.Check, place: Place) -> float:
    rows = hypotheses(belief)
    t = belief.tables
    known = [r for r in rows if r[2] is not None]
    mass = sum(p for p, *_ in known)
    average = [0.0] * len(check.outcomes)
    said = False
    for row in known:
        for o, x in enumerate(outcomes_of(belief, check, place, row)):
            average[o] += row[0] * x / (mass or 1.0)
        code = int(t.index.relation[t.place[row[2]], t.index.number[place]])
        said = said or bool(t.related[check.id][t.row[row[2]], code])
    if not mass:
        average = [float(x) for x in t.base[check.id]]
    shown = [outcomes_of(belief, check, place, row, average if said else None) for row in rows]
    assert all(sum(dist) == pytest.approx(1.0) for dist in shown)
    return gain_of(belief, rows, shown)


def reference_sweep(belief: Belief, check: m.Check, places: tuple[Place, ...]) -> float:
    """One question over all places: hypotheses are told apart by the pattern that each makes likeliest, as far as it is sure."""
    t, rows = belief.tables, hypotheses(belief)
    joint: dict[tuple[Group, tuple[int, ...]], float] = defaultdict(float)
    trust = 0.0
    for p, group, n, cured in rows:
        pattern, sure = (0,) * len(places), 1.0
        if n is not None:
            dists = [t.dist[check.id][t.row[n], int(t.index.relation[t.place[n], t.index.number[x]])] for x in places]
            pattern = (0,) * len(places) if cured else tuple(int(d.argmax()) for d in dists)
            sure = min(float(d.max()) for d in dists)
        joint[group, pattern] += p
        trust += p * (0.3 if group[0] == "unlisted" else sure)
    groups, patterns = defaultdict(float), defaultdict(float)
    for (group, pattern), p in joint.items():
        groups[group] += p
        patterns[pattern] += p
    return (bits(list(groups.values())) + bits(list(patterns.values())) - bits(list(joint.values()))) * trust


def beliefs(kind: str, count: int) -> list[tuple[Ready, Belief, random.Random]]:
    """Beliefs of small bases after a few answers, half of them with repairs."""
    found = []
    for seed in range(count):
        draw = random.Random(f"{kind} {seed}")
        spec = random_spec(draw, faults=(2, 6), checks=(4, 7), units=5, crowded=35)
        if seed % 3 == 0 and len(spec.faults) > 1:
            spec.faults[1].at = spec.faults[0].at
            spec.faults[1].remedy = spec.faults[0].mended_by
        ready = Ready(spec)
        answers = repaired(draw, spec, Reference(spec)) if seed % 2 else [one_answer(draw, spec, c.id) for c in draw.sample(spec.checks, 2)]
        found.append((ready, believe(ready.tables, evidence(answers)), draw))
    return found


@pytest.mark.parametrize("block", range(3))
def test_what_a_check_tells(block: int) -> None:
    """Gain, minutes, chances and worth of every check at every place, sweeps included, against loops over hypotheses."""
    compared = boosted_steps = sweeps = unheld = 0
    for ready, belief, draw in beliefs(f"tells {block}", 40):
        k = ready.knowledge
        everything = [c for c in k.checks.values() if c.id != "danger-signs"]
        boosted = frozenset(draw.sample([c.id for c in everything], 2))
        spent = frozenset((c.id, p) for c in everything for p in ready.site.places(c.at) if draw.random() < 0.15)
        context = Context(draw.random() < 0.5, 30.0, "any", draw.choice([None, U1]))
        found = next_steps(belief, everything, (), spent, context, boosted, most=1000)
        told = {(s.id, s.places): s for s in found}
        assert list(found) == sorted(found, key=lambda s: (-round(s.worth, 6), s.minutes, s.kind, s.id, s.places))
        for check in everything:
            places = [p for p in ready.site.places(check.at) if (check.id, p) not in spent]
            rows: list[tuple[tuple[Place, ...], float, float]] = [((p,), reference(belief, check, p), 0.0) for p in places]
            if check.sweep and len(places) > 1:
                rows.append((tuple(places), reference_sweep(belief, check, tuple(places)), 0.05 * len(places)))
            for at, gain, more in rows:
                step = told.pop((check.id, at), None)
                if step is None:
                    relevant = sum(
                        p
                        for p, _, n, _ in hypotheses(belief)
                        if n is not None and ready.tables.related[check.id][ready.tables.row[n]].any()
                    )
                    assert gain < chooser.LEAST_GAIN + 1e-9 or relevant + hypotheses(belief)[-1][0] < chooser.LEAST_RELEVANT + 1e-9
                    continue
                assert step.gain == pytest.approx(gain, abs=1e-9)
                assert step.gain >= chooser.LEAST_GAIN
                assert step.minutes == cost(check.minutes + more, check.state, check.reach, at[0], context)
                assert step.worth == pytest.approx((2.0 if check.id in boosted else 1.0) * gain / step.minutes)
                compared += 1
                boosted_steps += check.id in boosted
                sweeps += len(at) > 1
                if len(at) == 1:
                    assert [name for name, _ in step.chances] == list(check.outcome_ids)
                    assert sum(x for _, x in step.chances) == pytest.approx(1.0)
        assert not told
        unheld += bool((belief.held > 0).any())
    assert compared > 80
    assert boosted_steps > 20
    assert unheld > 8
    assert sweeps > 0


def test_what_is_weighed_covers_the_belief() -> None:
    """Singles that carry 99.5 % of the mass, at least forty; each repair once; chances sum to one."""
    for ready, belief, _ in beliefs("weighed", 8):
        w = weigh(belief)
        rows = hypotheses(belief)
        assert w.chance.sum() == pytest.approx(1.0)
        groups: dict[Group, float] = defaultdict(float)
        for p, group, *_ in rows:
            groups[group] += p
        assert w.before == pytest.approx(bits(list(groups.values())))
        assert sorted(w.keys) == sorted(set(ready.tables.repair_key))
        assert w.cured == int((belief.held > 0).sum())


def crowd(units: int, chances: list[float]) -> Belief:
    """One fault at each unit of a long trunk, with these chances."""
    spec = Spec(
        SiteSpec(units, [(list(range(1, units + 1)), 1)]), [CheckSpec("check", "unit", ("fine", "odd"))],
        [FaultSpec("loose", "unit", "common", [Line("check", "odd", "usually")])],
    )  # fmt: skip
    ready = Ready(spec)
    plain = believe(ready.tables, ())
    rest = (1 - sum(chances)) / 2
    none = np.zeros((0, 2), dtype=np.intp)
    return replace(plain, none=rest, unlisted=rest, single=np.array(chances), paired=none, pair=np.zeros(0))


def test_how_many_singles_are_weighed() -> None:
    few = crowd(60, [0.9] + [0.001] * 59)
    assert len(weigh(few).singles) == 56  # 0.9 + 55 times 0.001 is the first sum over 0.995 of 0.959
    assert len(weigh(crowd(60, [0.9] + [1e-9] * 59)).singles) == 40
    assert len(weigh(crowd(30, [0.9] + [1e-9] * 29)).singles) == 30


# ---- repairs


def repairs_of(chances: dict[int, float], held: dict[int, float] | None = None, minutes: float = 30, most: int = 5, **more: Any) -> tuple[Step, ...]:
    belief = crowd(4, [chances.get(n, 0.0) for n in range(1, 5)])
    belief = replace(belief, held=np.array([(held or {}).get(n, 0.0) for n in range(1, 5)]))
    k = belief.tables.knowledge
    mend = k.remedies["mend-loose"]._replace(minutes=minutes, state="any", reach="phone")
    return next_steps(belief, more.get("checks", ()), [mend] if more.get("allowed", True) else [], frozenset(), HERE, most=most)


# chances at units, chance that a repair there holds, minutes of the repair, the units where it is offered
REPAIRS = [
    ({1: 0.9}, {}, 30, [1]),
    ({1: 0.899}, {}, 30, [1]),  # nothing else is left to do
    ({1: 0.5, 2: 0.3, 3: 0.021, 4: 0.019}, {}, 30, [1, 2, 3]),
    ({1: 0.5, 2: 0.3, 3: 0.1, 4: 0.099}, {}, 4, [1, 2, 3]),  # quick enough to be tried
    ({1: 0.95}, {1: 0.1}, 30, [1]),
    ({1: 0.5, 2: 0.4}, {1: 0.9}, 30, [2, 1]),
]


@pytest.mark.parametrize(("chances", "held", "minutes", "units"), REPAIRS)
def test_which_repairs_are_offered(chances: dict[int, float], held: dict[int, float], minutes: float, units: list[int]) -> None:
    found = repairs_of(chances, held, minutes)
    assert sorted(s.places[0].number for s in found) == sorted(units)
    for s in found:
        n = s.places[0].number
        assert s.probability == pytest.approx(chances[n] * (1 - held.get(n, 0.0)))
        assert s.minutes == minutes + 2
        assert s.worth == pytest.approx(s.gain / s.minutes)
    assert repairs_of(chances, held, minutes, allowed=False) == ()
    assert len(repairs_of(chances, held, minutes, most=1)) == 1


def test_what_a_repair_tells() -> None:
    """Whether the complaint is gone: when it works nothing is left to know, when not the rest is as it was without it."""
    (first, second) = repairs_of({1: 0.6, 2: 0.3})
    rows = [0.6, 0.3, 0.05, 0.05]
    for step, p in ((first, 0.6), (second, 0.3)):
        others = [x / (1 - p) for x in rows if x != p]
        assert step.gain == pytest.approx(bits(rows) - (1 - p) * bits(others))
    assert first.places == (U1,)


def test_a_cheap_repair_is_tried_up_to_six_minutes_and_from_a_tenth() -> None:
    """Beside a check that tells something; the two minutes of any step count."""
    belief = crowd(4, [0.4, 0.1, 0.099, 0.0])
    k = belief.tables.knowledge
    checks = [k.checks["check"]]

    def offered(minutes: float) -> list[int]:
        mend = k.remedies["mend-loose"]._replace(minutes=minutes, state="any", reach="phone")
        found = next_steps(belief, checks, [mend], frozenset(), HERE, most=50)
        assert any(s.kind == "check" for s in found)
        return sorted(s.places[0].number for s in found if s.kind == "remedy")

    assert offered(4.0) == [1, 2]
    assert offered(4.1) == []


def test_one_repair_likely_enough_ends_the_asking() -> None:
    for chance, ended in ((0.9, True), (0.899, False)):
        belief = crowd(4, [chance, 0.05, 0.0, 0.0])
        k = belief.tables.knowledge
        found = next_steps(belief, [k.checks["check"]], k.remedies.values(), frozenset(), HERE)
        assert (found[0].kind == "remedy" and len(found) == 1) is ended


# ---- a reading as found

# chances of two faults with one repair, minutes of the check that tells them apart, its state, whether it was taken, whether it is offered first
AS_FOUND = [
    (0.5, 0.45, 10.0, "any", False, True),
    (0.5, 0.45, 10.5, "any", False, False),
    (0.5, 0.45, 5.0, "dead-verified", False, True),  # the state of the repair itself
    (0.5, 0.45, 5.0, "covers-closed", False, True),
    (0.5, 0.45, 5.0, "live", False, False),
    (0.5, 0.45, 5.0, "any", True, False),
    (0.935, 0.015, 5.0, "any", False, False),  # 98 % of one fault
    (0.9, 0.05, 5.0, "any", False, True),
    (0.95, 0.0, 5.0, "any", False, False),
]


@pytest.mark.parametrize(("one", "other", "minutes", "state", "taken", "offered"), AS_FOUND)
def test_a_reading_that_the_repair_would_cover(one: float, other: float, minutes: float, state: str, taken: bool, offered: bool) -> None:
    faults = [
        FaultSpec("loose", "unit", "common", [Line("tells", "odd", "always")], remedy="mend"),
        FaultSpec("worn", "unit", "common", [Line("tells", "bad", "always")], remedy="mend"),
    ]
    checks = [
        CheckSpec("tells", "unit", ("fine", "odd", "bad"), minutes=minutes, state=state, role="technician"),
        CheckSpec("dull", "unit", ("fine", "odd")), CheckSpec("other", "site", ("fine", "odd")),
    ]
    ready = Ready(Spec(SiteSpec(2), checks, faults))
    t = ready.tables
    single = np.zeros(t.size)
    for n in range(t.size):
        if t.where(n) == U1:
            single[n] = one if t.fault[n] == "loose" else other
    none = np.zeros((0, 2), dtype=np.intp)
    left = 1 - one - other
    belief = replace(believe(t, ()), none=left / 2, unlisted=left / 2, single=single, paired=none, pair=np.zeros(0))
    k = ready.knowledge
    spent = frozenset({("tells", U1)}) if taken else frozenset[tuple[str, Place]]()
    found = next_steps(belief, [k.checks["dull"], k.checks["tells"], k.checks["other"]], k.remedies.values(), spent, HERE)
    assert [(s.kind, s.id, s.places) for s in found] == [("check", "tells", (U1,))] * offered + [("remedy", "mend", (U1,))]
    if offered:
        step = found[0]
        share = [one / (one + other), other / (one + other)]
        dist = t.dist["tells"]
        shown = [[float(x) for x in dist[t.row[n], 0]] for n in range(t.size) if t.where(n) == U1]
        mixed = [sum(p * d[o] for p, d in zip(share, shown, strict=True)) for o in range(3)]
        after = sum(x * bits([p * d[o] / x for p, d in zip(share, shown, strict=True)]) for o, x in enumerate(mixed))
        assert step.gain == pytest.approx(bits(share) - after)
        assert step.gain >= chooser.AS_FOUND_GAIN
        assert step.worth == pytest.approx(step.gain / minutes)
        assert [x for _, x in step.chances] == pytest.approx(mixed)
        assert step.probability == pytest.approx(one + other)


def test_where_the_record_breaks_a_rule_at_many_places_each_is_less_telling() -> None:
    """A prior word of the audit counts at its place alone, over the square root of how many places have it."""
    spec = Spec(
        SiteSpec(4), [CheckSpec("check", "unit", ("fine", "odd"))],
        [FaultSpec(name, "unit", "uncommon", [Line("check", "odd", "usually")]) for name in ("loose", "worn")],
    )  # fmt: skip
    ready = Ready(spec)
    k, old = ready.knowledge, ready.tables

    def odds(words: dict[int, str]) -> list[float]:
        priors = {("loose", Place("unit", n)): word for n, word in words.items()}
        t = build_tables(k, ready.site, old.expectations, priors)
        plain = 0.008 / 4
        scale = 0.7 / sum([max(plain, k.prior(words[n]) / math.sqrt(len(words))) if n in words else plain for n in range(1, 5)] + [plain] * 4)
        return [float(t.odds[n] / (1 + t.odds[n]) / scale) for n in range(t.size) if t.fault[n] == "loose"]

    assert odds({}) == pytest.approx([0.002] * 4)
    assert odds({2: "common"}) == pytest.approx([0.002, 0.02, 0.002, 0.002])
    assert odds({1: "very-common", 2: "common", 3: "very-rare", 4: "common"}) == pytest.approx([0.02, 0.01, 0.002, 0.01])


def test_at_a_large_site_the_suspects_and_the_cuts_are_tried() -> None:
    """Units 1 to 41: the four likeliest, and where a half, a quarter, three quarters, 40 and 60 % of the mass lies below."""
    belief = crowd(41, [0.02] * 41)
    found = next_steps(belief, [belief.tables.knowledge.checks["check"]], (), frozenset(), HERE, most=100)
    assert sorted(s.places[0].number for s in found) == sorted({1, 2, 3, 4, 22, 12, 32, 18, 26})
    single = crowd(40, [0.0] * 30 + [0.5, 0.2] + [0.0] * 8)
    found = next_steps(single, [single.tables.knowledge.checks["check"]], (), frozenset(), HERE, most=100)
    assert {31, 32} <= {s.places[0].number for s in found} <= {31, 32, 33}


def test_a_check_that_was_made_is_not_weighed_again() -> None:
    belief = crowd(3, [0.4, 0.2, 0.1])
    check = belief.tables.knowledge.checks["check"]
    found = next_steps(belief, [check], (), frozenset({("check", U1)}), HERE, most=50)
    assert U1 not in {s.places[0] for s in found}
    assert next_steps(belief, [check], (), frozenset(("check", Place("unit", n)) for n in (1, 2, 3)), HERE) == ()
