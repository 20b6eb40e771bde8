"""Suspects, places to keep out of, and answers that contradict each other, from beliefs with figures set by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from diagnose.belief.evidence import Evidence
from diagnose.casework.suspects import CLASH, contradictions, kept_out, suspects, tell
from diagnose.knowledge import model as m
from diagnose.site.places import Place
from tests.casework.small_case import U1, U2, U3, U4, belief, check, fault, knowledge, reading, show, state

CHECKS = [check("sound"), check("second"), check("of-panel", "panel")]

# what was answered, and how it is told
TOLD = [
    (reading(1, "sound", "odd", U2), "Title of sound at unit 2: it is odd"),
    (reading(1, "sound", "fine", U1, U2), "Title of sound at units 1-2: it is fine"),
    (reading(1, "sound", "odd"), "Title of sound: it is odd"),
    (reading(1, "sound", None, U2), "Title of sound at unit 2: not known"),
    (reading(1, "sound", "odd", U2, value=0.0, text="0 V"), "Title of sound at unit 2: 0 V"),
    (reading(1, "sound", "an-old-word", U2), "Title of sound at unit 2: an-old-word"),
]


@pytest.mark.parametrize(("r", "told"), TOLD)
def test_a_reading_in_a_few_words(r: Any, told: str) -> None:
    assert tell(knowledge(CHECKS), r) == told


def test_the_likeliest_come_first_then_by_name_and_not_those_below_a_half_percent() -> None:
    names = [f"f{n}" for n in range(12)]
    k = knowledge(CHECKS, [fault(name) for name in names])
    chances = {("f3", U1): 0.3, ("f1", U1): 0.1, ("f1", U2): 0.1, ("f7", U2): 0.2, ("f0", U1): 0.005, ("f2", U1): 0.00499}
    assert [(s.fault, pytest.approx(s.probability)) for s in suspects(k, belief(k, chances))] == [
        ("f3", 0.3), ("f1", 0.2), ("f7", 0.2), ("f0", 0.005),
    ]  # fmt: skip
    crowd = {(name, U1): 0.02 for name in names}
    assert [s.fault for s in suspects(k, belief(k, crowd))] == ["f0", "f1", "f10", "f11", "f2", "f3", "f4", "f5"]
    nearly = {("f3", U1): 0.2 + 2e-10, ("f1", U1): 0.2}  # equal but for rounding: by name
    assert [s.fault for s in suspects(k, belief(k, nearly))] == ["f1", "f3"]
    apart = {("f3", U1): 0.2 + 2e-9, ("f1", U1): 0.2}
    assert [s.fault for s in suspects(k, belief(k, apart))] == ["f3", "f1"]
    assert suspects(knowledge(CHECKS), belief(knowledge(CHECKS))) == ()


def test_where_a_suspect_may_be() -> None:
    """The likeliest place first, then in the site's order, down to a tenth of the best."""
    k = knowledge(CHECKS, [fault("loose")])
    chances = {("loose", U3): 0.5, ("loose", U1): 0.1, ("loose", U2): 0.1 + 2e-10, ("loose", U4): 0.05, ("loose", Place("unit", 5)): 0.0499}
    (s,) = suspects(k, belief(k, chances))
    assert [p for p, _ in s.places] == [U3, U1, U2, U4]
    assert s.places[0][1] == 0.5
    apart = {("loose", U3): 0.4, ("loose", U1): 0.1, ("loose", U2): 0.1 + 2e-9}
    assert [p for p, _ in suspects(k, belief(k, apart))[0].places] == [U3, U2, U1]


def test_what_each_answer_says_about_a_suspect() -> None:
    k = knowledge(CHECKS, [fault("loose", severity="danger", nature="outside")])
    answers = [Evidence("e1", "sound", (U1,), "odd"), Evidence("e2", "second", (U2,), "fine"), Evidence("e3", "second", (), "bad")]
    log_of = {("loose", U2): [-1.0, -0.5, -3.0], ("loose", U1): [-9.0, -9.0, -9.0]}
    (s,) = suspects(k, belief(k, {("loose", U2): 0.6, ("loose", U1): 0.1}, answers=answers, log_of=log_of, log_none=[-2.0, -0.25, -0.5]))
    assert [(w.event, w.check, w.places, w.outcome, w.weight) for w in s.weights] == [
        ("e3", "second", (), "bad", -2.5), ("e1", "sound", (U1,), "odd", 1.0), ("e2", "second", (U2,), "fine", -0.25),
    ]  # fmt: skip
    assert (s.weights[1].with_it, s.weights[1].without) == (math.exp(-1.0), math.exp(-2.0))
    assert (s.title, s.severity, s.nature, s.remedy, s.remedy_title, s.remedy_role) == (
        "Title of loose", "danger", "outside", "mend-loose", "Title of mend-loose", "technician",
    )  # fmt: skip


