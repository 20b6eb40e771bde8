"""Self-play: every fault of the rule base as the hidden truth in turn, the tool asking, the bench answering."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import NamedTuple

from diagnose.casework.assess import Assessor
from diagnose.drill.bench import Bench
from diagnose.drill.play import Player, likely_complaint, open_case
from diagnose.site.places import Place

SURE = 0.5  # probability of a repair that is advised as the cure, and not tried as a check


class Run(NamedTuple):
    """One run of self-play."""

    fault: str
    place: Place
    seed: int
    found: bool
    named: str
    named_at: str
    probability: float
    rank: int
    turns: int
    minutes: float
    stopped: bool


def run(assessor: Assessor, record: str, fault: str, place: Place, seed: int, role: str = "electrician") -> Run:
    """Play one hidden fault until the tool is sure enough of a repair, or nothing is left worth asking.

    Cheap repairs that serve as checks are made and the play goes on. Found means: the fault, or one
    with the same remedy, is the first suspect at that moment.
    """
    k = assessor.knowledge
    state = assessor.state(open_case(record, role, None))
    bench = Bench(assessor.site_work(state.site).tables, [(fault, place)], random.Random(f"{fault}{place}{seed}"))
    player = Player(assessor, open_case(record, role, likely_complaint(bench, k)), bench)
    before = None
    for turn in player.turns():
        if turn.step.kind == "remedy" and turn.step.probability >= SURE:
            before = turn.before
            break
    before = before or assessor.assess(player.events)
    stopped = bool(before.stop_use)
    top = before.suspects[0] if before.suspects else None
    remedy = k.faults[fault].remedy
    ranks = [n for n, s in enumerate(before.suspects, 1) if s.remedy == remedy]
    return Run(
        fault, place, seed, bool(top and top.remedy == remedy), top.fault if top else "none",
        str(top.places[0][0]) if top and top.places else "", top.probability if top else 0.0,
        ranks[0] if ranks else 0, len(player.events), player.minutes, stopped,
    )  # fmt: skip


def sweep(assessor: Assessor, record: str, seeds: int = 1, role: str = "electrician", every: int = 1) -> Iterator[Run]:
    """Every fault that is possible at the site (or every so many-th), at a place that a seeded draw picks."""
    state = assessor.state(open_case(record, role, None))
    tables = assessor.site_work(state.site).tables
    places: dict[str, list[Place]] = {}
    for n, name in enumerate(tables.fault):
        places.setdefault(name, []).append(tables.where(n))
    for name in sorted(places)[::every]:
        for seed in range(seeds):
            place = random.Random(f"{name}{seed}").choice(places[name])
            yield run(assessor, record, name, place, seed, role)
