"""Worked cases of the rule base: install facts and readings in, and what has to come out.

    - case: no terminator at the far end
      site: harbour-12                    # a record in the folder `sites` beside the folder of this file
      facts: {trunk.bit-rate: 115200}     # single facts of it; `key@unit 5` for one place
      readings:
        - {check: end-terminator-look, at: far end, outcome: off-at-end}
      first: {fault: far-terminator-missing, at: far end}
      findings: [some-finding]            # findings, rules and cautions that must appear
      absent: [near-terminator-missing]   # faults below 20 %, findings that must not appear
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.casework.state import State
from diagnose.casework.view import Assessment
from diagnose.knowledge import model as m
from diagnose.knowledge.fields import Fields
from diagnose.source.located import Block, Row, read_file, read_plain
from diagnose.source.problems import InputError, Mark, Problem

UNLIKELY = 0.2  # probability below which a fault counts as absent


class Reading(NamedTuple):
    """An answer of the case: outcome or value as text, at a place as people write them."""

    check: str
    at: str
    answer: str
    complaint: bool


class First(NamedTuple):
    """The suspect that has to come first, and where; an empty place is any."""

    fault: str
    at: str


class Worked(NamedTuple):
    """One worked case, and where it stands; `record` is the text of its install record."""

    name: str
    mark: Mark
    record: str
    role: str
    facts: tuple[tuple[str, str, str], ...]  # key, text, place
    readings: tuple[Reading, ...]
    first: First | None
    findings: tuple[str, ...]
    absent: tuple[str, ...]


class Concluded(NamedTuple):
    """What follows from a worked case, and the rules that fired on its readings."""

    assessment: Assessment
    fired: frozenset[str]


class Judge:
    """Concludes each case once, and says what differs from what it wants."""

    def __init__(self, k: m.Knowledge) -> None:
        self.knowledge = k
        self._assessor = _Once(k, plain)
        self._known: dict[Worked, Concluded] = {}

    def conclude(self, case: Worked) -> Concluded:
        """What follows from the case. Raises InputError when its record cannot be read."""
        if case not in self._known:
            state = self._assessor.state(events_of(case))
            trace = self._assessor.conclude(state)[1]
            rules = self._assessor.compiled.reading_rules
            self._known[case] = Concluded(self._assessor.assess_state(state), frozenset(rules[f.rule].id for f in trace.firings))
        return self._known[case]

    def verdict(self, case: Worked) -> list[str]:
        """What differs, each as `expected ..., got ...`; empty when nothing does."""
        a, fired = self.conclude(case)
        wrong = [f"a reading or fact is not used: {n}" for n in a.notices]
        made = {f.id for f in a.findings} | {f.rule for f in a.findings}
        made |= {c[0] for c in a.cautions} | ({"stop-use"} if a.stop_use else set())
        if case.first is not None:
            wrong += _first(a, self.knowledge, case.first)
        for name in case.findings:
            if name not in made and name not in fired:
                wrong.append(f"expected the finding {name}, got: {', '.join(sorted(made)) or 'none'}")
        chance = {s.fault: s.probability for s in a.suspects}
        for name in case.absent:
            if name in self.knowledge.faults:
                if chance.get(name, 0.0) >= UNLIKELY:
                    wrong.append(f"expected {name} below {UNLIKELY:.0%}, got {chance[name]:.0%}")
            elif name in made:
                wrong.append(f"expected no finding {name}, got it")
        return wrong


class _Once(Assessor):
    """An assessor that is asked twice in a row for the same state."""

    _last: tuple[State, Any] | None = None

    def conclude(self, state: State) -> Any:
        if self._last is None or self._last[0] is not state:
            self._last = (state, super().conclude(state))
        return self._last[1]


def _first(a: Assessment, k: m.Knowledge, first: First) -> list[str]:
    wanted = f"expected first {first.fault}" + (f" at {first.at}" if first.at else "")
    if first.fault not in k.faults:
        return [f"{wanted}, and there is no such fault"]
    if not a.suspects:
        return [f"{wanted}, got no suspects"]
    top = a.suspects[0]
    if top.fault != first.fault:
        own = next(((n, s.probability) for n, s in enumerate(a.suspects, 1) if s.fault == first.fault), None)
        rank = f"which has rank {own[0]} with {own[1]:.0%}" if own else "which is no suspect"
        return [f"{wanted}, {rank}; got {top.fault} with {top.probability:.0%}"]
    kind, place = k.faults[top.fault].at, str(top.places[0][0])
    if first.at and place not in (first.at, f"{kind} {first.at}") and first.at != kind:
        return [f"{wanted}, got {place}"]
    return []


def events_of(case: Worked) -> tuple[Event, ...]:
    """The case as events; danger signs are asked only where it speaks of them."""
    rows: list[tuple[str, dict[str, Any]]] = [("opened", {"title": case.name, "record": case.record, "role": case.role})]
    rows += [("fact", {"key": key, "text": text, "at": at}) for key, text, at in case.facts]
    rows += [("reading", {"check": r.check, "at": r.at, "answer": r.answer, "complaint": r.complaint}) for r in case.readings]
    return tuple(Event(f"e{n}", "worked", n, EPOCH, kind, data, case.role) for n, (kind, data) in enumerate(rows, 1))


# ---- reading them


def read_worked(paths: Iterable[Path]) -> list[Worked]:
    """The worked cases of files, in their order. Raises InputError with every problem of all of them."""
    found: list[Worked] = []
    problems: list[Problem] = []
    records: dict[Path, str] = {}
    for path in paths:
        try:
            document = read_file(path)
        except InputError as error:
            problems.extend(error.problems)
            continue
        if not isinstance(document, Row):
            problems.append(Problem(document.mark, "a file of worked cases is a list", "begin each with '- case: ...'", "worked"))
            continue
        for item in document:
            if isinstance(item, Block) and "case" in item:
                found.append(_case(Fields(item, problems, f"case {item['case']}"), path, records))
            else:
                problems.append(Problem(item.mark, "this is no worked case", "begin it with '- case: ...'", "worked"))
    if problems:
        raise InputError(problems)
    return found


def _case(f: Fields, path: Path, records: dict[Path, str]) -> Worked:
    name, role = f.text("case"), f.word("role", m.ROLES, "electrician")
    facts = tuple((*_split(key), " ".join(text)) for key, text in f.words_map("facts"))
    readings = tuple(_reading(row) for row in f.rows("readings"))
    first = f.value("first", False)
    wanted = None
    if isinstance(first, Block):
        inner = Fields(first, f.problems, f.name)
        wanted = First(inner.text("fault"), inner.text("at", False))
        inner.finish()
    elif first is not None:
        f.problem(first.mark, "'first' wants a mapping", "for instance first: {fault: x, at: unit 5}", "worked")
    findings, absent = f.texts("findings"), f.texts("absent")
    record = _record(f, path, records)
    f.finish()
    return Worked(name, f.block.mark, record, role, tuple((k, t, at) for k, at, t in facts), readings, wanted, findings, absent)


def _split(key: str) -> tuple[str, str]:
    name, _, at = key.partition("@")
    return name, at or "all"


def _reading(row: Fields) -> Reading:
    sort = "value" if "value" in row.block else "outcome"
    reading = Reading(row.text("check"), row.text("at", False), row.text(sort), row.yes("complaint"))
    row.finish()
    return reading


def _record(f: Fields, path: Path, records: dict[Path, str]) -> str:
    name = f.text("site")
    folders = (path.parent.parent / "sites", path.parent / "sites", path.parent)
    file = next((x for folder in folders if name and (x := folder / f"{name}.yaml").is_file()), None)
    if file is None:
        if name:
            f.problem(f.mark("site"), f"there is no record {name}.yaml", f"put it into {folders[0]}, or name one that is there", "worked")
        return ""
    if file not in records:
        records[file] = read_plain(file, str(file))
    return records[file]


def misses(judge: Judge, cases: Sequence[Worked]) -> Iterable[tuple[Worked, list[str]]]:
    """Each case with what differs, one after the other."""
    for case in cases:
        yield case, judge.verdict(case)


__all__ = ["Concluded", "First", "Judge", "Reading", "Worked", "events_of", "misses", "read_worked"]
