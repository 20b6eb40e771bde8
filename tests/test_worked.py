"""The worked cases of the rule base: every fault and every rule has one that reaches it."""

from __future__ import annotations

import pytest

from diagnose.casework.assess import Assessor, plain
from diagnose.knowledge.load import load
from tests.worked_cases import Worked, all_cases, events_of, verdict

CASES = all_cases()


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(cache=False), plain)


@pytest.mark.parametrize("case", CASES, ids=[f"{c.file}:{c.name}" for c in CASES])
def test_worked_case(case: Worked, assessor: Assessor) -> None:
    assert verdict(case, assessor) == []


def test_every_fault_is_first_somewhere(assessor: Assessor) -> None:
    reached = {c.data["first"]["fault"] for c in CASES if c.data.get("first")}
    assert sorted(set(assessor.knowledge.faults) - reached) == []


def test_every_rule_fires_somewhere(assessor: Assessor) -> None:
    fired: set[str] = set()
    for case in CASES:
        trace = assessor.conclude(assessor.state(events_of(case)))[1]
        fired |= {assessor.compiled.reading_rules[f.rule].id for f in trace.firings}
    assert sorted(set(assessor.knowledge.rules) - fired) == []
