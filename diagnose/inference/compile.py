"""The rule base as forward-chaining rules over flat facts of short strings.

Two rule sets. *Effects* run from suspects and install facts to what each fault shows; their facts
carry the symbol of a place variant, so their number does not grow with the site. *Readings* run
from what has been answered, with the install facts, to findings, cautions and audit violations.

Fact kinds: suspect, fact, barred, possible, active, shows | reading, pattern, finding, excludes,
settles, prior, caution, stop-use, ask. Alternatives are expanded into several rules, as the engine
knows equality only.
"""

from __future__ import annotations

from itertools import product
from typing import NamedTuple

from diagnose.inference.terms import Pattern, Rule, Var
from diagnose.knowledge import model as m

HERE = Var("here")
FAULT = Var("fault")


class Effect(NamedTuple):
    """What a `shows` conclusion stands for: the line of the rule base behind the rule id."""

    owner: str
    show: m.Show


class Compiled(NamedTuple):
    """Both rule sets, and what their rule ids stand for."""

    effects: tuple[Rule, ...]
    readings: tuple[Rule, ...]
    shows: dict[str, Effect]
    causes: dict[str, m.Cause]
    fact_keys: frozenset[str]
    reading_rules: dict[str, m.ReadingRule]


def _fact_patterns(given: m.Given) -> list[tuple[Pattern, ...]]:
    """Each way of meeting all of `given`, at the place HERE."""
    return [
        tuple(Pattern("fact", key, word, HERE) for (key, _), word in zip(given, words, strict=True))
        for words in product(*(words for _, words in given))
    ]


def _named(base: str, ways: list[tuple[Pattern, ...]]) -> list[tuple[str, tuple[Pattern, ...]]]:
    return [(base if len(ways) == 1 else f"{base}~{i}", way) for i, way in enumerate(ways)]


def compile_rules(k: m.Knowledge) -> Compiled:
    """Both rule sets of a rule base that has passed its checks."""
    effects: list[Rule] = []
    shows: dict[str, Effect] = {}
    causes: dict[str, m.Cause] = {}
    keys: set[str] = set()

    def note(given: m.Given) -> None:
        keys.update(key for key, _ in given)

    for f in k.faults.values():
        note(f.given)
        note(f.unless)
        bars = [
            Rule(f"{f.id}/barred/{key}={word}", (Pattern("suspect", f.id, "yes", HERE), Pattern("fact", key, word, HERE)),
                 (Pattern("barred", f.id, "yes", HERE),))
            for key, words in f.unless for word in words
        ]  # fmt: skip
        effects += bars
        absent = (Pattern("barred", f.id, "yes", HERE, negated=True),) if bars else ()
        for name, way in _named(f"{f.id}/possible", _fact_patterns(f.given)):
            when = (Pattern("suspect", f.id, "yes", HERE), *way, *absent)
            effects.append(Rule(name, when, (Pattern("possible", f.id, "yes", HERE),)))
        for i, cause in enumerate(f.causes):
            note(cause.given)
            for name, way in _named(f"{f.id}/causes/{i}", _fact_patterns(cause.given)):
                causes[name] = cause
                when = (Pattern("possible", f.id, "yes", HERE), *way)
                effects.append(Rule(name, when, (Pattern("active", cause.mechanism, f.id, HERE),)))
        for show in f.shows:
            note(show.given)
        effects += _show_rules(f.id, f.shows, Pattern("possible", f.id, "yes", HERE), f.id, shows)
    for mech in k.mechanisms.values():
        for show in mech.shows:
            note(show.given)
        effects += _show_rules(mech.id, mech.shows, Pattern("active", mech.id, FAULT, HERE), FAULT, shows)
    readings: list[Rule] = []
    reading_rules: dict[str, m.ReadingRule] = {}
    for r in k.rules.values():
        keys.update(w.key for w in r.when if w.sort == "fact")
        for name, rule in _reading_rules(r):
            readings.append(rule)
            reading_rules[name] = r
    return Compiled(tuple(effects), tuple(readings), shows, causes, frozenset(keys), reading_rules)


def _show_rules(
    owner: str, lines: tuple[m.Show, ...], start: Pattern, fault: str | Var, shows: dict[str, Effect]
) -> list[Rule]:
    """The `shows` lines of a fault or mechanism; lines with the same conditions become one rule."""
    by_way: dict[tuple[Pattern, ...], list[Pattern]] = {}
    for i, show in enumerate(lines):
        name = f"{owner}/shows/{i}"
        shows[name] = Effect(owner, show)
        for way in _fact_patterns(show.given):
            by_way.setdefault(way, []).append(Pattern("shows", name, fault, HERE))
    return [Rule(f"{owner}/shows~{n}", (start, *way), tuple(then)) for n, (way, then) in enumerate(by_way.items())]


def _reading_rules(r: m.ReadingRule) -> list[tuple[str, Rule]]:
    ways = list(product(*(w.words or ("yes",) for w in r.when)))
    made: list[tuple[str, Rule]] = []
    for i, words in enumerate(ways):
        name = r.id if len(ways) == 1 else f"{r.id}~{i}"
        when: list[Pattern] = []
        for n, (w, word) in enumerate(zip(r.when, words, strict=True)):
            place = HERE if r.same_place or n == 0 else Var(f"place{n}")
            when.append(_condition(w, word, place))
        for w in r.unless:
            # Over joined rules the absence is asked for at the same place, over others anywhere on the site.
            when.append(Pattern("finding", w.key, "yes", HERE if r.same_place else "anywhere", negated=True))
        then = tuple(p for t in r.then for p in _conclusion(t))
        made.append((name, Rule(name, tuple(when), then)))
    return made


def _condition(w: m.When, word: str, place: Var) -> Pattern:
    if w.sort == "reading":
        return (
            Pattern("pattern", f"{w.key}:{w.pattern}", word, place)
            if w.pattern
            else Pattern("reading", w.key, word, place)
        )
    if w.sort == "fact":
        return Pattern("fact", w.key, word, place)
    return Pattern("finding", w.key, "yes", place)


def _conclusion(t: m.Then) -> tuple[Pattern, ...]:
    if t.sort in ("finding", "violation"):
        return (Pattern("finding", t.key, "yes", HERE), Pattern("finding", t.key, "yes", "anywhere"))
    if t.sort == "prior":
        return (Pattern("prior", t.key, t.word, HERE),)
    return (Pattern(t.sort, t.key, "yes", HERE),)
