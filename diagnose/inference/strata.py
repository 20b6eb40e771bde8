"""Layers of rules: what a rule negates is settled in layers below its own.

Two rules depend on each other by kind and key: a conclusion feeds a condition when the kinds are equal and
the keys are equal or one of them is a variable. A negation on a cycle of such dependencies has no agreed
meaning and is rejected.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable, Sequence

from diagnose.inference.terms import Pattern, Rule

_Edges = list[dict[int, bool]]  # from a feeding rule: fed rule -> fed through a negation


def stratify(rules: Sequence[Rule]) -> dict[str, int]:
    """Layer of each rule, by id: 0 at the bottom, each as low as the negations allow.

    Raises ValueError naming the rules on a cycle when a rule negates what depends on it.
    """
    edges = _feeds(rules)
    layers = [0] * len(rules)
    for component in _components(edges):
        members = set(component)
        for rule in component:
            for fed, negated in edges[rule].items():
                if negated and fed in members:
                    names = [rules[i].id for i in _way(edges, members, fed, rule)]
                    raise ValueError(
                        f"rule {rules[fed].id}: negates what depends on it "
                        f"({' -> '.join([*names, names[0]])}); "
                        f"break the cycle at one of these rules"
                    )
        level = max(layers[rule] for rule in component)
        for rule in component:
            layers[rule] = level
        for rule in component:
            for fed, negated in edges[rule].items():
                layers[fed] = max(layers[fed], level + negated)
    return {rule.id: layer for rule, layer in zip(rules, layers, strict=True)}


def _feeds(rules: Sequence[Rule]) -> _Edges:
    takers: dict[tuple[str, str | None], list[tuple[int, bool]]] = defaultdict(list)
    by_kind: dict[str, list[tuple[int, bool]]] = defaultdict(list)
    for number, rule in enumerate(rules):
        for pattern in rule.when:
            takers[pattern.kind, _key(pattern)].append((number, pattern.negated))
            by_kind[pattern.kind].append((number, pattern.negated))
    edges: _Edges = [{} for _ in rules]
    for number, rule in enumerate(rules):
        for conclusion in rule.then:
            key = _key(conclusion)
            fed: Iterable[tuple[int, bool]] = by_kind.get(conclusion.kind, ())
            if key is not None:
                fed = (*takers.get((conclusion.kind, key), ()), *takers.get((conclusion.kind, None), ()))
            for taker, negated in fed:
                edges[number][taker] = edges[number].get(taker, False) or negated
    return edges


def _key(pattern: Pattern) -> str | None:
    return pattern.key if isinstance(pattern.key, str) else None


def _components(edges: _Edges) -> list[list[int]]:
    """Strongly connected components, feeding ones before fed ones (Tarjan, without recursion: chains may be
    long).
    """
    order: dict[int, int] = {}
    low: dict[int, int] = {}
    stack: list[int] = []
    on_stack: set[int] = set()
    found: list[list[int]] = []
    for root in range(len(edges)):
        if root in order:
            continue
        work = [(root, iter(edges[root]))]
        order[root] = low[root] = len(order)
        stack.append(root)
        on_stack.add(root)
        while work:
            node, rest = work[-1]
            for fed in rest:
                if fed not in order:
                    order[fed] = low[fed] = len(order)
                    stack.append(fed)
                    on_stack.add(fed)
                    work.append((fed, iter(edges[fed])))
                    break
                if fed in on_stack:
                    low[node] = min(low[node], order[fed])
            else:
                work.pop()
                if work:
                    above = work[-1][0]
                    low[above] = min(low[above], low[node])
                if low[node] == order[node]:
                    component: list[int] = []
                    while not component or component[-1] != node:
                        component.append(stack.pop())
                        on_stack.discard(component[-1])
                    found.append(sorted(component))
    return found[::-1]


def _way(edges: _Edges, members: set[int], start: int, end: int) -> list[int]:
    """Shortest way from `start` to `end` inside a component, both included."""
    came_from = {start: start}
    queue = deque([start])
    while end not in came_from:
        node = queue.popleft()
        for fed in edges[node]:
            if fed in members and fed not in came_from:
                came_from[fed] = node
                queue.append(fed)
    way = [end]
    while way[-1] != start:
        way.append(came_from[way[-1]])
    return way[::-1]
