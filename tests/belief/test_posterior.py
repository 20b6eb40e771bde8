"""The posterior against a brute-force enumeration that shares no code with it."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest

from diagnose.belief.evidence import Evidence
from diagnose.belief.posterior import PAIRED, Belief, _choose_for_pairs, believe
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.site.places import Place
from tests.belief.enumeration import Answer, Reference, Spot
from tests.belief.small_bases import CheckSpec, FaultSpec, Line, Ready, SiteSpec, Spec, places_of, random_spec

CLOSE = 1e-12


def evidence(answers: list[Answer]) -> list[Evidence]:
    return [
        Evidence(
            f"e{n}", a.check, tuple(Place(*p) for p in a.places), a.outcome, a.complaint,
            tuple((remedy, Place(*p)) for remedy, p in a.mended),
        )
        for n, a in enumerate(answers)
    ]  # fmt: skip


def one_answer(draw: random.Random, spec: Spec, check: str, most: int = 1) -> Answer:
    """An answer to a check, more often abnormal than not, at up to `most` places, sometimes at none."""
    c = next(c for c in spec.checks if c.id == check)
    there = places_of(spec.site, c.at)
    places = tuple(draw.sample(there, draw.randint(1, min(most, len(there))))) if draw.random() < 0.9 else ()
    outcome = draw.choice(c.outcomes)
    return Answer(check, places, outcome, c.complaint and draw.random() < 0.5)


def numbers(belief: Belief, ref: Reference) -> dict[tuple[int, ...] | str, float]:
    """What the project says, keyed as the reference keys it. Its singles are matched by fault and place."""
    t = belief.tables
    mine = {(f.id, Place(*p)): n for n, (f, p) in enumerate(ref.singles)}
    assert sorted(mine) == sorted((t.fault[n], t.where(n)) for n in range(t.size))
    of = [mine[t.fault[n], t.where(n)] for n in range(t.size)]
    found: dict[tuple[int, ...] | str, float] = {(): belief.none, "unlisted": belief.unlisted}
    found |= {(of[n],): float(belief.single[n]) for n in range(t.size) if belief.single[n] > 0}
    for (i, j), p in zip(belief.paired, belief.pair, strict=True):
        found[tuple(sorted((of[i], of[j])))] = float(p)
    return found


def compare(spec: Spec, ready: Ready, answers: list[Answer]) -> int:
    """The two posteriors, hypothesis by hypothesis; how many hypotheses there were."""
    ref = Reference(spec)
    wanted = ref.posterior(answers)
    assert len(ref.live(answers)) <= PAIRED // 2, "not all pairs are enumerated; take a smaller base"
    found = numbers(believe(ready.tables, evidence(answers)), ref)
    assert set(found) == set(wanted)
    for h, p in wanted.items():
        assert found[h] == pytest.approx(p, rel=CLOSE, abs=1e-290), (h, answers)
    return len(wanted)


@pytest.mark.parametrize("block", range(10))
def test_answers_to_different_checks(block: int) -> None:
    """Priors, links, mechanisms, noisy-MAX, relations, slips, complaints, the unlisted cause, live singles."""
    hypotheses = abnormal = 0
    for seed in range(block * 6, block * 6 + 6):
        draw = random.Random(seed)
        spec = random_spec(draw)
        ready = Ready(spec)
        for _ in range(4):
            names = draw.sample([c.id for c in spec.checks], draw.randint(0, len(spec.checks)))
            answers = [one_answer(draw, spec, name) for name in names]
            hypotheses += compare(spec, ready, answers)
            abnormal += sum(a.outcome != "fine" for a in answers)
    assert hypotheses > 80  # the comparison is worth something only when there is something to compare
    assert abnormal > 10


def repaired(draw: random.Random, spec: Spec, ref: Reference, rounds: int = 3, most: int = 1) -> list[Answer]:
    """Some answers, repairs, and some of the checks again after them, at up to `most` places; a repair may be done again."""
    answers = []
    done: tuple[tuple[str, Spot], ...] = ()
    for _ in range(draw.randint(2, rounds)):
        for name in draw.sample([c.id for c in spec.checks], draw.randint(1, 3)):
            answer = one_answer(draw, spec, name, most)
            answers.append(answer._replace(mended=done, complaint=answer.complaint and not done))
        f, place = draw.choice(ref.singles)
        done += (draw.choice([*done, (f.mended_by, place)]),)
    return answers


def test_answers_after_repairs() -> None:
    """A repair that was done holds with a known chance; nothing seen before it repeats itself after it."""
    hypotheses = 0
    for seed in range(60):
        draw = random.Random(f"repaired {seed}")
        spec = random_spec(draw)
        hypotheses += compare(spec, Ready(spec), repaired(draw, spec, Reference(spec)))
    assert hypotheses > 200


def test_a_repair_done_again_and_what_it_is_worth() -> None:
    """Each time it is done it holds or not for itself; the chance that the last one holds, single by single."""
    again = compared = 0
    for seed in range(60):
        draw = random.Random(f"again {seed}")
        spec = random_spec(draw)
        ready, ref = Ready(spec), Reference(spec)
        answers = repaired(draw, spec, ref, rounds=5, most=3)
        belief = believe(ready.tables, evidence(answers))
        again += any(len(set(a.mended)) < len(a.mended) for a in answers)
        singles_only(spec, ready, answers)
        for n in range(ready.tables.size):
            mine = next(s for s, (f, p) in enumerate(ref.singles) if (f.id, Place(*p)) == (ready.tables.fault[n], ready.tables.where(n)))
            held = float(ref.held(mine, answers))
            assert float(belief.held[n]) == pytest.approx(held, rel=1e-9, abs=1e-290)
            compared += 0 < held < 1
    assert again > 15
    assert compared > 40


def singles_only(spec: Spec, ready: Ready, answers: list[Answer]) -> None:
    """Masses of no fault, unlisted and single faults against each other."""
    ref = Reference(spec)
    belief = believe(ready.tables, evidence(answers))
    found = numbers(belief, ref)
    live = ref.live(answers)
    assert {h for h in found if len(h) == 1} == {(s,) for s in live}
    none = float(ref.mass((), answers))
    assert found["unlisted"] / found[()] == pytest.approx(float(ref.unlisted(answers)) / none, rel=CLOSE)
    for s in live:
        assert found[s,] / found[()] == pytest.approx(float(ref.mass((s,), answers)) / none, rel=CLOSE)


def test_single_faults_with_answers_over_many_places() -> None:
    """Places that lie alike to a fault repeat each other, within an answer and from answer to answer."""
    for seed in range(60):
        draw = random.Random(f"many {seed}")
        spec = random_spec(draw)
        ready = Ready(spec)
        names = [draw.choice(spec.checks).id for _ in range(draw.randint(2, 6))]
        singles_only(spec, ready, [one_answer(draw, spec, name, most=4) for name in names])


def chain_spec(draw: random.Random) -> Spec:
    """Five or six units on one trunk, faults of its segments and units: many places that lie alike."""
    n = draw.randint(5, 6)
    chain = draw.sample(range(1, n + 1), n)
    checks = [
        CheckSpec(f"check-{i}", "unit", ("fine", "odd", "bad")[: draw.randint(2, 3)], draw.choice(["look", "question"]))
        for i in range(2)
    ]
    faults = []
    for i, at in enumerate(("segment", draw.choice(["segment", "unit"]))):
        lines = []
        for check in checks:
            where = draw.choice([("beyond",), ("before",), ("here", "beyond"), ("same-trunk",)])
            lines.append(Line(check.id, draw.choice(check.outcomes[1:]), draw.choice(["always", "usually", "sometimes"]), where))
        faults.append(FaultSpec(f"fault-{i}", at, draw.choice(["common", "uncommon"]), lines))
    return Spec(SiteSpec(n, [(chain, draw.choice(chain))]), checks, faults)


def pair_differences(most: int, repeats: bool) -> tuple[float, int]:
    """Largest |ln| difference of a pair's mass against no fault, and in how many of 40 bases there is one."""
    worst, bases, pairs = 0.0, 0, 0
    for seed in range(40):
        draw = random.Random(f"pairs {most} {repeats} {seed}")
        spec = chain_spec(draw)
        ready = Ready(spec)
        names = [draw.choice(spec.checks).id for _ in range(4)] if repeats else [c.id for c in spec.checks]
        answers = [one_answer(draw, spec, name, most) for name in names]
        ref = Reference(spec)
        found = numbers(believe(ready.tables, evidence(answers)), ref)
        none = ref.mass((), answers)
        off = [abs(math.log(p / found[()] * float(none / ref.mass(h, answers)))) for h, p in found.items() if len(h) == 2]
        worst = max([worst, *off])
        bases += any(x > 1e-9 for x in off)
        pairs += len(off)
    assert pairs > 400
    return worst, bases


