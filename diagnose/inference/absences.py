"""Which absences the engine must be told.

The engine's own negation depends on the order of arrival, so rules match an explicit absence instead. This
module says which ones could matter: a negated pattern, with each value that its variables can take in the
facts seen so far.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from diagnose.inference.terms import Fact, Pattern, Rule, bind, ground, variables


class _Part(NamedTuple):
    """Some variables of a negated pattern, and the condition of the same rule that supplies their values."""

    source: Pattern
    names: tuple[str, ...]


class _Guard(NamedTuple):
    layer: int
    negated: Pattern
    parts: tuple[_Part, ...]


class Guards:
    """The negated patterns of checked rules. `layers` is `strata.stratify` of the rules."""

    def __init__(self, rules: Sequence[Rule], layers: Mapping[str, int]) -> None:
        guards = dict.fromkeys(
            _Guard(layers[rule.id], pattern, _parts(pattern, rule))
            for rule in rules
            for pattern in rule.when
            if pattern.negated
        )
        self.guards = tuple(guards)
        self.triggers: dict[tuple[str, str | None], list[tuple[int, int]]] = defaultdict(list)
        for number, guard in enumerate(self.guards):
            for at, part in enumerate(guard.parts):
                key = part.source.key
                self.triggers[part.source.kind, key if isinstance(key, str) else None].append((number, at))


class Candidates:
    """The absences that could matter in one inference; each is named with the layer from which on it may be
    believed.
    """

    def __init__(self, guards: Guards) -> None:
        self._guards = guards
        self._domains: list[tuple[dict[tuple[str, ...], None], ...]] = [
            tuple({} for _ in guard.parts) for guard in guards.guards
        ]

    def at_once(self) -> Iterator[tuple[int, Fact]]:
        """Those without variables."""
        for guard in self._guards.guards:
            if not guard.parts:
                yield guard.layer, ground(guard.negated, {})

    def after(self, fact: Fact) -> Iterator[tuple[int, Fact]]:
        """Those that a new fact adds."""
        for key in (fact.key, None):
            for number, at in self._guards.triggers.get((fact.kind, key), ()):
                guard = self._guards.guards[number]
                part, domains = guard.parts[at], self._domains[number]
                bindings: dict[str, str] = {}
                if not bind(part.source, fact, bindings):
                    continue
                values = tuple(bindings[name] for name in part.names)
                if values in domains[at]:
                    continue
                domains[at][values] = None
                for row in product(*(domain if i != at else (values,) for i, domain in enumerate(domains))):
                    for names, symbols in zip((p.names for p in guard.parts), row, strict=True):
                        bindings.update(zip(names, symbols, strict=True))
                    yield guard.layer, ground(guard.negated, bindings)


def _parts(negated: Pattern, rule: Rule) -> tuple[_Part, ...]:
    """As few conditions of `rule` as supply all variables of `negated` (greedily): each one more is a cross
    product.
    """
    open_names = list(variables(negated))
    parts = []
    while open_names:
        positive = [p for p in rule.when if not p.negated]
        # The first of equals, as `max` does.
        source = max(positive, key=lambda p: len(set(variables(p)).intersection(open_names)))
        names = tuple(name for name in open_names if name in variables(source))
        parts.append(_Part(source, names))
        open_names = [name for name in open_names if name not in names]
    return tuple(parts)
