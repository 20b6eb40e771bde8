"""Layers, and cycles through a negation."""

from __future__ import annotations

import pytest

from diagnose.inference.strata import stratify
from diagnose.inference.terms import Pattern, Rule, Term, Var

P = Var("P")


def finding(key: Term, negated: bool = False) -> Pattern:
    return Pattern("finding", key, "yes", P, negated)


def rule(name: str, *when: Pattern, then: Term) -> Rule:
    return Rule(name, (Pattern("reading", "r", "v", P), *when), (finding(then),))


def test_each_rule_lies_as_low_as_its_negations_allow() -> None:
    rules = [
        rule("a", then="x"),
        rule("b", finding("x"), then="y"),
        rule("c", finding("y", negated=True), then="z"),
        rule("d", finding("z", negated=True), finding("x", negated=True), then="w"),
        rule("e", finding("w"), then="w"),
    ]
    assert stratify(rules) == {"a": 0, "b": 0, "c": 1, "d": 2, "e": 2}


def test_positive_loops_share_a_layer() -> None:
    rules = [
        rule("base", then="n"),
        rule("a", finding("y"), finding("n", negated=True), then="x"),
        rule("b", finding("x"), then="y"),
    ]
    assert stratify(rules) == {"base": 0, "a": 1, "b": 1}


def test_a_negation_on_a_cycle_names_the_rules() -> None:
    rules = [
        rule("apart", then="q"),
        rule("first", finding("z", negated=True), then="x"),
        rule("second", finding("x"), then="y"),
        rule("third", finding("y"), then="z"),
    ]
    with pytest.raises(ValueError, match=r"^rule first: .*first -> second -> third -> first") as caught:
        stratify(rules)
    assert "apart" not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_rule_that_negates_its_own_conclusion_is_refused() -> None:
    with pytest.raises(ValueError, match="own -> own"):
        stratify([rule("own", finding("x", negated=True), then="x")])


def test_a_variable_key_stands_for_every_key_of_its_kind() -> None:
    reading = Pattern("reading", Var("K"), "v", P)
    any_key = Rule("any", (reading,), (Pattern("finding", Var("K"), "yes", P),))
    negating = Rule("no", (reading, finding("x", negated=True)), (Pattern("advice", "a", "yes", P),))
    assert stratify([any_key, negating]) == {"any": 0, "no": 1}
    closing = Rule("no", (reading, finding(Var("K"), negated=True)), (finding("x"),))
    with pytest.raises(ValueError, match="no -> no"):
        stratify([closing])


def test_long_chains_need_no_recursion() -> None:
    chain = [rule(f"r{i:05}", finding(f"k{i}"), then=f"k{i + 1}") for i in range(5000)]
    assert set(stratify(chain[::-1]).values()) == {0}
    falling = [rule(f"r{i:05}", finding(f"k{i}", negated=bool(i)), then=f"k{i + 1}") for i in range(1500)]
    assert stratify(falling)["r01499"] == 1499
