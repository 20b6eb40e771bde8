"""What the Tab key offers behind a command: checks, answers, places, install facts."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from diagnose.knowledge import model as m
from diagnose.shell.dialog import fitting
from diagnose.shell.open_case import OpenCase

ASKING = ("do not know", "can't")
MOST_PLACES = 40
Fitting = tuple[int, list[str]]
Words = Callable[[OpenCase, str], Fitting]
"""How many characters before the cursor are replaced, and the words that may stand there, for the text behind a command."""


def nothing(s: OpenCase, rest: str) -> Fitting:
    """No words."""
    return fitting(rest.rpartition(",")[2].lstrip(), ())


def among(choices: Callable[[m.Knowledge], Iterable[str]]) -> Words:
    """Words of the rule base, or fixed ones, each behind a comma."""
    return lambda s, rest: fitting(rest.rpartition(",")[2].lstrip(), choices(s.desk.knowledge))


def fact_and_value(s: OpenCase, rest: str) -> Fitting:
    """`NAME [PLACE] VALUE` of an install fact."""
    k = s.desk.knowledge
    name, space, value = rest.partition(" ")
    if not space:
        return fitting(name, k.facts)
    spec = k.facts.get(name)
    if spec is None or s.state_now is None:
        return 0, []
    last = value.rpartition(" ")[2]
    places = tuple(str(p) for p in s.state_now.site.places(spec.section)[:MOST_PLACES])
    return fitting(last, (*spec.choices, *(("yes", "no") if spec.kind == "yes-no" else ()), *places))


def check_and_answer(s: OpenCase, rest: str) -> Fitting:
    """`CHECK [at PLACE] = ANSWER`."""
    k = s.desk.knowledge
    head, equals, answer = rest.partition("=")
    name, at, place = head.partition(" at ")
    check = k.checks.get(name.strip())
    if equals:
        return fitting(answer.lstrip(), (*check.outcome_ids, *ASKING) if check else ())
    if at:
        if check is None or s.state_now is None:
            return 0, []
        return fitting(place, ("all", *(str(p) for p in s.state_now.site.places(check.at)[:MOST_PLACES])))
    return fitting(name, k.checks)
