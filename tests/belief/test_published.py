"""Published worked examples, and a general-purpose library, against the project's functions."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from diagnose.belief.evidence import Evidence
from diagnose.belief.posterior import SLIP, Belief, believe, kept_mass
from diagnose.belief.steps import Context, entropy, next_steps
from diagnose.drill.bench import Bench
from diagnose.site.places import SITE, Place
from tests.belief.small_bases import CheckSpec, FaultSpec, Line, Ready, SiteSpec, Spec

# ---- entropy


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12).filter(lambda x: sum(x) > 1e-6))
def test_entropy_is_the_librarys(weights: list[float]) -> None:
    """scipy.stats.entropy, base 2."""
    p = np.array(weights) / sum(weights)
    assert float(entropy(p)) == pytest.approx(float(scipy.stats.entropy(p, base=2)), abs=1e-12)


def gain(groups: list[tuple[float, float]]) -> float:
    """Information that a split into groups of (yes, no) gives about yes or no, bits."""
    whole = np.array(groups)
    total = whole.sum()
    after = sum(row.sum() / total * float(entropy(row / row.sum())) for row in whole)
    return float(entropy(whole.sum(axis=0) / total)) - after


def test_play_tennis() -> None:
    """Induction of Decision Trees, Machine Learning 1 (1986): 9 yes, 5 no."""
    assert float(entropy(np.array([9, 5]) / 14)) == pytest.approx(0.940, abs=5e-4)
    assert gain([(2, 3), (4, 0), (3, 2)]) == pytest.approx(0.2467, abs=5e-5)  # outlook
    assert gain([(3, 4), (6, 1)]) == pytest.approx(0.1518, abs=5e-5)  # humidity
    assert gain([(6, 2), (3, 3)]) == pytest.approx(0.0481, abs=5e-5)  # wind
    assert gain([(2, 2), (4, 2), (3, 1)]) == pytest.approx(0.0292, abs=5e-5)  # temperature


@pytest.mark.parametrize(("each", "bits"), [(4, 1.585), (6, 1.0), (5, 1.483), (3, 1.5), (2, 1.252), (1, 0.817)])
def test_twelve_balls(each: int, bits: float) -> None:
    """Information Theory, Inference, and Learning Algorithms, exercise 4.1: 24 hypotheses, one weighing."""
    aside = 12 - 2 * each
    left = right = 2 * each  # a heavy ball on one side or a light one on the other
    assert float(entropy(np.array([left, right, 2 * aside]) / 24)) == pytest.approx(bits, abs=5e-4)


STATES = (0.70, 0.01, 0.02, 0.10, 0.05, 0.12)
TESTS = {"t1": "000111", "t2": "010011", "t3": "001001", "t4": "001101", "t5": "010100"}


def test_six_states_five_tests() -> None:
    """Application of heuristic search and information theory to sequential fault diagnosis, IEEE Trans. SMC 20(4).

    Entropy and the gains at the root; greedy information starts with t1 and costs 2.86, the optimum is 2.18.
    """
    p = np.array(STATES)
    assert float(entropy(p)) == pytest.approx(1.4549, abs=5e-5)

    def split(live: tuple[int, ...], test: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
        return tuple(s for s in live if TESTS[test][s] == "0"), tuple(s for s in live if TESTS[test][s] == "1")

    def told(live: tuple[int, ...], test: str) -> float:
        sides = np.array([p[list(side)].sum() for side in split(live, test)])
        return float(entropy(sides / sides.sum()))

    everything = tuple(range(6))
    gains = [told(everything, t) for t in TESTS]
    assert gains == pytest.approx([0.8415, 0.6801, 0.5842, 0.7950, 0.4999], abs=5e-5)

    def greedy(live: tuple[int, ...]) -> float:
        if len(live) < 2:
            return 0.0
        best = max(TESTS, key=lambda t: round(told(live, t), 12))
        return float(p[list(live)].sum()) + sum(greedy(side) for side in split(live, best))

    def optimal(live: tuple[int, ...]) -> float:
        if len(live) < 2:
            return 0.0
        useful = [t for t in TESTS if all(split(live, t))]
        return float(p[list(live)].sum()) + min(sum(optimal(side) for side in split(live, t)) for t in useful)

    assert greedy(everything) == pytest.approx(2.86, abs=1e-9)
    assert optimal(everything) == pytest.approx(2.18, abs=1e-9)


def test_chest_clinic_mutual_information() -> None:
    """The network of J. Royal Stat. Soc. B 50 (1988) 157-224; bits from a general library on the packaged network."""
    names = ("asia", "smoke", "tub", "lung", "bronc", "xray", "dysp")
    joint = np.zeros((2,) * 7)
    for a, s, t, u, b, x, d in product((0, 1), repeat=7):
        either = t | u
        p_d = (0.9 if b else 0.7) if either else (0.8 if b else 0.1)
        chances = (
            0.01 if a else 0.99, 0.5, *(c if v else 1 - c for c, v in (
                (0.05 if a else 0.01, t), (0.1 if s else 0.01, u), (0.6 if s else 0.3, b), (0.98 if either else 0.05, x), (p_d, d))),
        )  # fmt: skip
        joint[a, s, t, u, b, x, d] = math.prod(chances)

    def information(one: str, two: str) -> float:
        keep = [names.index(one), names.index(two)]
        pair = joint.sum(axis=tuple(i for i in range(7) if i not in keep))
        return float(entropy(pair.sum(axis=0)) + entropy(pair.sum(axis=1)) - entropy(pair.ravel()))

    assert information("lung", "xray") == pytest.approx(0.184807, abs=2e-6)
    assert information("bronc", "dysp") == pytest.approx(0.361561, abs=2e-6)
    assert information("lung", "smoke") == pytest.approx(0.032374, abs=2e-6)


# ---- noisy-OR


def fever() -> Ready:
    """Cold, flu and malaria, with next to no fever without any."""
    often = {"cold": "0.4", "flu": "0.8", "malaria": "0.9", "no": "0.00000001"}
    check = CheckSpec("fever", "site", ("no", "yes"), baseline={"yes": "no"})
    faults = [FaultSpec(name, "site", "common", [Line("fever", "yes", name)]) for name in ("cold", "flu", "malaria")]
    return Ready(Spec(SiteSpec(1), [check], faults, often=often))


def test_noisy_or_fever() -> None:
    """Artificial Intelligence: A Modern Approach, the noisy-OR table: inhibitors .6, .2, .1."""
    ready = fever()
    table = {
        "cold": 0.4, "flu": 0.8, "malaria": 0.9, "cold flu": 0.88, "cold malaria": 0.94, "flu malaria": 0.98,
        "cold flu malaria": 0.988,
    }  # fmt: skip
    for names, wanted in table.items():
        bench = Bench(ready.tables, [(name, SITE) for name in names.split()])
        assert float(bench.chances("fever", SITE)[1]) == pytest.approx(wanted, abs=1e-7)
    belief = believe(ready.tables, [Evidence("e", "fever", (SITE,), "yes")])
    of = {name: n for n, name in enumerate(ready.tables.fault)}
    chances = {name: math.exp(belief.log_of[0, n]) for name, n in of.items()}
    for (i, j), p in zip(belief.paired, belief.pair, strict=True):
        odds = ready.tables.odds
        chances[" ".join(sorted((ready.tables.fault[i], ready.tables.fault[j])))] = (
            p / belief.none * math.exp(belief.log_none[0]) / (odds[i] * odds[j])
        )
    for names, p in chances.items():
        assert p == pytest.approx((1 - SLIP) * table[names] + SLIP / 2, abs=1e-7)
    assert len(chances) == 6


def test_kept_mass() -> None:
    """prod(1 - pi) (1 + e1 + e2) is the share of all subsets of independent faults that have at most two members."""
    draw = random.Random(1)
    for _ in range(20):
        pi = [draw.uniform(0.001, 0.3) for _ in range(9)]
        direct = sum(
            math.prod(p if n in h else 1 - p for n, p in enumerate(pi)) for size in range(3) for h in combinations(range(9), size)
        )
        odds = np.array([p / (1 - p) for p in pi])
        assert kept_mass(odds) == pytest.approx(direct, rel=1e-12)
    assert kept_mass(np.zeros(0)) == 1.0


Net = tuple[list[float], list[float], list[list[float]]]  # P(fault), P(abnormal with none), net links [reading][fault]


def quickscore(net: Net, positive: list[int], negative: list[int]) -> float:
    """P(readings) of a two-layer noisy-OR network, without enumerating the faults.

    A Tractable Inference Algorithm for Diagnosing Multiple Diseases, UAI 1989.
    """
    pi, leak, w = net
    total = 0.0
    for size in range(len(positive) + 1):
        for chosen in combinations(positive, size):
            off = [*chosen, *negative]
            term = (-1.0) ** size * math.prod(1 - leak[t] for t in off)
            total += term * math.prod(p * math.prod(1 - w[t][f] for t in off) + 1 - p for f, p in enumerate(pi))
    return total


def by_subsets(net: Net, positive: list[int], negative: list[int]) -> float:
    """The same by enumerating the faults."""
    pi, leak, w = net
    total = 0.0
    for present in product((False, True), repeat=len(pi)):
        p = math.prod(x if there else 1 - x for x, there in zip(pi, present, strict=True))
        for t in [*positive, *negative]:
            normal = (1 - leak[t]) * math.prod(1 - w[t][f] for f, there in enumerate(present) if there)
            p *= normal if t in negative else 1 - normal
        total += p
    return total


def test_quickscore_identity() -> None:
    draw = random.Random(2)
    for _ in range(20):
        faults, readings = draw.randint(2, 6), draw.randint(1, 6)
        net: Net = (
            [draw.uniform(0.01, 0.4) for _ in range(faults)], [draw.uniform(0.001, 0.1) for _ in range(readings)],
            [[draw.uniform(0, 0.95) for _ in range(faults)] for _ in range(readings)],
        )  # fmt: skip
        split = draw.randint(0, readings)
        sides = list(range(split)), list(range(split, readings))
        assert quickscore(net, *sides) == pytest.approx(by_subsets(net, *sides), abs=1e-10)


def scored(net: Net, positive: list[int], negative: list[int]) -> float:
    """Quickscore when each reading is a slip, heads or tails, with the chance SLIP."""
    readings = [*positive, *negative]
    total = 0.0
    for slipped in product((False, True), repeat=len(readings)):
        lost = {t for t, gone in zip(readings, slipped, strict=True) if gone}
        weight = math.prod(SLIP / 2 if gone else 1 - SLIP for gone in slipped)
        total += weight * quickscore(net, [t for t in positive if t not in lost], [t for t in negative if t not in lost])
    return total


def binary_base(draw: random.Random, faults: int, readings: int, prior: dict[str, str]) -> tuple[Ready, Net]:
    """A base whose checks say yes or no of the whole site, and the same as a network with net links."""
    often = {f"w{n}": f"{draw.uniform(0.2, 0.95):.4f}" for n in range(faults * readings)}
    leak = {f"l{n}": f"{draw.uniform(0.005, 0.05):.4f}" for n in range(readings)}
    checks = [CheckSpec(f"check-{t}", "site", ("no", "yes"), baseline={"yes": f"l{t}"}) for t in range(readings)]
    words = list(prior)
    made = [
        FaultSpec(f"fault-{f}", "site", words[f % len(words)], [Line(f"check-{t}", "yes", f"w{f * readings + t}") for t in range(readings)])
        for f in range(faults)
    ]
    ready = Ready(Spec(SiteSpec(1), checks, made, often={**often, **leak}, prior=prior))
    lam = [float(leak[f"l{t}"]) for t in range(readings)]
    net_links = [
        [1 - (1 - float(often[f"w{f * readings + t}"])) / (1 - lam[t]) for f in range(faults)] for t in range(readings)
    ]  # compound to net: what a rule author writes holds the leak already
    share = [float(prior[words[f % len(words)]]) for f in range(faults)]
    pi = [0.7 * x / sum(share) for x in share]
    return ready, (pi, lam, net_links)


def believed(ready: Ready, positive: list[int], negative: list[int]) -> Belief:
    said = [(t, "yes") for t in positive] + [(t, "no") for t in negative]
    return believe(ready.tables, [Evidence(f"e{t}", f"check-{t}", (SITE,), o) for t, o in said])


def test_two_faults_against_quickscore() -> None:
    """With two faults in the book nothing is left out, so the marginals are Quickscore's exactly."""
    compared = 0
    for seed in range(12):
        draw = random.Random(f"two {seed}")
        ready, net = binary_base(draw, 2, 4, {"a": "0.02", "b": "0.01"})
        order = draw.sample(range(4), 4)
        positive, negative = order[: draw.randint(0, 3)], order[3:]
        belief = believed(ready, positive, negative)
        if np.count_nonzero(belief.single) < 2:
            continue  # one of the two explains nothing abnormal and is not carried
        whole = scored(net, positive, negative)
        for f in range(2):
            pi = [1.0 if g == f else p for g, p in enumerate(net[0])]
            wanted = net[0][f] * scored((pi, net[1], net[2]), positive, negative) / whole
            n = ready.tables.fault.index(f"fault-{f}")
            assert float(belief.marginal[n]) / (1 - belief.unlisted) == pytest.approx(wanted, rel=1e-10)
            compared += 1
    assert compared > 12


