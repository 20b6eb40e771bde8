"""The engine, the plain matcher and CLIPS reach the same conclusions."""

from __future__ import annotations

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.inference.engine import Engine
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Fact, Pattern, Rule, Term, Var, is_absence
from diagnose.inference.trace import Trace
from tests.inference.clips_reference import ClipsReference
from tests.inference.rule_bases import facts_for, rule_base

P, Q = Var("P"), Var("Q")


def reading(key: str, value: Term = "bad", place: Term = P) -> Pattern:
    return Pattern("reading", key, value, place)


def finding(key: Term, value: Term = "yes", place: Term = P, negated: bool = False) -> Pattern:
    return Pattern("finding", key, value, place, negated)


def none_of(key: Term, value: Term = "yes", place: Term = P) -> Pattern:
    return finding(key, value, place, negated=True)


def agreed(rules: list[Rule], *cases: list[Fact]) -> list[Trace]:
    """The traces, after all three agreed on each case."""
    plain, clips = PlainMatcher(rules), ClipsReference(rules)
    traces = []
    with Engine(rules) as engine:
        for facts in cases:
            trace = plain.infer(facts)
            assert set(trace.facts) == clips.infer(facts)
            assert engine.infer(facts) == trace
            traces.append(trace)
    return traces


@pytest.mark.parametrize("block", range(6))
def test_generated_bases(block: int) -> None:
    derived = negations = joins = 0
    for seed in range(block * 8, block * 8 + 8):
        draw = random.Random(seed)
        size = draw.choice([5, 20, 60, 130])
        rules = rule_base(draw, size, draw.choice([1, 2, 3, 5]), 12 if size > 100 else draw.choice([2, 3, 6]))
        for trace in agreed(rules, *(facts_for(draw, rules, count) for count in (5, 30, 80))):
            derived += len(trace.derived)
            negations += sum(any(is_absence(p) for p in f.premises) for f in trace.firings)
            joins += sum(len(f.premises) > 1 for f in trace.firings)
    # The comparison is worth something only when the bases do something.
    assert derived > 100
    assert negations > 30
    assert joins > 100


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32), st.integers(1, 25), st.integers(1, 4), st.integers(1, 4), st.integers(0, 25))
def test_small_dense_bases(seed: int, size: int, layers: int, width: int, count: int) -> None:
    draw = random.Random(seed)
    rules = rule_base(draw, size, layers, width)
    agreed(rules, facts_for(draw, rules, count, places=3))


TEXT = st.text(st.characters(exclude_categories=["C", "Z"]) | st.sampled_from(' "\\'), max_size=12)


@settings(max_examples=40, deadline=None)
@given(TEXT, TEXT, TEXT, TEXT)
def test_any_printable_strings(key: str, value: str, other: str, place: str) -> None:
    rules = [
        Rule("join", (reading(key, value), Pattern("fact", key, other, P)), (finding(key, other),)),
        Rule("lack", (reading(key, Q), none_of(key, Q)), (Pattern("advice", key, Q, P),)),
    ]
    facts = [
        Fact("reading", key, value, place),
        Fact("fact", key, other, place),
        Fact("fact", key, other, "elsewhere"),
    ]
    traces = agreed(rules, facts, facts[:1])
    assert Fact("finding", key, other, place) in traces[0].derived
    assert Fact("advice", key, value, place) in traces[1].derived


def test_one_fact_shared_by_many_rules() -> None:
    """More than 64 rules may join an install fact, more than 255 may begin with it."""
    shared = Pattern("fact", "trunk.kind", "rs485", "site")
    rules = [Rule(f"r{i}", (reading(f"k{i}"), shared), (finding(f"f{i}"),)) for i in range(150)]
    rules += [Rule(f"s{i}", (shared, reading(f"k{i % 150}")), (finding(f"g{i}"),)) for i in range(400)]
    facts = [Fact("fact", "trunk.kind", "rs485", "site")]
    facts += [Fact("reading", f"k{i}", "bad", "unit 3") for i in range(150)]
    (trace,) = agreed(rules, facts)
    assert len(trace.derived) == 550


