"""Cycles through a negation are found, all of them, at the lines of their blocks."""

from pathlib import Path

from diagnose.inference.check import check_strata
from diagnose.inference.compile import compile_rules
from diagnose.knowledge.load import build, load
from diagnose.source.problems import Problem
from tests.knowledge.small_base import BASE, write


def rule(name: str, needs: str, lacks: str, makes: str) -> str:
    return f"""\
- rule: {name}
  title: {name}
  when: [{{reading: unit-power, outcome: [dark, alive]}}, {{finding: {needs}}}]
  place: any
  unless: [{{finding: {lacks}}}]
  then: [{{finding: {makes}}}]
  level: note
  says: Something.
  sources: [common-practice]
"""


def found(folder: Path, extra: str) -> list[Problem]:
    knowledge, problems = build(write(folder, BASE + extra))
    assert problems == []
    return check_strata(knowledge, compile_rules(knowledge))


def test_shipped_and_small_base_have_no_cycle(tmp_path: Path) -> None:
    knowledge = load(cache=False)
    assert check_strata(knowledge, compile_rules(knowledge)) == []
    assert found(tmp_path, "") == []


def test_a_cycle_is_named_once_at_its_rule(tmp_path: Path) -> None:
    extra = rule("one", "dark-only", "second", "first") + rule("two", "first", "third", "second")
    extra += rule("three", "dark-only", "danger-at-hand", "third")
    problems = found(tmp_path, extra)
    assert [p.lint for p in problems] == ["negation-cycle"]
    first = BASE.count("\n") + 1
    assert problems[0].mark.line in (first, first + 9)
    assert "one" in problems[0].message
    assert "two" in problems[0].message
    assert "~" not in problems[0].line()
    assert problems[0].hint


def test_every_cycle_is_found(tmp_path: Path) -> None:
    extra = ""
    for n in range(3):
        extra += rule(f"a{n}", "dark-only", f"right{n}", f"left{n}") + rule(f"b{n}", "dark-only", f"left{n}", f"right{n}")
    problems = found(tmp_path, extra)
    assert len(problems) == 3
    assert len({p.mark.line for p in problems}) == 3


def test_a_rule_may_not_deny_what_it_concludes(tmp_path: Path) -> None:
    problems = found(tmp_path, rule("self", "dark-only", "itself", "itself"))
    assert [p.lint for p in problems] == ["negation-cycle"]


def test_more_conditions_than_the_engine_takes(tmp_path: Path) -> None:
    extra = rule("long", "dark-only", "danger-at-hand", "much").replace(
        "{finding: dark-only}", ", ".join(["{finding: dark-only}"] * 16)
    )
    problems = found(tmp_path, extra)
    assert [(p.lint, p.mark.line) for p in problems] == [("engine", BASE.count("\n") + 1)]