# ---- places to keep out of

# chance that it is there, chance that its repair holds, severity, whether the place is kept out of
KEEP = [
    (0.2, 0.0, "danger", True),
    (0.199, 0.0, "danger", False),
    (0.9, 0.0, "out-of-service", False),
    (0.9, 0.0, "degraded", False),
    (0.8, 0.75, "danger", True),
    (0.8, 0.76, "danger", False),
]


@pytest.mark.parametrize(("chance", "held", "severity", "out"), KEEP)
def test_a_likely_danger_keeps_everybody_out(chance: float, held: float, severity: str, out: bool) -> None:
    k = knowledge(CHECKS, [fault("bare", severity=severity, prove=("sound",)), fault("loose")])
    found = kept_out(k, belief(k, {("bare", U2): chance, ("loose", U1): 0.9}, held={("bare", U2): held}))
    assert [(x.fault, x.title, x.place, x.measure) for x in found] == ([("bare", "Title of bare", U2, "Title of sound")] if out else [])
    if out:
        assert found[0].probability == pytest.approx(chance * (1 - held))


def test_the_likeliest_of_them_comes_first() -> None:
    k = knowledge(CHECKS, [fault("worn", severity="danger"), fault("bare", severity="danger")])
    chances = {("worn", U3): 0.5, ("bare", U2): 0.3, ("bare", U1): 0.3, ("worn", U1): 0.3 + 2e-10}
    assert [(x.fault, x.place) for x in kept_out(k, belief(k, chances))] == [("worn", U3), ("bare", U1), ("bare", U2), ("worn", U1)]
    apart = {("worn", U3): 0.3 + 2e-9, ("bare", U2): 0.3}
    assert [x.fault for x in kept_out(k, belief(k, apart))] == ["worn", "bare"]
    assert kept_out(knowledge(CHECKS), belief(knowledge(CHECKS))) == ()


def measured(*checks: m.Check, **more: Any) -> str:
    """What is to be measured for a fault that these checks can show."""
    mechanisms = [m.Mechanism("heat", "", "", more.pop("heat", ()), (), m.Spot("x", 1))]
    k = knowledge(checks, [fault("bare", severity="danger", **more)], mechanisms=mechanisms)
    (found,) = kept_out(k, belief(k, {("bare", U1): 0.9}))
    return found.measure.removeprefix("Title of ")


def test_which_reading_tells() -> None:
    """A proof before what the fault shows, measured before looked at, dead before live, short before long, then by name."""
    look, meter = check("look"), check("meter", kind="measurement", minutes=9)
    live, quick = check("a-live", kind="measurement", state="live", minutes=1), check("quick", kind="measurement", minutes=8)
    assert measured(look, meter, prove=("look", "meter")) == "meter"
    assert measured(look, prove=("look",)) == "look"
    assert measured(look, meter, prove=("look",), shows=(show("meter"),)) == "meter"
    assert measured(meter, quick, prove=("meter",), shows=(show("quick", "always"),)) == "meter"
    assert measured(meter, live, prove=("meter", "a-live")) == "meter"
    assert measured(meter, quick, prove=("meter", "quick")) == "quick"
    assert measured(check("b", kind="measurement"), check("a", kind="measurement"), prove=("b", "a")) == "a"
    assert measured(look, quick, shows=(show("look"), show("quick", "always"))) == "quick"
    assert measured(look, quick, shows=(show("look"), show("quick", "usually"))) == "quick"
    assert measured(look, quick, shows=(show("look"), show("quick", "sometimes"))) == "look"
    assert measured(check("look"), check("quick", kind="measurement"), prove=("gone",), shows=(show("gone", "always"), show("look"))) == "look"
    assert measured(look) == "it"


