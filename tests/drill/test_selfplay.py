"""Self-play: a sample of faults hidden in turn, the tool asking, the bench answering."""

from __future__ import annotations

from diagnose.casework.assess import Assessor, plain
from diagnose.drill.play import open_case
from diagnose.drill.selfplay import Run, run
from diagnose.knowledge.load import load
from tests.bench.selfplay import possible, records

SAMPLE = 8  # every so many-th fault
WANTED = 0.9


def test_a_sample_of_faults_is_found() -> None:
    """Every eighth fault, at one of the sites where it is possible, each next fault at a next site."""
    assessor = Assessor(load(cache=False), plain)
    where = possible(assessor)
    runs: list[Run] = []
    for n, fault in enumerate(sorted(assessor.knowledge.faults)[::SAMPLE]):
        sites = where[fault]
        if sites:
            name, places = sites[n % len(sites)]
            runs.append(run(assessor, records()[name], fault, places[n % len(places)], 0))
    missed = [f"{r.fault} at {r.place}: {r.named} {r.probability:.2f}, rank {r.rank}" for r in runs if not r.found]
    assert len(runs) > 25
    assert 1 - len(missed) / len(runs) >= WANTED, "\n".join(missed)


def test_self_play_repeats_itself() -> None:
    """The same seed, the same play; every hidden fault gets its place from the site."""
    assessor = Assessor(load(cache=False), plain)
    name = "mill-2"
    tables = assessor.site_work(assessor.state(open_case(records()[name], "electrician", None)).site).tables
    for n in range(0, tables.size, tables.size // 2):
        fault, place = tables.fault[n], tables.where(n)
        one, two = (run(assessor, records()[name], fault, place, 3) for _ in range(2))
        assert one == two
        assert (one.fault, one.place) == (fault, place)
