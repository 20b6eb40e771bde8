"""Explanations: the first derivation, the same whoever draws the conclusions and in whatever order."""

from __future__ import annotations

import random

import pytest

from diagnose.inference.engine import Engine
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.strata import stratify
from diagnose.inference.terms import Fact, Pattern, Rule, Var, absence, check_rules
from diagnose.inference.trace import arrange
from tests.inference.rule_bases import facts_for, rule_base

P = Var("P")


def reading(key: str, value: str = "bad") -> Pattern:
    return Pattern("reading", key, value, P)


def finding(key: str, negated: bool = False) -> Pattern:
    return Pattern("finding", key, "yes", P, negated)


RULES = [
    Rule("long-way", (finding("middle"),), (finding("end"),)),
    Rule("to-middle", (reading("a"), reading("b")), (finding("middle"),)),
    Rule("z-short", (reading("c"),), (finding("end"),)),
    Rule("y-short", (reading("c"), finding("never", negated=True)), (finding("end"), finding("more"))),
    Rule("never", (reading("d"),), (finding("never"),)),
]
A, B, C = (Fact("reading", key, "bad", "unit 5") for key in "abc")
END = Fact("finding", "end", "yes", "unit 5")


def test_the_proof_is_the_first_derivation_down_to_the_given_facts() -> None:
    trace = PlainMatcher(RULES).infer([B, A])
    assert trace.facts[: trace.given] == (A, B)
    assert [f.key for f in trace.derived] == ["middle", "end"]
    proof = trace.proof(END)
    assert [(depth, part.rule, part.fact.key) for depth, part in proof.walk()] == [
        (0, "long-way", "end"),
        (1, "to-middle", "middle"),
        (2, None, "a"),
        (2, None, "b"),
    ]


def test_shorter_derivations_and_lower_layers_come_first() -> None:
    assert PlainMatcher(RULES).infer([A, B, C]).proof(END).rule == "z-short"


def test_absences_are_leaves() -> None:
    more = PlainMatcher(RULES).infer([C]).proof(Fact("finding", "more", "yes", "unit 5"))
    assert more.rule == "y-short"
    assert [leaf.fact for leaf in more.premises] == [C, absence(Fact("finding", "never", "yes", "unit 5"))]
    assert all(leaf.rule is None for leaf in more.premises)


def test_a_given_fact_needs_no_rule_even_when_one_derives_it() -> None:
    trace = PlainMatcher(RULES).infer([C, END])
    assert trace.proof(END).rule is None
    assert END not in trace.derived


def test_what_does_not_hold_has_no_proof() -> None:
    with pytest.raises(LookupError, match="finding end=yes at unit 5 does not hold"):
        PlainMatcher(RULES).infer([A]).proof(END)


def test_find_selects_by_what_is_said() -> None:
    trace = PlainMatcher(RULES).infer([A, B, C])
    assert trace.find("reading") == (A, B, C)
    assert trace.find("finding", key="end", place="unit 5") == (END,)
    assert trace.find("finding", value="no") == ()


def test_order_of_rules_facts_and_firings_changes_nothing() -> None:
    draw = random.Random(7)
    rules = rule_base(draw, 60)
    facts = facts_for(draw, rules, 20)
    trace = PlainMatcher(rules).infer(facts)
    assert trace.derived
    layers = stratify(check_rules(rules))
    with Engine(rules) as engine:
        for _ in range(5):
            draw.shuffle(rules)
            draw.shuffle(facts)
            firings = list(trace.firings)
            draw.shuffle(firings)
            assert PlainMatcher(rules).infer(facts) == trace
            assert engine.infer(facts) == trace
            assert arrange(trace.facts[: trace.given], firings, layers) == trace


def test_every_premise_of_a_proof_comes_before_its_conclusion() -> None:
    for seed in range(20):
        draw = random.Random(seed)
        rules = rule_base(draw, 60, layers=4)
        trace = PlainMatcher(rules).infer(facts_for(draw, rules, 20))
        by_id = {rule.id: rule for rule in rules}
        for fact in trace.derived:
            for _, part in trace.proof(fact).walk():
                if part.rule is None:
                    assert part.fact in trace.facts[: trace.given] or part.fact.kind.startswith("not ")
                else:
                    assert len(part.premises) == len(by_id[part.rule].when)


def test_long_chains_are_proved_without_recursion() -> None:
    chain = [Rule(f"r{i:04}", (finding(f"k{i}"),), (finding(f"k{i + 1}"),)) for i in range(3000)]
    trace = PlainMatcher(chain).infer([Fact("finding", "k0", "yes", "unit 1")])
    parts = list(trace.proof(Fact("finding", "k3000", "yes", "unit 1")).walk())
    assert len(parts) == 3001
    assert parts[-1][0] == 3000
