"""Random paths over the shell, each screen and each log held against an oracle of its own for dangers.

    python -m tests.bench.danger_walk N [SEED] [--jobs 2]   N random paths from SEED on (0)
    python -m tests.bench.danger_walk --ways                every way out: whole, a part left out, a part by too low a role
    python -m tests.bench.danger_walk --planted N           how many of N random paths it takes to find each planted weakness

Prints a table, and for each broken rule the shortest lines that show it. Ends with 1 when a rule is broken.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from multiprocessing import get_context
from multiprocessing.util import Finalize

from diagnose.knowledge.load import load
from tests.safety.judge import RULES
from tests.safety.planted import PLANTED, hunt
from tests.safety.run import Found, shrink
from tests.safety.walk import walk
from tests.safety.ways import faulty, go, signs
from tests.safety.world import World

FIGURES = {
    "paths": "paths",
    "states": "states (lines and resumptions)",
    "offered": "offered steps looked at",
    "standing": "states with a danger open or standing",
    "raised": "dangers raised",
    "heard": "words asked about",
    "lifted": "dangers lifted, each in the proper way",
    "stricter": "dangers kept although the oracle calls them over",
}
SHOWN = 3  # scripts printed for each broken rule
CHUNK = 250  # paths between two lines of progress
Part = tuple[Counter[str], Counter[str], list[Found]]


@lru_cache(maxsize=1)
def the_world() -> World:
    """One for each process: rule base and sites cost more than many paths."""
    world = World(load())
    Finalize(None, world.close, exitpriority=1)  # runs at the end of a worker as well
    return world


def part(seeds: range) -> Part:
    """Walk some seeds."""
    world = the_world()
    tally: Counter[str] = Counter()
    broken: Counter[str] = Counter()
    kept: list[Found] = []
    for seed in seeds:
        for found in walk(world, seed, tally).found:
            broken[found.broken.rule] += 1
            if broken[found.broken.rule] <= SHOWN:
                kept.append(shrink(world, found))
    return tally, broken, kept


def parts(paths: int, seed: int, jobs: int) -> Iterator[Part]:
    """Walk all seeds, in chunks, on several cores."""
    size = max(1, min(CHUNK, -(-paths // jobs)))
    chunks = [range(at, min(at + size, seed + paths)) for at in range(seed, seed + paths, size)]
    if jobs == 1:
        yield from map(part, chunks)
        return
    with get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap_unordered(part, chunks)
        pool.close()
        pool.join()


def random_paths(paths: int, seed: int, jobs: int) -> int:
    """Random paths; the number of broken rules."""
    began = time.monotonic()
    tally: Counter[str] = Counter()
    broken: Counter[str] = Counter()
    kept: list[Found] = []
    for some, bad, scripts in parts(paths, seed, jobs):
        tally += some
        broken += bad
        kept += scripts
        print(f"... {tally['paths']} paths, {sum(broken.values())} broken rules", file=sys.stderr, flush=True)
    took = time.monotonic() - began
    for name, says in FIGURES.items():
        print(f"| {says} | {tally[name]} |")
    for name, says in RULES.items():
        print(f"| {name}: {says} | {broken[name]} |")
    print(f"| seconds | {took:.0f} |\n| states a second | {tally['states'] / took:.0f} |")
    for rule in RULES:
        for found in [f for f in kept if f.broken.rule == rule][:SHOWN]:
            print(f"\n{found.told()}")
    return sum(broken.values())


def ways() -> int:
    """All ways out; the number of those that end wrong."""
    k = load()
    world = the_world()
    wrong = 0
    for whole, rows in ((True, signs(k)), (False, faulty(k))):
        bad = 0
        for way in rows:
            run = go(world, way)
            seen = run.shown.seen
            if run.found or seen is None or bool(seen.stop_use) == whole:
                bad += 1
                print(f"{way}: {run.found[0].told() if run.found else 'not lifted' if whole else 'lifted'}")
        print(
            f"| {'whole ways, that have to lift' if whole else 'ways with one part missing or too low, that must not'} "
            f"| {len(rows)} | wrong: {bad} |"
        )
        wrong += bad
    return wrong


def weaknesses(paths: int) -> int:
    """How soon random paths find each planted weakness; the number of those that they do not."""
    world = the_world()
    missed = 0
    for name, weakness in PLANTED.items():
        count = hunt(world, weakness, range(paths))
        missed += count is None
        print(f"| {name}: {weakness.says} | {f'path {count}' if count else f'not in {paths}'} |", flush=True)
    return missed


def main() -> int:
    parser = argparse.ArgumentParser(description="Walk random paths over the shell and hold them against an oracle for dangers.")
    parser.add_argument("paths", type=int, nargs="?", default=0)
    parser.add_argument("seed", type=int, nargs="?", default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--ways", action="store_true")
    parser.add_argument("--planted", type=int, default=0, metavar="N")
    given = parser.parse_args()
    wrong = 0
    if given.paths:
        wrong += random_paths(given.paths, given.seed, given.jobs)
    if given.ways:
        wrong += ways()
    if given.planted:
        wrong += weaknesses(given.planted)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
