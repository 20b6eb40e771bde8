"""Playing a case without a person: the assessor asks, the bench or a script answers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import EPOCH, Answer, CaseFile
from diagnose.casework.events import Event
from diagnose.casework.state import MADE_SAFE
from diagnose.casework.view import Assessment, StepView
from diagnose.drill.bench import Bench
from diagnose.knowledge import model as m
from diagnose.site.places import Place, describe

MOST_STEPS = 60


class Turn(NamedTuple):
    """One step of a played case: what was known, what was done, what came of it."""

    number: int
    before: Assessment
    step: StepView
    answers: tuple[tuple[tuple[Place, ...], str], ...]
    minutes: float


class Played(NamedTuple):
    """A played case at its end."""

    events: tuple[Event, ...]
    last: Assessment
    turns: int
    minutes: float
    asked: int  # steps before the first repair, danger signs included
    proved: bool


class Player:
    """Plays one case. `script` answers come before the bench's own."""

    def __init__(
        self, assessor: Assessor, opening: Sequence[Event], bench: Bench, script: Sequence[Answer] = (),
        most: int = MOST_STEPS,
    ) -> None:  # fmt: skip
        self.assessor = assessor
        self.events = list(opening)
        self.bench = bench
        self.script = script
        self.most = most
        self.minutes = 0.0
        self.asked = 0
        self.repaired = False

    def turns(self) -> Iterator[Turn]:
        """Each turn after it was made; ends when nothing is left to do, or after `most` steps."""
        for number in range(1, self.most + 1):
            before = self.assessor.assess(self.events)
            before = self._made_safe(before)
            if not before.steps:
                return
            step = before.steps[0]
            self.minutes += step.minutes
            if step.kind == "remedy":
                place = step.places[0]
                self.bench.repair(step.id, place)
                self._add("remedy", {"remedy": step.id, "at": str(place)})
                self.repaired = True
                yield Turn(number, before, step, ((step.places, "done"),), step.minutes)
                continue
            if not self.repaired:
                self.asked += 1
            grouped = self._ask(step)
            for places, text in grouped:
                self._add("reading", {"check": step.id, "answer": text, "at": describe(places)})
            yield Turn(number, before, step, grouped, step.minutes)

    def _made_safe(self, before: Assessment) -> Assessment:
        """The assessment after what a qualified person does about a danger: isolate it, and give power back for the proofs."""
        for status, what in (("standing", MADE_SAFE), ("repaired", "energized")):
            stops = [x for x in before.stop_use if x.status == status and m.may(before.role, x.by)]
            if stops and not (status == "repaired" and before.steps):
                for place in dict.fromkeys(p for x in stops for p in x.places):
                    self._add("danger", {"what": what, "at": str(place)})
                before = self.assessor.assess(self.events)
        return before

    def finish(self) -> Played:
        """The case as it stands, after `turns` has run out."""
        last = self.assessor.assess(self.events)
        proved = bool(last.proofs) and all(p.done for p in last.proofs)
        return Played(tuple(self.events), last, len(self.events), self.minutes, self.asked, proved)

    def _ask(self, step: StepView) -> tuple[tuple[tuple[Place, ...], str], ...]:
        scripted: dict[Place, str] = {}
        if not self.repaired:
            for answer in self.script:
                if answer.check == step.id:
                    for place in answer.places or step.places:
                        scripted[place] = answer.text
        drawn = self.bench.answers(step.id, [p for p in step.places if p not in scripted])
        by_text: dict[str, list[Place]] = {}
        for place in step.places:
            by_text.setdefault(scripted.get(place) or drawn[place], []).append(place)
        return tuple((tuple(places), text) for text, places in by_text.items())

    def _add(self, kind: str, data: dict[str, Any]) -> None:
        number = len(self.events) + 1
        self.events.append(Event(f"e{number}", "played", number, EPOCH, kind, data, "played"))


def open_case(
    record: str, role: str, complaint: tuple[str, str, str] | None, title: str = "drill"
) -> tuple[Event, ...]:
    """The opening events of a case: (check, places, outcome) is what the caller complains of."""
    data: dict[str, Any] = {"title": title, "record": record, "role": role, "complaint": ""}
    events = [Event("e1", "played", 1, EPOCH, "opened", data, role)]
    if complaint:
        check, at, outcome = complaint
        reading: dict[str, Any] = {"check": check, "at": at, "answer": outcome, "complaint": True}
        events.append(Event("e2", "played", 2, EPOCH, "reading", reading, role))
    return tuple(events)


def play_file(assessor: Assessor, case: CaseFile) -> Player:
    """A player for a worked case file."""
    opening = case.events()
    tables = assessor.site_work(assessor.state(opening).site).tables
    return Player(assessor, opening, Bench(tables, case.hidden), case.answers)


def likely_complaint(bench: Bench, k: m.Knowledge) -> tuple[str, str, str] | None:
    """The complaint that the hidden faults most likely raise: (check, places, outcome)."""
    best: tuple[float, str, Place] | None = None
    tables = bench.tables
    for check in k.checks.values():
        if not check.complaint:
            continue
        for place in tables.site.places(check.at)[:400]:
            chances = bench.chances(check.id, place)
            base = tables.base[check.id]
            lift = float((1 - chances[0]) - (1 - base[0]))
            if best is None or lift > best[0] + 1e-9:
                best = (lift, check.id, place)
    if best is None or best[0] < 0.02:
        return None
    _, check_id, place = best
    chances = bench.chances(check_id, place)
    ids = k.checks[check_id].outcome_ids
    number = int(chances[1:].argmax()) + 1
    bench.drawn[check_id, place] = ids[number]
    return check_id, describe((place,)), ids[number]
