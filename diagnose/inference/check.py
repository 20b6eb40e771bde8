"""What the engine would refuse in a compiled rule base, as problems at the lines of the blocks."""

from __future__ import annotations

from diagnose.inference.compile import Compiled
from diagnose.inference.strata import stratify
from diagnose.inference.terms import Rule, check_rules
from diagnose.knowledge import model as m
from diagnose.source.problems import Mark, Problem


def check_strata(knowledge: m.Knowledge, compiled: Compiled) -> list[Problem]:
    """Every rule that negates what depends on it, and every rule the engine cannot hold; empty when sound.

    `compiled` is the compiled form of `knowledge`, which has passed its other checks.
    """
    problems: list[Problem] = []
    for rules in (compiled.effects, compiled.readings):
        problems += _all_of(knowledge, compiled, list(rules))
    return sorted(set(problems))


def _all_of(knowledge: m.Knowledge, compiled: Compiled, rules: list[Rule]) -> list[Problem]:
    found: list[Problem] = []
    while True:
        try:
            stratify(check_rules(rules))
        except ValueError as error:
            name, _, rest = str(error).removeprefix("rule ").partition(": ")
            what, _, right = rest.partition("; ")
            block = _block(knowledge, compiled, name)
            if block is None:
                return [*found, Problem(Mark("rules", 1, 1), str(error), "", "engine")]
            cycle = "depends on it" in what
            mark = Mark(block.spot.file, block.spot.line, 1)
            lint = "negation-cycle" if cycle else "engine"
            found.append(Problem(mark, f"rule {block.id}: {_plain(what)}", right, lint))
            if not cycle:
                return found
            # With its negations left out, the other cycles show.
            rules = [_positive(r) if _block(knowledge, compiled, r.id) is block else r for r in rules]
        else:
            return found


def _positive(rule: Rule) -> Rule:
    return rule._replace(when=tuple(p for p in rule.when if not p.negated))


def _plain(text: str) -> str:
    """Names of blocks, without the numbers of the alternatives that they were expanded into."""
    words = text.split("~")
    return words[0] + "".join(word.lstrip("0123456789") for word in words[1:])


def _block(
    knowledge: m.Knowledge, compiled: Compiled, name: str
) -> m.ReadingRule | m.Fault | m.Mechanism | None:
    """The block from which the compiled rule of that name was made."""
    if name in compiled.reading_rules:
        return compiled.reading_rules[name]
    owner = name.split("/", 1)[0]
    return knowledge.faults.get(owner) or knowledge.mechanisms.get(owner)
