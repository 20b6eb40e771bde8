"""Reading `tests/worked/*.yaml`: install facts and readings in, what has to come out."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import yaml

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.casework.view import Assessment

HERE = Path(__file__).parent
KEYS = {"case", "site", "facts", "readings", "first", "findings", "absent", "repairs", "role", "among"}


class Worked(NamedTuple):
    """One worked case, and where it stands."""

    name: str
    file: str
    data: dict[str, Any]


def all_cases() -> list[Worked]:
    """Every worked case of the rule base, in file order."""
    found = []
    for path in sorted((HERE / "worked").glob("*.yaml")):
        for block in yaml.safe_load(path.read_text(encoding="utf-8")):
            stray = set(block) - KEYS
            assert not stray, f"{path.name}: {block.get('case')}: unknown key {stray}"
            found.append(Worked(str(block["case"]), path.name, block))
    return found


def events_of(case: Worked) -> tuple[Event, ...]:
    """The case as events, danger signs answered unless it speaks of them."""
    d = case.data
    record = (HERE / "sites" / f"{d['site']}.yaml").read_text(encoding="utf-8")
    role = d.get("role", "electrician")
    rows: list[tuple[str, dict[str, Any]]] = [("opened", {"title": case.name, "record": record, "role": role})]
    for key, value in (d.get("facts") or {}).items():
        name, _, at = key.partition("@")
        text = {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value
        rows.append(("fact", {"key": name, "text": str(text), "at": at or "all"}))
    for r in d.get("readings") or []:
        text = r.get("outcome", r.get("value"))
        text = {True: "yes", False: "no"}.get(text, text) if isinstance(text, bool) else text
        rows.append(("reading", {"check": r["check"], "at": str(r.get("at", "")), "answer": str(text), "complaint": bool(r.get("complaint"))}))
    return tuple(Event(f"e{n}", "worked", n, EPOCH, kind, data, role) for n, (kind, data) in enumerate(rows, 1))


def verdict(case: Worked, assessor: Assessor) -> list[str]:
    """What differs from what the case wants, in words; empty when nothing does."""
    events = events_of(case)
    a = assessor.assess(events)
    d, k = case.data, assessor.knowledge
    wrong = [f"notice: {n}" for n in a.notices]
    made = {f.id for f in a.findings} | {f.rule for f in a.findings}
    made |= {c[0] for c in a.cautions} | ({"stop-use"} if a.stop_use else set())
    trace_rules = {assessor.compiled.reading_rules[f.rule].id for f in assessor.conclude(assessor.state(events))[1].firings}
    first = d.get("first")
    if first:
        wrong += _first(a, k, first)
    for name in d.get("findings") or []:
        if name not in made and name not in trace_rules:
            wrong.append(f"finding {name} does not appear; there are: {', '.join(sorted(made)) or 'none'}")
    chance = {s.fault: s.probability for s in a.suspects}
    for name in d.get("absent") or []:
        if name in k.faults:
            if chance.get(name, 0.0) >= 0.2:
                wrong.append(f"{name} should be unlikely and has {chance[name]:.2f}")
        elif name in made:
            wrong.append(f"finding {name} should not appear")
    return wrong


def _first(a: Assessment, k: Any, first: dict[str, Any]) -> list[str]:
    if first["fault"] not in k.faults:
        return [f"there is no fault {first['fault']}"]
    if not a.suspects:
        return ["no suspects"]
    top = a.suspects[0]
    if top.fault != first["fault"]:
        rank = [n for n, s in enumerate(a.suspects, 1) if s.fault == first["fault"]]
        p = next((s.probability for s in a.suspects if s.fault == first["fault"]), 0.0)
        return [f"first is {top.fault} ({top.probability:.2f}), not {first['fault']} (rank {rank[0] if rank else '-'}, {p:.2f})"]
    if "at" in first:
        wanted = str(first["at"])
        at = k.faults[top.fault].at
        if str(top.places[0][0]) not in (wanted, f"{at} {wanted}") and wanted != at:
            return [f"{top.fault} is placed at {top.places[0][0]}, not at {wanted}"]
    return []
