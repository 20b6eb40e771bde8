"""The engine, the plain matcher and CLIPS agree on every worked and shipped case of the rule base.

CLIPS is the outside reference: another engine, with a negation of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import pytest

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import read_case
from diagnose.casework.events import Event
from diagnose.inference.engine import Engine
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Fact, Rule
from diagnose.inference.trace import Trace
from diagnose.knowledge.load import load
from tests.inference.clips_reference import ClipsReference
from tests.worked_cases import all_cases, events_of

ROOT = Path(__file__).resolve().parents[2]


class Three:
    """All three at once; each inference is compared the first time its facts are seen."""

    compared = 0

    def __init__(self, rules: Sequence[Rule]) -> None:
        self.engine, self.plain, self.clips = Engine(rules), PlainMatcher(rules), ClipsReference(rules)
        self.seen: dict[frozenset[Fact], Trace] = {}

    def infer(self, facts: Iterable[Fact]) -> Trace:
        key = frozenset(facts)
        if key not in self.seen:
            trace = self.engine.infer(key)
            assert trace == self.plain.infer(key)
            assert set(trace.facts) == self.clips.infer(key)
            self.seen[key] = trace
            Three.compared += 1
        return self.seen[key]


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(cache=False), Three)


def shipped_events(assessor: Assessor) -> Iterable[tuple[Event, ...]]:
    for path in sorted((ROOT / "cases").glob("*.yaml")):
        yield read_case(path, assessor.knowledge).events()
    for case in all_cases():
        yield events_of(case)


def test_three_engines_agree_on_every_shipped_case(assessor: Assessor) -> None:
    cases = 0
    for events in shipped_events(assessor):
        assessor.conclude(assessor.state(events))
        cases += 1
    assert cases > 300
    assert Three.compared > 300