def test_six_faults_against_quickscore() -> None:
    """With more faults the difference is at most the posterior share of three and more at once."""
    worst = 0.0
    for seed in range(8):
        draw = random.Random(f"six {seed}")
        ready, net = binary_base(draw, 6, 5, {"a": "0.02", "b": "0.01", "c": "0.003"})
        positive, negative = [0, 1], [2, 3, 4]
        belief = believed(ready, positive, negative)
        if np.count_nonzero(belief.single) < 6:
            continue
        whole = scored(net, positive, negative)
        left_out = (1 - kept_mass(ready.tables.odds)) / whole  # a bound: at most all of the mass of three and more
        for f in range(6):
            pi = [1.0 if g == f else p for g, p in enumerate(net[0])]
            wanted = net[0][f] * scored((pi, net[1], net[2]), positive, negative) / whole
            n = ready.tables.fault.index(f"fault-{f}")
            off = abs(float(belief.marginal[n]) / (1 - belief.unlisted) - wanted)
            assert off <= left_out
            worst = max(worst, off)
    assert 0 < worst < 0.12


# ---- half-splitting a chain


def chain(segments: int) -> Ready:
    """Units along one trunk; an open conductor on any piece silences what lies beyond, nearly without error."""
    often = {"sure": "0.999999", "no": "0.000001"}
    check = CheckSpec("answers", "unit", ("yes", "silent"), baseline={"silent": "no"})
    fault = FaultSpec("open-conductor", "segment", "common", [Line("answers", "silent", "sure", ("beyond",))])
    return Ready(Spec(SiteSpec(segments + 1, [(list(range(1, segments + 2)), 1)]), [check], [fault], often=often))


