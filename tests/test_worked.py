"""The worked cases of the rule base: every fault and every rule has one that reaches it."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.drill.worked import Judge, Worked, read_worked
from diagnose.knowledge.load import load

CASES = read_worked(sorted((Path(__file__).parent / "worked").glob("*.yaml")))


@pytest.fixture(scope="module")
def judge() -> Judge:
    """Each case is concluded once, whoever asks first."""
    return Judge(load(cache=False))


@pytest.mark.parametrize("case", CASES, ids=[f"{Path(c.mark.file).name}:{c.name}" for c in CASES])
def test_worked_case(case: Worked, judge: Judge) -> None:
    assert judge.verdict(case) == []


def test_every_fault_is_first_somewhere(judge: Judge) -> None:
    reached = {c.first.fault for c in CASES if c.first}
    assert sorted(set(judge.knowledge.faults) - reached) == []


def test_every_rule_fires_somewhere(judge: Judge) -> None:
    fired = {rule for case in CASES for rule in judge.conclude(case).fired}
    assert sorted(set(judge.knowledge.rules) - fired) == []
