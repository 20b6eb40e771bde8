"""Dangers cannot be missed, lost or waved away: random paths over the real session, ways out, and weaknesses planted on purpose.

The oracle (`oracle.py`) shares no code with the gate or with the fold of dangers. `tests/bench/danger_walk.py` walks as many
paths as wanted.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from diagnose.knowledge.load import load
from diagnose.shell.safety import SAFE_WORDS
from tests.safety.oracle import SIGNS, blocks
from tests.safety.planted import PLANTED, planted
from tests.safety.run import Op, Run, shrink
from tests.safety.walk import FEW, walk
from tests.safety.ways import Way, begin, faulty, go, say, signs
from tests.safety.world import World

PATHS = range(25, 50)
WAYS = signs(load())
FAULTY = faulty(load())


@pytest.fixture(scope="module")
def world() -> Iterator[World]:
    made = World(load())
    yield made
    made.close()


def test_the_oracle_is_independent() -> None:
    """Neither oracle nor judge imports what decides about dangers and steps."""
    for name in ("oracle.py", "judge.py", "where.py"):
        tree = ast.parse((Path(__file__).parent / name).read_text())
        imported = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
        imported |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        for module in ("gate", "dangers", "entries", "concluded", "assess", "proof", "suspects"):
            assert f"diagnose.casework.{module}" not in imported


def test_random_paths_break_no_rule(world: World) -> None:
    tally: Counter[str] = Counter()
    for seed in PATHS:
        run = walk(world, seed, tally, FEW)
        assert not run.found, "\n".join(shrink(world, f).told() for f in run.found)
    assert tally["offered"] > 10 * len(PATHS)
    assert tally["standing"] > 3 * len(PATHS)
    assert tally["raised"] > len(PATHS)
    assert tally["heard"] > len(PATHS) / 4
    assert tally["lifted"] > 0


def test_every_sign_has_a_block() -> None:
    k = load()
    for way in WAYS:
        assert any(r.check == way.check for d in blocks(k, way.check, way.sign) for r in d.raised_by), str(way)


@pytest.mark.parametrize("way", WAYS, ids=str)
def test_the_whole_way_lifts(world: World, way: Way) -> None:
    """Made safe, repaired, energized, proved, looked at, by an electrician: both program and oracle call it over."""
    run = go(world, way)
    assert not run.found, run.found[0].told()
    assert run.picture is not None
    assert [d.status for d in run.picture.dangers] == ["lifted"]
    assert run.shown.seen is not None
    assert not run.shown.seen.stop_use


@pytest.mark.parametrize("way", FAULTY[:: len(FAULTY) // 14 | 1], ids=str)
def test_half_a_way_does_not_lift(world: World, way: Way) -> None:
    """One part left out, or done by too low a role. The bench walks all of these."""
    run = go(world, way)
    assert not run.found, run.found[0].told()
    assert run.picture is not None
    assert any(d.open for d in run.picture.dangers)
    assert run.shown.seen is not None
    assert run.shown.seen.stop_use


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_weakness_is_found(world: World, name: str) -> None:
    weakness = PLANTED[name]
    sound = weakness.shortest(world)
    assert not sound.found, sound.found[0].told()
    with planted(weakness):
        assert weakness.shortest(world).found, weakness.says


def test_a_kill_after_the_first_entry_loses_no_danger(world: World) -> None:
    """Whatever a line was about to record, the list of cases tells of the danger before the case is opened again."""
    for line in ("there is smoke coming out of unit 1", "danger it looks dangerous to me", "note the handle is melted"):
        run = begin(world, Way(SIGNS[0], "not-clear"))
        run.do(Op("kill", line))
        run.close()
        assert not run.found, run.found[0].told()
    run = Run(world)
    run.do(Op("start", "help-desk", "one"))
    say(run, "n", "I got a shock from the post")
    run.do(Op("kill", "y"))
    run.close()
    assert not run.found, run.found[0].told()


def test_a_kill_after_a_reading_loses_no_danger(world: World) -> None:
    *before, last = PLANTED["mark"].shortest(world).script
    run = Run(world)
    for op in before:
        run.do(op)
    run.do(Op("kill", last.text))
    run.close()
    assert not run.found, run.found[0].told()


def test_a_fact_makes_nothing_safe(world: World) -> None:
    run = Run(world)
    run.do(Op("start", "electrician", "two panels"))
    say(run, "15", "panel 1", "danger the cover of unit 3 hangs off", "y", "3", "made-safe panel 1", "breaker 3", "lock 7", SAFE_WORDS)
    say(run, "role caller", "fact unit.panel 3 1")
    run.close()
    assert not run.found, run.found[0].told()


def test_an_old_report_makes_no_new_danger_safe(world: World) -> None:
    run = go(world, Way(SIGNS[1], "open-cover", part="power", fault="left-out"), end=False)
    say(run, "read panel-inside-look at panel 1 = burnt")
    run.close()
    assert not run.found, run.found[0].told()
