"""Time to build and to infer, of the engine, the plain matcher and CLIPS, over the same rules and facts.

Run it with `python tests/bench/bench_inference.py`. The shape is that of a rule base of the trade: one to
four conditions at one place, constant keys and outcomes, chains of four findings, negation over three
layers. All three must agree.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

sys.path.insert(0, str(Path(__file__).parents[2]))

from diagnose.inference.engine import Engine
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Fact, Pattern, Rule, Var
from tests.inference.clips_reference import ClipsReference

T = TypeVar("T")
PLACE = Var("P")
OUTCOMES = ("low", "high", "absent", "open")


def base(rules: int, facts: int, places: int, seed: int = 1) -> tuple[list[Rule], list[Fact]]:
    """`rules` rules over a third as many checks, and `facts` different facts at `places` units."""
    draw = random.Random(seed)
    checks = [f"check-{i}" for i in range(max(4, rules // 3))]
    made = []
    for number in range(rules):
        link = number % 4
        layer = number // 4 % 3
        when = [
            Pattern("reading", draw.choice(checks), draw.choice(OUTCOMES), PLACE)
            for _ in range(draw.choice([1, 1, 2, 2, 3]))
        ]
        if link:  # each chain: four findings, one from the other
            when[0] = Pattern("finding", f"f{number - 1}", "yes", PLACE)
        elif layer:
            lower = draw.choice(range(max(1, number // 4)))
            lower -= (lower % 3 - (layer - 1)) if lower % 3 >= layer else 0
            when.append(Pattern("finding", f"f{4 * lower + 3}", "yes", PLACE, negated=True))
        made.append(Rule(f"rule-{number}", tuple(when), (Pattern("finding", f"f{number}", "yes", PLACE),)))
    given: set[Fact] = set()
    readings = [p for rule in made for p in rule.when if p.kind == "reading"]
    while len(given) < facts:
        pattern = draw.choice(readings)
        given.add(Fact("reading", str(pattern.key), str(pattern.value), f"unit {draw.randrange(places)}"))
    return made, sorted(given)


def timed(action: Callable[[], T], times: int) -> tuple[float, T]:
    """Median milliseconds of `times` calls, and the last result."""
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        result = action()
        spent.append(time.perf_counter() - begin)
    return 1000 * median(spent), result


def conclusions(result: Any) -> set[Fact]:
    """What holds, whichever of the three said it."""
    return set(result) if isinstance(result, set) else set(result.facts)


def main() -> None:
    """Print the table."""
    print(f"{'rules':>6} {'facts':>6} {'units':>6} {'firings':>8}  {'':14} {'build ms':>9} {'infer ms':>9}")
    for rules, facts, places in ((300, 200, 12), (800, 300, 12), (800, 300, 247)):
        made, given = base(rules, facts, places)
        machines: Iterable[tuple[str, Callable[[list[Rule]], Any]]] = (
            ("durable-rules", Engine),
            ("plain matcher", PlainMatcher),
            ("CLIPS", ClipsReference),
        )
        expected = PlainMatcher(made).infer(given)
        head = f"{rules:6} {facts:6} {places:6} {len(expected.firings):8}"
        for name, machine in machines:
            build, ready = timed(partial(machine, made), 5)
            infer, result = timed(partial(ready.infer, given), 15)
            assert conclusions(result) == set(expected.facts), name
            print(f"{head}  {name:14} {build:9.1f} {infer:9.2f}")
            head = " " * len(head)


if __name__ == "__main__":
    main()
