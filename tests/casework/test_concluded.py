"""What rules conclude from a case: facts in, findings, priors, factors, dangers out, against tables written by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from diagnose.casework import concluded
from diagnose.casework.concluded import EXCLUDED, SETTLED, WIDEST_FACTS, SiteWork
from diagnose.casework.state import Reading
from diagnose.gauges.base import Audit
from diagnose.inference.compile import compile_rules
from diagnose.inference.expectations import Expectations, Variants
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Fact
from diagnose.inference.trace import Trace
from diagnose.knowledge import model as m
from diagnose.site.model import Group, Site, Trunk
from diagnose.site.places import SITE, Place
from tests.casework.small_case import (
    PANEL_1,
    PANEL_2,
    TRUNK,
    U1,
    U2,
    U3,
    U4,
    U5,
    UPLINK,
    check,
    fault,
    knowledge,
    reading,
    rule,
    site,
    state,
    tables,
    variants,
)  # fmt: skip

SIGN = m.SIGNS[0]
CHECKS = [check("answers"), check("warm"), check("sits", "trunk"), check(SIGN, outcomes=("none", "shock"))]
FAULTS = [fault("loose"), fault("cut", "segment"), fault("bare", "panel"), fault("mute", "trunk"), fault("down", "uplink"), fault("all-off", "site")]


def when(key: str, *words: str, sort: str = "reading", pattern: str = "") -> m.When:
    return m.When(sort, key, words, pattern)


def then(sort: str, key: str, word: str = "") -> m.Then:
    return m.Then(sort, key, word)


def base(*rules: m.ReadingRule) -> m.Knowledge:
    return knowledge(CHECKS, FAULTS, rules=rules, facts=("unit.age", "panel.kind", "site.soil", "trunk.wire", "uplink.kind", "control.kind"))


def work(k: m.Knowledge, where: Variants | None = None, audit: Trace | None = None) -> SiteWork:
    where = where or variants(site())
    return SiteWork(Expectations(where, {}, Trace((), ())), where, audit or Trace((), ()), tables(k))


def trace(k: m.Knowledge, facts: Sequence[Fact]) -> Trace:
    return PlainMatcher(compile_rules(k).readings).infer(facts)


# ---- the record as facts

AGE = rule("old", [when("unit.age", "old", sort="fact")], [then("finding", "aged")])


def test_only_facts_that_a_rule_asks_for_are_given() -> None:
    k = base(AGE, rule("seen", [when("answers", "odd")], [then("finding", "odd-one")]))
    there = variants(
        site(),
        {
            "unit": [("unit.age", "old"), ("unit.age", "new"), ("answers", "odd"), ("panel.kind", "old")],
            "panel": [("unit.age", "old")],
        },
    )
    assert sorted(concluded.record_facts(compile_rules(k), there)) == [
        Fact("fact", "unit.age", "old", "panel/0"), Fact("fact", "unit.age", "old", "unit/0"),
    ]  # fmt: skip


# ---- priors from the audit


def priors(*rules: m.ReadingRule, facts: dict[str, list[tuple[str, str]]]) -> dict[tuple[str, Place], str]:
    k, where = base(*rules), variants(site(), facts)
    compiled = compile_rules(k)
    return concluded.audited_priors(k, compiled, site(), where, trace(k, concluded.record_facts(compiled, where)))


def test_the_audit_makes_faults_likelier_at_their_own_places() -> None:
    old = [when("unit.age", "old", sort="fact")]
    facts = {"unit": [("unit.age", "old")]}
    assert priors(rule("r", old, [then("prior", "loose", "common")]), facts=facts) == {("loose", u): "common" for u in (U1, U2, U3, U4, U5)}
    assert priors(rule("r", old, [then("finding", "aged")]), facts=facts) == {}
    assert priors(rule("r", old, [then("prior", "bare", "common")]), facts=facts) == {("bare", PANEL_1): "common", ("bare", PANEL_2): "common"}
    cuts = priors(rule("r", old, [then("prior", "cut", "rare")]), facts=facts)
    assert cuts == {("cut", Place("segment", a, a + 1)): "rare" for a in (1, 2, 3)}
    # a rule about units says nothing at a panel, where the units' facts hold, too
    assert priors(rule("r", old, [then("prior", "loose", "common")]), facts={"panel": [("unit.age", "old")]}) == {}


@pytest.mark.parametrize("words", [("rare", "common"), ("common", "rare")])
def test_the_strongest_word_counts(words: tuple[str, str]) -> None:
    rules = [rule(f"r{n}", [when("unit.age", "old", sort="fact")], [then("prior", "loose", word)]) for n, word in enumerate(words)]
    assert set(priors(*rules, facts={"unit": [("unit.age", "old")]}).values()) == {"common"}


# ---- answers as facts


def given(k: m.Knowledge, *readings: Reading, facts: dict[str, list[tuple[str, str]]] | None = None, **more: Any) -> list[tuple[str, str, str, str]]:
    found = concluded.reading_facts(compile_rules(k), state(readings, **more), variants(site(), facts or {}))
    assert len(found) == len(set(found)) or not readings
    return sorted(tuple(f) for f in found)  # type: ignore[misc]


ASKED = rule("seen", [when("answers", "odd"), when("unit.age", "old", sort="fact")], [then("finding", "odd-one")])


def test_each_answer_stands_at_its_place() -> None:
    k = base(ASKED)
    assert given(k, reading(1, "answers", "odd", U2, U3)) == [("reading", "answers", "odd", "unit 2"), ("reading", "answers", "odd", "unit 3")]
    assert given(k, reading(1, "answers", "odd", U2)) == [("reading", "answers", "odd", "unit 2")]
    assert given(k, reading(1, "answers", "odd")) == [("reading", "answers", "odd", "site")]
    assert given(k, reading(1, "answers", "odd", U2), reading(2, "answers", "fine", U3)) == [
        ("reading", "answers", "fine", "unit 3"), ("reading", "answers", "odd", "unit 2"),
    ]  # fmt: skip
    assert given(k, reading(1, "answers", None, U2)) == []
    assert given(k, reading(1, "warm", "odd", U2)) == []  # no rule asks for it


def test_an_answer_over_very_many_places_is_one_fact() -> None:
    k = base(ASKED)
    many = [Place("unit", n) for n in range(1, WIDEST_FACTS + 2)]
    assert len(given(k, reading(1, "answers", "odd", *many[:WIDEST_FACTS]))) == WIDEST_FACTS == 12
    assert given(k, reading(1, "answers", "odd", *many)) == [("reading", "answers", "odd", "units 1-13")]


def test_what_the_record_says_of_a_place_that_was_looked_at() -> None:
    k = base(ASKED)
    facts = {"unit": [("unit.age", "old"), ("unit.age", "new")], "site": [("unit.age", "old")]}
    assert ("fact", "unit.age", "old", "unit 2") in given(k, reading(1, "answers", "fine", U2), facts=facts)
    assert not [f for f in given(k, reading(1, "answers", "fine", U2), facts=facts) if f[2] == "new"]
    assert [f for f in given(k, reading(1, "warm", "fine", U2), facts=facts) if f[0] == "fact"] == []
    assert ("fact", "unit.age", "old", "site") in given(k, reading(1, "answers", "fine"), facts=facts)
    assert [f for f in given(k, reading(1, "answers", "fine", Place("unit", 99)), facts=facts) if f[0] == "fact"] == []


LIES = rule("lies", [when("answers", "odd", pattern="tail")], [then("finding", "cut-off")])
# units that are odd, words for how they lie along the trunk 1-2-3-4 whose controller is 2, so that it is read from unit 4
PATTERNS = [
    ([1, 2, 3, 4], {"all"}),
    ([2], {"some", "one"}),
    ([1], {"some", "one", "tail"}),
    ([4], {"some", "one", "head"}),
    ([1, 2], {"some", "tail"}),
    ([3, 4], {"some", "head"}),
    ([1, 3], {"some"}),
    ([1, 4], {"some"}),
    ([2, 3], {"some"}),
    ([2, 4], {"some"}),
    ([1, 2, 3], {"some", "tail"}),
    ([2, 3, 4], {"some", "head"}),
    ([], set()),
    ([5], set()),
]


@pytest.mark.parametrize(("odd", "words"), PATTERNS)
def test_how_answers_lie_along_a_trunk(odd: list[int], words: set[str]) -> None:
    k = base(LIES)
    answers = [reading(n, "answers", "odd" if n in odd else "fine", Place("unit", n)) for n in range(1, 6)]
    found = {(key, place) for kind, key, outcome, place in given(k, *answers) if kind == "pattern" and outcome == "odd"}
    assert found == {(f"answers:{word}", "trunk 1") for word in words}
    fine = {key for kind, key, outcome, place in given(k, *answers) if kind == "pattern" and outcome == "fine"}
    assert bool(fine) is (len([n for n in odd if n < 5]) < 4)  # every answer has its own words


def test_the_latest_answer_counts_and_other_checks_do_not() -> None:
    k = base(LIES)
    answers = [reading(1, "answers", "odd", U1, U2, U3, U4), reading(2, "answers", "fine", U1, U2), reading(3, "warm", "odd", U1)]
    words = {key for kind, key, outcome, _ in given(k, *answers) if kind == "pattern" and outcome == "odd"}
    assert words == {"answers:some", "answers:head"}
    assert {f[0] for f in given(k, *answers)} == {"pattern"}  # no rule asks for single answers
    assert "pattern" not in {f[0] for f in given(base(ASKED), *answers)}


def test_a_trunk_from_its_controller_and_a_site_without_one() -> None:
    k = base(LIES)
    answers = [reading(1, "answers", "odd", Place("unit", 3))]
    begins = Site("s", (1, 2, 3), (Trunk(1, "t", (1, 2, 3), 1, (5.0, 5.0)),))
    bare = Site("s", (1, 2, 3))
    for where, name in ((begins, "trunk 1"), (bare, "site")):
        found = concluded.reading_facts(compile_rules(k), state(answers)._replace(site=where), variants(where))
        assert {(f.key, f.place) for f in found} == {(f"answers:{w}", name) for w in ("some", "one", "tail")}
    ends = Site("s", (1, 2, 3), (Trunk(1, "t", (1, 2, 3), 3, (5.0, 5.0)),))
    found = concluded.reading_facts(compile_rules(k), state(answers)._replace(site=ends), variants(ends))
    assert {f.key for f in found} == {f"answers:{w}" for w in ("some", "one", "head")}


# ---- factors


def factors(sort: str, key: str, place: str) -> dict[str, set[float]] | None:
    k = base()
    w = work(k)
    facts = (Fact("finding", "loose", "yes", place), Fact(sort, key, "yes", place))
    found = concluded.factors(k, w, Trace(facts, ()))
    if found is None:
        return None
    changed: dict[str, set[float]] = {}
    for n in np.flatnonzero(found != 1.0):
        changed.setdefault(f"{w.tables.fault[n]} {w.tables.where(int(n))}", set()).add(float(found[n]))
    return changed


FACTORS = [
    ("excludes", "loose", "unit 2", {"loose unit 2": {EXCLUDED}}),
    ("settles", "loose", "unit 2", {"loose unit 2": {SETTLED}}),
    ("settles", "loose", "panel 1", {"loose unit 1": {SETTLED}, "loose unit 2": {SETTLED}}),
    ("excludes", "bare", "unit 2", {"bare panel 1": {EXCLUDED}}),
    ("excludes", "mute", "unit 2", {"mute trunk 1": {EXCLUDED}}),
    ("excludes", "all-off", "unit 2", {"all-off site": {EXCLUDED}}),
    ("excludes", "bare", "site", {"bare panel 1": {EXCLUDED}, "bare panel 2": {EXCLUDED}}),
    ("excludes", "loose", "units 1-2", {"loose unit 1": {EXCLUDED}, "loose unit 2": {EXCLUDED}}),
    ("excludes", "cut", "segments 1-2, 2-3", {"cut segment 1-2": {EXCLUDED}, "cut segment 2-3": {EXCLUDED}}),
    ("excludes", "bare", "panel/0", {"bare panel 1": {EXCLUDED}, "bare panel 2": {EXCLUDED}}),
    ("excludes", "down", "unit 1", {"down uplink 1": {EXCLUDED}}),  # none belongs there: then it is about all of them
    ("prior", "loose", "unit 2", None),
]


@pytest.mark.parametrize(("sort", "key", "place", "wanted"), FACTORS)
def test_what_a_rule_puts_on_faults(sort: str, key: str, place: str, wanted: dict[str, set[float]] | None) -> None:
    assert factors(sort, key, place) == wanted


def test_factors_multiply() -> None:
    k = base()
    w = work(k)
    facts = (Fact("excludes", "loose", "yes", "unit 2"), Fact("settles", "loose", "yes", "unit 2"), Fact("excludes", "loose", "yes", "panel 1"))
    found = concluded.factors(k, w, Trace(facts, ()))
    assert found is not None
    at = {w.tables.where(int(n)): float(found[n]) for n in w.tables.singles_of["loose"]}
    assert at == {U1: EXCLUDED, U2: pytest.approx(EXCLUDED * SETTLED * EXCLUDED), U3: 1.0, U4: 1.0, U5: 1.0}
    assert (EXCLUDED, SETTLED) == (0.001, 50.0)  # as how-it-decides says


BELONGS = [
    (U2, "unit", {U2}),
    (U2, "panel", {PANEL_1}),
    (U5, "trunk", set()),
    (U2, "trunk", {TRUNK}),
    (U3, "trunk", {TRUNK}),
    (U4, "uplink", {UPLINK}),
    (U2, "segment", {Place("segment", 2, 3)}),
    (PANEL_2, "unit", {U3, U4, U5}),
    (SITE, "unit", {U1, U2, U3, U4, U5}),
    (TRUNK, "unit", {U1, U2, U3, U4}),
    (UPLINK, "unit", {U4, U5}),
    (UPLINK, "panel", {PANEL_2}),
    (TRUNK, "segment", {Place("segment", n, n + 1) for n in (1, 2, 3)}),
    (TRUNK, "trunk-end", {Place("trunk-end", 1, 0), Place("trunk-end", 1, 1)}),
    (PANEL_1, "site", {SITE}),
    (Place("trunk-end", 1, 1), "unit", {U4}),
    (U5, "segment", set()),
    (U2, "control", set()),
]


@pytest.mark.parametrize(("place", "at", "wanted"), BELONGS)
def test_which_places_belong_to_a_place(place: Place, at: str, wanted: set[Place]) -> None:
    assert set(concluded._places_of_fault(site(), place, at)) == wanted


def test_a_control_input_belongs_to_its_units() -> None:
    where = replace(site(), controls=(Group(1, 3, (3, 4)),))
    control = Place("control", 1)
    assert concluded._places_of_fault(where, U4, "control") == (control,)
    assert concluded._places_of_fault(where, U1, "control") == ()
    assert concluded._places_of_fault(where, control, "unit") == (U3, U4)


# ---- findings and dangers


def found(k: m.Knowledge, facts: Sequence[Fact], where: Variants | None = None) -> list[tuple[str, str, str, tuple[Place, ...]]]:
    made = concluded.findings(k, compile_rules(k), work(k, where), trace(k, facts))
    return [(f.id, f.level, f.says, f.places) for f in made]


def read(at: str, check: str = "answers") -> Fact:
    return Fact("reading", check, "odd", at)


def test_a_finding_has_its_places_and_its_figures() -> None:
    k = base(rule("seen", [when("answers", "odd")], [then("finding", "odd-one")], says="Odd at {place}."))
    assert found(k, [read("unit 2")]) == [("odd-one", "note", "Odd at unit 2.", (U2,))]
    assert found(k, [read("unit 4"), read("unit 2")]) == [("odd-one", "note", "Odd at units 2, 4.", (U2, U4))]
    assert found(k, [read("units 1-3")]) == [("odd-one", "note", "Odd at units 1-3.", (U1, U2, U3))]
    assert found(k, [read("site")]) == [("odd-one", "note", "Odd at the site.", (SITE,))]
    assert found(k, []) == []
    more = base(rule("seen", [when("answers", "odd")], [then("caution", "loose"), then("finding", "odd-one"), then("ask", "warm")]))
    assert found(more, [read("unit 2")]) == [("odd-one", "note", "It is so.", (U2,))]
    made = concluded.findings(k, compile_rules(k), work(k), trace(k, [read("unit 2")]))
    assert made[0].rule == "seen"
    assert made[0].sources == ("common-practice",)
    assert [p.fact for _, p in made[0].proof.walk()] == [Fact("finding", "odd-one", "yes", "unit 2"), read("unit 2")]


def test_a_finding_of_the_record_shows_the_figures_behind_it() -> None:
    k = base(AGE, rule("also", [when("answers", "odd"), when("unit.age", "old", sort="fact")], [then("finding", "both")]))
    where = variants(site())._replace(
        audits={
            ("unit.age", U2): Audit("old", "12 years"), ("answers", U2): Audit("odd", "no figure"),
            ("unit.age", U3): Audit("old", "9 years"),
        }
    )
    facts = [Fact("fact", "unit.age", "old", "unit 2")]
    assert found(k, facts, where) == [("aged", "note", "It is so. (12 years)", (U2,))]
    assert found(k, [*facts, read("unit 2")], where)[1] == ("both", "note", "It is so. (12 years)", (U2,))


def test_the_dangerous_comes_first_then_by_name() -> None:
    levels = [("b", "note"), ("a", "note"), ("c", "no-fault"), ("d", "violation"), ("e", "danger")]
    rules = [rule(f"r-{name}", [when("answers", "odd")], [then("finding", name)], level) for name, level in levels]
    assert [f[0] for f in found(base(*rules), [read("unit 2")])] == ["e", "d", "c", "a", "b"]


# keys of the facts of a rule, the kind of place that it is about
KINDS = [
    (("unit.age",), "unit"), (("panel.kind", "unit.age"), "unit"), (("site.soil", "panel.kind"), "panel"), (("trunk.wire", "panel.kind"), "trunk"),
    (("trunk.wire", "uplink.kind"), "uplink"), (("uplink.kind", "control.kind"), "control"),
    (("control.kind", "unit.age"), "unit"), (("site.soil",), "site"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "kind"), KINDS)
def test_a_rule_about_the_record_speaks_at_its_own_kind_of_place(keys: tuple[str, ...], kind: str) -> None:
    k = base(rule("r", [when(key, "x", sort="fact") for key in keys], [then("finding", "f")]))
    for there in ("site", "panel", "unit", "trunk", "uplink"):
        facts = [Fact("fact", key, "x", f"{there}/0") for key in keys]
        assert bool(found(k, facts)) is (there == kind), there


def test_a_rule_with_a_reading_speaks_wherever_it_was_read() -> None:
    k = base(rule("r", [when("answers", "odd"), when("panel.kind", "x", sort="fact")], [then("finding", "f")]))
    assert found(k, [read("unit 2"), Fact("fact", "panel.kind", "x", "unit 2")]) != []


def test_dangers_that_rules_conclude_but_not_from_signs() -> None:
    k = base(
        rule("hot", [when("warm", "odd", "bad"), when("unit.age", "old", sort="fact")], [then("stop-use", "heat")], "danger"),
        rule("sign", [when(SIGN, "shock"), when("warm", "odd")], [then("stop-use", "shock")], "danger"),
        rule("mild", [when("warm", "odd")], [then("finding", "mild")]),
    )  # fmt: skip
    facts = [read("unit 2", "warm"), Fact("fact", "unit.age", "old", "unit 2"), Fact("reading", SIGN, "shock", "unit 2")]
    made = concluded.ruled(compile_rules(k), work(k), trace(k, facts))
    assert [(r.danger, r.places, r.rule, r.readings) for r in made] == [("heat", (U2,), "hot", (("warm", ("odd", "bad")),))]


def test_one_danger_of_one_rule_is_told_once() -> None:
    k = base(rule("hot", [when("warm", "odd", "bad")], [then("stop-use", "heat")], "danger"))
    facts = [read("unit 2", "warm"), Fact("reading", "warm", "bad", "unit 2"), read("unit 4", "warm")]
    assert [r.places for r in concluded.ruled(compile_rules(k), work(k), trace(k, facts))] == [(U2,), (U4,)]
