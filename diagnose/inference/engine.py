"""The adapter to durable-rules.

Only generated definitions reach the engine, with equality tests on short strings, and nothing of it is used
but matching: our loop asserts facts, reads which rule matched what, and decides. Why each precaution is
there:

- Rules come in groups with the group's symbol as first test, and a fact is asserted once in each group that
  looks at it: the engine refuses a fact that is joined in more than 64 conditions, and hangs or corrupts
  memory beyond a few hundred tests beside each other.
- A state is made for each inference and deleted after it, because retraction does not withdraw conclusions. A
  rule that does nothing fires first: deleting a state in which nothing fired crashes the interpreter.
- An absence is asserted as a fact of its own once everything below its layer is settled: the engine's own
  negation depends on the order of arrival.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from itertools import count
from json.encoder import encode_basestring
from types import TracebackType
from typing import Any, NamedTuple

from diagnose.inference.absences import Candidates, Guards
from diagnose.inference.library import Library, library
from diagnose.inference.strata import stratify
from diagnose.inference.terms import (
    NOT,
    Fact,
    Firing,
    Pattern,
    Rule,
    Term,
    Var,
    absence,
    bind,
    check_facts,
    check_rules,
    ground,
    join_order,
    variables,
)
from diagnose.inference.trace import Trace, arrange

RULES_IN_GROUP = 60
CONDITIONS_IN_GROUP = 400
CONDITIONS_ON_ONE_FACT = 60  # the engine's limit is 64 joined conditions (not rules) for one fact
GROUPS_IN_RULESET = 60  # the engine's limit is 4096 rules

_START = '{"all": [{"m": {"$and": [{"g": "start"}]}}]}'
_FIELDS = ("k", "y", "v", "p")  # kind, key, value, place
_ruleset_numbers = count(1)


class _Match(NamedTuple):
    """What a firing of one generated rule means."""

    rule: Rule
    aliases: tuple[str, ...]  # in the order of `when`
    positive: tuple[tuple[str, Pattern], ...]


class Engine:
    """Rules compiled into the rule engine. One inference at a time; any number of engines in one process.

    Raises ValueError for rules that `terms.check_rules` or `strata.stratify` refuse, RuntimeError when the
    engine's library cannot be loaded. Call `close` (or use `with`) to free the compiled rules: about 2 MB for
    300 of them.
    """

    def __init__(self, rules: Iterable[Rule]) -> None:
        checked = check_rules(rules)
        self._layers = stratify(checked)
        self._guards = Guards(checked, self._layers)
        self._library: Library = library()
        self._matches: dict[str, _Match] = {}
        # kind, key and value (None: any) of the facts that each group looks at -> ruleset, group
        self._looks: dict[tuple[str, str | None, str | None], list[tuple[int, str]]] = defaultdict(list)
        self._live: list[tuple[int, str]] = []  # states that exist, as ruleset and sid
        self._numbers = count(1)
        self._open = True
        groups = _groups(checked)
        self._rulesets: list[int] = []
        for first in range(0, len(groups), GROUPS_IN_RULESET):
            self._compile(groups[first : first + GROUPS_IN_RULESET])

    def _compile(self, groups: Sequence[Sequence[Rule]]) -> None:
        definition: dict[str, Any] = {"start": json.loads(_START)}
        at = len(self._rulesets)
        for number, group in enumerate(groups):
            symbol = f"g{number}"
            for rule in group:
                name = f"r{len(self._matches)}"
                definition[name], self._matches[name] = _definition(rule, symbol)
            for look in {(*_look(p), _constant(p.value)) for rule in group for p in rule.when}:
                self._looks[look].append((at, symbol))
        ruleset_name = f"inference-{next(_ruleset_numbers)}"
        self._rulesets.append(
            self._library.create_ruleset(ruleset_name, json.dumps(definition, ensure_ascii=False))
        )

    def infer(self, facts: Iterable[Fact]) -> Trace:
        """All conclusions from `facts`, in any order and with repetitions.

        Raises ValueError for an unusable fact, RuntimeError when the engine refuses one or is closed.
        """
        if not self._open:
            raise RuntimeError("this engine is closed; make a new one")
        given = check_facts(facts)
        self._discard_states()
        try:
            firings = _Run(self, given).firings()
        finally:
            self._discard_states()
        return arrange(given, firings, self._layers)

    def close(self) -> None:
        """Free the compiled rules. A second call does nothing."""
        if self._open:
            self._open = False
            self._discard_states()
            while self._rulesets:
                self._library.delete_ruleset(self._rulesets.pop())

    def __enter__(self) -> Engine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.close()

    def _open_state(self, ruleset: int, sid: str) -> int:
        """Make something fire in a state, new or not, so that it may be deleted; returns its handle."""
        code, state = self._library.assert_fact(
            ruleset, f'{{"id":"s{next(self._numbers)}","sid":"{sid}","g":"start"}}'
        )
        if code:
            raise RuntimeError(f"the rule engine did not open a state (code {code}); restart the program")
        self._library.start_action_for_state(ruleset, state)
        return state

    def _discard_states(self) -> None:
        # Also after an interruption at any point, hence nothing is assumed about what has fired.
        while self._live:
            ruleset, sid = self._live[-1]
            self._open_state(ruleset, sid)
            self._library.delete_state(ruleset, sid)
            self._live.pop()


class _Run:
    """One inference."""

    def __init__(self, engine: Engine, given: tuple[Fact, ...]) -> None:
        self._engine = engine
        self._library = engine._library
        self._given = given
        self._known: set[Fact] = set(given)
        self._absent: set[Fact] = set()
        self._by_id: dict[str, Fact] = {}
        self._found: list[Firing] = []
        self._sid = f"s{next(engine._numbers)}"
        self._states: list[int] = []
        for ruleset in engine._rulesets:
            engine._live.append((ruleset, self._sid))
            state = engine._open_state(ruleset, self._sid)
            self._library.complete_and_start_action(ruleset, state)
            self._states.append(state)

    def firings(self) -> list[Firing]:
        """Run to the end."""
        candidates = Candidates(self._engine._guards)
        pending: dict[int, list[Fact]] = defaultdict(list)
        for layer, fact in candidates.at_once():
            pending[layer].append(fact)
        new = list(self._given)
        for layer in range(max(self._engine._layers.values(), default=0) + 1):
            while new or pending[layer]:
                for fact in new:
                    for from_layer, absent in candidates.after(fact):
                        pending[max(layer, from_layer)].append(absent)
                    self._assert(fact)
                for fact in pending.pop(layer, ()):
                    if fact not in self._known and fact not in self._absent:
                        self._absent.add(fact)
                        self._assert(absence(fact))
                new = self._drain()
        return self._found

    def _assert(self, fact: Fact) -> None:
        kind, key, value, _ = fact
        looks = self._engine._looks
        groups = {
            group
            for look in ((kind, key, value), (kind, key, None), (kind, None, value), (kind, None, None))
            for group in looks.get(look, ())
        }
        body = ",".join(
            f'"{name}":{encode_basestring(text)}' for name, text in zip(_FIELDS, fact, strict=True)
        )
        for at, group in sorted(groups):
            number = f"f{len(self._by_id)}"
            self._by_id[number] = fact
            message = f'{{"id":"{number}","sid":"{self._sid}","g":"{group}",{body}}}'
            try:
                code, _ = self._library.assert_fact(self._engine._rulesets[at], message)
            except Exception as error:
                raise RuntimeError(
                    f"the rule engine refused the fact '{fact}' ({error}); report this rule base"
                ) from error
            if code not in (0, 1):
                raise RuntimeError(
                    f"the rule engine took '{fact}' for another one (code {code}); report this rule base"
                )

    def _drain(self) -> list[Fact]:
        new: list[Fact] = []
        for ruleset, state in zip(self._engine._rulesets, self._states, strict=True):
            started = self._library.start_action_for_state(ruleset, state)
            message = started[1] if started else None
            while message:
                self._take(message, new)
                message = self._library.complete_and_start_action(ruleset, state)
        return new

    def _take(self, message: str, new: list[Fact]) -> None:
        ((name, matched),) = json.loads(message).items()
        match = self._engine._matches[name]
        facts = {alias: self._by_id[fact["id"]] for alias, fact in matched.items()}
        bindings: dict[str, str] = {}
        # Tests a variable that stands twice in one pattern, too: the engine cannot compare within a fact.
        if not all(bind(pattern, facts[alias], bindings) for alias, pattern in match.positive):
            return
        conclusions = tuple(ground(pattern, bindings) for pattern in match.rule.then)
        premises = tuple(facts[alias] for alias in match.aliases)
        self._found.append(Firing(match.rule.id, premises, conclusions, tuple(bindings.items())))
        for fact in conclusions:
            if fact not in self._known:
                self._known.add(fact)
                new.append(fact)


def _groups(rules: Sequence[Rule]) -> list[list[Rule]]:
    """Groups within the limits; rules that begin with the same kind and key stand together, so that a fact
    concerns few.
    """
    groups: list[list[Rule]] = []
    conditions = 0
    counts: Counter[tuple[str, str | None]] = Counter()
    for rule in sorted(rules, key=lambda rule: (rule.when[0].kind, _constant(rule.when[0].key) or "")):
        looks = Counter(_look(p) for p in rule.when)
        if (
            not groups
            or len(groups[-1]) == RULES_IN_GROUP
            or conditions + len(rule.when) > CONDITIONS_IN_GROUP
            or _most_on_one_fact(counts + looks) > CONDITIONS_ON_ONE_FACT
        ):
            groups.append([])
            conditions, counts = 0, Counter()
        groups[-1].append(rule)
        conditions += len(rule.when)
        counts += looks
    return groups


def _most_on_one_fact(counts: Counter[tuple[str, str | None]]) -> int:
    return max(
        number + (counts[kind, None] if key is not None else 0) for (kind, key), number in counts.items()
    )


def _look(pattern: Pattern) -> tuple[str, str | None]:
    kind = NOT + pattern.kind if pattern.negated else pattern.kind
    return kind, _constant(pattern.key)


def _constant(term: Term) -> str | None:
    return None if isinstance(term, Var) else term


def _definition(rule: Rule, group: str) -> tuple[dict[str, Any], _Match]:
    """The engine's form of one rule, and what its firings mean."""
    when = rule.when
    positive = [i for i, p in enumerate(when) if not p.negated]
    order = [positive[i] for i in join_order([set(variables(when[i])) for i in positive], 0)]
    order += [i for i, p in enumerate(when) if p.negated]  # last: all their variables are then bound
    bound: dict[str, dict[str, str]] = {}  # variable -> where it was bound
    conditions: list[dict[str, Any]] = []
    for i in order:
        pattern, alias = when[i], f"c{i}"
        constants: list[dict[str, Any]] = [{"g": group}, {"k": _look(pattern)[0]}]
        joins: list[dict[str, Any]] = []
        for field, term in zip(_FIELDS[1:], pattern[1:4], strict=True):
            if not isinstance(term, Var):
                constants.append({field: term})
            elif term.name in bound:
                joins.append({field: bound[term.name]})
        for field, term in zip(_FIELDS[1:], pattern[1:4], strict=True):
            if isinstance(term, Var):
                bound.setdefault(term.name, {alias: field})
        conditions.append({alias: {"$and": constants + joins}})
    match = _Match(
        rule, tuple(f"c{i}" for i in range(len(when))), tuple((f"c{i}", when[i]) for i in positive)
    )
    # dist 0: one fact may serve for two conditions, as in logic.
    return {"all": conditions, "dist": 0}, match