@pytest.mark.parametrize(("often", "told"), [("always", "quick"), ("usually", "quick"), ("sometimes", "it"), ("rarely", "it")])
def test_what_a_mechanism_shows_tells_too(often: str, told: str) -> None:
    quick = check("quick", kind="measurement")
    causes = (m.Cause("heat", "always", (), 1), m.Cause("gone", "always", (), 1))
    assert measured(quick, causes=causes, heat=(show("quick", often),)) == told


# ---- contradictions

A, B, C = (Evidence(f"e{n}", "sound" if n < 3 else "second", (Place("unit", n),), "odd") for n in (1, 2, 3))
READ = [reading(1, "sound", "odd", U1), reading(2, "sound", "odd", U2), reading(3, "second", "odd", U3)]
FAR = CLASH - 0.01


def pairs(
    answers: list[Evidence], agreement: list[list[float]],
    log_of: dict[tuple[str, Place], list[float]] | None = None,
) -> list[tuple[str, str, str]]:
    k = knowledge(CHECKS, [fault("loose"), fault("worn")])
    b = belief(k, {("worn", U2): 0.9, ("loose", U1): 0.1}, answers=answers, log_of=log_of or {}, log_none=[0.0] * len(answers), agreement=agreement)
    return [(c.first, c.second, c.retake) for c in contradictions(k, state(READ), b)]


# best explanation of both, of the first alone (twice), of the second alone (twice), whether they clash
CLASHES = [
    (FAR, 0.0, 0.0, True),
    (CLASH, 0.0, 0.0, True),
    (CLASH + 0.01, 0.0, 0.0, False),
    (-5.0, -4.0, -2.0, False),  # -5 against -3: both are strange alone
    (-6.0, -4.0, -2.0, True),
    (-2.0, -4.0, 0.0, False),
    (0.0, 0.0, 0.0, False),
]


@pytest.mark.parametrize(("both", "first", "second", "clash"), CLASHES)
def test_when_two_answers_clash(both: float, first: float, second: float, clash: bool) -> None:
    assert bool(pairs([A, B], [[first, both], [both, second]])) is clash


def test_how_badly_two_answers_have_to_go_together() -> None:
    assert math.exp(CLASH) == pytest.approx(0.08)


def test_answers_on_either_side_of_a_repair_do_not_clash() -> None:
    after = B._replace(mended=(("mend-loose", U1),))
    assert pairs([A, after], [[0, FAR], [FAR, 0]]) == []
    assert pairs([A._replace(mended=after.mended), after], [[0, FAR], [FAR, 0]]) != []


def test_the_one_that_the_likeliest_cause_explains_worse_is_taken_again() -> None:
    clash = [[0, FAR], [FAR, 0]]
    assert pairs([A, B], clash, {("worn", U2): [-3.0, -1.0], ("loose", U1): [-1.0, -3.0]}) == [("e1", "e2", "e1")]
    assert pairs([A, B], clash, {("worn", U2): [-1.0, -3.0], ("loose", U1): [-3.0, -1.0]}) == [("e1", "e2", "e2")]
    assert pairs([A, B], clash, {("worn", U2): [-2.0, -2.0]}) == [("e1", "e2", "e2")]  # the later one when both go alike


def test_each_pair_once_and_three_at_most() -> None:
    four = [A, B, C, C._replace(id="e1")]
    everything = [[0.0 if i == j else FAR for j in range(4)] for i in range(4)]
    assert [(a, b) for a, b, _ in pairs(four, everything)] == [("e1", "e2"), ("e1", "e3"), ("e1", "e1")]
    only_last = [[0, 0, 0], [0, 0, FAR], [0, FAR, 0]]
    assert [(a, b) for a, b, _ in pairs([A, B, C], only_last)] == [("e2", "e3")]


def test_what_is_said_of_a_clash() -> None:
    k = knowledge(CHECKS, [fault("loose")])
    b = belief(k, {("loose", U1): 0.9}, answers=[A, C], log_none=[0.0, 0.0], agreement=[[0, FAR], [FAR, 0]])
    (found,) = contradictions(k, state(READ), b)
    assert found.says == "Title of sound at unit 1: it is odd and Title of second at unit 3: it is odd cannot both be right: re-take one"
    bare = knowledge([check("sound"), check("second")])
    assert contradictions(bare, state(READ), belief(bare, answers=[A, C], log_none=[0.0, 0.0], agreement=[[0, 0], [0, 0]])) == ()

