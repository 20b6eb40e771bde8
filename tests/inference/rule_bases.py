"""Generated rule bases and facts for comparing the three machines."""

from __future__ import annotations

import random

from diagnose.inference.terms import Fact, Pattern, Rule, Term, Var, variables

AWKWARD = (
    "plain",
    "two words",
    'say "off"',
    "back\\slash",
    "tail\\",
    "{'a':1}",
    "Ω > 0,3 MΩ",
    "日本",
    "\u00e9",
    "e\u0301",
    "?x",
    "$and",
    "",
)
"""Values that a careless translation would spoil; the two accented ones are different spellings of one
letter.
"""


def _pick_place(draw: random.Random, scope: list[str]) -> Term:
    return Var(draw.choice(scope)) if draw.random() < 0.85 else f"unit {draw.randrange(4)}"


def _condition(
    draw: random.Random, keys: list[tuple[str, str]], values: list[str], scope: list[str]
) -> Pattern:
    kind, key = draw.choice(keys)
    value: Term = draw.choice(values) if draw.random() < 0.75 else Var(draw.choice(["V", "W"]))
    chosen_key: Term = Var("K") if draw.random() < 0.04 and kind in ("reading", "fact") else key
    return Pattern(kind, chosen_key, value, _pick_place(draw, scope))


def rule_base(draw: random.Random, size: int, layers: int = 3, width: int = 6) -> list[Rule]:
    """`size` rules in `layers`: joins of one to four conditions, chains and loops within a layer, negation of
    lower ones.

    `width`: how many keys and values there are of each sort; small ones make many facts match.
    """
    values = draw.sample(AWKWARD, min(width, len(AWKWARD)))
    given = [(kind, f"{kind[0]}{i}") for kind in ("reading", "fact") for i in range(width)]
    derived: list[list[tuple[str, str]]] = [
        [(draw.choice(["finding", "mechanism"]), f"d{layer}.{i}") for i in range(max(2, width // 2))]
        for layer in range(layers)
    ]
    rules = []
    for number in range(size):
        layer = draw.randrange(layers) if number >= layers * 3 else number % layers
        lower = [k for below in derived[:layer] for k in below]
        usable = given * 2 + [k for below in derived[: layer + 1] for k in below]
        when = [
            _condition(draw, given if i == 0 else usable, values, ["P", "P", "P", "Q"])
            for i in range(draw.choice([1, 2, 2, 3, 4]))
        ]
        bound = sorted({name for p in when for name in variables(p)})
        if layer and draw.random() < 0.5:
            for _ in range(draw.choice([1, 1, 2])):
                kind, key = draw.choice(lower)
                place = Var(draw.choice(bound)) if bound and draw.random() < 0.9 else "unit 1"
                value: Term = (
                    Var(draw.choice(bound)) if bound and draw.random() < 0.2 else draw.choice(values)
                )
                when.insert(draw.randrange(len(when) + 1), Pattern(kind, key, value, place, negated=True))
        then = []
        for _ in range(draw.choice([1, 1, 1, 2])):
            kind, key = draw.choice(derived[layer])
            value = Var(draw.choice(bound)) if bound and draw.random() < 0.15 else draw.choice(values)
            then.append(Pattern(kind, key, value, Var(draw.choice(bound)) if bound else "site"))
        rules.append(Rule(f"rule-{number}", tuple(when), tuple(then)))
    return _with_derivers(rules)


def _with_derivers(rules: list[Rule]) -> list[Rule]:
    """Without the negations of what no rule happens to derive."""
    derived = {(p.kind, p.key) for rule in rules for p in rule.then}
    return [
        rule._replace(when=tuple(p for p in rule.when if not p.negated or (p.kind, p.key) in derived))
        for rule in rules
    ]


def facts_for(draw: random.Random, rules: list[Rule], count: int, places: int = 4) -> list[Fact]:
    """Given facts that the rules look at, sometimes also a given one of a derived kind."""
    looked_at = [p for rule in rules for p in rule.when if not p.negated]
    given = [p for p in looked_at if p.kind in ("reading", "fact")]
    values = sorted({p.value for p in looked_at if isinstance(p.value, str)}) or ["plain"]
    facts = []
    for _ in range(count):
        pattern = draw.choice(given if draw.random() < 0.95 else looked_at)
        key = pattern.key if isinstance(pattern.key, str) else "r0"
        value = (
            pattern.value if isinstance(pattern.value, str) and draw.random() < 0.7 else draw.choice(values)
        )
        facts.append(Fact(pattern.kind, key, value, f"unit {draw.randrange(places)}"))
    return facts
