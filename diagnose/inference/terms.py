"""The words of inference: facts, patterns, rules, firings, and what makes a rule base sound.

A fact is four short strings. Numbers never appear: gauges turn them into outcomes first. A negated pattern
holds when its fact was not derived; because a reading that was not taken is unknown and not absent, only
facts that rules derive may be negated.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from itertools import pairwise
from typing import NamedTuple, TypeVar

LONGEST_FACT = 400
"""Most characters in the four strings of a fact together: they are symbols, not texts."""

MOST_CONDITIONS = 16
"""Most patterns in one rule; the engine refuses a seventeenth."""

NOT = "not "
"""Prefix of the kind of an absence. `Fact("not finding", ...)` says that the finding was not derived."""


class Var(NamedTuple):
    """A variable of one rule; the same name means the same string throughout the rule."""

    name: str


Term = str | Var
T = TypeVar("T")


class Fact(NamedTuple):
    """Something that holds: `kind` (reading, finding, ...), `key` (what), `value`, `place` (where)."""

    kind: str
    key: str
    value: str
    place: str

    def __str__(self) -> str:
        return f"{self.kind} {self.key}={self.value} at {self.place}"


class Pattern(NamedTuple):
    """A fact with constants or variables in it; `negated` (conditions only) asks that no such fact was
    derived.
    """

    kind: str
    key: Term
    value: Term
    place: Term
    negated: bool = False

    def __str__(self) -> str:
        key, value, place = (f"?{t.name}" if isinstance(t, Var) else t for t in self[1:4])
        return f"{NOT if self.negated else ''}{self.kind} {key}={value} at {place}"


class Rule(NamedTuple):
    """When all of `when` hold together, all of `then` hold."""

    id: str
    when: tuple[Pattern, ...]
    then: tuple[Pattern, ...]


class Firing(NamedTuple):
    """One use of one rule. `premises` stand in the order of the rule's `when`; absences are among them."""

    rule: str
    premises: tuple[Fact, ...]
    conclusions: tuple[Fact, ...]
    bindings: tuple[tuple[str, str], ...]


def absence(fact: Fact) -> Fact:
    """The premise which says that `fact` was not derived."""
    return Fact(NOT + fact.kind, fact.key, fact.value, fact.place)


def is_absence(fact: Fact) -> bool:
    """Whether `fact` was made by `absence`."""
    return fact.kind.startswith(NOT)


def variables(pattern: Pattern) -> tuple[str, ...]:
    """Names of the variables of `pattern`, each once, in order of appearance."""
    return tuple(dict.fromkeys(t.name for t in pattern[1:4] if isinstance(t, Var)))


def bind(pattern: Pattern, fact: Fact, bindings: dict[str, str]) -> bool:
    """Match `fact` against `pattern`, adding to `bindings`; False when they disagree (`bindings` is then
    spoilt).
    """
    if pattern.kind != fact.kind:
        return False
    for term, symbol in zip(pattern[1:4], fact[1:4], strict=True):
        if isinstance(term, Var):
            if bindings.setdefault(term.name, symbol) != symbol:
                return False
        elif term != symbol:
            return False
    return True


def ground(pattern: Pattern, bindings: dict[str, str]) -> Fact:
    """The fact that `pattern` means under `bindings`, negated or not."""
    key, value, place = (bindings[t.name] if isinstance(t, Var) else t for t in pattern[1:4])
    return Fact(pattern.kind, key, value, place)


def join_order(names: Sequence[Set[T]], first: int) -> list[int]:
    """An order in which to join patterns, given the variables of each, beginning with the pattern `first`.

    Next comes always the pattern that leaves the fewest variables open, so that joins are preferred to cross
    products.
    """
    order, rest = [first], [i for i in range(len(names)) if i != first]
    bound = set(names[first])
    while rest:
        best = min(rest, key=lambda i: len(names[i] - bound))  # the earliest of equals
        rest.remove(best)
        order.append(best)
        bound |= names[best]
    return order