def test_pairs_with_one_answer_over_many_places() -> None:
    """Two places lie alike to a pair of faults when they lie alike to both; no third fault has a say in it."""
    worst, bases = pair_differences(5, repeats=False)
    assert worst < 1e-9, f"{bases} of 40 bases differ, by a factor of up to {math.exp(worst):.3g}"


def test_pairs_with_several_answers_to_one_check() -> None:
    """A place repeats, for a pair, what was seen last at a place that lies alike to both, as in the drill's bench."""
    worst, bases = pair_differences(1, repeats=True)
    assert worst < 1e-9, f"{bases} of 40 bases differ, by a factor of up to {math.exp(worst):.3g}"


def test_which_singles_are_paired() -> None:
    """The likeliest half, then for each answer, the strangest first, its eight best explanations, 48 in all."""
    n = 120
    log_single = -np.arange(n, dtype=float)  # the likeliest are 0, 1, 2, ...
    log_of = np.full((5, n), -20.0)
    best = {0: range(100, 110), 1: range(30, 36), 2: range(90, 98), 3: range(40, 48), 4: range(60, 68)}
    strange = {0: -1.0, 1: -5.0, 2: -4.0, 3: -3.0, 4: -2.0}  # how well answer t is explained at best, against -20 by the likeliest
    for t, rows in best.items():
        for place, single in enumerate(rows):
            log_of[t, single] = strange[t] - 1e-3 * place
    chosen = _choose_for_pairs(log_single, np.zeros(n), log_of).tolist()
    assert chosen[: PAIRED // 2] == list(range(24))
    assert chosen[24:] == [*range(100, 108), *range(60, 68), *range(40, 48)]
    assert len(chosen) == PAIRED == 48
    # What is found twice counts once, and the next answer fills up.
    log_of[4] = log_of[0]
    assert _choose_for_pairs(log_single, np.zeros(n), log_of).tolist()[24:] == [*range(100, 108), *range(40, 48), *range(90, 98)]
    log_prior = np.zeros(n)
    log_prior[101] = 1.0  # a likely cause explains better
    assert _choose_for_pairs(log_single, log_prior, log_of).tolist()[24] == 101
    nearly = np.full((2, n), -20.0)
    nearly[0, 50:60], nearly[1, 70:80] = -1.0, -1.0
    nearly[0, 59] += 2e-10  # better by rounding only: in their order
    nearly[1, 79] += 2e-10
    assert _choose_for_pairs(log_single, np.zeros(n), nearly).tolist()[24:] == [*range(50, 58), *range(70, 78)]
    equal = np.zeros(n) + 1e-12 * np.arange(n)  # equal but for rounding: in their order
    assert _choose_for_pairs(equal, np.zeros(n), np.zeros((1, n))).tolist()[:24] == list(range(24))
    assert _choose_for_pairs(equal + 2e-9 * np.arange(n), np.zeros(n), np.zeros((1, n))).tolist()[:2] == [119, 118]
    assert _choose_for_pairs(np.zeros(0), np.zeros(0), np.zeros((2, 0))).tolist() == []


def test_groups_count_each_hypothesis_once() -> None:
    """P(at least one of a group), each single weighed: a pair within one group is taken off once, by the weight of its first."""
    none = np.zeros((0, 2), dtype=np.intp)
    spec = Spec(SiteSpec(4), [CheckSpec("check", "unit", ("fine", "odd"))], [FaultSpec("loose", "unit", "common", [Line("check", "odd", "usually")])])
    plain = believe(Ready(spec).tables, ())
    b = replace(plain, single=np.array([0.1, 0.2, 0.05, 0.0]), paired=np.array([[0, 1], [0, 2], [1, 3]]), pair=np.array([0.04, 0.02, 0.01]))
    group = np.array([0, 0, 1, 1])
    assert b.marginal == pytest.approx([0.16, 0.25, 0.07, 0.01])
    assert b.of_group(group) == pytest.approx([0.16 + 0.25 - 0.04, 0.08])
    weights = np.array([0.5, 0.25, 1.0, 0.0])
    assert b.of_group(group, weights) == pytest.approx([0.5 * 0.16 + 0.25 * 0.25 - 0.5 * 0.04, 0.07])
    assert replace(b, paired=none, pair=np.zeros(0)).of_group(group) == pytest.approx([0.3, 0.05])
    assert replace(b, single=np.array([0.9, 0.9, 0.0, 0.0])).of_group(group)[0] == 1.0


def test_probabilities_sum_to_one_and_marginals_stay_below() -> None:
    for seed in range(40):
        draw = random.Random(f"sum {seed}")
        spec = random_spec(draw, faults=(3, 8), units=7, crowded=60)
        ready = Ready(spec)
        answers = [one_answer(draw, spec, draw.choice(spec.checks).id, most=5) for _ in range(draw.randint(0, 8))]
        belief = believe(ready.tables, evidence(answers))
        assert belief.none + belief.unlisted + belief.single.sum() + belief.pair.sum() == pytest.approx(1, abs=1e-12)
        assert np.all(belief.marginal <= 1 + 1e-12)
        assert np.all(belief.marginal >= 0)


def test_unknown_answers_change_nothing() -> None:
    draw = random.Random("unknown")
    spec = random_spec(draw)
    ready = Ready(spec)
    answers = evidence([one_answer(draw, spec, c.id) for c in spec.checks])
    with_unknown = [x for e in answers for x in (e, e._replace(id=f"{e.id}?", outcome=None))]
    one, two = believe(ready.tables, answers), believe(ready.tables, with_unknown)
    assert np.array_equal(one.single, two.single)
    assert np.array_equal(one.pair, two.pair)
    assert one.unlisted == two.unlisted


def test_order_of_answers_to_different_checks_does_not_matter() -> None:
    for seed in range(20):
        draw = random.Random(f"order {seed}")
        spec = random_spec(draw)
        ready = Ready(spec)
        answers = evidence([one_answer(draw, spec, c.id, most=3) for c in spec.checks])
        one = believe(ready.tables, answers)
        two = believe(ready.tables, draw.sample(answers, len(answers)))
        assert one.single == pytest.approx(two.single, rel=1e-10)
        assert one.none == pytest.approx(two.none, rel=1e-10)


def test_contributions_add_up_to_the_posterior() -> None:
    """ln P(fault | answers) - ln P(no fault | answers) is the prior's plus each answer's: what `why` shows."""
    for seed in range(20):
        draw = random.Random(f"weights {seed}")
        spec = random_spec(draw)
        ready = Ready(spec)
        answers = evidence([one_answer(draw, spec, c.id, most=3) for c in spec.checks])
        b = believe(ready.tables, answers)
        for n in np.flatnonzero(b.single):
            total = math.log(ready.tables.odds[n]) + float((b.log_of[:, n] - b.log_none).sum())
            assert math.log(b.single[n] / b.none) == pytest.approx(total, abs=1e-9)


def test_a_suspect_is_as_likely_as_it_is_anywhere() -> None:
    """P(the fault is present at some place): each hypothesis that holds it counts once."""
    for seed in range(20):
        draw = random.Random(f"anywhere {seed}")
        spec = chain_spec(draw)
        ready = Ready(spec)
        answers = [one_answer(draw, spec, check.id) for check in spec.checks]
        events = list(ready.opening)
        for n, a in enumerate(answers):
            at = " ".join(["unit", str(a.places[0][1])]) if a.places else ""
            events.append(Event(f"a{n}", "test", n + 2, EPOCH, "reading", {"check": a.check, "at": at, "answer": a.outcome}, "t"))
        belief = ready.assessor.belief(ready.assessor.state(events))
        for s in ready.assessor.assess(events).suspects:
            holds = sum(float(belief.single[n]) for n, name in enumerate(ready.tables.fault) if name == s.fault)
            holds += sum(
                float(p) for (i, j), p in zip(belief.paired, belief.pair, strict=True)
                if s.fault in (ready.tables.fault[i], ready.tables.fault[j])
            )  # fmt: skip
            assert s.probability == pytest.approx(holds, abs=1e-9), (seed, s.fault)
