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
from diagnose.drill.worked import events_of, read_worked
from diagnose.inference.engine import Engine
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Fact, Rule
from diagnose.inference.trace import Trace
from diagnose.knowledge.load import load
from tests.inference.clips_reference import ClipsReference

ROOT = Path(__file__).resolve().parents[2]


class Three:
    """All three at once; each inference is compared the first time its facts are seen."""

    compared = 0

    def __init__(self, rules: Sequence[Rule]) -> None:
        self.engine, self.plain, self.clips = Engine(rules), PlainMatcher(rules), ClipsReference(rules)
        self.seen: dict[frozenset[Fact], Trace] = {}

    def infer(self, facts: Iterable[Fact]) -> Trace:
        key = frozenset(facts)
        Three.compared += 1
        if key not in self.seen:
            trace = self.engine.infer(key)
            assert trace == self.plain.infer(key)
            assert set(trace.facts) == self.clips.infer(key)
            self.seen[key] = trace
        return self.seen[key]


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(cache=False), Three)


SHIPPED = sorted((ROOT / "cases").glob("*.yaml"))
WORKED = {f"{Path(c.mark.file).name}:{c.name}": events_of(c) for c in read_worked(sorted((ROOT / "tests" / "worked").glob("*.yaml")))}


def compare(assessor: Assessor, events: tuple[Event, ...]) -> None:
    before = Three.compared
    assessor.conclude(assessor.state(events))
    assert Three.compared > before or not any(e.kind == "reading" for e in events)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_three_engines_agree_on_every_shipped_case(assessor: Assessor, path: Path) -> None:
    compare(assessor, read_case(path, assessor.knowledge).events())


@pytest.mark.parametrize("name", WORKED)
def test_three_engines_agree_on_every_worked_case(assessor: Assessor, name: str) -> None:
    compare(assessor, WORKED[name])


def test_the_cases_are_all_there() -> None:
    assert len(SHIPPED) + len(WORKED) > 300
