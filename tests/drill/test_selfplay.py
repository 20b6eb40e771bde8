"""Self-play: a sample of faults hidden in turn, the tool asking, the bench answering."""

from __future__ import annotations

from functools import cache

import pytest

from diagnose.casework.assess import Assessor, plain
from diagnose.drill.play import open_case
from diagnose.drill.selfplay import Run, run
from diagnose.knowledge.load import load
from tests.bench.selfplay import Where, possible, records

SAMPLE = 8  # every so many-th fault
WANTED = 0.9


FAULTS = sorted(load().faults)[::SAMPLE]


@cache
def everywhere() -> tuple[Assessor, Where]:
    """An assessor, and the sites where each fault is possible."""
    assessor = Assessor(load(cache=False), plain)
    return assessor, possible(assessor)


@cache
def played(n: int) -> Run | None:
    """The n-th of the sample at one of the sites where it is possible, each next fault at a next site."""
    assessor, where = everywhere()
    sites = where[FAULTS[n]]
    if not sites:
        return None
    name, places = sites[n % len(sites)]
    return run(assessor, records()[name], FAULTS[n], places[n % len(places)], 0)


@pytest.mark.parametrize("n", range(len(FAULTS)), ids=FAULTS)
def test_a_hidden_fault_is_played_to_an_end(n: int) -> None:
    """Something is named, or use is stopped; what counts as found agrees with the rank of the remedy."""
    one = played(n)
    if one is not None:
        assert one.fault == FAULTS[n]
        assert 0 <= one.probability <= 1
        assert one.named != "none" or one.stopped
        assert one.found == (one.rank == 1)
        assert one.turns > 1


def test_a_sample_of_faults_is_found() -> None:
    """Every eighth fault; each was played once, in the tests above or here."""
    runs = [r for n in range(len(FAULTS)) if (r := played(n)) is not None]
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
