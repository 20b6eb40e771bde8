"""The shipped worked cases: from the complaint to the proven repair, as their `expect` says."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import read_case
from diagnose.drill.play import play_file
from diagnose.knowledge.load import load

CASES = sorted((Path(__file__).resolve().parents[1] / "cases").glob("*.yaml"))


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(cache=False))


def test_three_cases_are_shipped() -> None:
    assert len(CASES) >= 3


@pytest.mark.parametrize("path", CASES, ids=[p.stem for p in CASES])
def test_the_true_cause_is_first_at_its_place_and_the_repair_proved(path: Path, assessor: Assessor) -> None:
    case = read_case(path, assessor.knowledge)
    assert case.expect is not None
    player = play_file(assessor, case)
    list(player.turns())
    played = player.finish()
    first = played.last.suspects[0]
    assert first.fault == case.expect.fault
    assert first.places[0][0] == case.expect.place
    assert first.probability >= 0.95
    assert played.asked <= case.expect.steps
    assert played.proved
