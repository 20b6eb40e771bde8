"""The third opinion: the same rules in CLIPS, with its own `not` and the layers as salience."""

from __future__ import annotations

from collections.abc import Iterable

import clips

from diagnose.inference.strata import stratify
from diagnose.inference.terms import Fact, Pattern, Rule, Term, Var, check_rules

_SLOTS = ("kind", "key", "value", "place")
_TEMPLATE = f"(deftemplate f {' '.join(f'(slot {slot} (type STRING))' for slot in _SLOTS)})"


class ClipsReference:
    """Rules compiled into one CLIPS environment."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        checked = check_rules(rules)
        layers = stratify(checked)
        self._environment = clips.Environment()
        self._environment.build(_TEMPLATE)
        for number, rule in enumerate(checked):
            self._environment.build(_defrule(number, rule, layers[rule.id]))
        self._template = self._environment.find_template("f")

    def infer(self, facts: Iterable[Fact]) -> set[Fact]:
        """Everything that holds."""
        self._environment.reset()
        for fact in sorted(set(facts)):
            self._template.assert_fact(**dict(zip(_SLOTS, fact, strict=True)))
        self._environment.run()
        return {
            Fact(*(str(fact[slot]) for slot in _SLOTS))
            for fact in self._environment.facts()
            if fact.template.name == "f"
        }


def _defrule(number: int, rule: Rule, layer: int) -> str:
    names: dict[str, str] = {}

    def term(value: Term) -> str:
        if isinstance(value, Var):
            return names.setdefault(value.name, f"?v{len(names)}")
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'

    def pattern(p: Pattern) -> str:
        body = " ".join(f"({slot} {term(t)})" for slot, t in zip(_SLOTS, p[:4], strict=True))
        return f"(not (f {body}))" if p.negated else f"(f {body})"

    when = [pattern(p) for p in rule.when if not p.negated] + [pattern(p) for p in rule.when if p.negated]
    then = [f"(assert {pattern(p)})" for p in rule.then]
    return f"(defrule r{number} (declare (salience {-layer})) {' '.join(when)} => {' '.join(then)})"
