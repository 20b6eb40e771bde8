"""The plain matcher: the same conclusions as the engine in plain Python, fast enough for sweeps.

Semi-naive: each fact is looked at once, and joined with the facts that came before it. Rules without negation fire as
soon as they match; the others wait until everything below their layer is settled.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable
from typing import NamedTuple

from diagnose.inference.strata import stratify
from diagnose.inference.terms import Fact, Firing, Rule, Var, absence, check_facts, check_rules, join_order
from diagnose.inference.trace import Trace, arrange

_Field = str | int  # a constant, or the number of a variable in its rule
_Template = tuple[str, _Field, _Field, _Field]
_Index = dict[tuple[int, str, str | None, str | None, str | None], list[Fact]]


class _Step(NamedTuple):
    """Find facts for one condition, given the variables that are bound so far."""

    position: int
    kind: str
    mask: int  # which of key (1), value (2), place (4) are known and looked up in the index
    known: tuple[_Field | None, ...]
    binds: tuple[tuple[int, int], ...]  # field of the fact -> variable
    repeats: tuple[tuple[int, int], ...]  # field that must equal a variable bound in this same step
    older: bool  # the fact that began the match is no candidate: that match begins at an earlier condition


class _Plan(NamedTuple):
    """Everything that may follow when a new fact meets one condition of one rule."""

    rule: _Compiled
    first: _Step
    rest: tuple[_Step, ...]


class _Compiled(NamedTuple):
    id: str
    layer: int
    names: tuple[str, ...]
    positive: int  # how many conditions must hold
    slots: tuple[int, ...]  # order of `when`: position among the positive ones, or ~position among the negated
    negated: tuple[_Template, ...]
    then: tuple[_Template, ...]


class PlainMatcher:
    """Rules prepared for many inferences. Holds no state between them; may be shared by threads.

    Raises ValueError for rules that `terms.check_rules` or `strata.stratify` refuse.
    """

    def __init__(self, rules: Iterable[Rule]) -> None:
        checked = check_rules(rules)
        self._layers = stratify(checked)
        self._top = max(self._layers.values(), default=0)
        self._plans: dict[tuple[str, _Field | None, _Field | None, _Field | None], list[_Plan]] = defaultdict(list)
        self._masks: dict[str, set[int]] = defaultdict(set)  # what each kind is looked up by, in joins
        self._entries: dict[str, set[int]] = defaultdict(set)  # likewise, to find the plans of a new fact
        for rule in checked:
            self._prepare(rule)

    def _prepare(self, rule: Rule) -> None:
        positive = [p for p in rule.when if not p.negated]
        numbers: dict[str, int] = {}
        templates = [
            tuple(numbers.setdefault(t.name, len(numbers)) if isinstance(t, Var) else t for t in p[1:4])
            for p in (*positive, *(p for p in rule.when if p.negated), *rule.then)
        ]
        kinds = [p.kind for p in (*positive, *(p for p in rule.when if p.negated), *rule.then)]
        whole: list[_Template] = [(kind, *t) for kind, t in zip(kinds, templates, strict=True)]  # type: ignore[misc]
        n_when, n = len(rule.when), len(positive)
        holds, lacks = iter(range(n)), iter(range(n_when - n))
        slots = tuple(~next(lacks) if p.negated else next(holds) for p in rule.when)
        compiled = _Compiled(
            rule.id, self._layers[rule.id], tuple(numbers), n, slots, tuple(whole[n:n_when]), tuple(whole[n_when:])
        )
        for begin in range(n):
            bound: set[int] = set()
            steps = [_step(whole[i], i, bound, i < begin) for i in join_order(positive, begin)]
            first = steps[0]
            self._entries[first.kind].add(first.mask)
            self._plans[first.kind, *first.known].append(_Plan(compiled, first, tuple(steps[1:])))  # type: ignore[index]
            for step in steps[1:]:
                self._masks[step.kind].add(step.mask)

    def infer(self, facts: Iterable[Fact]) -> Trace:
        """All conclusions from `facts`, in any order and with repetitions. Raises ValueError for an unusable fact."""
        given = check_facts(facts)
        known: set[Fact] = set(given)
        queue = deque(given)
        index: _Index = defaultdict(list)
        firings: list[Firing] = []
        waiting: list[list[tuple[_Compiled, tuple[Fact, ...], tuple[str, ...]]]] = [[] for _ in range(self._top + 1)]

        def fire(rule: _Compiled, chosen: tuple[Fact, ...], env: tuple[str, ...]) -> None:
            absent = tuple([_filled(template, env) for template in rule.negated])
            if any(fact in known for fact in absent):
                return
            premises = chosen
            if absent:
                premises = tuple([chosen[s] if s >= 0 else absence(absent[~s]) for s in rule.slots])
            conclusions = tuple([_filled(template, env) for template in rule.then])
            firings.append(Firing(rule.id, premises, conclusions, tuple(zip(rule.names, env, strict=True))))
            for fact in conclusions:
                if fact not in known:
                    known.add(fact)
                    queue.append(fact)

        def extend(plan: _Plan, depth: int, env: list[str], chosen: list[Fact]) -> None:
            if depth == len(plan.rest):
                rule = plan.rule
                if rule.negated:
                    waiting[rule.layer].append((rule, tuple(chosen), tuple(env)))
                else:
                    fire(rule, tuple(chosen), tuple(env))
                return
            step = plan.rest[depth]
            key, value, place = [env[x] if isinstance(x, int) else x for x in step.known]
            newest = chosen[plan.first.position]
            for fact in index.get((step.mask, step.kind, key, value, place), ()):
                if step.older and fact is newest:
                    continue
                for at, slot in step.binds:
                    env[slot] = fact[at]
                if step.repeats and any(fact[at] != env[slot] for at, slot in step.repeats):
                    continue
                chosen[step.position] = fact
                extend(plan, depth + 1, env, chosen)

        for layer in range(self._top + 1):
            while queue or waiting[layer]:
                for item in waiting[layer]:
                    fire(*item)
                waiting[layer] = []
                while queue:
                    newest = queue.popleft()
                    kind = newest.kind
                    for mask in self._masks.get(kind, ()):
                        index[mask, kind, *_masked(newest, mask)].append(newest)
                    for mask in self._entries.get(kind, ()):
                        for plan in self._plans.get((kind, *_masked(newest, mask)), ()):
                            first = plan.first
                            env = [""] * len(plan.rule.names)
                            for at, slot in first.binds:
                                env[slot] = newest[at]
                            if first.repeats and any(newest[at] != env[slot] for at, slot in first.repeats):
                                continue
                            chosen = [newest] * plan.rule.positive
                            extend(plan, 0, env, chosen)
        return arrange(given, firings, self._layers)


def infer_plain(rules: Iterable[Rule], facts: Iterable[Fact]) -> Trace:
    """One inference; prepare a `PlainMatcher` when there are many over the same rules."""
    return PlainMatcher(rules).infer(facts)


def _step(template: _Template, position: int, bound: set[int], older: bool) -> _Step:
    mask, known, binds, repeats = 0, [], [], []
    fresh: set[int] = set()
    for at, term in enumerate(template[1:], start=1):
        if isinstance(term, str) or term in bound:
            mask |= 1 << (at - 1)
            known.append(term)
        else:
            known.append(None)  # type: ignore[arg-type]
            (repeats if term in fresh else binds).append((at, term))
            fresh.add(term)
    bound |= fresh
    return _Step(position, template[0], mask, tuple(known), tuple(binds), tuple(repeats), older)


def _masked(fact: Fact, mask: int) -> tuple[str | None, str | None, str | None]:
    return (fact[1] if mask & 1 else None, fact[2] if mask & 2 else None, fact[3] if mask & 4 else None)


def _filled(template: _Template, env: tuple[str, ...]) -> Fact:
    kind, key, value, place = template
    return Fact(
        kind,
        key if isinstance(key, str) else env[key],
        value if isinstance(value, str) else env[value],
        place if isinstance(place, str) else env[place],
    )
