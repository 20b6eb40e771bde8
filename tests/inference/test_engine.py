"""The engine adapter where it could hurt: limits, memory, interruptions, loading."""

from __future__ import annotations

import importlib
import os
import random
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from diagnose.inference import engine as engine_module
from diagnose.inference.engine import CONDITIONS_IN_GROUP, RULES_IN_GROUP, Engine
from diagnose.inference.library import library
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import Fact, Pattern, Rule, Var
from tests.inference.rule_bases import facts_for, rule_base

ROOT = Path(__file__).parents[2]
P = Var("P")


def run_apart(code: str, seconds: float = 60) -> str:
    """Run `code` in an interpreter of its own: a mistake near a limit crashes or hangs it."""
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=seconds,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.strip()


def small_base() -> tuple[list[Rule], list[Fact]]:
    draw = random.Random(3)
    rules = rule_base(draw, 20, width=2)
    return rules, facts_for(draw, rules, 12)


def test_groups_stay_within_the_limits() -> None:
    rules = rule_base(random.Random(5), 600, width=3)
    groups = engine_module._groups(rules)
    assert sorted(rule.id for group in groups for rule in group) == sorted(rule.id for rule in rules)
    for group in groups:
        patterns = [p for rule in group for p in rule.when]
        assert len(group) <= RULES_IN_GROUP
        assert len(patterns) <= CONDITIONS_IN_GROUP
        for p in patterns:
            alike = [q for q in patterns if (q.kind, q.negated) == (p.kind, p.negated)]
            assert sum(isinstance(q.key, Var) or q.key == p.key for q in alike) <= 60


def test_wide_bases_do_not_reach_the_limits() -> None:
    """4500 rules in more than one ruleset, 700 values beside each other, one fact in all rules."""
    out = run_apart("""
from diagnose.inference.engine import Engine
from diagnose.inference.matcher import PlainMatcher
from diagnose.inference.terms import *
P = Var("P")
shared = Pattern("fact", "trunk.kind", "rs485", "site")
rules = [
    Rule(f"r{i}", (Pattern("reading", "k", f"v{i % 700}", P), shared), (Pattern("f", f"f{i}", "yes", P),))
    for i in range(4500)
]
facts = [Fact("fact", "trunk.kind", "rs485", "site")]
facts += [Fact("reading", "k", f"v{i}", "unit 1") for i in range(0, 700, 7)]
with Engine(rules) as engine:
    trace = engine.infer(facts)
    assert trace == PlainMatcher(rules).infer(facts)
    print(len(engine._rulesets), len(trace.derived))
""")
    rulesets, derived = map(int, out.split())
    assert rulesets > 1
    assert derived == sum(1 for i in range(4500) if i % 700 % 7 == 0)


def test_sixteen_conditions_and_a_long_chain() -> None:
    out = run_apart("""
from diagnose.inference.engine import Engine
from diagnose.inference.terms import *
P = Var("P")
at = [Pattern("f", f"k{i}", "yes", P) for i in range(301)]
chain = [Rule(f"c{i}", (at[i],), (at[i + 1],)) for i in range(300)]
wide = Rule("wide", tuple(at[:16]), (Pattern("g", "all", "yes", P),))
with Engine([*chain, wide]) as engine:
    trace = engine.infer([Fact("f", "k0", "yes", f"unit {n}") for n in range(5)])
print(len(trace.find("g")), len(trace.find("f", "k300")))
""")
    assert out == "5 5"


def test_memory_stays_flat() -> None:
    """2000 inferences and 60 engines: the second half may not take a megabyte more than the first."""
    out = run_apart("""
import os, random, sys
from diagnose.inference.engine import Engine
from tests.inference.rule_bases import facts_for, rule_base
def resident():  # kB
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
if not os.path.exists("/proc/self/status"):
    print(0); sys.exit()
draw = random.Random(3)
rules = rule_base(draw, 20, width=2)
facts = facts_for(draw, rules, 12)
def half():
    with Engine(rules) as engine:
        for _ in range(1000):
            engine.infer(facts)
    for _ in range(30):
        Engine(rules).close()
half(); middle = resident(); half(); print(resident() - middle)
""")
    assert int(out) < 1024


def test_several_engines_side_by_side() -> None:
    bases = []
    for seed in range(4):
        draw = random.Random(seed)
        rules = rule_base(draw, 20)
        bases.append((Engine(rules), PlainMatcher(rules), facts_for(draw, rules, 12)))
    for round_ in range(3):
        for made, plain, facts in bases:
            assert made.infer(facts) == plain.infer(facts)
        bases[round_][0].close()
        bases = bases[:round_] + bases[round_ + 1 :] + [(Engine([]), PlainMatcher([]), [])]
    for made, _, _ in bases:
        made.close()