def check_facts(facts: Iterable[Fact]) -> tuple[Fact, ...]:
    """The given facts, sorted, each once.

    Raises ValueError for a fact that is not four short printable strings, or whose kind is that of an
    absence.
    """
    found = set(facts)
    for fact in found:
        if not _is_usable(fact):
            raise ValueError(
                f"fact {tuple(fact)!r} is not usable; kind, key, value and place must be printable strings "
                f"of at most {LONGEST_FACT} characters together, and the kind not empty"
            )
        if fact.kind.startswith(NOT):
            raise ValueError(f"fact '{fact}' may not be given; give only what holds, absences are inferred")
    return tuple(sorted(found))


def check_rules(rules: Iterable[Rule]) -> tuple[Rule, ...]:
    """The rules in order of their ids.

    The order of loading thus changes neither conclusions nor explanations. Raises ValueError with one line
    that names the rule and says what is wrong with it; cycles through a negation are found by
    `strata.stratify`.
    """
    found = tuple(sorted(rules, key=lambda rule: rule.id))
    for rule, following in pairwise(found):
        if rule.id == following.id:
            raise ValueError(f"rule {rule.id}: two rules have this id; give each its own")
    for rule in found:
        _check_rule(rule)
    derived = {(p.kind, p.key if isinstance(p.key, str) else None) for rule in found for p in rule.then}
    kinds = {kind for kind, _ in derived}
    for rule in found:
        for pattern in rule.when:
            if not pattern.negated:
                continue
            if pattern.kind not in kinds:
                raise ValueError(
                    f"rule {rule.id}: '{pattern}' negates the kind '{pattern.kind}' that no rule derives; "
                    f"only derived facts can be absent, the rest is unknown"
                )
            if isinstance(pattern.key, str) and derived.isdisjoint(
                {(pattern.kind, pattern.key), (pattern.kind, None)}
            ):
                raise ValueError(
                    f"rule {rule.id}: '{pattern}' negates '{pattern.kind} {pattern.key}' "
                    f"that no rule derives; name one that some rule concludes"
                )
    return found


def _check_rule(rule: Rule) -> None:
    if not rule.when:
        raise ValueError(f"rule {rule.id}: no condition; give at least one pattern under 'when'")
    if not rule.then:
        raise ValueError(f"rule {rule.id}: no conclusion; give at least one pattern under 'then'")
    if len(rule.when) > MOST_CONDITIONS:
        raise ValueError(
            f"rule {rule.id}: {len(rule.when)} conditions; "
            f"at most {MOST_CONDITIONS} are possible, split it through a finding"
        )
    for pattern in (*rule.when, *rule.then):
        symbols = [term.name if isinstance(term, Var) else term for term in pattern[:4]]
        if not _is_usable(symbols) or pattern.kind.startswith(NOT):
            raise ValueError(
                f"rule {rule.id}: pattern {tuple(pattern)!r} is not usable; its kind must be a word, the "
                f"rest variables or printable strings, of at most {LONGEST_FACT} characters together"
            )
    positive = [p for p in rule.when if not p.negated]
    if not positive:
        raise ValueError(f"rule {rule.id}: only negated conditions; give at least one that must hold")
    bound = {name for p in positive for name in variables(p)}
    for pattern in rule.when:
        for name in variables(pattern):
            if name not in bound:
                raise ValueError(
                    f"rule {rule.id}: variable '{name}' in '{pattern}' is not bound; "
                    f"use it in a condition that must hold"
                )
    for pattern in rule.then:
        if pattern.negated:
            raise ValueError(
                f"rule {rule.id}: '{pattern}' is a negated conclusion; conclude something that holds"
            )
        for name in variables(pattern):
            if name not in bound:
                raise ValueError(
                    f"rule {rule.id}: variable '{name}' in the conclusion '{pattern}' is not bound; "
                    f"use it in a condition that must hold"
                )


def _is_usable(symbols: Sequence[str]) -> bool:
    try:
        text = "".join(symbols)
    except TypeError:
        return False
    return len(symbols) == 4 and bool(symbols[0]) and len(text) <= LONGEST_FACT and text.isprintable()
