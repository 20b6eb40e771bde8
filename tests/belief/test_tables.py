"""The tables of a site on the shipped rules: chances of bands, ends of trunks, what speaks about a check, baselines."""

from __future__ import annotations

import math
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from diagnose.belief.tables import MOST_PREDICTED, RARELY_WRONG, Tables, _band_chances, baseline
from diagnose.casework.assess import Assessor, plain
from diagnose.drill.play import open_case
from diagnose.gauges.base import PREDICTORS, READINGS
from diagnose.knowledge.load import load
from tests.casework.small_case import check, knowledge

SITES = Path(__file__).resolve().parents[1] / "sites"


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(), plain)


def of(assessor: Assessor, name: str) -> Tables:
    events = open_case((SITES / f"{name}.yaml").read_text(encoding="utf-8"), "electrician", None)
    return assessor.site_work(assessor.state(events).site).tables


@pytest.fixture(scope="module")
def harbour(assessor: Assessor) -> Tables:
    return of(assessor, "harbour-12")


def test_a_reading_scatters_about_what_is_expected(harbour: Tables) -> None:
    """The normal distribution over the bands of the gauge, and one in a hundred anything."""
    compared = 0
    for c in harbour.knowledge.checks.values():
        places = harbour.site.places(c.at)
        if c.gauge not in PREDICTORS or not places:
            continue
        bands = READINGS[c.gauge].function(harbour.site, places[0]).bands
        middles = [b.low for b in bands if math.isfinite(b.low)] + [(b.low + b.high) / 2 for b in bands if math.isfinite(b.low + b.high)]
        for value in middles:
            for spread in (0.02, 0.3):
                normal = NormalDist(value, max(abs(value) * spread, 1e-9))
                share = dict.fromkeys(c.outcome_ids, 0.0)
                for b in bands:
                    share[b.outcome] += max(normal.cdf(b.high) - normal.cdf(b.low), 0.0)
                total = sum(share.values())
                wanted = [(1 - RARELY_WRONG) * x / total + RARELY_WRONG / len(share) for x in share.values()]
                assert _band_chances(harbour, c.id, places[0], value, spread) == pytest.approx(wanted, abs=1e-9)
                compared += 1
        open_circuit = _band_chances(harbour, c.id, places[0], math.inf, 0.05)
        assert open_circuit.max() == pytest.approx(1 - RARELY_WRONG + RARELY_WRONG / len(c.outcomes))
        assert open_circuit.sum() == pytest.approx(1.0)
    assert compared > 10


def test_a_fault_of_one_end_is_at_that_end(harbour: Tables) -> None:
    ends = {f.id: f.end for f in harbour.knowledge.faults.values() if f.at == "trunk-end"}
    assert {"near", "far"} <= set(ends.values())
    for name, end in ends.items():
        there = {harbour.where(int(n)).other for n in harbour.singles_of.get(name, ())}
        assert there <= {"near": {0}, "far": {1}, "both": {0, 1}}[end], name
    found = {ends[name] for name in ends if len(harbour.singles_of.get(name, ()))}
    assert {"near", "far"} <= found


def test_which_faults_say_something_about_a_check(harbour: Tables) -> None:
    """Those that show it anywhere, and of what is computed those that change the network."""
    silent = computed = 0
    for c in harbour.knowledge.checks.values():
        for row, (fault, _) in enumerate(harbour.rows):
            alters = c.gauge in PREDICTORS and bool(harbour.knowledge.faults[fault].alters)
            said = bool(harbour.related[c.id][row].any())
            assert harbour.speaks[row, harbour.check_number[c.id]] == float(said or alters), (c.id, fault)
            silent += not (said or alters)
            computed += alters and not said
    assert silent > 100
    assert computed > 0


def test_the_network_is_solved_at_sixteen_places_of_a_fault_at_most(assessor: Assessor) -> None:
    """At 31 pieces of cable two share a solution."""
    long = of(assessor, "long-32")
    c = next(c for c in long.knowledge.checks.values() if c.gauge in PREDICTORS and long.site.places(c.at))
    name = next(f.id for f in long.knowledge.faults.values() if f.alters and f.at == "segment" and len(long.singles_of.get(f.id, ())) == 31)
    place = long.site.places(c.at)[0]
    long.distribution(c.id, place, long.singles_of[name])
    change = long.knowledge.faults[name].alters
    solved = {key[2] for key in long._network if key[:2] == (c.id, place) and key[2] and tuple(a for a, _ in key[2]) == change}
    assert len(solved) == MOST_PREDICTED == 16


# words of a check's abnormal outcomes with nothing wrong, and the chances of all outcomes
BASELINES = [
    ({}, "look", False, [0.996, 0.002, 0.002]),
    ({}, "question", False, [0.98, 0.01, 0.01]),
    ({}, "question", True, [0.999, 0.0005, 0.0005]),
    ({"odd": "rarely"}, "look", False, [0.898, 0.1, 0.002]),
    ({"odd": "usually", "bad": "usually"}, "look", False, [0.05 / 1.65, 0.8 / 1.65, 0.8 / 1.65]),  # seen more than always: scaled
]


@pytest.mark.parametrize(("words", "kind", "sweep", "wanted"), BASELINES)
def test_what_is_seen_with_nothing_wrong(words: dict[str, str], kind: str, sweep: bool, wanted: list[float]) -> None:
    c = check("sound", kind=kind, sweep=sweep, baseline=tuple(words.items()))
    found = baseline(knowledge([c]), c)
    assert found == pytest.approx(wanted)
    assert np.isclose(found.sum(), 1.0)