CHAINS = [
    ([1 / 8] * 8, 3.0, {4}),
    ([1 / 6] * 6, 2.6667, {2, 3, 4}),
    ([0.3, 0.1, 0.1, 0.1, 0.1, 0.3], 2.4, {3}),
    ([0.05, 0.05, 0.10, 0.20, 0.60], 1.7, {4}),
]  # chances of the pieces, least expected number of questions, pieces before the first cut


@pytest.mark.parametrize(("chances", "cost", "cuts"), CHAINS)
def test_chain_costs(chances: list[float], cost: float, cuts: set[int]) -> None:
    """Expected "which side" questions when each cut is the one with the most information, by the project's entropy.

    The least costs and first cuts are computed, by dynamic programming here.
    """
    p = np.array(chances)

    def least(a: int, b: int) -> float:
        return 0.0 if b - a < 2 else float(p[a:b].sum()) + min(least(a, c) + least(c, b) for c in range(a + 1, b))

    def told(a: int, b: int, c: int) -> float:
        return round(float(entropy(np.array([p[a:c].sum(), p[c:b].sum()]) / p[a:b].sum())), 9)

    def greedy(a: int, b: int) -> float:
        if b - a < 2:
            return 0.0
        c = max(range(a + 1, b), key=lambda c: told(a, b, c))
        return float(p[a:b].sum()) + greedy(a, c) + greedy(c, b)

    n = len(p)
    assert least(0, n) == pytest.approx(cost, abs=5e-5)
    assert greedy(0, n) == pytest.approx(cost, abs=5e-5)
    optimal = {c for c in range(1, n) if float(p.sum()) + least(0, c) + least(c, n) < cost + 1e-4}
    assert optimal == cuts


@pytest.mark.parametrize(("chances", "cost", "cuts"), CHAINS)
def test_chain_first_question(chances: list[float], cost: float, cuts: set[int]) -> None:
    """The chooser's first question, with the last unit known to be silent, cuts the chain where it should."""
    del cost
    ready = chain(len(chances))
    tables = replace(ready.tables, odds=np.array([c / 10 for c in chances]))
    last = Evidence("e", "answers", (Place("unit", len(chances) + 1),), "silent")
    belief = believe(tables, [last])
    check = ready.knowledge.checks["answers"]
    steps = next_steps(belief, [check], [], frozenset({("answers", last.places[0])}), Context())
    assert steps[0].places[0].number - 1 in cuts
