"""The plain matcher: the same conclusions as the engine in plain Python, fast enough for sweeps.

Semi-naive: each fact is taken up once, and joined with the facts taken up before it. Rules without negation
fire as soon as they match; the others wait until everything below their layer is settled.

While a rule is matched, its variables and constants stand in one list, the frame, so that a fact to look up
or to conclude is a selection of places in the frame.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from diagnose.inference.strata import stratify
from diagnose.inference.terms import (
    Fact,
    Firing,
    Pattern,
    Rule,
    Var,
    absence,
    check_facts,
    check_rules,
    join_order,
    variables,
)
from diagnose.inference.trace import Trace, arrange

_Select = Callable[[Sequence[str]], Any]  # some strings of a fact or a frame, as one lookup key
_Fields = tuple[
    int, ...
]  # by which fields a fact is looked up: always kind (0), perhaps key, value, place (1 to 3)


class _Step(NamedTuple):
    """Find facts for one condition, with what the frame holds so far."""

    kind: str
    position: int  # among the positive conditions
    fields: _Fields
    select: _Select  # from the frame, what those fields must be
    binds: tuple[tuple[int, int], ...]  # field of the fact -> place in the frame
    repeats: tuple[tuple[int, int], ...]  # field that must equal a variable bound in this same step
    older: bool  # the newest fact is no candidate: that match begins at an earlier condition


class _Compiled(NamedTuple):
    id: str
    layer: int
    names: tuple[str, ...]
    frame: list[str]  # room for the variables, then the constants
    positive: int
    premises: tuple[
        int, ...
    ]  # in the order of `when`: number of a positive condition, or ~number of a negated one
    negated: tuple[_Select, ...]
    then: tuple[_Select, ...]


class _Plan(NamedTuple):
    """What may follow when a new fact meets one condition of one rule."""

    rule: _Compiled
    first: _Step
    rest: tuple[_Step, ...]
    needs: frozenset[
        tuple[str, ...]
    ]  # kind, key and perhaps value of facts without which the rest cannot match


class PlainMatcher:
    """Rules prepared for many inferences. Holds no state between them; may be shared by threads.

    Raises ValueError for rules that `terms.check_rules` or `strata.stratify` refuse.
    """

    def __init__(self, rules: Iterable[Rule]) -> None:
        checked = check_rules(rules)
        self._layers = stratify(checked)
        plans: dict[str, dict[_Fields, dict[Any, list[_Plan]]]] = defaultdict(lambda: defaultdict(dict))
        joined: dict[str, set[_Fields]] = defaultdict(set)
        for rule in checked:
            for plan in _plans(rule, self._layers[rule.id]):
                begin = plan.first
                plans[begin.kind][begin.fields].setdefault(begin.select(plan.rule.frame), []).append(plan)
                for step in plan.rest:
                    joined[step.kind].add(step.fields)
        self._plans = {
            kind: [(itemgetter(*fields), by_key) for fields, by_key in entries.items()]
            for kind, entries in plans.items()
        }
        self._joined = {
            kind: [(f, itemgetter(*f)) for f in sorted(fields)] for kind, fields in joined.items()
        }

    def infer(self, facts: Iterable[Fact]) -> Trace:
        """All conclusions from `facts`, in any order and with repetitions. Raises ValueError for an unusable
        fact.
        """
        given = check_facts(facts)
        known: set[Fact] = set(given)
        queue = deque(given)
        seen: set[tuple[str, ...]] = set()
        index: dict[_Fields, dict[Any, list[Fact]]] = defaultdict(dict)
        firings: list[Firing] = []
        waiting: dict[int, list[tuple[_Compiled, tuple[Fact, ...], list[str]]]] = defaultdict(list)

        def fire(rule: _Compiled, chosen: tuple[Fact, ...], frame: list[str]) -> None:
            if rule.negated:
                absent = [Fact._make(select(frame)) for select in rule.negated]
                if not known.isdisjoint(absent):
                    return
                chosen = tuple([chosen[n] if n >= 0 else absence(absent[~n]) for n in rule.premises])
            conclusions = tuple([Fact._make(select(frame)) for select in rule.then])
            # Not strict: the constants follow the variables in the frame.
            firings.append(Firing(rule.id, chosen, conclusions, tuple(zip(rule.names, frame, strict=False))))
            for fact in conclusions:
                if fact not in known:
                    known.add(fact)
                    queue.append(fact)

        def extend(plan: _Plan, depth: int, frame: list[str], chosen: list[Fact], newest: Fact) -> None:
            if depth == len(plan.rest):
                if plan.rule.negated:
                    waiting[plan.rule.layer].append((plan.rule, tuple(chosen), frame.copy()))
                else:
                    fire(plan.rule, tuple(chosen), frame)
                return
            _, position, fields, select, binds, repeats, older = plan.rest[depth]
            for fact in index[fields].get(select(frame), ()):
                if older and fact is newest:
                    continue
                for field, place in binds:
                    frame[place] = fact[field]
                if repeats and any(fact[field] != frame[place] for field, place in repeats):
                    continue
                chosen[position] = fact
                extend(plan, depth + 1, frame, chosen, newest)

        for layer in range(max(self._layers.values(), default=0) + 1):
            while queue or waiting[layer]:
                for item in waiting.pop(layer, ()):
                    fire(*item)
                while queue:
                    newest = queue.popleft()
                    seen.add(newest[:2])
                    seen.add(newest[:3])
                    for fields, key_of in self._joined.get(newest.kind, ()):
                        index[fields].setdefault(key_of(newest), []).append(newest)
                    for key_of, by_key in self._plans.get(newest.kind, ()):
                        for plan in by_key.get(key_of(newest), ()):
                            if not plan.needs <= seen:  # most attempts end here
                                continue
                            begin = plan.first
                            frame = plan.rule.frame.copy()
                            for field, place in begin.binds:
                                frame[place] = newest[field]
                            if begin.repeats and any(newest[f] != frame[place] for f, place in begin.repeats):
                                continue
                            extend(plan, 0, frame, [newest] * plan.rule.positive, newest)
        return arrange(given, firings, self._layers)


def _plans(rule: Rule, layer: int) -> list[_Plan]:
    """A plan for each positive condition."""
    positive = [p for p in rule.when if not p.negated]
    negated = [p for p in rule.when if p.negated]
    names = list(dict.fromkeys(name for p in positive for name in variables(p)))
    frame = [""] * len(names)
    places: dict[str | Var, int] = {Var(name): place for place, name in enumerate(names)}

    def places_of(pattern: Pattern) -> tuple[int, ...]:
        for term in pattern[:4]:
            if term not in places:
                places[term] = len(frame)
                frame.append(str(term))
        return tuple(places[term] for term in pattern[:4])

    wanted = [places_of(p) for p in positive]
    holds, lacks = iter(range(len(positive))), iter(range(len(negated)))
    compiled = _Compiled(
        rule.id,
        layer,
        tuple(names),
        frame,
        len(positive),
        tuple(~next(lacks) if p.negated else next(holds) for p in rule.when),
        tuple(itemgetter(*places_of(p)) for p in negated),
        tuple(itemgetter(*places_of(p)) for p in rule.then),
    )
    found = []
    keys = [_constant_start(p) for p in positive]
    name_sets = [{place for place in row if place < len(names)} for row in wanted]
    for begin in range(len(positive)):
        bound: set[int] = set()
        steps = []
        for i in join_order(name_sets, begin):
            steps.append(_step(positive[i].kind, i, wanted[i], name_sets[i] - bound, older=i < begin))
            bound |= name_sets[i]
        needs = frozenset(key for i, key in enumerate(keys) if i != begin and key)
        found.append(_Plan(compiled, steps[0], tuple(steps[1:]), needs))
    return found


def _constant_start(pattern: Pattern) -> tuple[str, ...]:
    """Kind and key, and the value too if it is a constant; nothing when the key is a variable."""
    kind, key, value = pattern[:3]
    if isinstance(key, Var):
        return ()
    return (kind, key) if isinstance(value, Var) else (kind, key, value)


def _step(kind: str, position: int, wanted: tuple[int, ...], free: set[int], older: bool) -> _Step:
    """`wanted`: places in the frame of the condition's four strings; `free`: those of them not filled yet."""
    fields = tuple(field for field, place in enumerate(wanted) if place not in free)
    binds = tuple((wanted.index(place), place) for place in sorted(free))
    repeats = tuple((f, p) for f, p in enumerate(wanted) if p in free and (f, p) not in binds)
    return _Step(kind, position, fields, itemgetter(*(wanted[f] for f in fields)), binds, repeats, older)