def test_one_fact_for_many_conditions_of_the_same_rules() -> None:
    """The engine counts conditions, not rules: 60 rules with four conditions each on one fact."""
    four = tuple(Pattern("fact", "b", Var(f"V{n}"), P) for n in range(4))
    rules = [Rule(f"r{i}", (reading("a", f"v{i}"), *four), (finding(f"f{i}", Var("V3")),)) for i in range(60)]
    facts = [Fact("reading", "a", f"v{i}", "unit 1") for i in range(60)] + [Fact("fact", "b", "x", "unit 1")]
    (trace,) = agreed(rules, facts)
    assert len(trace.derived) == 60


def test_one_fact_may_serve_two_conditions() -> None:
    pair = Rule("pair", (reading("a", P, Q), reading("a", Var("R"), Q)), (finding(P, Var("R"), Q),))
    (trace,) = agreed([pair], [Fact("reading", "a", value, "unit 1") for value in "xyz"])
    assert len(trace.firings) == 9


def test_a_variable_twice_in_one_pattern() -> None:
    twice = Pattern("reading", P, P, Q)
    rules = [
        Rule("first", (twice,), (finding("same", P, Q),)),
        Rule("later", (reading("a", "a", Q), twice._replace(kind="fact")), (finding("later", P, Q),)),
        Rule("lack", (reading("a", P, Q), none_of("same", P, Q)), (finding(P, P, Q),)),
    ]
    facts = [Fact("reading", "a", "a", "1"), Fact("reading", "a", "b", "1")]
    facts += [Fact("fact", "c", "c", "1"), Fact("fact", "c", "d", "1")]
    with pytest.raises(ValueError, match="lack -> lack"):
        agreed(rules, facts)
    rules[2] = rules[2]._replace(then=(Pattern("advice", P, P, Q),))
    (trace,) = agreed(rules, facts)
    assert {fact[:3] for fact in trace.derived} == {
        ("finding", "same", "a"),
        ("finding", "later", "c"),
        ("advice", "b", "b"),
    }


def test_negation_sees_what_is_derived_late_and_what_is_given() -> None:
    rules = [
        Rule("a", (reading("x"),), (finding("one"),)),
        Rule("b", (finding("one"),), (finding("two"),)),
        Rule("c", (reading("y"), none_of("two")), (finding("three"),)),
        # Where it matters is known only after its layer began; the absence is asked for then.
        Rule("d", (finding("three"), none_of("one")), (finding("four"),)),
        Rule("e", (finding("three"), none_of("four")), (finding("five"),)),
    ]
    facts = [Fact("reading", "y", "bad", f"unit {n}") for n in (1, 2, 3)]
    facts += [Fact("reading", "x", "bad", "unit 1"), Fact("finding", "two", "yes", "unit 2")]
    (trace,) = agreed(rules, facts)
    assert [(fact.key, fact.place) for fact in trace.derived] == [
        ("one", "unit 1"),
        ("two", "unit 1"),
        ("three", "unit 3"),
        ("four", "unit 3"),
    ]


def test_negation_over_the_variables_of_two_conditions() -> None:
    rules = [
        Rule("here", (reading("x", Q),), (finding(Q),)),
        Rule(
            "there", (reading("x", Q, Var("A")), reading("y"), none_of(Q)), (Pattern("advice", Q, "yes", P),)
        ),
    ]
    facts = [Fact("reading", "x", "v", "1"), Fact("reading", "x", "w", "2")]
    facts += [Fact("reading", "y", "bad", "1"), Fact("reading", "y", "bad", "2")]
    (trace,) = agreed(rules, facts)
    assert {(fact.key, fact.place) for fact in trace.find("advice")} == {("v", "2"), ("w", "1")}


def test_nothing_given_and_nothing_matching() -> None:
    rules = [Rule("a", (reading("x"),), (finding("one"),))]
    empty, foreign = agreed(rules, [], [Fact("other", "x", "bad", "unit 1")])
    assert empty.facts == ()
    assert foreign.derived == ()
    assert PlainMatcher([]).infer(foreign.facts) == foreign
    with Engine([]) as engine:
        assert engine.infer(foreign.facts) == foreign
