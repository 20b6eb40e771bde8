"""The next step: what it must never do, and that its short cuts change nothing."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from diagnose.belief import steps as chooser
from diagnose.belief.posterior import Belief
from diagnose.belief.steps import Context, Step, next_steps
from diagnose.casework.assess import Assessor, plain
from diagnose.casework.events import Event
from diagnose.casework.view import Assessment
from diagnose.drill.bench import Bench
from diagnose.drill.play import Player, open_case
from diagnose.knowledge.load import build, load, shipped_folder
from diagnose.knowledge.model import DANGER
from diagnose.site.places import Place, describe
from tests.belief.small_bases import CheckSpec, FaultSpec, Line, Ready, SiteSpec, Spec, blocks, random_spec

ROOT = Path(__file__).resolve().parents[2]
SITES = ROOT / "tests" / "sites"


@pytest.fixture(scope="module")
def shipped() -> Assessor:
    return Assessor(load(cache=False), plain)


def answer(events: list[Event], check: str, places: tuple[Place, ...], text: str) -> None:
    n = len(events) + 1
    events.append(Event(f"e{n}", "test", n, events[0].at, "reading", {"check": check, "answer": text, "at": describe(places)}, "t"))


def safe_case(assessor: Assessor, record: str, role: str = "electrician") -> list[Event]:
    """A fresh case in which the danger signs have been answered."""
    events = list(open_case(record, role, None))
    answer(events, DANGER, assessor.state(events).site.places("unit"), "none")
    return events


def played_beliefs(assessor: Assessor, record: str, seed: int, count: int) -> list[tuple[list[Event], Belief]]:
    """Beliefs met while a fault that a seed picks is looked for, the case so far with each."""
    draw = random.Random(f"beliefs {seed}")
    events = safe_case(assessor, record)
    tables = assessor.site_work(assessor.state(events).site).tables
    n = draw.randrange(tables.size)
    bench = Bench(tables, [(tables.fault[n], tables.where(n))], draw)
    found = []
    for _ in range(count):
        found.append((list(events), assessor.belief(assessor.state(events))))
        offered = [s for s in assessor.assess(events).steps if s.kind == "check"]
        if not offered:
            break
        step = draw.choice(offered)  # not always the first, so that beliefs of many shapes are met
        for place, text in bench.answers(step.id, step.places).items():
            answer(events, step.id, (place,), text)
    return found


# ---- the order of the rule files, of the dictionary, of the process


def advice(a: Assessment) -> list[tuple[str, str, tuple[Place, ...]]]:
    return [(s.kind, s.id, s.places) for s in a.steps]


def test_order_of_small_bases_does_not_matter() -> None:
    for seed in range(12):
        draw = random.Random(f"order {seed}")
        spec = random_spec(draw)
        one = Ready(spec)
        shuffled = Spec(
            spec.site, draw.sample(spec.checks, len(spec.checks)), draw.sample(spec.faults, len(spec.faults)),
            dict(reversed(spec.mechanisms.items())),
        )
        two = Ready(shuffled, files=3)
        for events, _ in played_beliefs(one.assessor, one.record, seed, 5):
            first, second = one.assessor.assess(events), two.assessor.assess(events)
            assert advice(first) == advice(second)
            assert {s.fault: s.probability for s in first.suspects} == pytest.approx({s.fault: s.probability for s in second.suspects}, rel=1e-9)
            assert blocks(spec) != blocks(shuffled)


@pytest.fixture(scope="module")
def reordered(tmp_path_factory: pytest.TempPathFactory) -> Assessor:
    """The shipped rules with every file under another name, so that all blocks come in another order."""
    folder = tmp_path_factory.mktemp("reordered")
    files = sorted(shipped_folder().rglob("*.yaml"))
    names = random.Random(3).sample(range(len(files)), len(files))
    for path, n in zip(files, names, strict=True):
        shutil.copy(path, folder / f"{n:03}.yaml")
    k, problems = build(folder)
    assert not problems
    return Assessor(k, plain)


PLAYED = [(name, seed) for name in ("harbour-12", "quay-6", "meadow-4") for seed in range(2)]
Both = Callable[[str, int], list[tuple[Assessment, Assessment]]]


@pytest.fixture(scope="module")
def both(shipped: Assessor, reordered: Assessor) -> Both:
    """What both say of a case at various depths, played once for a site and a seed."""

    @cache
    def of(name: str, seed: int) -> list[tuple[Assessment, Assessment]]:
        record = (SITES / f"{name}.yaml").read_text(encoding="utf-8")
        place = [n for n, _ in PLAYED[::2]].index(name)
        played = played_beliefs(shipped, record, 10 * place + seed, 5)
        return [(shipped.assess(events), reordered.assess(events)) for events, _ in played]

    return of


@pytest.mark.parametrize(("name", "seed"), PLAYED)
def test_order_of_shipped_files_does_not_matter(both: Both, name: str, seed: int) -> None:
    assert both(name, seed)
    for one, two in both(name, seed):
        assert advice(one) == advice(two)


def test_order_of_shipped_files_hardly_matters(both: Both) -> None:
    """The first step and the likeliest suspects, as long as ties are not settled (see the test above)."""
    other = 0
    pairs = [pair for played in PLAYED for pair in both(*played)]
    for one, two in pairs:
        other += advice(one)[:1] != advice(two)[:1]
        chances = [{s.fault: s.probability for s in a.suspects[:3]} for a in (one, two)]
        for fault in chances[0].keys() & chances[1].keys():
            assert chances[0][fault] == pytest.approx(chances[1][fault], abs=0.05)
    assert len(pairs) > 20
    assert other <= 2


TWINS = """
import sys
sys.path.insert(0, {root!r})
from tests.belief.test_steps import twins
a = twins()
print(a.steps[0].id, a.steps[0].places, [(s.fault, s.probability) for s in a.suspects], [s.id for s in a.steps])
"""


def twins() -> Assessment:
    """A base of exact ties: four faults, four checks, all alike but for their names."""
    checks = [CheckSpec(f"check-{x}", "unit", ("fine", "odd")) for x in "dbca"]
    faults = [FaultSpec(f"fault-{x}", "unit", "common", [Line(f"check-{x}", "odd", "always")]) for x in "cadb"]
    ready = Ready(Spec(SiteSpec(3), checks, faults))
    return ready.assessor.assess(safe_case(ready.assessor, ready.record))


def test_ties_fall_by_name_in_every_process() -> None:
    said = {
        subprocess.run(
            [sys.executable, "-c", TWINS.format(root=str(ROOT))], env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True, text=True, check=True,
        ).stdout
        for seed in ("1", "77")
    }  # fmt: skip
    assert len(said) == 1
    a = twins()
    assert a.steps[0].id == "check-a"
    assert a.steps[0].places == (Place("unit", 1),)
    gains = {round(s.gain, 12) for s in a.steps}
    assert len(gains) == 1  # they are ties indeed


# ---- what is never suggested


def test_suggested_checks_tell_listed_causes_apart(shipped: Assessor) -> None:
    """On the shipped rules: each suggested check has other chances under one carried cause than under another."""
    looked_at = 0
    for name in ("harbour-12", "mill-2"):
        record = (SITES / f"{name}.yaml").read_text(encoding="utf-8")
        for seed in range(3):
            for events, belief in played_beliefs(shipped, record, seed, 4):
                for s in shipped.assess(events).steps:
                    if s.kind == "check" and len(s.places) == 1:
                        assert told_apart(belief, s.id, s.places[0]), s.id
                        looked_at += 1
    assert looked_at > 30


def test_a_check_that_no_fault_shows_is_never_suggested() -> None:
    """It comes out the same under every listed fault and under none, and is cheap; a reading rule even asks for it."""
    for seed in range(10):
        draw = random.Random(f"useless {seed}")
        spec = random_spec(draw)
        spec.checks.append(CheckSpec("useless", "unit", ("fine", "odd"), minutes=0.2))
        spec.rules = (
            "- rule: asks\n  title: t\n  when: [{reading: check-0, outcome: [fine, odd]}]\n  then: [{ask: useless}]\n"
            "  level: note\n  says: Look.\n  sources: [common-practice]\n"
        )
        ready = Ready(spec)
        for events, _ in played_beliefs(ready.assessor, ready.record, seed, 6):
            assert "useless" not in [s.id for s in ready.assessor.assess(events).steps]


def told_apart(belief: Belief, check: str, place: Place) -> bool:
    """Whether two carried hypotheses give a check different chances."""
    t = belief.tables
    carried = np.flatnonzero(belief.marginal > 0)
    rows = np.concatenate([t.distribution(check, place, carried), t.base[check][None, :]])
    seen = belief.seen.get(check)
    return bool(np.ptp(rows, axis=0).max() > 1e-9) or seen is not None


@pytest.mark.parametrize(("name", "rounds"), [("harbour-12", 6), ("mill-2", 60)])
@pytest.mark.parametrize("word", ["do-not-know", "cannot-reach"])
def test_unknown_answers_are_spent(shipped: Assessor, name: str, rounds: int, word: str) -> None:
    """Nothing is asked twice, and at the small site a person who knows nothing is let go in the end."""
    record = (SITES / f"{name}.yaml").read_text(encoding="utf-8")
    events = list(open_case(record, "help-desk", None))
    asked: set[tuple[str, Place]] = set()
    for _ in range(rounds):
        steps = [s for s in shipped.assess(events).steps if s.kind == "check"]
        # The danger question alone stays in the list until somebody has looked.
        steps = [s for s in steps if not (s.id == "danger-signs" and asked)]
        if not steps:
            break
        assert not {(s.id, p) for s in steps for p in s.places} & asked
        for s in steps:
            asked |= {(s.id, p) for p in s.places}
            answer(events, s.id, s.places, word)
    else:
        assert name == "harbour-12", "still asking"
    assert len(asked) > 20


# ---- short cuts


def unpruned(monkeypatch: pytest.MonkeyPatch, *args: object, irrelevant: bool = False) -> tuple[Step, ...]:
    """The five best steps when every check is weighed in full, those of too little relevance only when asked."""
    promise = chooser._by_promise
    with monkeypatch.context() as patch:
        if irrelevant:
            patch.setattr(chooser, "LEAST_RELEVANT", -1.0)
        patch.setattr(chooser, "_by_promise", lambda *given: [(np.inf, c) for _, c in promise(*given)])
        return next_steps(*args)  # type: ignore[arg-type]


def contexts(draw: random.Random, belief: Belief) -> Context:
    last = draw.choice([None, *belief.tables.index.places])
    return Context(draw.random() < 0.5, draw.choice([5.0, 40.0]), draw.choice(["any", "covers-closed", "dead-verified", "live"]), last)


def test_pruning_keeps_the_best_five_of_small_bases(monkeypatch: pytest.MonkeyPatch) -> None:
    compared = 0
    for seed in range(16):
        draw = random.Random(f"pruned {seed}")
        spec = random_spec(draw, faults=(4, 9), checks=(12, 20), units=6, crowded=60)
        for check in spec.checks:
            check.role, check.reach = "technician", "on-site"
            check.state = draw.choice(["covers-closed", "dead-verified", "live"])
        ready = Ready(spec)
        k = ready.knowledge
        for _, belief in played_beliefs(ready.assessor, ready.record, seed, 5):
            boosted = frozenset(draw.sample(sorted(k.checks), 2))
            args = (belief, [c for c in k.checks.values() if c.id != DANGER], k.remedies.values(), frozenset(), contexts(draw, belief), boosted)
            assert same(next_steps(*args), unpruned(monkeypatch, *args))
            compared += 1
    assert compared > 40


def test_pruning_keeps_the_best_five_of_the_shipped_rules(shipped: Assessor, monkeypatch: pytest.MonkeyPatch) -> None:
    k = shipped.knowledge
    checks = [c for c in k.checks.values() if c.id != DANGER]
    compared = 0
    for name in ("harbour-12", "quay-6"):
        record = (SITES / f"{name}.yaml").read_text(encoding="utf-8")
        for seed in range(2):
            draw = random.Random(f"shipped {name} {seed}")
            for _, belief in played_beliefs(shipped, record, seed, 4):
                boosted = frozenset(draw.sample(sorted(k.checks), 3))
                args = (belief, checks, k.remedies.values(), frozenset(), contexts(draw, belief), boosted)
                steps = next_steps(*args)
                assert same(steps, unpruned(monkeypatch, *args))
                assert same(steps[:1], unpruned(monkeypatch, *args, irrelevant=True)[:1])
                compared += 1
    assert compared > 10


def same(one: tuple[Step, ...], two: tuple[Step, ...]) -> bool:
    return [(s.kind, s.id, s.places) for s in one] == [(s.kind, s.id, s.places) for s in two]


# ---- half-splitting and stopping


def open_conductor(segment: int) -> tuple[Ready, Player]:
    """Sixteen units on one trunk, one unit asked at a time, the last one known to be silent."""
    check = CheckSpec("unit-answers", "unit", ("yes", "silent"), "question", minutes=1)
    fault = FaultSpec("open-conductor", "segment", "common", [Line("unit-answers", "silent", "always", ("beyond",))])
    ready = Ready(Spec(SiteSpec(16, [(list(range(1, 17)), 1)]), [check], [fault]))
    bench = Bench(ready.tables, [("open-conductor", Place("segment", segment, segment + 1))])
    opening = [*open_case(ready.record, "electrician", ("unit-answers", "unit 16", "silent"))]
    answer(opening, DANGER, ready.site.places("unit"), "none")
    return ready, Player(ready.assessor, opening, bench, most=12)


def likeliest(a: Assessment) -> tuple[Place, float]:
    return a.suspects[0].places[0]


def test_an_open_conductor_is_found_by_halves() -> None:
    """log2 of 15 pieces is 3.9: at most five questions until the right piece has 0.9, on average fewer."""
    counts = []
    for segment in range(1, 16):
        ready, player = open_conductor(segment)
        asked: list[int] = []
        for turn in player.turns():
            if turn.step.kind == "check":
                assert len(turn.step.places) == 1
                asked.append(turn.step.places[0].number)
            place, chance = likeliest(ready.assessor.assess(player.events))
            if chance >= chooser.ENOUGH:
                break
        assert place == Place("segment", segment, segment + 1)
        assert len(asked) <= 5, (segment, asked)
        counts.append(len(asked))
    assert sum(counts) / 15 <= 4.3


def test_asking_stops_when_one_repair_is_likely_enough() -> None:
    """The marginal of one repair decides, the same figure that is shown for the suspect."""
    for segment in range(1, 16):
        _, player = open_conductor(segment)
        for turn in player.turns():
            if turn.before.proofs:
                break  # nothing was left to ask before the repair was likely enough
            place, chance = likeliest(turn.before)
            if chance >= chooser.ENOUGH:
                repair = turn.before.steps[-1]  # a reading to take as found may come before it
                assert (repair.kind, repair.places) == ("remedy", (place,)), chance
                assert repair.probability == pytest.approx(chance, abs=0.01)
                break