def test_a_closed_engine_says_so() -> None:
    made = Engine([])
    made.close()
    made.close()
    with pytest.raises(RuntimeError, match="closed; make a new one"):
        made.infer([])


class _Interrupting:
    """The library, pressing Ctrl-C at one call, before it or just after it."""

    def __init__(self, at: int, after: bool) -> None:
        self.left, self.after = at, after

    def __getattr__(self, name: str) -> Any:
        real = getattr(library(), name)

        def call(*arguments: Any) -> Any:
            self.left -= 1
            if self.left == 0 and not self.after:
                raise KeyboardInterrupt
            result = real(*arguments)
            if self.left == 0 and self.after:
                raise KeyboardInterrupt
            return result

        return call


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_ctrl_c_at_any_call_leaves_the_engine_usable(after: bool) -> None:
    rules, facts = small_base()
    expected = PlainMatcher(rules).infer(facts)
    assert len(expected.firings) > 5
    calls = interrupted = 0
    with Engine(rules) as made:
        while True:
            calls += 1
            made._library = _Interrupting(calls, after)
            try:
                made.infer(facts)
            except KeyboardInterrupt:
                interrupted += 1
                made._library = library()
                assert made.infer(facts) == expected
                assert not made._live
            else:
                made._library = library()
                break
    assert interrupted > len(expected.firings)


def test_a_clash_of_ids_is_an_error() -> None:
    rules = [Rule("a", (Pattern("r", "x", "bad", P),), (Pattern("f", "one", "yes", P),))]
    facts = [Fact("r", "x", "bad", "unit 1"), Fact("r", "x", "bad", "unit 2")]
    with Engine(rules) as made:
        real = made._library

        class Clashing:
            def __getattr__(self, name: str) -> Any:
                return getattr(real, name)

            def assert_fact(self, ruleset: int, message: str) -> tuple[int, int]:
                return real.assert_fact(ruleset, message.replace('"id":"f1"', '"id":"f0"'))

        made._library = Clashing()  # type: ignore[assignment]
        with pytest.raises(RuntimeError, match=r"for another one \(code 2\)"):
            made.infer(facts)
        made._library = real
        assert made.infer(facts) == PlainMatcher(rules).infer(facts)


def test_a_refused_fact_is_named() -> None:
    with Engine([Rule("a", (Pattern("r", "x", "bad", P),), (Pattern("f", "one", "yes", P),))]) as made:
        real = made._library

        class Refusing:
            def __getattr__(self, name: str) -> Any:
                return getattr(real, name)

            def assert_fact(self, ruleset: int, message: str) -> tuple[int, int]:
                if '"k":"r"' in message:
                    raise Exception("Could not assert fact, error code: 303")
                return real.assert_fact(ruleset, message)

        made._library = Refusing()  # type: ignore[assignment]
        with pytest.raises(RuntimeError, match=r"refused the fact 'r x=bad at unit 1'.*303"):
            made.infer([Fact("r", "x", "bad", "unit 1")])


@pytest.mark.parametrize(
    ("error", "wanted"),
    [
        (ModuleNotFoundError("No module named 'durable_rules_engine'"), "is not installed"),
        (ImportError("undefined symbol: PyEval_CallObject"), "does not load"),
    ],
)
def test_a_library_that_does_not_load_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, error: ImportError, wanted: str
) -> None:
    def fail(name: str) -> None:
        raise error

    flags = sys.getdlopenflags()
    monkeypatch.setattr(importlib, "import_module", fail)
    library.cache_clear()
    try:
        with pytest.raises(RuntimeError, match=wanted) as caught:
            Engine([])
    finally:
        library.cache_clear()
    message = str(caught.value)
    assert f"CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject {sys.executable} -m pip install" in message
    assert "\n" not in message
    assert sys.getdlopenflags() == flags


def test_loading_restores_the_linker_flags_and_needs_nothing_else() -> None:
    """Only the C library is loaded, not the package around it with its timer threads."""
    out = run_apart("""
import sys
before = sys.getdlopenflags()
import diagnose.inference.engine, diagnose.inference.matcher
assert "durable_rules_engine" not in sys.modules
with diagnose.inference.engine.Engine([]):
    pass
assert "durable_rules_engine" in sys.modules and "durable" not in sys.modules
print(sys.getdlopenflags() == before)
""")
    assert out == "True"
