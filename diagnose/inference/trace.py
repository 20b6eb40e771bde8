"""What an inference found, and why.

The set of firings at the end of an inference does not depend on who drew the conclusions, nor in what order.
`arrange` puts them into one fixed order, so the engine and the plain matcher give the same explanations:
layer by layer, within a layer in rounds (everything that can fire at once), within a round by rule id, then
by premises.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from diagnose.inference.terms import Fact, Firing, is_absence


class Proof(NamedTuple):
    """Why a fact holds: the rule that first concluded it and the proofs of its premises.

    A leaf has no rule: it was given, or it is an absence (`terms.is_absence`). Equal parts are one object, so
    a proof costs little memory even where it would be long in print.
    """

    fact: Fact
    rule: str | None = None
    premises: tuple[Proof, ...] = ()

    def walk(self) -> Iterator[tuple[int, Proof]]:
        """Every part with its depth, this one first at depth 0, premises in the order of the rule's
        conditions.
        """
        rest = [(0, self)]
        while rest:
            depth, proof = rest.pop()
            yield depth, proof
            rest.extend((depth + 1, premise) for premise in reversed(proof.premises))


@dataclass(frozen=True)
class Trace:
    """`facts`: all that holds, given ones first, then derived ones in the order of their first derivation.
    `firings`: every use of every rule, in the fixed order. `given`: how many of `facts` were given."""

    facts: tuple[Fact, ...]
    firings: tuple[Firing, ...]
    given: int = 0
    _proofs: dict[Fact, Proof] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def derived(self) -> tuple[Fact, ...]:
        """The facts that were not given, in the order of their first derivation."""
        return self.facts[self.given :]

    def find(
        self, kind: str, key: str | None = None, value: str | None = None, place: str | None = None
    ) -> tuple[Fact, ...]:
        """The facts of `kind` that agree with what is said of key, value and place."""
        wanted = [(n, text) for n, text in enumerate((kind, key, value, place)) if text is not None]
        return tuple(fact for fact in self.facts if all(fact[n] == text for n, text in wanted))

    def proof(self, fact: Fact) -> Proof:
        """The first derivation of `fact`. Raises LookupError when it does not hold."""
        if not self._proofs:
            self._prove_all()
        found = self._proofs.get(fact)
        if found is None:
            raise LookupError(f"{fact} does not hold; it was neither given nor derived")
        return found

    def _prove_all(self) -> None:
        # Firings stand in an order in which premises come first, so long chains need no recursion.
        proofs = self._proofs
        for fact in self.facts[: self.given]:
            proofs[fact] = Proof(fact)
        for rule, premises, conclusions, _ in self.firings:
            if all(fact in proofs for fact in conclusions):
                continue
            below = tuple(proofs.setdefault(p, Proof(p)) if is_absence(p) else proofs[p] for p in premises)
            for fact in conclusions:
                proofs.setdefault(fact, Proof(fact, rule, below))


def arrange(given: tuple[Fact, ...], firings: Iterable[Firing], layers: Mapping[str, int]) -> Trace:
    """The trace of `firings` (all of them, each once, in any order) over sorted `given` facts.

    `layers` is `strata.stratify` of the rules.
    """
    known = dict.fromkeys(given)
    ready: dict[int, list[Firing]] = defaultdict(list)
    missing: dict[Firing, int] = {}
    waiting: dict[Fact, list[Firing]] = defaultdict(list)
    for firing in firings:
        needed = {p for p in firing.premises if p not in known and not is_absence(p)}
        if needed:
            missing[firing] = len(needed)
            for premise in needed:
                waiting[premise].append(firing)
        else:
            ready[layers[firing.rule]].append(firing)
    order: list[Firing] = []
    for layer in range(max(layers.values(), default=-1) + 1):
        while ready[layer]:
            for firing in sorted(ready.pop(layer)):
                order.append(firing)
                for fact in firing.conclusions:
                    if fact in known:
                        continue
                    known[fact] = None
                    for next_firing in waiting.pop(fact, ()):
                        missing[next_firing] -= 1
                        if not missing[next_firing]:
                            ready[layers[next_firing.rule]].append(next_firing)
    return Trace(tuple(known), tuple(order), len(given))
