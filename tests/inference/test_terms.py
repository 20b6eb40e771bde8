"""What is refused before any inference, each with one line that says what would be right."""

from __future__ import annotations

import pytest

from diagnose.inference.terms import Fact, Pattern, Rule, Var, check_facts, check_rules, join_order

P, Q = Var("P"), Var("Q")
SILENT = Pattern("reading", "unit-answers", "silent", P)
BROKEN = Pattern("finding", "trunk-broken", "yes", P)
GOOD = Rule("good", (SILENT,), (BROKEN,))


@pytest.mark.parametrize(
    ("rule", "wrong", "right"),
    [
        (Rule("r", (), (BROKEN,)), "no condition", "at least one pattern under 'when'"),
        (Rule("r", (SILENT,), ()), "no conclusion", "at least one pattern under 'then'"),
        (Rule("r", (SILENT,) * 17, (BROKEN,)), "17 conditions", "split it"),
        (Rule("r", (SILENT,), (BROKEN._replace(place=Q),)), "'Q'", "use it in a condition"),
        (Rule("r", (SILENT, BROKEN._replace(place=Q, negated=True)), (SILENT,)), "'Q'", "use it in a"),
        (Rule("r", (SILENT,), (BROKEN._replace(negated=True),)), "negated conclusion", "conclude something"),
        (Rule("r", (BROKEN._replace(place="site", negated=True),), (SILENT,)), "only negated", "must hold"),
        (Rule("r", (SILENT, SILENT._replace(negated=True)), (BROKEN,)), "'reading'", "unknown"),
        (
            Rule("r", (SILENT, BROKEN._replace(key="no-such", negated=True)), (BROKEN,)),
            "'finding no-such'",
            "name one that some rule concludes",
        ),
        (Rule("r", (SILENT._replace(value=5),), (BROKEN,)), "not usable", "printable"),
        (Rule("r", (SILENT._replace(value="a\nb"),), (BROKEN,)), "not usable", "printable"),
        (Rule("r", (SILENT._replace(value="x" * 401),), (BROKEN,)), "not usable", "at most 400"),
        (Rule("r", (SILENT._replace(kind=""),), (BROKEN,)), "not usable", "word"),
        (Rule("r", (SILENT._replace(kind="not finding"),), (BROKEN,)), "not usable", "word"),
        (GOOD, "two rules have this id", "give each its own"),
    ],
)
def test_unsound_rules_are_refused(rule: Rule, wrong: str, right: str) -> None:
    with pytest.raises(ValueError, match=r"^rule ") as caught:
        check_rules([GOOD, rule])
    message = str(caught.value)
    assert wrong in message
    assert right in message
    assert "\n" not in message


def test_rules_come_back_in_the_order_of_ids() -> None:
    other = GOOD._replace(id="a")
    assert check_rules([GOOD, other]) == check_rules([other, GOOD]) == (other, GOOD)


@pytest.mark.parametrize(
    "fact",
    [
        Fact("reading", "x", 5, "unit 1"),  # type: ignore[arg-type]
        Fact("reading", "x", "a\x00b", "unit 1"),
        Fact("reading", "x", "\ud800", "unit 1"),
        Fact("reading", "x", "v" * 500, "unit 1"),
        Fact("", "x", "v", "unit 1"),
        Fact("not finding", "x", "v", "unit 1"),
        ("reading", "x", "v"),
    ],
)
def test_unusable_facts_are_refused(fact: Fact) -> None:
    with pytest.raises(ValueError, match=r"^fact ") as caught:
        check_facts([Fact("reading", "x", "v", "unit 1"), fact])
    assert "\n" not in str(caught.value)


def test_facts_are_sorted_and_single() -> None:
    a, b = Fact("reading", "x", "v", "unit 1"), Fact("reading", "x", "v", "unit 2")
    assert check_facts([b, a, b]) == (a, b)


def test_joins_prefer_what_is_connected() -> None:
    assert join_order([{"P"}, {"Q"}, {"P", "Q"}], 0) == [0, 1, 2]  # one variable open in either; the earlier
    assert join_order([{"P"}, {"Q", "R"}, {"P", "Q"}], 0) == [0, 2, 1]
    assert join_order([{"P"}, set(), {"Q"}], 2) == [2, 1, 0]
