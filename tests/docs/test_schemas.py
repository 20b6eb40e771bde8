"""What is printed as JSON is what the schemas in docs/ say, in every state a case can be in."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.cli import main
from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.report.jsonview import assessment

ROOT = Path(__file__).resolve().parents[2]
SITES = {path.stem: path.read_text(encoding="utf-8") for path in sorted((ROOT / "tests/sites").glob("*.yaml"))}
Row = tuple[str, dict[str, Any]]

CALM: Row = ("reading", {"check": "danger-signs", "at": "all", "answer": "none"})
SILENT: Row = ("reading", {"check": "unit-answers", "at": "6-12", "answer": "silent", "complaint": True})
CUT: Row = ("reading", {"check": "segment-continuity", "at": "segment 5-6", "answer": "both-open"})
ANSWER: Row = ("reading", {"check": "unit-answers", "at": "1-5", "answer": "answers"})
HOT: Row = ("reading", {"check": "danger-signs", "at": "unit 2", "answer": "burning-smell"})


def validator(name: str) -> Draft202012Validator:
    schema = json.loads((ROOT / "docs" / name).read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def case(record: str, role: str, rows: list[Row]) -> tuple[Event, ...]:
    opened: dict[str, Any] = {"title": "a case", "role": role}
    if record:
        opened["record"] = record
    all_rows = [("opened", opened), *rows]
    return tuple(Event(f"e{n}", "docs", n, EPOCH, kind, data, role) for n, (kind, data) in enumerate(all_rows, 1))


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(cache=False), plain)


def repair_of(assessor: Assessor) -> str:
    return assessor.knowledge.faults["trunk-pair-open"].remedy


def states(assessor: Assessor) -> Iterator[tuple[str, tuple[Event, ...]]]:
    """Cases in states that differ in what they fill in."""
    harbour = SITES["harbour-12"]
    mended: Row = ("remedy", {"remedy": repair_of(assessor), "at": "segment 5-6"})
    proofs: list[Row] = [
        ("reading", {"check": check, "at": at, "answer": assessor.knowledge.checks[check].normal})
        for check, at in (("segment-continuity", "segment 5-6"), ("unit-answers", "6-12"))
    ]
    for role in m.ROLES:
        yield f"no record, {role}", case("", role, [])
        for name, record in SITES.items():
            yield f"nothing asked at {name}, {role}", case(record, role, [])
            yield f"first step at {name}, {role}", case(record, role, [CALM])
        yield f"complaint, {role}", case(harbour, role, [CALM, SILENT])
        yield f"cause found, {role}", case(harbour, role, [CALM, SILENT, ANSWER, CUT])
        yield f"danger, {role}", case(harbour, role, [CALM, SILENT, HOT])
    made_safe: Row = ("fact", {"key": "made-safe", "text": "yes", "at": "site"})
    yield "made safe", case(harbour, "technician", [HOT, made_safe])
    yield "to be proved", case(harbour, "technician", [CALM, SILENT, CUT, mended])
    yield "proved", case(harbour, "technician", [CALM, SILENT, CUT, mended, *proofs])
    yield "not proved", case(harbour, "technician", [CALM, SILENT, CUT, mended, SILENT, CUT])
    yield "closed", case(harbour, "technician", [CALM, SILENT, ("closed", {})])
    yield "unknown names", case(harbour, "technician", [CALM, ("reading", {"check": "gone", "answer": "x"}), ("fact", {"key": "gone", "text": "1"})])
    yield "not known", case(harbour, "technician", [CALM, ("reading", {"check": "unit-answers", "at": "5", "answer": "do-not-know"})])
    yield "wrong record", case(harbour, "technician", [CALM, ("fact", {"key": "unit.setting", "text": "48 A", "at": "all"})])
    yield "against each other", case(harbour, "technician", [
        CALM, ("reading", {"check": "segment-continuity", "at": "segment 5-6", "answer": "both-open"}),
        ("reading", {"check": "unit-answers", "at": "6-12", "answer": "answers"}),
    ])  # fmt: skip


def test_assessments_are_as_the_schema_says(assessor: Assessor) -> None:
    check = validator("assessment.schema.json")
    filled: set[str] = set()
    for name, events in states(assessor):
        value = json.loads(json.dumps(assessment(assessor.assess(events))))
        problems = [f"{name}: {e.json_path}: {e.message}" for e in check.iter_errors(value)]
        assert problems == []
        filled |= {key for key, part in value.items() if part not in ([], None)}
        filled |= {f"{s['kind']} step" for s in value["steps"]}
    # Every part of the schema has been seen with something in it.
    parts = {"stop_use", "findings", "suspects", "steps", "contradictions", "cautions", "proofs", "handover", "notices"}
    assert parts | {"check step", "remedy step"} <= filled


def test_the_schema_refuses_what_is_not_an_assessment(assessor: Assessor) -> None:
    check = validator("assessment.schema.json")
    good = assessment(assessor.assess(case(SITES["harbour-12"], "technician", [CALM, SILENT])))
    assert check.is_valid(good)
    changes: list[Any] = [
        lambda v: v.pop("no_fault"), lambda v: v.update(extra=1), lambda v: v.update(no_fault=1.5), lambda v: v.update(role="wizard"),
        lambda v: v.update(format=2), lambda v: v["suspects"][0]["places"][0].update(place="unit five"),
        lambda v: v["steps"][0].update(state="hot"), lambda v: v["steps"][0].update(places=[]),
    ]  # fmt: skip
    for change in changes:
        bad = copy.deepcopy(good)
        change(bad)
        assert not check.is_valid(bad)


def test_assess_prints_what_the_schema_says(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "case.yaml"
    file.write_text("case: 1\nlog:\n  - {check: danger-signs, answer: none}\n", encoding="utf-8")
    assert main(["assess", str(file), "--json"]) == 0
    assert [e.message for e in validator("assessment.schema.json").iter_errors(json.loads(capsys.readouterr().out))] == []


def test_rules_check_prints_what_the_schema_says(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    check = validator("rules-check.schema.json")
    assert main(["rules", "check", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert [e.message for e in check.iter_errors(value)] == []
    assert value["problems"] == []
    (tmp_path / "one.yaml").write_text("- fault: x\n", encoding="utf-8")
    assert main(["rules", "check", str(tmp_path), "--json"]) == 2
    value = json.loads(capsys.readouterr().out)
    assert [e.message for e in check.iter_errors(value)] == []
    assert value["problems"]


def test_json_md_names_every_key() -> None:
    text = (ROOT / "docs/json.md").read_text(encoding="utf-8")
    for name in ("assessment.schema.json", "rules-check.schema.json"):
        for key in json.loads((ROOT / "docs" / name).read_text(encoding="utf-8"))["properties"]:
            assert f"`{key}`" in text, key
